//go:build unix

package pglocal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// database is the one database of the cluster.
const database = "sagwatch"

// server is the PostgreSQL process this process owns.
type server struct {
	cmd      *exec.Cmd
	log      *slog.Logger
	dir      string
	logFrom  int64         // where this run's part of postgres.log begins
	exited   chan struct{} // closed when the process has ended
	done     chan struct{} // closed after that, when the folder is free again
	stopping atomic.Bool
}

// errLeftover: processes of a killed server are still around. They notice within
// moments that their parent is gone.
var errLeftover = errors.New("processes of an earlier PostgreSQL are still ending")

func start(ctx context.Context, cfg Config) (*Cluster, error) {
	dir, data := cfg.Dir, filepath.Join(cfg.Dir, "pgdata")
	acc, err := chooseAccount(dir, data)
	if err != nil {
		return nil, err
	}
	major, err := writtenBy(data)
	if err != nil {
		return nil, err
	}
	bin, err := find(cfg.BinDir, major)
	if err != nil {
		return nil, err
	}
	if err := prepare(dir, acc); err != nil {
		return nil, err
	}
	held, err := lock(dir, acc)
	if err != nil {
		return nil, err
	}
	release := func() { held.Close() }

	socket, err := setUp(ctx, cfg, bin, acc)
	if err != nil {
		release()
		return nil, err
	}
	const patience = 30 * time.Second
	for begun := time.Now(); ; {
		s, err := launch(cfg, bin, acc, data, socket)
		if err == nil {
			err = s.ready(ctx, data, socket)
		}
		if err == nil {
			go s.watch(func() {
				removeSocketFolder(dir, socket)
				release()
			})
			cfg.Log.Info("PostgreSQL is running", "data", data, "version", bin.major, "as", acc.name, "pid", s.cmd.Process.Pid)
			return &Cluster{dsn: dsn(socket, database), data: data, binDir: bin.dir, server: s}, nil
		}
		if !errors.Is(err, errLeftover) || ctx.Err() != nil || time.Since(begun) > patience {
			release()
			return nil, err
		}
		cfg.Log.Info("waiting for an earlier PostgreSQL to end", "data", data)
		select {
		case <-ctx.Done():
		case <-time.After(250 * time.Millisecond):
		}
	}
}

// setUp brings the folder into the state in which the server can be launched.
func setUp(ctx context.Context, cfg Config, bin programs, acc account) (socket string, err error) {
	data := filepath.Join(cfg.Dir, "pgdata")
	// Asked again, now with the lock: another owner may have made it meanwhile.
	if major, err := writtenBy(data); err != nil {
		return "", err
	} else if major == 0 {
		if err := create(ctx, bin, cfg.Dir, data, acc, cfg.Volatile, cfg.Log); err != nil {
			return "", err
		}
	}
	if err := settle(ctx, data, cfg.Log); err != nil {
		return "", err
	}
	if err := admit(cfg.Dir, data, acc); err != nil {
		return "", err
	}
	return socketFolder(cfg.Dir, acc)
}

const (
	logName  = "postgres.log"
	logLimit = 16 << 20 // bytes; one older file of that size is kept
)

func openLog(dir string, acc account) (*os.File, error) {
	name := filepath.Join(dir, logName)
	if st, err := os.Stat(name); err == nil && st.Size() > logLimit {
		if err := os.Rename(name, name+".1"); err != nil {
			return nil, folderError(dir, err)
		}
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, folderError(dir, err)
	}
	if err := acc.own(name); err != nil {
		f.Close()
		return nil, folderError(dir, err)
	}
	return f, nil
}

// launch starts the server process; ready tells when it can be used.
func launch(cfg Config, bin programs, acc account, data, socket string) (*server, error) {
	log, err := openLog(cfg.Dir, acc)
	if err != nil {
		return nil, err
	}
	defer log.Close() // the child has its own

	args := []string{"-D", data, "-k", socket, "-p", port,
		"-c", "listen_addresses=", "-c", "unix_socket_permissions=0700"}
	if cfg.Volatile {
		args = append(args, "-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off")
	} else {
		args = append(args, "-c", "fsync=on", "-c", "synchronous_commit=on", "-c", "full_page_writes=on")
	}
	s := &server{log: cfg.Log, dir: cfg.Dir, exited: make(chan struct{}), done: make(chan struct{})}
	if st, err := log.Stat(); err == nil {
		s.logFrom = st.Size()
	}
	s.cmd = exec.Command(filepath.Join(bin.dir, "postgres"), args...)
	attr := acc.attributes()
	dieWithParent(attr)
	s.cmd.SysProcAttr, s.cmd.Dir, s.cmd.Env = attr, "/", environment()
	s.cmd.Stdout, s.cmd.Stderr = log, log

	started := make(chan error, 1)
	go func() {
		// The parent of a parent-death signal is the *thread* that started the
		// child: keep it for the life of the child.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := s.cmd.Start()
		started <- err
		if err == nil {
			_ = s.cmd.Wait() // the state tells how it ended
			close(s.exited)
		}
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start PostgreSQL from %s as user %s: %w", bin.dir, acc.name, err)
	}
	return s, nil
}

