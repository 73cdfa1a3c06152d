package plot

import (
	"math"
	"strings"
)

// Shares draws parts of a whole under one another, the greatest first, on one scale from nought to the whole: each part begins where
// the one above it ended, so that the end of a part is the share of all down to it.
type Shares struct {
	ID          string // unique on the page
	Title, Desc string
	Rows        []ShareRow
}

// ShareRow is one part.
type ShareRow struct {
	Words    string  // what it is
	Value    string  // its amount: "11"
	From, To float64 // of the whole, from 0 to 1
	Rest     bool    // what is left over, taken together: not one thing
	Title    string  // shown on the part
}

// Wide returns the drawing as SVG, 640 units wide; Phone 358 units wide.
func (d Shares) Wide() string { return d.Scene(halfWidth).SVG() }

// Phone returns the drawing for a phone.
func (d Shares) Phone() string { return d.Scene(phoneLayout.width).SVG() }

// Scene draws at any width; words keep their size.
func (d Shares) Scene(w float64) *Scene {
	const bar, words, gap, top = 16.0, 18.0, 14.0, 20.0
	s := &Scene{Frame: Frame{Role: "plot", Width: w, Title: d.Title, Desc: d.Desc, ID: elementID("shares", suffixed(d.ID, w))}}
	x := func(v float64) float64 {
		if !finite(v) {
			v = 0
		}
		return math.Max(0, math.Min(1, v)) * w
	}
	step := words + bar + gap
	foot := top + float64(len(d.Rows))*step
	for _, t := range []float64{.25, .5, .75} {
		s.line(x(t), top, x(t), foot, "shift")
	}
	y := top
	last := 0.0
	for i := range d.Rows {
		r := &d.Rows[i]
		from, to := x(r.From), x(r.To)
		if i > 0 {
			// The foot of the part above leads down to where this one begins.
			s.line(last, y-gap, last, y+words, "evl")
		}
		share := ""
		if finite(r.To) {
			share = number(100*math.Max(0, math.Min(1, r.To)), 0) + noBreak + "%"
		}
		name := brief(r.Words, w-width(r.Value)-width("together "+share)*1.1-36)
		s.add(Mark{Kind: Words, X: 0, Y: y + 13, Text: name + ", " + r.Value, Role: "b halo"})
		if i > 0 && share != "" {
			share = "together " + share
		}
		s.words(w, y+13, share, "sub e halo")
		role := "hist"
		if r.Rest {
			role = "ghost"
		}
		// One signal among a thousand must still be seen.
		wide := math.Max(to-from, 1.5)
		s.add(Mark{Kind: Rect, X: math.Min(from, w-wide), Y: y + words, X2: wide, Y2: bar, Role: role, Title: r.Title})
		last, y = to, y+step
	}
	s.line(0, foot, w, foot, "axis")
	for _, t := range []struct {
		at   float64
		text string
		role string
	}{{0, "0", "sub"}, {.25, "25", "sub m"}, {.5, "50", "sub m"}, {.75, "75", "sub m"}, {1, "100" + noBreak + "%", "sub e"}} {
		s.line(x(t.at), foot, x(t.at), foot+5, "axis")
		s.words(x(t.at), foot+19, t.text, t.role)
	}
	s.Height = math.Ceil(foot + 26)
	return s
}

// brief leaves off the last words, and then letters, until the rest fits.
func brief(text string, room float64) string {
	const wider = 1.1 // bold
	if width(text)*wider <= room {
		return text
	}
	r := []rune(text)
	for len(r) > 1 && width(string(r)+"…")*wider > room {
		if i := strings.LastIndexByte(string(r), ' '); i > 0 {
			r = []rune(string(r)[:i])
		} else {
			r = r[:len(r)-1]
		}
	}
	return strings.TrimRight(string(r), " ,;:") + "…"
}
