package main_test

import (
	"bytes"
	"go/ast"
	"go/token"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPackageComments(t *testing.T) {
	t.Parallel()
	for _, p := range ours(t) {
		if len(p.GoFiles) == 0 {
			continue // test files only
		}
		var docs []string
		var name string
		eachFile(t, p, p.GoFiles, func(_ *token.FileSet, f *ast.File) {
			name = f.Name.Name
			if f.Doc != nil {
				docs = append(docs, f.Doc.Text())
			}
		})
		want := "Package " + name + " "
		if name == "main" {
			want = "Command " + path.Base(p.ImportPath) + " "
		}
		switch {
		case len(docs) == 0:
			t.Errorf("%s has no package comment", p.ImportPath)
		case len(docs) > 1:
			t.Errorf("%s has %d package comments: keep one", p.ImportPath, len(docs))
		case !strings.HasPrefix(docs[0], want):
			t.Errorf("the comment of %s begins %.40q, not %q", p.ImportPath, docs[0], want)
		}
	}
}

// tracked lists the files that belong to the project. Without git (a copy of the
// tree in a container) there is nobody to tell them from what lies about.
func tracked(t *testing.T) []string {
	t.Helper()
	cmd := exec.Command("git", "-c", "safe.directory=*", "ls-files", "-z")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		t.Skipf("needs git and a work tree to know the project's files: %v", err)
	}
	files := strings.FieldsFunc(string(out), func(r rune) bool { return r == 0 })
	require.Greater(t, len(files), 50)
	return files
}

// The top of the tree is a table of contents; a new entry is a decision, and
// stands here and in DEVELOPERS.md.
func TestTopLevel(t *testing.T) {
	t.Parallel()
	entries := []string{
		"cmd", "server", "spc", "store", "web", "migrations", "testdata", "tools",
		"README.md", "DEVELOPERS.md", "LICENSE", "NOTICE",
		"go.mod", "go.sum", "Makefile", "Dockerfile", "docker-compose.yml",
		".ci", ".dockerignore", ".gitattributes", ".gitignore", ".golangci.yaml",
	}
	seen := map[string]bool{}
	for _, file := range tracked(t) {
		top, _, _ := strings.Cut(file, "/")
		if !seen[top] && !slices.Contains(entries, top) {
			t.Errorf("%s is new at the top of the tree", top)
		}
		seen[top] = true
	}
}

// A file that grows past this is about two things.
func TestFileLength(t *testing.T) {
	t.Parallel()
	const most = 700
	written := []string{".go", ".templ", ".sql", ".css", ".js", ".sh"}
	for _, file := range tracked(t) {
		if !slices.Contains(written, path.Ext(file)) || strings.HasSuffix(file, "_templ.go") ||
			strings.Contains("/"+file, "/vendor/") || strings.Contains("/"+file, "/testdata/") || strings.HasSuffix(file, ".min.js") {
			continue
		}
		b, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(file)))
		if os.IsNotExist(err) {
			continue // removed, not committed yet
		}
		require.NoError(t, err)
		if n := bytes.Count(b, []byte("\n")); n > most {
			t.Errorf("%s has %d lines, more than %d: split it by topic", file, n, most)
		}
	}
}

// Names that say nothing about what is inside.
func TestFileNames(t *testing.T) {
	t.Parallel()
	vague := []string{"utils", "util", "helpers", "helper", "types", "misc", "common", "base"}
	for _, file := range tracked(t) {
		name := path.Base(file)
		stem, _, _ := strings.Cut(name, ".")
		if path.Ext(name) == ".go" && slices.Contains(vague, strings.TrimSuffix(stem, "_test")) {
			t.Errorf("%s: name it after what it is about", file)
		}
	}
}
