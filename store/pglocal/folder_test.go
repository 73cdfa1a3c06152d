//go:build unix

package pglocal

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// White-box: the rules by user number and by found programs cannot be reached
// otherwise.
func TestDefaultDir(t *testing.T) {
	t.Parallel()
	const nobodyKnows = 1<<31 - 7
	for _, tt := range []struct {
		name string
		uid  int
		env  map[string]string
		want string
	}{
		{"root", 0, map[string]string{"HOME": "/home/root", "XDG_DATA_HOME": "/x"}, "/var/lib/sagwatch"},
		{"home", 1000, map[string]string{"HOME": "/home/ana"}, "/home/ana/.local/share/sagwatch"},
		{"data home", 1000, map[string]string{"HOME": "/home/ana", "XDG_DATA_HOME": "/data"}, "/data/sagwatch"},
		{"relative data home", 1000, map[string]string{"HOME": "/home/ana", "XDG_DATA_HOME": "data"}, "/home/ana/.local/share/sagwatch"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := defaultDir(func(k string) string { return tt.env[k] }, tt.uid)
			require.NoError(t, err)
			require.Equal(t, tt.want, got)
		})
	}
	_, err := defaultDir(func(string) string { return "" }, nobodyKnows)
	require.ErrorContains(t, err, "SAGWATCH_DATA_DIR")
}

// fake makes programs that only say their version.
func fake(t *testing.T, line string) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "postgres"), []byte("#!/bin/sh\necho '"+line+"'\n"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "initdb"), []byte("#!/bin/sh\n"), 0o755))
	return dir
}

func TestFind(t *testing.T) {
	t.Parallel()
	v16 := fake(t, "postgres (PostgreSQL) 16.4 (Debian 16.4-1)")
	v9 := fake(t, "postgres (PostgreSQL) 9.6.24")
	beta := fake(t, "postgres (PostgreSQL) 18beta1")
	other := fake(t, "something else")

	got, err := find(v16, 0)
	require.NoError(t, err)
	require.Equal(t, programs{v16, 16}, got)
	got, err = find(v16, 16)
	require.NoError(t, err)
	require.Equal(t, 16, got.major)
	got, err = find(beta, 0)
	require.NoError(t, err)
	require.Equal(t, 18, got.major)

	_, err = find(v16, 14)
	require.ErrorIs(t, err, ErrVersion)
	require.ErrorContains(t, err, "written by version 14")
	require.ErrorContains(t, err, "apt-get install postgresql-14")
	_, err = find(v9, 0)
	require.ErrorIs(t, err, ErrVersion)
	require.ErrorContains(t, err, "version 15 or later")
	_, err = find(other, 0)
	require.ErrorIs(t, err, ErrNoBinaries)

	// Without a folder given: the newest, or the one that matches.
	newest, err := find("", 0)
	require.NoError(t, err)
	require.GreaterOrEqual(t, newest.major, oldest)
	same, err := find("", newest.major)
	require.NoError(t, err)
	require.Equal(t, newest.major, same.major)
}

func TestFits(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		path string
		want bool
	}{
		{"/var/lib/sagwatch/socket", true},
		{"/" + string(make([]byte, 5)), false},
		{"/a b", false},
		{"/a,b", false},
		{`/a"b`, false},
		{"/" + longName(socketLimit-len(socketFile)-1), true},
		{"/" + longName(socketLimit-len(socketFile)), false},
	} {
		require.Equal(t, tt.want, fits(tt.path), tt.path)
	}
}

func longName(n int) string {
	b := make([]byte, n)
	for i := range b {
		b[i] = 'a'
	}
	return string(b)
}

func TestIdent(t *testing.T) {
	t.Parallel()
	me, err := userName(os.Getuid())
	require.NoError(t, err)
	text, err := account{uid: 101, gid: 104, name: "press hall", switched: true}.ident()
	require.NoError(t, err)
	require.Contains(t, text, `owner "`+me+`" sagwatch`)
	require.Contains(t, text, `owner "press hall" sagwatch`)
	require.Contains(t, text, `owner "root" sagwatch`)
}
