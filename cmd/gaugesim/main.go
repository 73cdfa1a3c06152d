// Command gaugesim is an invented plant: two presses, a lehr and the gauges behind it, with faults whose truth is known.
// It runs the demonstration, writes history for tests, and loads a service.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// streams are where a command writes.
type streams struct{ out, err io.Writer }

// cli is the command line. Each option is a flag and an environment variable where it concerns the service too.
type cli struct {
	Demo    demoCmd    `cmd:"" help:"Run the service with the invented plant: eight hours of history, then live until stopped."`
	History historyCmd `cmd:"" help:"Write what the gauges would send as NDJSON, for sagwatch import and for tests."`
	Plant   plantCmd   `cmd:"" help:"Print the plant's set-up file."`
	Load    loadCmd    `cmd:"" help:"Post single panels at a rate and print how long the answers took."`
	Faults  faultsCmd  `cmd:"" help:"List the faults that can happen."`
	Score   scoreCmd   `cmd:"" help:"Play faults and quiet times against the service and mark what it finds."`
}

// exitStatus carries a status through kong instead of ending the process, so that tests can run commands.
type exitStatus int

// run is main without the process: it returns the exit status.
func run(ctx context.Context, args []string, out, errw io.Writer) (status int) {
	defer func() {
		if v := recover(); v != nil {
			code, ok := v.(exitStatus)
			if !ok {
				panic(v)
			}
			status = int(code)
		}
	}()
	var c cli
	parser, err := kong.New(&c, kong.Name("gaugesim"), kong.Description("An invented plant with its gauges, for demonstration, tests and load."),
		kong.Writers(out, errw), kong.Exit(func(code int) { panic(exitStatus(code)) }), kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err != nil {
		fmt.Fprintln(errw, "gaugesim:", err)
		return 2
	}
	k, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintln(errw, "gaugesim:", err)
		return 2
	}
	k.BindTo(ctx, (*context.Context)(nil))
	if err := k.Run(streams{out, errw}); err != nil {
		if errors.Is(err, context.Canceled) && ctx.Err() != nil {
			return 130
		}
		fmt.Fprintln(errw, "gaugesim:", err)
		return 1
	}
	return 0
}

type plantCmd struct{}

func (plantCmd) Run(s streams) error {
	_, err := s.out.Write(plantFile)
	return err
}

type faultsCmd struct{}

func (faultsCmd) Run(s streams) error {
	for _, k := range kinds {
		where := "gauge"
		if k.glass {
			where = "glass"
		}
		if _, err := fmt.Fprintf(s.out, "%-20s %s  %s\n", k.name, where, k.help); err != nil {
			return err
		}
	}
	return nil
}
