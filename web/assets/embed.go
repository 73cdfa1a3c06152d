// Package assets holds what pages load (style sheets, fonts, scripts, the mark) and serves it under /assets/. Names carry a hash of
// the content, so that a browser may keep a file for ever and still gets a new one the moment it changes.
package assets

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"regexp"
	"strings"
)

// FS holds the files as they are in the tree.
//
//go:embed *.css *.js *.svg fonts htmx
var FS embed.FS

// prefix is where Handler expects to be mounted.
const prefix = "/assets/"

type file struct {
	hashed string // "fonts/supplement-micro.0f3c2a91b7d4.woff2"
	kind   string // content type
	body   []byte
}

// files are found by their plain and by their hashed name.
var plain, hashed = load()

func load() (map[string]*file, map[string]*file) {
	byName, byHash := map[string]*file{}, map[string]*file{}
	add := func(name string, body []byte) {
		sum := sha256.Sum256(body)
		ext := path.Ext(name)
		f := &file{hashed: strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext, kind: kindOf(ext), body: body}
		byName[name], byHash[f.hashed] = f, f
	}
	var sheets []string
	must(fs.WalkDir(FS, ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil || d.IsDir():
			return err
		case path.Ext(name) == ".css": // after the files they refer to
			sheets = append(sheets, name)
			return nil
		}
		body, err := FS.ReadFile(name)
		add(name, body)
		return err
	}))
	for _, name := range sheets {
		body, err := FS.ReadFile(name)
		must(err)
		add(name, reference.ReplaceAllFunc(body, func(m []byte) []byte {
			target := string(reference.FindSubmatch(m)[1])
			if f, ok := byName[path.Join(path.Dir(name), target)]; ok {
				return []byte(`url("` + strings.TrimSuffix(target, path.Base(target)) + path.Base(f.hashed) + `")`)
			}
			return m
		}))
	}
	return byName, byHash
}

// reference finds url("name") in a style sheet; url(#id) refers to the page and is left alone.
var reference = regexp.MustCompile(`url\("([^"#:]+)"\)`)

// kindOf knows the types in use itself: the system's table differs from machine to machine.
func kindOf(ext string) string {
	switch ext {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	case ".woff2":
		return "font/woff2"
	case ".txt":
		return "text/plain; charset=utf-8"
	}
	if kind := mime.TypeByExtension(ext); kind != "" {
		return kind
	}
	return "application/octet-stream"
}

func must(err error) {
	if err != nil {
		panic("assets: " + err.Error()) // the files are compiled in: only a damaged program gets here
	}
}

// Path returns the URL path of an embedded file, "sagwatch.css" giving "/assets/sagwatch.<hash>.css". It panics for a file that is
// not there, which any test that renders the page finds.
func Path(name string) string {
	f, ok := plain[name]
	if !ok {
		panic(fmt.Sprintf("assets: no file %q is embedded", name))
	}
	return prefix + f.hashed
}

// Handler serves the files under /assets/. A hashed name may be kept for ever; a plain name is asked for again each time and
// answered 304 when unchanged.
func Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "This address only gives files: use GET.", http.StatusMethodNotAllowed)
			return
		}
		name := strings.TrimPrefix(r.URL.Path, prefix)
		f, forever := hashed[name]
		if !forever {
			var ok bool
			if f, ok = plain[name]; !ok {
				http.NotFound(w, r)
				return
			}
		}
		h := w.Header()
		etag := `"` + f.hashed + `"`
		h.Set("Content-Type", f.kind)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("ETag", etag)
		h.Set("Cache-Control", "no-cache")
		if forever {
			h.Set("Cache-Control", "public, max-age=31536000, immutable")
		}
		if strings.Contains(r.Header.Get("If-None-Match"), etag) {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		h.Set("Content-Length", fmt.Sprint(len(f.body)))
		if r.Method == http.MethodGet {
			_, _ = w.Write(f.body) // a reader that went away is no fault of ours
		}
	})
}
