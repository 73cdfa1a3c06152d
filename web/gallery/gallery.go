// Package gallery shows every page in every state (nothing yet, one point, a refusal, a signal, long names, many streams) without a
// database. Its plant, people, serials and readings are invented, and its values are made by a small generator, not computed from
// readings. Tests render the same list that Handler serves.
package gallery

import (
	"bytes"
	"context"
	"html/template"
	"net/http"
	"strings"

	"github.com/a-h/templ"
)

// Entry is one page in one state.
type Entry struct {
	Path  string // "line-signal": under the gallery's own address
	Title string // "Line, one signal open"
	Page  templ.Component
}

// Pages lists every page in every state. Each call makes them afresh.
func Pages() []Entry {
	var out []Entry
	for _, part := range [][]Entry{lines(), gauges(), keyIns(), panels(), charts(), capabilities(), signals(), holds(), plans(), studies(), setUps(), reports(), doors()} {
		out = append(out, part...)
	}
	return out
}

var index = template.Must(template.New("index").Parse(`<!DOCTYPE html>
<html lang="en-GB"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>Gallery · Sagwatch</title></head>
<body><main><h1>Every page in every state</h1><p>Invented, all of it.</p><ul>{{range .}}<li><a href="{{.Path}}">{{.Title}}</a></li>
{{end}}</ul></main></body></html>
`))

// Handler serves the list of pages at the end of its address and each page under its path. It is mounted with its prefix stripped.
func Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := strings.Trim(r.URL.Path, "/")
		if name == "live" {
			quiet(w, r)
			return
		}
		var b bytes.Buffer
		err := error(nil)
		if name == "" {
			err = index.Execute(&b, Pages())
		} else {
			e, ok := find(name)
			if !ok {
				http.NotFound(w, r)
				return
			}
			err = e.Page.Render(context.WithoutCancel(r.Context()), &b)
		}
		if err != nil {
			http.Error(w, "This page of the gallery could not be drawn: "+err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write(b.Bytes()) // a reader that went away is no fault of ours
	})
}

// quiet is an event stream on which nothing ever happens: a page of the gallery that is live stays as it is.
func quiet(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(http.StatusOK)
	if err := http.NewResponseController(w).Flush(); err != nil {
		return // the connection cannot be kept open: the page will say that its updates have stopped
	}
	<-r.Context().Done()
}

func find(path string) (Entry, bool) {
	for _, e := range Pages() {
		if e.Path == path {
			return e, true
		}
	}
	return Entry{}, false
}