// ready waits until the server answers, and makes the database. On failure the
// process has ended when it returns. Replaying the log after a crash may take
// minutes, so there is no limit of its own.
func (s *server) ready(ctx context.Context, data, socket string) (err error) {
	defer func() {
		if err != nil {
			s.terminate()
		}
	}()
	said := time.Now()
	for {
		// Asked only when the server says so: each refusal is two lines in its log.
		if p, err := readPidFile(data); err == nil && p.ready && p.pid == s.cmd.Process.Pid {
			err := makeDatabase(ctx, dsn(socket, "postgres"))
			var answer *pgconn.PgError
			switch {
			case err == nil:
				return nil
			case errors.As(err, &answer) && answer.Code == "53100": // disk_full
				return diskFull(s.dir)
			case errors.As(err, &answer) && answer.Code != "57P03": // cannot_connect_now
				return fmt.Errorf("PostgreSQL in %s: %w", s.dir, err)
			}
		}
		select {
		case <-s.exited:
			return s.failure()
		case <-ctx.Done():
			return fmt.Errorf("PostgreSQL in %s is not ready: %w", s.dir, ctx.Err())
		case <-time.After(20 * time.Millisecond):
		}
		if time.Since(said) > 10*time.Second {
			said = time.Now()
			s.log.Info("PostgreSQL is still starting (after a crash it replays its log)", "folder", s.dir)
		}
	}
}

func makeDatabase(ctx context.Context, dsn string) error {
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	var exists bool
	err = conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, database).Scan(&exists)
	if err != nil || exists {
		return err
	}
	_, err = conn.Exec(ctx, `CREATE DATABASE `+database)
	return err
}

// failure says why the process ended, from what it wrote to its log.
func (s *server) failure() error {
	said := s.lastWords()
	switch {
	case isDiskFull(s.dir, said):
		return diskFull(s.dir)
	case strings.Contains(said, "pre-existing shared memory block"),
		strings.Contains(said, `lock file "postmaster.pid" already exists`):
		return fmt.Errorf("%w in %s: wait a moment and start again", errLeftover, s.dir)
	}
	return fmt.Errorf("PostgreSQL in %s ended at its start (%v), see %s:\n%s",
		s.dir, s.cmd.ProcessState, filepath.Join(s.dir, logName), said)
}

// lastWords is the end of this run's part of the server's log.
func (s *server) lastWords() string {
	const most = 2000
	f, err := os.Open(filepath.Join(s.dir, logName))
	if err != nil {
		return err.Error()
	}
	defer f.Close()
	b, err := io.ReadAll(io.NewSectionReader(f, s.logFrom, 1<<20))
	if err != nil {
		return err.Error()
	}
	return strings.TrimSpace(string(b[max(0, len(b)-most):]))
}

// watch waits for the end of the process and gives the folder free.
func (s *server) watch(free func()) {
	<-s.exited
	if s.stopping.Load() {
		s.log.Info("PostgreSQL has stopped", "folder", s.dir)
	} else {
		s.log.Error("PostgreSQL has ended by itself", "folder", s.dir, "state", s.cmd.ProcessState.String(), "log", s.lastWords())
	}
	free()
	close(s.done)
}

func (s *server) stop() {
	s.terminate()
	<-s.done
}

// terminate ends the process: a fast shutdown, which writes everything out; when
// that takes longer than a service manager waits, an immediate one, after which
// the next start replays the log. Neither loses what was committed.
func (s *server) terminate() {
	s.stopping.Store(true)
	for _, step := range []struct {
		signal syscall.Signal
		wait   time.Duration
	}{{syscall.SIGINT, 6 * time.Second}, {syscall.SIGQUIT, 6 * time.Second}} {
		_ = s.cmd.Process.Signal(step.signal) // an error: it has ended already
		select {
		case <-s.exited:
			return
		case <-time.After(step.wait):
		}
	}
	_ = s.cmd.Process.Kill()
	<-s.exited
}
