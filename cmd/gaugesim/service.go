package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// service is the sagwatch program that runs beside this one.
type service struct {
	program string
	env     []string
	process *os.Process
	ended   chan struct{} // closed when the process has ended
	err     error         // why, after that
}

// besideMe finds the sagwatch program in this program's own folder, where `make build` puts both.
func besideMe() (string, error) {
	me, err := os.Executable()
	if err != nil {
		return "", err
	}
	program := filepath.Join(filepath.Dir(me), "sagwatch")
	if _, err := os.Stat(program); err != nil {
		return "", fmt.Errorf("sagwatch is not beside this program (%s); run make build, or name it with --sagwatch", filepath.Dir(me))
	}
	return program, nil
}

// start runs `sagwatch serve` in a process group of its own, so that Ctrl-C reaches this program alone, which stops the
// gauges first. Should this program die, the service is told to stop.
func (s *service) start(out, errw io.Writer, listen string, args ...string) error {
	// Another service there would answer in the place of ours.
	free, err := net.Listen("tcp", listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s (choose another address with --listen): %w", listen, err)
	}
	if err := free.Close(); err != nil {
		return err
	}
	cmd := exec.Command(s.program, append([]string{"serve", "--listen", listen}, args...)...)
	cmd.Stdout, cmd.Stderr, cmd.Env = out, errw, s.env
	cmd.SysProcAttr = childAttributes()
	s.ended = make(chan struct{})
	started := make(chan error)
	go func() {
		// The kernel ties the parent's death to the thread that started the child; it must stay.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		if err == nil {
			s.process = cmd.Process
		}
		started <- err
		if err == nil {
			s.err = cmd.Wait()
			close(s.ended)
		}
	}()
	return <-started
}

// ready waits until the service can show its first page.
func (s *service) ready(ctx context.Context, url string) error {
	for {
		ask, cancel := context.WithTimeout(ctx, 10*time.Second)
		req, err := http.NewRequestWithContext(ask, http.MethodGet, url+"/readyz", nil)
		if err != nil {
			cancel()
			return err
		}
		res, err := http.DefaultClient.Do(req)
		if err == nil {
			res.Body.Close()
		}
		cancel()
		if err == nil && res.StatusCode == http.StatusOK {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.ended:
			return fmt.Errorf("the service did not start (%w); what it said stands above", orEnded(s.err))
		case <-time.After(30 * time.Millisecond):
		}
	}
}

func orEnded(err error) error {
	if err == nil {
		return errors.New("it ended")
	}
	return err
}

// stop asks the service to end and waits; it drains within ten seconds.
func (s *service) stop() error {
	select {
	case <-s.ended:
		return orEnded(s.err)
	default:
	}
	if err := s.process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case <-s.ended:
		return s.err
	case <-time.After(15 * time.Second):
		_ = s.process.Kill()
		<-s.ended
		return errors.New("the service did not stop within 15 s and was killed; what it acknowledged is kept")
	}
}

// command runs another command of sagwatch on the same database and gives what it printed.
func (s *service) command(ctx context.Context, in []byte, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, s.program, args...)
	var out, errs bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr, cmd.Env = bytes.NewReader(in), &out, &errs, s.env
	if err := cmd.Run(); err != nil {
		return "", fmt.Errorf("sagwatch %s: %w: %s", strings.Join(args[:min(2, len(args))], " "), err, strings.TrimSpace(errs.String()))
	}
	return out.String(), nil
}

// newToken makes a token under a name of this run.
func (s *service) newToken(ctx context.Context, name string) (string, error) {
	out, err := s.command(ctx, nil, "token", "add", name, "--scopes", "ingest,read")
	if err != nil {
		return "", err
	}
	lines := strings.Split(strings.TrimSpace(out), "\n")
	return lines[len(lines)-1], nil
}
