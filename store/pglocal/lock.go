//go:build unix

package pglocal

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// lock makes this process the owner of dir. The kernel drops the lock whatever
// way the process ends, so there is nothing to clean up after a crash.
func lock(dir string, acc account) (*os.File, error) {
	name := filepath.Join(dir, "lock")
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, folderError(dir, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer f.Close()
		by := "another process"
		buf := make([]byte, 32)
		if n, _ := f.Read(buf); n > 0 {
			by = "process " + strings.TrimSpace(string(buf[:n]))
		}
		return nil, fmt.Errorf("%w: %s is in use by %s: stop it, or set SAGWATCH_DATA_DIR to another folder",
			ErrOwned, dir, by)
	}
	err = f.Truncate(0)
	if err == nil {
		_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err == nil {
		err = acc.own(name) // so that its owner can still open it after root has run once
	}
	if err != nil {
		f.Close()
		return nil, folderError(dir, err)
	}
	return f, nil
}

// pidFile is what a running server writes into its data folder, postmaster.pid:
// one value a line (PostgreSQL source, src/include/utils/pidfile.h).
type pidFile struct {
	pid    int
	port   string
	socket string // folder
	ready  bool
}

func readPidFile(data string) (pidFile, error) {
	b, err := os.ReadFile(filepath.Join(data, "postmaster.pid"))
	if err != nil {
		return pidFile{}, err
	}
	lines := strings.Split(string(b), "\n")
	line := func(i int) string {
		if i < len(lines) {
			return strings.TrimSpace(lines[i])
		}
		return ""
	}
	pid, _ := strconv.Atoi(line(0))
	return pidFile{pid: pid, port: line(3), socket: line(4), ready: line(7) == "ready"}, nil
}

// serves tells whether process pid is a PostgreSQL on data, and not some other
// program that was given the same number later.
func serves(pid int, data string) bool {
	if pid < 2 {
		return false
	}
	args, err := commandLine(pid)
	return err == nil && bytes.Contains(args, []byte("postgres")) && bytes.Contains(args, []byte(data))
}

// settle deals with what an earlier owner of data left: a server that is still
// shutting down, or was orphaned where the system has no parent-death signal,
// is stopped; a process number that belongs to somebody else now is removed,
// because PostgreSQL would take it for a running server. Call it with the lock.
//
// A dead number stays: PostgreSQL removes it after looking whether processes of
// that server still hold its shared memory.
func settle(ctx context.Context, data string, log *slog.Logger) error {
	const patience = 30 * time.Second
	signals := []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT} // fast, then immediate shutdown
	begun, asked := time.Now(), 0
	for {
		p, err := readPidFile(data)
		if err != nil {
			return nil // no server, or none that can be told
		}
		if !serves(p.pid, data) {
			if p.pid > 1 && syscall.Kill(p.pid, 0) == syscall.ESRCH {
				return nil
			}
			log.Info("removing a stale process number", "data", data, "pid", p.pid)
			return os.Remove(filepath.Join(data, "postmaster.pid"))
		}
		if waited := time.Since(begun); asked < len(signals) && waited >= time.Duration(asked)*patience {
			log.Warn("stopping the PostgreSQL of an earlier run", "data", data, "pid", p.pid)
			if err := syscall.Kill(p.pid, signals[asked]); err != nil && err != syscall.ESRCH {
				return fmt.Errorf("%w: PostgreSQL process %d still runs on %s and may not be stopped by this user (%v): kill -INT %d as its owner",
					ErrOwned, p.pid, data, err, p.pid)
			}
			asked++
		} else if waited > 2*patience {
			return fmt.Errorf("%w: PostgreSQL process %d still runs on %s and does not stop: kill -QUIT %d",
				ErrOwned, p.pid, data, p.pid)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}
