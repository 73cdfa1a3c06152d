package plot

import (
	"math"
	"slices"
	"strings"
)

// reasons writes each reason for hollow points once, beside the last point that has it.
func (d *paneDrawing) reasons() {
	if !d.pane.Main {
		return
	}
	last := map[string]int{}
	var order []string
	for i := range d.data {
		if q := &d.data[i]; q.Kind == Hollow && q.Reason != "" {
			if _, seen := last[q.Reason]; !seen {
				order = append(order, q.Reason)
			}
			last[q.Reason] = i
		}
	}
	for _, reason := range order {
		x, y := d.clock.x(d.data[last[reason]].At), 0.0
		for i := range d.data { // under the lowest of them, so that it stands clear of their line
			if q := &d.data[i]; q.Kind == Hollow && q.Reason == reason {
				h, _ := d.scale.kept(q.Value)
				y = max(y, h)
			}
		}
		d.place([]float64{y + 18, y + 34}, x+4, x-4, reason, "gap halo", true)
	}
}

// signalLabel is the words that consecutive signal points share, at the last of them.
type signalLabel struct {
	at    int
	words string
	below bool // the point lies below the middle of the limits
}

func (d *paneDrawing) signalLabels() []signalLabel {
	var out []signalLabel
	spans := d.spans()
	last := -1
	var words []string
	counts := map[string]int{}
	flush := func() {
		if last < 0 {
			return
		}
		var parts []string
		for _, w := range words {
			if w[0] >= '0' && w[0] <= '9' { // "9 on one side" counts by itself
				parts = append(parts, w)
			} else {
				parts = append(parts, consecutive(w, counts[w]))
			}
		}
		if len(parts) > 0 {
			q := &d.data[last]
			middle := 0.0
			if !d.pane.Stems {
				middle = d.middle(spans, q)
			}
			out = append(out, signalLabel{last, strings.Join(parts, "; "), q.Value < middle})
		}
		last, words = -1, words[:0]
		clear(counts)
	}
	for i := range d.data {
		switch q := &d.data[i]; q.Kind {
		case Signal:
			last = i
			if q.Words != "" {
				if counts[q.Words] == 0 {
					words = append(words, q.Words)
				}
				counts[q.Words]++
			}
		case Measured:
			flush()
		}
	}
	flush()
	return out
}

// middle is the centre of the limits in force at a point, else the middle of what is known.
func (d *paneDrawing) middle(spans []LimitSpan, q *Point) float64 {
	for _, s := range spans {
		if q.At.Before(s.From) || q.At.After(s.To) {
			continue
		}
		switch {
		case s.HasCentre:
			return s.Centre
		case s.HasLower && s.HasUpper:
			return s.Lower/2 + s.Upper/2
		case s.HasUpper:
			return s.Upper
		case s.HasLower:
			return s.Lower
		}
	}
	return math.Inf(1)
}

// placeSignals writes the labels of signals, the newest first; each stands clear of the data with a leader to its point. Where there
// are more than find room the discs, their titles and the table still tell.
func (d *paneDrawing) placeSignals(labels []signalLabel, top, bottom float64) {
	most := 8
	if d.layout.phone {
		most = 2
	}
	placed := 0
	for i := len(labels) - 1; i >= 0 && placed < most; i-- {
		l := labels[i]
		x := d.clock.x(d.data[l.at].At)
		y, _ := d.scale.kept(d.data[l.at].Value)
		text := l.words
		if d.layout.phone {
			text = shortened(text, d.clock.x1-d.clock.x0-26)
		}
		if !d.pane.Main {
			if d.place([]float64{y + 4.5, y + 16, y - 8}, x-8, x+8, text, "sigt halo", true) {
				placed++
			}
			continue
		}
		reach := 46.0
		if d.layout.phone {
			reach = 26
		}
		rows := []float64{top + 13, top + 29}
		if l.below {
			rows = []float64{bottom - 8, bottom - 24}
		}
		if placed == 0 { // the newest is said, if need be on the other side
			rows = append(rows, top+29, bottom-24)
		}
		for _, row := range rows {
			taken, marks := len(d.taken), len(d.Marks)
			if !d.place([]float64{row}, x-reach, x+reach, text, "sigt", true) {
				continue
			}
			b := d.taken[taken]
			from, to := b.x1+4, row-4
			if b.x0 >= x {
				from = b.x0 - 4
			}
			lead := box{from, to, x, y}
			if slices.ContainsFunc(d.taken[:taken], func(t box) bool { return t.crossed(lead) }) {
				d.taken, d.Marks = d.taken[:taken], d.Marks[:marks]
				continue
			}
			if dx, dy := x-from, y-to; math.Hypot(dx, dy) > 8 { // the leader ends at the disc's edge
				h := math.Hypot(dx, dy)
				d.stroke("lead", []XY{{from, to}, {x - dx/h*5, y - dy/h*5}})
				d.leads = append(d.leads, lead)
			}
			placed++
			break
		}
	}
}

// shortened leaves off what stands behind the last comma or semicolon, again and again, until the words fit.
func shortened(text string, room float64) string {
	for width(text) > room {
		i := strings.LastIndexAny(text, ",;")
		if i < 0 {
			break
		}
		text = strings.TrimSpace(text[:i])
	}
	return text
}
