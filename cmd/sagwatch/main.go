// Command sagwatch takes the readings of faceplate curvature gauges, judges each panel, charts the process and shows what
// is wrong, since when.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // the plant's time zone, also on a machine without the tables

	"github.com/alecthomas/kong"
)

// version is set when a release is built.
var version = "dev"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// streams are where a command reads and writes.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

// cli is the command line. Each option is a flag and an environment variable.
type cli struct {
	DatabaseURL string           `help:"PostgreSQL to use; without it a private one runs in the data folder." env:"SAGWATCH_DATABASE_URL" placeholder:"URL"`
	DataDir     string           `help:"Data folder of the private PostgreSQL (default: the user's data folder; for root /var/lib/sagwatch)." env:"SAGWATCH_DATA_DIR" placeholder:"DIR"`
	PgBin       string           `help:"Folder of PostgreSQL's programs (default: found)." env:"SAGWATCH_PG_BIN" placeholder:"DIR"`
	Site        string           `help:"Site to work on (default: the only one that is defined, else main)." env:"SAGWATCH_SITE" placeholder:"NAME"`
	Version     kong.VersionFlag `help:"Print the version."`

	Serve   serveCmd   `cmd:"" help:"Run the service."`
	Setup   setupCmd   `cmd:"" help:"Apply a set-up file, or write one from what is defined."`
	Fit     fitCmd     `cmd:"" help:"Fit and judge measurements from a file, without a database."`
	Import  importCmd  `cmd:"" help:"Bring in history from CSV or NDJSON files."`
	Token   tokenCmd   `cmd:"" help:"Add, list and revoke tokens for machines."`
	User    userCmd    `cmd:"" help:"Add people and list them."`
	Migrate migrateCmd `cmd:"" help:"Bring the database's schema up to date."`
	Doctor  doctorCmd  `cmd:"" help:"Look whether everything that the service needs is there."`
	Verify  verifyCmd  `cmd:"" help:"Check the statistics against published values, on this machine."`
}

// exitStatus carries a status through kong instead of ending the process, so that tests can run commands.
type exitStatus int

// run is main without the process: it returns the exit status.
func run(ctx context.Context, args []string, in io.Reader, out, errw io.Writer) (status int) {
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
	parser, err := kong.New(&c, kong.Name("sagwatch"), kong.Description("Statistical process control of faceplate curvature inspection."),
		kong.Vars{"version": version}, kong.Writers(out, errw), kong.Exit(func(code int) { panic(exitStatus(code)) }), kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err != nil {
		fmt.Fprintln(errw, "sagwatch:", err)
		return 2
	}
	k, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintln(errw, "sagwatch:", err)
		return 2
	}
	k.BindTo(ctx, (*context.Context)(nil))
	if err := k.Run(&c, streams{in, out, errw}); err != nil {
		if errors.Is(err, context.Canceled) && ctx.Err() != nil {
			return 130
		}
		fmt.Fprintln(errw, "sagwatch:", err)
		return 1
	}
	return 0
}
