package main_test

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// module is our module path; "ours" below is everything in it.
const module = "sagwatch"

const root = "../.."

// pkg is what `go list` knows about one of our packages.
type pkg struct {
	ImportPath, Dir                                             string
	GoFiles, Imports, TestGoFiles, XTestGoFiles, IgnoredGoFiles []string
	TestImports, XTestImports                                   []string
}

// path is the package's folder in the tree; "" is the top.
func (p pkg) path() string { return strings.TrimPrefix(strings.TrimPrefix(p.ImportPath, module), "/") }

var packages = sync.OnceValues(func() ([]pkg, error) {
	// -e: a package that does not compile is the compiler's business.
	cmd := exec.Command("go", "list", "-e", "-json=ImportPath,Dir,GoFiles,Imports,TestGoFiles,XTestGoFiles,IgnoredGoFiles,TestImports,XTestImports", "./...")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		return nil, err
	}
	var all []pkg
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all, nil
		} else if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
})

func ours(t *testing.T) []pkg {
	t.Helper()
	all, err := packages()
	require.NoError(t, err)
	require.Greater(t, len(all), 10, "go list found too little")
	return all
}

// within tells whether path is tree or below it.
func within(path, tree string) bool { return path == tree || strings.HasPrefix(path, tree+"/") }

// rule bars imports from a part of the tree. A path ending in "/..." is a whole
// tree; any other is that package alone.
type rule struct {
	in     []string          // packages it binds
	except []string          // of them, these are free
	never  map[string]string // import -> why not
}

func covers(patterns []string, path string) bool {
	return slices.ContainsFunc(patterns, func(pattern string) bool {
		if tree, ok := strings.CutSuffix(pattern, "/..."); ok {
			return within(path, tree)
		}
		return path == pattern
	})
}

// Ways out of pure computing, shared by everything under spc.
var impure = map[string]string{
	"os/...":                   "computing does no input or output: the caller hands in what is needed",
	"io/ioutil/...":            "computing does no input or output",
	"net/...":                  "computing does no input or output",
	"syscall/...":              "computing does no input or output",
	"embed/...":                "tables are computed or written as Go, with their source",
	"database/sql/...":         "all SQL is in store",
	"log/...":                  "doubt goes into the result (warnings, refusals), not into a log",
	"math/rand":                "chance comes in as a source (math/rand/v2), so that results repeat",
	module + "/store/...":      "numbers know nothing of where they are kept",
	module + "/server/...":     "server calls spc, not the other way round",
	module + "/web/...":        "numbers know nothing of pages",
	module + "/cmd/...":        "commands are the top",
	module + "/migrations/...": "all SQL is in store",
}

// The import table. Who may use what runs one way: cmd, server, then store, spc
// and web beside each other; server is the one place where they meet.
var rules = []rule{
	{in: []string{"spc/..."}, except: []string{"spc/internal/ref"}, never: impure},
	{in: []string{"store/..."}, never: map[string]string{
		module + "/spc/.../":           "store keeps numbers and computes none; the plain types of spc itself are fine",
		module + "/server/...":         "server calls store, not the other way round",
		module + "/web/...":            "rows know nothing of pages",
		module + "/cmd/...":            "commands are the top",
		"github.com/go-chi/chi/v5/...": "store knows nothing of HTTP",
		"net/http/...":                 "store knows nothing of HTTP",
		"github.com/a-h/templ/...":     "store knows nothing of HTML",
		"html/...":                     "store knows nothing of HTML",
		"gonum.org/v1/gonum/...":       "store computes nothing",
	}},
	{in: []string{"store/pglocal"}, never: map[string]string{
		module + "/...": "it runs a server and knows nothing of what is kept there",
	}},
	{in: []string{"web/plot"}, never: map[string]string{
		"github.com/a-h/templ/...": "a scene is drawn from plain points, for SVG and PDF alike",
		module + "/web/page/...":   "plot is below the pages; of web it knows the printed faces alone",
		module + "/web/ui/...":     "plot is below the pages; of web it knows the printed faces alone",
	}},
	{in: []string{"web/..."}, never: map[string]string{
		module + "/spc/...":            "pages show what server/present worked out; they compute nothing",
		module + "/store/...":          "pages fetch nothing",
		module + "/server/...":         "server calls web, not the other way round",
		module + "/migrations/...":     "all SQL is in store",
		module + "/cmd/...":            "commands are the top",
		"github.com/go-chi/chi/v5/...": "routes are in server",
		"github.com/jackc/pgx/v5/...":  "all SQL is in store",
		"database/sql/...":             "all SQL is in store",
	}},
	{in: []string{"server/..."}, never: map[string]string{
		"github.com/jackc/pgx/v5/...":     "all SQL is in store",
		"database/sql/...":                "all SQL is in store",
		"github.com/pressly/goose/v3/...": "store migrates",
		module + "/migrations/...":        "store migrates",
		"gonum.org/v1/gonum/...":          "numbers are worked out in spc, where they are checked",
		module + "/cmd/...":               "commands are the top",
	}},
	{in: []string{"cmd/..."}, never: map[string]string{
		"github.com/jackc/pgx/v5/...":     "all SQL is in store",
		"database/sql/...":                "all SQL is in store",
		"github.com/pressly/goose/v3/...": "store migrates",
		"gonum.org/v1/gonum/...":          "numbers are worked out in spc, where they are checked",
		"github.com/a-h/templ/...":        "HTML is in web",
		"html/...":                        "HTML is in web",
	}},
	{in: []string{"cmd/sagwatch"}, never: map[string]string{
		module + "/spc/.../": "commands wire: server does the computing through spc",
	}},
	{in: []string{"migrations"}, never: map[string]string{
		module + "/...": "SQL files and their embedding, nothing else",
	}},
}

