package gallery_test

import (
	"bytes"
	"context"
	"flag"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"

	"sagwatch/web/gallery"
)

var update = flag.Bool("update", false, "write the golden files anew")

func rendered(t *testing.T, e gallery.Entry) ([]byte, *html.Node) {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, e.Page.Render(context.Background(), &b))
	doc, err := html.Parse(bytes.NewReader(b.Bytes()))
	require.NoError(t, err)
	return b.Bytes(), doc
}

func attr(n *html.Node, name string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val, true
		}
	}
	return "", false
}

// kept tells whether a field lies in a form that the script leaves alone once something was typed into it.
func kept(field *html.Node) bool {
	for n := field; n != nil; n = n.Parent {
		if _, ok := attr(n, "data-line"); ok && n.Data == "form" {
			return true
		}
	}
	return false
}

func elements(doc *html.Node, name string) []*html.Node {
	var out []*html.Node
	for n := range doc.Descendants() {
		if n.Type == html.ElementNode && n.Data == name {
			out = append(out, n)
		}
	}
	return out
}

func text(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
	}
	return strings.TrimSpace(b.String())
}

// void elements of HTML have no end tag.
var void = map[string]bool{"area": true, "base": true, "br": true, "col": true, "embed": true, "hr": true, "img": true, "input": true, "link": true, "meta": true, "source": true, "track": true, "wbr": true}

