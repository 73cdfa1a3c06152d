package plot

import (
	"fmt"
	"hash/fnv"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// SVG returns the scene as an svg element for a page of HTML.
func (s *Scene) SVG() string {
	size := 512
	for i := range s.Marks {
		size += 96 + len(s.Marks[i].Title) + len(s.Marks[i].Href) + len(s.Marks[i].Text)
		for _, p := range s.Marks[i].Paths {
			size += 14 * len(p)
		}
	}
	w := svgWriter{b: make([]byte, 0, size)}
	s.Draw(&w)
	return string(w.b)
}

type svgWriter struct {
	b  []byte
	id string
}

// cleanID keeps of an id what can stand in url(#...) and in a list of ids.
func cleanID(id string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '_' || r == '-' {
			return r
		}
		return '-'
	}, id)
}

// testIDs name the marks that tests look for, by role.
var testIDs = map[string]string{
	"pt sig": "signal", "pt off": "hollow", "sigt": "signal-words", "gap": "gap", "cpt": "change-words",
	"band": "band", "band prov": "band-provisional", "lehr": "lehr", "cp": "change-set", "cpl": "change", "spec": "specification",
	"path": "data", "path thin": "data", "mean": "mean", "col": "column", "rev": "revision", "ev": "event", "winl": "bracket",
	"d hi": "place", "d lo": "place", "worst": "worst", "miss": "missing", "fault": "faulty", "susp": "suspect", "skirt": "outline",
	"hi": "contour-high", "lo": "contour-low", "o": "mould", "o sig": "mould-signal", "dot": "value",
}

// testID leaves aside how words are anchored and set off.
func testID(role string) string {
	for {
		if id, ok := testIDs[role]; ok {
			return id
		}
		cut := role
		for _, end := range []string{" e", " m", " halo"} {
			cut = strings.TrimSuffix(cut, end)
		}
		if cut == role {
			return ""
		}
		role = cut
	}
}

func (w *svgWriter) Begin(f Frame) {
	f.ID = cleanID(f.ID)
	w.id = f.ID
	w.s(`<svg class="`)
	w.text(f.Role)
	w.s(`" viewBox="0 0 `)
	w.num(f.Width)
	w.s(" ")
	w.num(f.Height)
	if f.Links {
		w.s(`" role="group"`)
	} else {
		w.s(`" role="img"`)
	}
	if f.ID == "" {
		w.attr("aria-label", f.Title)
		w.s("><title>")
		w.text(f.Title)
		w.s("</title><desc>")
	} else {
		w.attr("data-testid", f.ID)
		w.s(` aria-labelledby="`)
		w.text(f.ID)
		w.s(`-t `)
		w.text(f.ID)
		w.s(`-d"><title id="`)
		w.text(f.ID)
		w.s(`-t">`)
		w.text(f.Title)
		w.s(`</title><desc id="`)
		w.text(f.ID)
		w.s(`-d">`)
	}
	w.text(f.Desc)
	w.s("</desc>")
}

func (w *svgWriter) End() { w.s("</svg>") }