// belowSpc says which topics a topic of spc builds on. The plain types of spc
// itself are open to every topic but dist.
var belowSpc = map[string][]string{
	"dist":            {"refusal"},
	"refusal":         {},
	"chart":           {"dist", "refusal"},
	"rules":           {"dist", "chart"},
	"autocorrelation": {"dist", "refusal", "chart"},
	"multivariate":    {"dist", "refusal", "chart"},
	"runlength":       {"dist", "refusal", "chart", "rules"},
	"sphere":          {"dist"},
	"surface":         {"dist"},
	"fit":             {"dist", "refusal"},
	"components":      {"dist", "refusal"},
	"changepoint":     {"dist", "refusal", "chart"},
	"fault":           {"changepoint", "refusal"},
	"capability":      {"dist", "refusal", "fit", "components", "autocorrelation"},
	"gaugestudy":      {"dist", "refusal", "chart", "components"},
	"judge":           {"dist", "sphere", "surface"},
	"monitor":         {"dist", "refusal", "chart", "rules", "autocorrelation", "multivariate", "runlength", "changepoint", "fit"},
	"proof": {"dist", "refusal", "chart", "rules", "autocorrelation", "multivariate", "runlength", "sphere", "surface",
		"fit", "components", "changepoint", "capability", "gaugestudy", "judge"},
	"internal/ref": {},
}

// onlyTests may be imported by tests and by each other, nowhere else.
var onlyTests = map[string]string{
	"github.com/stretchr/testify/...":           "test library",
	"github.com/chromedp/chromedp/...":          "drives a browser in tests",
	"github.com/compose-spec/compose-go/v2/...": "parses docker-compose.yml in a test",
	"testing":                        "test library",
	module + "/store/storetest/...":  "databases for tests",
	module + "/spc/internal/ref/...": "reads reference values for tests",
}

var testSupport = []string{"store/storetest", "spc/internal/ref"}

// barred gives the reason why imp is on the list. "/.../" is a tree without its top.
func barred(never map[string]string, imp string) (why string, yes bool) {
	for pattern, why := range never {
		switch {
		case strings.HasSuffix(pattern, "/.../"):
			top := strings.TrimSuffix(pattern, "/.../")
			yes = imp != top && within(imp, top)
		case strings.HasSuffix(pattern, "/..."):
			yes = within(imp, strings.TrimSuffix(pattern, "/..."))
		default:
			yes = imp == pattern
		}
		if yes {
			return why, true
		}
	}
	return "", false
}

func TestBarred(t *testing.T) {
	t.Parallel()
	never := map[string]string{"os/...": "tree", "a.org/x/.../": "below", "math/rand": "alone"}
	for imp, want := range map[string]bool{
		"os": true, "os/exec": true, "osx": false,
		"a.org/x": false, "a.org/x/y": true, "a.org/xy": false,
		"math/rand": true, "math/rand/v2": false, "math": false,
	} {
		_, got := barred(never, imp)
		require.Equal(t, want, got, imp)
	}
}

func TestImports(t *testing.T) {
	t.Parallel()
	for _, p := range ours(t) {
		for _, r := range rules {
			if !covers(r.in, p.path()) || covers(r.except, p.path()) {
				continue
			}
			for _, imp := range p.Imports {
				if why, yes := barred(r.never, imp); yes {
					t.Errorf("%s imports %s: %s", p.ImportPath, imp, why)
				}
			}
		}
		if covers(testSupport, p.path()) {
			continue
		}
		for _, imp := range p.Imports {
			if why, yes := barred(onlyTests, imp); yes {
				t.Errorf("%s imports %s, which is for test files only: %s", p.ImportPath, imp, why)
			}
		}
	}
}

// Tests may use more than the code (files, testify), but they look at it from
// its own level too.
func TestImportsOfTests(t *testing.T) {
	t.Parallel()
	for _, p := range ours(t) {
		for _, imp := range slices.Concat(p.TestImports, p.XTestImports) {
			for _, r := range []rule{
				{in: []string{"spc/..."}, never: map[string]string{
					module + "/store/...": "numbers know nothing of where they are kept", module + "/server/...": "server calls spc", module + "/web/...": "numbers know nothing of pages"}},
				{in: []string{"web/..."}, never: map[string]string{
					module + "/store/...": "pages fetch nothing", module + "/server/...": "server calls web"}},
				{in: []string{"store/..."}, never: map[string]string{
					module + "/server/...": "server calls store", module + "/web/...": "rows know nothing of pages"}},
			} {
				if why, yes := barred(r.never, imp); yes && covers(r.in, p.path()) {
					t.Errorf("a test of %s imports %s: %s", p.ImportPath, imp, why)
				}
			}
			if strings.HasPrefix(imp, "github.com/stretchr/testify/") && imp != "github.com/stretchr/testify/require" {
				t.Errorf("a test of %s imports %s: use require, so that a test stops where it fails", p.ImportPath, imp)
			}
		}
	}
}

