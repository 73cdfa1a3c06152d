//go:build unix

package pglocal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// DefaultDir is the data folder when none is configured: $XDG_DATA_HOME/sagwatch,
// else ~/.local/share/sagwatch. For root it is /var/lib/sagwatch: root's
// PostgreSQL runs as an ordinary user, who cannot enter a folder below a home
// that only root may enter.
func DefaultDir(getenv func(string) string) (string, error) {
	return defaultDir(getenv, os.Getuid())
}

func defaultDir(getenv func(string) string, uid int) (string, error) {
	if uid == 0 {
		return "/var/lib/sagwatch", nil
	}
	// The XDG base directory specification: a relative path is to be ignored.
	if d := getenv("XDG_DATA_HOME"); filepath.IsAbs(d) {
		return filepath.Join(d, "sagwatch"), nil
	}
	home := getenv("HOME")
	if home == "" {
		if u, err := user.LookupId(strconv.Itoa(uid)); err == nil {
			home = u.HomeDir
		}
	}
	if !filepath.IsAbs(home) {
		return "", errors.New("this user has no home folder to keep data in: set SAGWATCH_DATA_DIR")
	}
	return filepath.Join(home, ".local", "share", "sagwatch"), nil
}

// prepare makes the data folder, for root under the account's ownership.
func prepare(dir string, acc account) error {
	made := false
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
			return folderError(dir, err)
		}
		if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
			return folderError(dir, err)
		}
		made = true
	}
	if st, err := os.Stat(dir); err != nil {
		return folderError(dir, err)
	} else if !st.IsDir() {
		return folderError(dir, syscall.ENOTDIR)
	}
	if made {
		if err := acc.own(dir); err != nil {
			return folderError(dir, err)
		}
	}
	if acc.switched {
		return enterable(dir, acc)
	}
	return nil
}

// enterable checks that the account can reach dir. The system decides, because
// access lists and groups are its business; only then is the culprit looked for.
func enterable(dir string, acc account) error {
	cmd := exec.Command("/bin/sh", "-c", `cd "$0"`, dir)
	cmd.SysProcAttr, cmd.Dir, cmd.Env = acc.attributes(), "/", environment()
	if cmd.Run() == nil {
		return nil
	}
	culprit := dir
	if real, err := filepath.EvalSymlinks(dir); err == nil {
		for p := real; ; p = filepath.Dir(p) {
			if st, err := os.Stat(p); err == nil && st.Mode()&0o001 == 0 {
				if uid, _, ok := owner(p); !ok || uid != acc.uid {
					culprit = p // the topmost one is kept
				}
			}
			if p == filepath.Dir(p) {
				break
			}
		}
	}
	return fmt.Errorf("%w: as root PostgreSQL runs as the user %s, who may not enter %s: "+
		"set SAGWATCH_DATA_DIR to a folder outside it (for example /var/lib/sagwatch), or run as the user who owns it",
		ErrFolder, acc.name, culprit)
}

// folderError puts a failure in dir into words, with what to do about it.
func folderError(dir string, err error) error {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return diskFull(dir)
	case errors.Is(err, fs.ErrPermission):
		whose := ""
		for p := dir; ; p = filepath.Dir(p) { // the nearest that exists decides
			if uid, _, ok := owner(p); ok {
				if name, nameErr := userName(uid); nameErr == nil {
					whose = fmt.Sprintf(" (%s belongs to %s)", p, name)
				}
				break
			}
			if p == filepath.Dir(p) {
				break
			}
		}
		return fmt.Errorf("%w: may not write to %s%s: run as its owner, or set SAGWATCH_DATA_DIR to a folder of your own",
			ErrFolder, dir, whose)
	case errors.Is(err, syscall.ENOTDIR):
		return fmt.Errorf("%w: %s is not a folder: set SAGWATCH_DATA_DIR to another path", ErrFolder, dir)
	case errors.Is(err, syscall.EROFS):
		return fmt.Errorf("%w: %s is on a disk mounted read-only: set SAGWATCH_DATA_DIR to a writable one", ErrFolder, dir)
	}
	return fmt.Errorf("%w: %s: %w", ErrFolder, dir, err)
}

// isDiskFull tells from what a program of PostgreSQL said, and, because its last
// words may not have found room either, from the room that is left.
func isDiskFull(dir, said string) bool {
	for _, sign := range []string{"No space left on device", "Check free disk space", "Disk quota exceeded"} {
		if strings.Contains(said, sign) {
			return true
		}
	}
	const segment = 16 << 20 // of the write-ahead log: without room for one nothing goes
	free, ok := freeSpace(dir)
	return ok && free < segment
}

func freeSpace(dir string) (bytes uint64, ok bool) {
	var st syscall.Statfs_t
	if syscall.Statfs(dir, &st) != nil {
		return 0, false
	}
	return uint64(st.Bavail) * uint64(st.Bsize), true
}

func diskFull(dir string) error {
	free := ""
	if b, ok := freeSpace(dir); ok {
		free = fmt.Sprintf(" (%d MiB free)", b>>20)
	}
	return fmt.Errorf("%w: no room left on the disk of %s%s: free some space and start again; nothing committed is lost",
		ErrDiskFull, dir, free)
}