func (w *svgWriter) Mark(m *Mark) {
	if m.Href != "" {
		w.s("<a")
		w.attr("href", m.Href)
		if !m.Stop {
			w.s(` tabindex="-1"`) // one tab stop a drawing; the twin table holds every link
		}
		if m.Title != "" {
			w.attr("aria-label", m.Title)
		}
		w.s(">")
	}
	name := ""
	switch m.Kind {
	case Line:
		name = "line"
		w.s("<line")
		w.coord("x1", m.X)
		w.coord("y1", m.Y)
		w.coord("x2", m.X2)
		w.coord("y2", m.Y2)
	case Rect:
		name = "rect"
		w.s("<rect")
		w.coord("x", m.X)
		w.coord("y", m.Y)
		w.coord("width", m.X2)
		w.coord("height", m.Y2)
	case Disc:
		name = "circle"
		w.s("<circle")
		w.coord("cx", m.X)
		w.coord("cy", m.Y)
		w.coord("r", m.X2)
	case Stroke, Area:
		name = "path"
		w.s("<path")
		if m.Kind == Area && len(m.Paths) > 1 {
			w.s(` fill-rule="evenodd"`)
		}
		w.path(m)
	case Words:
		name = "text"
		w.s("<text")
		w.coord("x", m.X)
		w.coord("y", m.Y)
	case ClipBegin:
		// Drawings without an id of their own are told apart by the shape that clips them; equal shapes may share it.
		h := fnv.New32a()
		for _, p := range m.Paths {
			for _, q := range p {
				fmt.Fprintf(h, "%.1f %.1f ", q.X, q.Y)
			}
		}
		id := w.id + "clip-" + strconv.FormatUint(uint64(h.Sum32()), 16)
		w.s("<clipPath")
		w.attr("id", id)
		w.s("><path")
		w.path(m)
		w.s("/></clipPath><g")
		w.attr("clip-path", "url(#"+id+")")
		w.s(">")
		return
	case GroupBegin:
		w.s("<g")
		w.attr("class", m.Role)
		w.attr("data-testid", m.Role)
		w.s(">")
		return
	case ClipEnd, GroupEnd:
		w.s("</g>")
		return
	}
	if m.Role != "" {
		w.attr("class", m.Role)
	}
	if id := testID(m.Role); id != "" {
		w.attr("data-testid", id)
	}
	switch {
	case m.Kind == Words:
		w.s(">")
		w.text(m.Text)
		if m.Aside != "" {
			w.s(` <tspan class="what">`)
			w.text(m.Aside)
			w.s("</tspan>")
		}
		w.s("</text>")
	case m.Title != "":
		w.s("><title>")
		w.text(m.Title)
		w.s("</title></")
		w.s(name)
		w.s(">")
	default:
		w.s("/>")
	}
	if m.Href != "" {
		w.s("</a>")
	}
}

func (w *svgWriter) path(m *Mark) {
	w.s(` d="`)
	for _, p := range m.Paths {
		for i, q := range p {
			if i == 0 {
				w.s("M")
			} else {
				w.s("L")
			}
			w.num(q.X)
			w.s(" ")
			w.num(q.Y)
		}
		if m.Kind != Stroke {
			w.s("Z")
		}
	}
	w.s(`"`)
}

func (w *svgWriter) s(s string) { w.b = append(w.b, s...) }

func (w *svgWriter) attr(name, value string) {
	w.s(" ")
	w.s(name)
	w.s(`="`)
	w.text(value)
	w.s(`"`)
}

func (w *svgWriter) coord(name string, v float64) {
	w.s(" ")
	w.s(name)
	w.s(`="`)
	w.num(v)
	w.s(`"`)
}

// farthest is the largest coordinate written. Nothing sensible lies beyond it, and it keeps renderers in their number range.
const farthest = 100000

// num writes a coordinate rounded to 0.01. What is no number is written as 0.
func (w *svgWriter) num(v float64) {
	if math.IsNaN(v) {
		v = 0
	}
	n := int64(math.Round(100 * min(max(v, -farthest), farthest)))
	if n < 0 {
		w.b = append(w.b, '-')
		n = -n
	}
	w.b = strconv.AppendInt(w.b, n/100, 10)
	if f := n % 100; f != 0 {
		w.b = append(w.b, '.', byte('0'+f/10))
		if f%10 != 0 {
			w.b = append(w.b, byte('0'+f%10))
		}
	}
}

// text writes words for element content or a quoted attribute. Characters that markup cannot hold become the replacement character.
func (w *svgWriter) text(s string) {
	for i := 0; i < len(s); {
		c := s[i]
		if c < utf8.RuneSelf {
			switch {
			case c == '&':
				w.s("&amp;")
			case c == '<':
				w.s("&lt;")
			case c == '>':
				w.s("&gt;")
			case c == '"':
				w.s("&#34;")
			case c == '\'':
				w.s("&#39;")
			case c < 0x20 && c != '\t' && c != '\n' && c != '\r' || c == 0x7f:
				w.s("\uFFFD")
			default:
				w.b = append(w.b, c)
			}
			i++
			continue
		}
		r, n := utf8.DecodeRuneInString(s[i:])
		if r == utf8.RuneError || r == 0xFFFE || r == 0xFFFF {
			w.s("\uFFFD")
		} else {
			w.s(s[i : i+n])
		}
		i += n
	}
}
