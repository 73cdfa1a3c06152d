//go:build unix

package pglocal

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// settings are written once into postgresql.conf, where an operator may change
// them; what the private cluster depends on is given on the command line. Sized
// to run beside the service on a plant computer with two cores.
const settings = `
# --- Sagwatch: starting values, yours to change ---
max_connections = 100
shared_buffers = 256MB
effective_cache_size = 2GB
work_mem = 16MB
maintenance_work_mem = 128MB
random_page_cost = 1.1                # solid state disks
jit = off                             # many short queries: compiling them costs more than it saves
wal_buffers = 16MB
max_wal_size = 2GB                    # history is loaded in bulk: fewer checkpoints
checkpoint_timeout = 15min
timezone = 'UTC'
log_timezone = 'UTC'
log_line_prefix = '%m [%p] '
log_min_duration_statement = 5s
`

// create makes a new cluster. initdb works in pgdata.new, which is renamed when
// it is complete: a killed or failed initdb leaves no half cluster behind.
func create(ctx context.Context, bin programs, dir, data string, acc account, volatile bool, log *slog.Logger) error {
	begun := time.Now()
	fresh := data + ".new"
	if err := os.RemoveAll(fresh); err != nil {
		return folderError(dir, err)
	}
	if err := os.Mkdir(fresh, 0o700); err != nil {
		return folderError(dir, err)
	}
	if err := acc.own(fresh); err != nil {
		return folderError(dir, err)
	}
	// The C locale sorts the same on every system, so indexes survive a move.
	args := []string{"-D", fresh, "-U", role, "-E", "UTF8", "--locale=C", "-A", "peer", "--data-checksums"}
	if volatile {
		args = append(args, "--no-sync")
	}
	cmd := exec.CommandContext(ctx, filepath.Join(bin.dir, "initdb"), args...)
	cmd.SysProcAttr, cmd.Dir, cmd.Env = acc.attributes(), "/", environment()
	out, err := cmd.CombinedOutput()
	if err == nil {
		err = appendSettings(filepath.Join(fresh, "postgresql.conf"))
	}
	if err != nil {
		full := isDiskFull(dir, string(out))
		_ = os.RemoveAll(fresh) // give back what it took; the next start tries again
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if full {
			return diskFull(dir)
		}
		return fmt.Errorf("initdb (%s, as user %s) could not make a new cluster in %s: %w\n%s",
			bin.dir, acc.name, dir, err, strings.TrimSpace(string(out)))
	}
	if err := os.Rename(fresh, data); err != nil {
		return folderError(dir, err)
	}
	if d, err := os.Open(dir); err == nil { // make the new name durable too
		_ = d.Sync() // not every file system can; initdb has synced the content
		d.Close()
	}
	log.Info("made a new PostgreSQL cluster", "data", data, "version", bin.major, "as", acc.name,
		"took", time.Since(begun).Round(time.Millisecond))
	return nil
}

func appendSettings(name string) error {
	f, err := os.OpenFile(name, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	if _, err = f.WriteString(settings); err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}

// admit writes who may log in; at each start, because the folder may have moved
// to another user.
func admit(dir, data string, acc account) error {
	ident, err := acc.ident()
	if err != nil {
		return err
	}
	for name, text := range map[string]string{"pg_hba.conf": hba, "pg_ident.conf": ident} {
		path := filepath.Join(data, name)
		if old, err := os.ReadFile(path); err == nil && string(old) == text {
			continue
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			return folderError(dir, err)
		}
		if err := acc.own(path); err != nil {
			return folderError(dir, err)
		}
	}
	return nil
}
