//go:build unix

package pglocal

import (
	"cmp"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// oldest is the lowest major version the migrations are tested with.
const oldest = 15

// places are where distributions put the server programs, often not in PATH.
var places = []string{
	"/usr/lib/postgresql/*/bin",          // Debian and relatives
	"/usr/pgsql-*/bin",                   // packages of the PostgreSQL project for RPM systems
	"/usr/lib64/pgsql/bin",               // Gentoo, SUSE
	"/usr/local/pgsql/bin",               // built from source
	"/opt/homebrew/opt/postgresql@*/bin", // macOS, arm64
	"/usr/local/opt/postgresql@*/bin",    // macOS, amd64
	"/usr/libexec/postgresql*",           // Alpine
	"/Applications/Postgres.app/Contents/Versions/*/bin",
}

// programs is a folder that holds initdb and postgres of one major version.
type programs struct {
	dir   string
	major int
}

// find picks the programs for a cluster of the given major version, or the
// newest when major is 0 (a new folder). With binDir set it looks only there.
func find(binDir string, major int) (programs, error) {
	dirs := []string{binDir}
	if binDir == "" {
		dirs = candidates()
	}
	var found []programs
	for _, dir := range dirs {
		if v, ok := version(dir); ok {
			found = append(found, programs{dir, v})
		}
	}
	if len(found) == 0 {
		where := "in PATH or the usual folders"
		if binDir != "" {
			where = "in " + binDir
		}
		return programs{}, fmt.Errorf("%w (initdb and postgres) %s: install them (Debian: apt-get install postgresql), "+
			"or set SAGWATCH_DATABASE_URL to use a server that runs elsewhere", ErrNoBinaries, where)
	}
	best := slices.MaxFunc(found, func(a, b programs) int { return cmp.Compare(a.major, b.major) })
	if major == 0 {
		if best.major < oldest {
			return programs{}, fmt.Errorf("%w: found version %d in %s, version %d or later is needed: "+
				"install it (Debian: apt-get install postgresql-%d)", ErrVersion, best.major, best.dir, oldest, oldest)
		}
		return best, nil
	}
	for _, p := range found {
		if p.major == major {
			return p, nil
		}
	}
	return programs{}, fmt.Errorf("%w: the data folder was written by version %d, found is version %d in %s: "+
		"install that version (Debian: apt-get install postgresql-%d), or convert the folder with pg_upgrade",
		ErrVersion, major, best.major, best.dir, major)
}

func candidates() []string {
	var dirs []string
	if p, err := exec.LookPath("postgres"); err == nil {
		if p, err = filepath.EvalSymlinks(p); err == nil {
			dirs = append(dirs, filepath.Dir(p))
		}
	}
	for _, place := range places {
		if m, err := filepath.Glob(place); err == nil {
			for _, dir := range m {
				if !slices.Contains(dirs, dir) {
					dirs = append(dirs, dir)
				}
			}
		}
	}
	return dirs
}

var versionLine = regexp.MustCompile(`^postgres \(PostgreSQL\) (\d+)`)

// version asks the programs in dir themselves: folder names differ by system.
func version(dir string) (major int, ok bool) {
	if st, err := os.Stat(filepath.Join(dir, "initdb")); err != nil || st.Mode()&0o111 == 0 {
		return 0, false
	}
	cmd := exec.Command(filepath.Join(dir, "postgres"), "--version")
	cmd.Env = environment()
	out, err := cmd.Output()
	if err != nil {
		return 0, false
	}
	m := versionLine.FindSubmatch(out)
	if m == nil {
		return 0, false
	}
	major, err = strconv.Atoi(string(m[1]))
	return major, err == nil
}

// writtenBy reads which major version wrote the cluster in data; 0 when there is none.
func writtenBy(data string) (int, error) {
	name := filepath.Join(data, "PG_VERSION")
	b, err := os.ReadFile(name)
	if os.IsNotExist(err) {
		return 0, nil
	}
	if err != nil {
		return 0, folderError(filepath.Dir(data), err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		return 0, fmt.Errorf("%w: %s says %q, not a version PostgreSQL writes since 10: restore the folder from a backup",
			ErrVersion, name, strings.TrimSpace(string(b)))
	}
	return major, nil
}

// environment is what PostgreSQL's programs get to see: messages in English,
// times in UTC, and none of the PG* variables that would change where they
// listen or what they open.
func environment() []string {
	env := []string{"LC_ALL=C", "TZ=UTC", "HOME=/", "PATH=" + os.Getenv("PATH")}
	if v, ok := os.LookupEnv("LD_LIBRARY_PATH"); ok {
		env = append(env, "LD_LIBRARY_PATH="+v)
	}
	return env
}
