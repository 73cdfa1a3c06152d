//go:build unix

package pglocal

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// The port only names the socket file.
const (
	port       = "5432"
	socketFile = "/.s.PGSQL." + port
)

// socketLimit is the longest socket path that works everywhere: sun_path has
// 108 bytes on Linux, 104 on macOS and the BSDs, one of them the end mark.
const socketLimit = 103

// socketFolder makes the folder the socket lives in. It is socket/ in the data
// folder, or, where that path is too long for a socket or has signs that
// PostgreSQL's lists of folders cannot hold, one in /tmp with a name worked out
// from the data folder: the same after each start, so connection strings stay.
func socketFolder(dir string, acc account) (string, error) {
	path := filepath.Join(dir, "socket")
	if !fits(path) {
		sum := sha256.Sum256([]byte(dir))
		path = "/tmp/sagwatch-" + hex.EncodeToString(sum[:8])
	}
	err := os.Mkdir(path, 0o700)
	if err == nil {
		err = acc.own(path)
	} else if errors.Is(err, fs.ErrExist) {
		err = nil
	}
	if err != nil {
		return "", folderError(dir, err)
	}
	// Anybody can make a folder in /tmp: one of somebody else's is not entered.
	st, err := os.Lstat(path)
	if err != nil {
		return "", folderError(dir, err)
	}
	uid, _, ok := owner(path)
	if !st.IsDir() || !ok || uid != acc.uid || st.Mode().Perm() != 0o700 {
		return "", fmt.Errorf("%w: %s must be a folder of the user %s that nobody else may enter (mode 0700): remove it",
			ErrFolder, path, acc.name)
	}
	// What a killed server left: with the lock held nobody listens there.
	for _, name := range []string{path + socketFile, path + socketFile + ".lock"} {
		if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", folderError(dir, err)
		}
	}
	return path, nil
}

// removeSocketFolder tidies up in /tmp; a folder that is not empty stays.
func removeSocketFolder(dir, socket string) {
	if filepath.Dir(socket) != dir {
		_ = os.Remove(socket)
	}
}

func fits(path string) bool {
	if len(path)+len(socketFile) > socketLimit {
		return false
	}
	return strings.IndexFunc(path, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && !strings.ContainsRune("/._-+", r)
	}) < 0
}

func dsn(socket, database string) string {
	return "host=" + socket + " port=" + port + " user=" + role + " dbname=" + database + " sslmode=disable"
}