// balanced fails for an end tag without its start or the other way round, which a lenient parser would mend in silence.
func balanced(t *testing.T, page []byte) {
	t.Helper()
	z := html.NewTokenizer(bytes.NewReader(page))
	var open []string
	for {
		switch z.Next() {
		case html.ErrorToken:
			require.ErrorIs(t, z.Err(), io.EOF)
			require.Empty(t, open, "left open")
			return
		case html.StartTagToken:
			if name, _ := z.TagName(); !void[string(name)] {
				open = append(open, string(name))
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			require.NotEmpty(t, open, "</%s> closes nothing", name)
			require.Equal(t, open[len(open)-1], string(name))
			open = open[:len(open)-1]
		}
	}
}

func TestPagesKeepTheRules(t *testing.T) {
	seen := map[string]bool{}
	for _, e := range gallery.Pages() {
		t.Run(e.Path, func(t *testing.T) {
			require.False(t, seen[e.Path], "two entries have this path")
			seen[e.Path] = true
			page, doc := rendered(t, e)
			balanced(t, page)

			ids := map[string]*html.Node{}
			for n := range doc.Descendants() {
				if n.Type != html.ElementNode {
					continue
				}
				if id, ok := attr(n, "id"); ok {
					require.NotEmpty(t, id)
					require.NotContains(t, id, " ")
					require.NotContains(t, ids, id, "two elements have the id %q", id)
					ids[id] = n
				}
				for _, a := range n.Attr {
					require.NotEqual(t, "style", a.Key, "<%s> has a style attribute", n.Data)
					require.False(t, strings.HasPrefix(a.Key, "on"), "<%s> has %s", n.Data, a.Key)
					require.NotContains(t, strings.ToLower(a.Val), "javascript:", "<%s %s>", n.Data, a.Key)
				}
			}
			require.Empty(t, elements(doc, "style"))
			for _, s := range elements(doc, "script") {
				src, _ := attr(s, "src")
				require.True(t, strings.HasPrefix(src, "/assets/"), "script from %q", src)
				require.Empty(t, text(s), "a script in the page")
			}

			require.Len(t, elements(doc, "h1"), 1)
			require.NotEmpty(t, text(elements(doc, "h1")[0]))
			require.Len(t, elements(doc, "main"), 1)
			require.Contains(t, ids, "main")
			require.NotEmpty(t, text(elements(doc, "title")[0]))
			level := 0
			for n := range doc.Descendants() {
				if n.Type == html.ElementNode && len(n.Data) == 2 && n.Data[0] == 'h' && n.Data[1] >= '1' && n.Data[1] <= '6' {
					now := int(n.Data[1] - '0')
					require.LessOrEqual(t, now, level+1, "heading %q skips a level", text(n))
					level = now
				}
			}

			labels := map[string]bool{}
			for _, l := range elements(doc, "label") {
				if id, ok := attr(l, "for"); ok {
					require.Contains(t, ids, id, "the label %q is for nothing", text(l))
					require.NotEmpty(t, text(l))
					labels[id] = true
				}
			}
			for _, kind := range []string{"input", "select", "textarea"} {
				for _, f := range elements(doc, kind) {
					if k, _ := attr(f, "type"); k == "hidden" {
						continue
					}
					id, _ := attr(f, "id")
					within := f.Parent != nil && f.Parent.DataAtom == atom.Label && text(f.Parent) != ""
					require.True(t, labels[id] || within, "<%s id=%q> has no label", kind, id)
					if by, ok := attr(f, "aria-describedby"); ok {
						for _, d := range strings.Fields(by) {
							require.Contains(t, ids, d, "%s is described by what is not there", id)
						}
					}
					if bad, _ := attr(f, "aria-invalid"); bad == "true" {
						by, _ := attr(f, "aria-describedby")
						require.Contains(t, by, id+"-wrong", "a field in trouble says why")
					}
				}
			}
			for _, b := range elements(doc, "button") {
				require.NotEmpty(t, text(b))
			}
			firsts := 0
			for n := range doc.Descendants() {
				if class, _ := attr(n, "class"); n.Type == html.ElementNode && strings.Contains(" "+class+" ", " first ") {
					firsts++
				}
			}
			require.LessOrEqual(t, firsts, 1, "a page has one first action")
			for _, s := range elements(doc, "a") {
				href, _ := attr(s, "href")
				if at, ok := strings.CutPrefix(href, "#"); ok {
					require.Contains(t, ids, at, "the link %q leads nowhere", text(s))
				}
			}
			for n := range doc.Descendants() {
				class, _ := attr(n, "class")
				if n.Type == html.ElementNode && strings.HasPrefix(class, "st ") {
					require.NotEmpty(t, text(n), "a state without a word")
				}
				if n.Type == html.ElementNode && n.Data == "main" {
					if again, ok := ids["refetch"]; ok {
						parts, _ := attr(again, "hx-select-oob")
						for _, p := range strings.Split(parts, ",") {
							part := ids[strings.TrimPrefix(p, "#")]
							require.NotNil(t, part, "the live part %s is not on the page", p)
							for _, field := range append(elements(part, "input"), append(elements(part, "select"), elements(part, "textarea")...)...) {
								kind, _ := attr(field, "type")
								require.True(t, kind == "hidden" || kept(field), "a field lies inside the live part %s", p)
							}
						}
					}
				}
			}
		})
	}
}

func TestGoldenPages(t *testing.T) {
	want := map[string]bool{"sign-in": true, "trouble-500": true, "void-wrong": true, "gauge-empty": true}
	for _, e := range gallery.Pages() {
		if !want[e.Path] {
			continue
		}
		delete(want, e.Path)
		t.Run(e.Path, func(t *testing.T) {
			_, doc := rendered(t, e)
			got := skeleton(elements(doc, "body")[0])
			name := filepath.Join("testdata", e.Path+".txt")
			if *update {
				require.NoError(t, os.MkdirAll("testdata", 0o755))
				require.NoError(t, os.WriteFile(name, []byte(got), 0o644))
			}
			golden, err := os.ReadFile(name)
			require.NoError(t, err, "run the test with -update once and read what it wrote")
			require.Equal(t, string(golden), got)
		})
	}
	require.Empty(t, want, "golden pages that are not in the gallery")
}

// skeleton writes a page's elements, one a line and indented, with what matters of their attributes, and its words; drawings are
// left to the tests of the drawings.
func skeleton(n *html.Node) string {
	var b strings.Builder
	var walk func(*html.Node, int)
	walk = func(n *html.Node, depth int) {
		pad := strings.Repeat("  ", depth)
		switch n.Type {
		case html.TextNode:
			if s := strings.Join(strings.Fields(n.Data), " "); s != "" {
				b.WriteString(pad + s + "\n")
			}
			return
		case html.ElementNode:
			b.WriteString(pad + "<" + n.Data)
			for _, a := range n.Attr {
				b.WriteString(" " + a.Key + "=" + strings.TrimSpace(a.Val))
			}
			b.WriteString(">\n")
			if n.Data == "svg" {
				return
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, depth+1)
		}
	}
	walk(n, 0)
	return b.String()
}

func TestHandler(t *testing.T) {
	srv := httptest.NewServer(http.StripPrefix("/gallery", gallery.Handler()))
	t.Cleanup(srv.Close)
	get := func(path string) (int, string) {
		res, err := http.Get(srv.URL + path)
		require.NoError(t, err)
		defer func() { require.NoError(t, res.Body.Close()) }()
		body, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		return res.StatusCode, string(body)
	}
	code, body := get("/gallery/")
	require.Equal(t, http.StatusOK, code)
	for _, e := range gallery.Pages() {
		require.Contains(t, body, `href="`+e.Path+`"`)
	}
	code, body = get("/gallery/line-signal")
	require.Equal(t, http.StatusOK, code)
	require.Contains(t, body, "one signal open")
	code, _ = get("/gallery/nothing-of-the-kind")
	require.Equal(t, http.StatusNotFound, code)
}