func TestSpcRunsDownwards(t *testing.T) {
	t.Parallel()
	for _, p := range ours(t) {
		topic, ok := strings.CutPrefix(p.path(), "spc/")
		if !ok && p.path() != "spc" {
			continue
		}
		var below []string
		if ok {
			below, ok = belowSpc[topic]
			require.True(t, ok, "%s is new: say in belowSpc what it builds on", p.ImportPath)
		}
		for _, imp := range p.Imports {
			switch {
			case imp == module+"/spc":
				if topic == "dist" {
					t.Errorf("%s imports %s: dist is plain mathematics, the lowest of all", p.ImportPath, imp)
				}
			case within(imp, module+"/spc"):
				if !slices.Contains(below, strings.TrimPrefix(imp, module+"/spc/")) {
					t.Errorf("%s imports %s, which is not below it (see belowSpc)", p.ImportPath, imp)
				}
			case strings.Contains(imp, "."): // not of the standard library
				if topic == "" {
					t.Errorf("%s imports %s: the domain's plain types need the standard library only", p.ImportPath, imp)
				} else if !strings.HasPrefix(imp, "gonum.org/") && topic != "internal/ref" {
					t.Errorf("%s imports %s: under spc only gonum", p.ImportPath, imp)
				}
			}
		}
	}
}

// clocks and dice are functions whose result differs from call to call.
var clocks = []string{"Now", "Since", "Until", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Sleep", "Local"}

// sourced are the functions of math/rand/v2 that take or make a source; all
// others draw from a global one.
var sourced = []string{"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "Source", "PCG", "ChaCha8", "Zipf"}

func TestSpcHasNoClockAndNoDice(t *testing.T) {
	t.Parallel()
	for _, p := range ours(t) {
		if !within(p.path(), "spc") {
			continue
		}
		eachFile(t, p, p.GoFiles, func(fset *token.FileSet, f *ast.File) {
			names := map[string]string{} // local name -> import path
			for _, spec := range f.Imports {
				path, err := strconv.Unquote(spec.Path.Value)
				require.NoError(t, err)
				name := path[strings.LastIndex(path, "/")+1:]
				if path == "math/rand/v2" {
					name = "rand"
				}
				if spec.Name != nil {
					name = spec.Name.Name
				}
				names[name] = path
			}
			ast.Inspect(f, func(n ast.Node) bool {
				sel, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				x, ok := sel.X.(*ast.Ident)
				if !ok || x.Obj != nil { // Obj: a variable of that name
					return true
				}
				switch names[x.Name] {
				case "time":
					if slices.Contains(clocks, sel.Sel.Name) {
						t.Errorf("%s: time.%s: computing has no clock; take the time as an argument", fset.Position(n.Pos()), sel.Sel.Name)
					}
				case "math/rand/v2", "math/rand":
					if !slices.Contains(sourced, sel.Sel.Name) {
						t.Errorf("%s: rand.%s draws from the global source; take a rand.Source", fset.Position(n.Pos()), sel.Sel.Name)
					}
				}
				return true
			})
		})
	}
}

// statement is how an SQL statement begins. Upper case, as all SQL here is written.
var statement = regexp.MustCompile(`^\s*(SELECT\s|INSERT INTO\s|UPDATE \w+\s+SET\s|DELETE FROM\s|WITH \w+ AS\b|(CREATE|ALTER|DROP) (TABLE|INDEX|VIEW|TYPE)\b|TRUNCATE\s|COPY \w+)`)

func TestSQLIsInStore(t *testing.T) {
	t.Parallel()
	require.Regexp(t, statement, "\n\t\tSELECT 1")
	found := 0
	for _, p := range ours(t) {
		eachFile(t, p, p.GoFiles, func(fset *token.FileSet, f *ast.File) {
			ast.Inspect(f, func(n ast.Node) bool {
				lit, ok := n.(*ast.BasicLit)
				if !ok || lit.Kind != token.STRING {
					return true
				}
				s, err := strconv.Unquote(lit.Value)
				require.NoError(t, err)
				if !statement.MatchString(s) {
					return true
				}
				if within(p.path(), "store") {
					found++
				} else {
					t.Errorf("%s: SQL outside store: %.60q", fset.Position(n.Pos()), s)
				}
				return true
			})
		})
	}
	require.Greater(t, found, 10, "the search no longer recognises the SQL in store")
}

// eachFile parses the named files of a package, comments included.
func eachFile(t *testing.T, p pkg, names []string, fn func(*token.FileSet, *ast.File)) {
	t.Helper()
	for _, name := range names {
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.ParseComments)
		require.NoError(t, err)
		fn(fset, f)
	}
}
