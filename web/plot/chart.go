package plot

import (
	"math"
	"strconv"
	"time"
)

// layout is how a chart lies on its sheet.
type layout struct {
	width, right float64 // right: room for the values at the line ends
	phone        bool
	apart        float64 // least distance of labels on the time axis
	suffix       string  // of element ids
}

var (
	wideLayout  = layout{width: 1328, right: 130, apart: 76, suffix: "-wide"}
	phoneLayout = layout{width: 358, right: 68, apart: 56, suffix: "-phone", phone: true}
)

const (
	phoneSpan   = 6 * time.Hour
	phonePoints = 12 // a sparse chart goes back on the phone until it shows as many
	labelApart  = 15.5
	discApart   = 2.5 // units a point needs to be drawn as a disc
	columnWidth = 2.0
	longGap     = 10 * time.Minute
)

// Wide returns the chart as SVG, 1328 units wide unless Width says otherwise: words keep their size, the plot area gives way.
func (c Chart) Wide() string { return c.Scene().SVG() }

// Phone returns the chart as SVG, 358 units wide, with values at the line ends without words. It shows the last six hours at most;
// a long view of columns is shown whole, and a sparse chart as far back as its last twelve points.
func (c Chart) Phone() string { return c.scene(phoneLayout).SVG() }

// Scene returns the wide drawing for another writer than SVG.
func (c Chart) Scene() *Scene {
	l := wideLayout
	if c.Width > 0 {
		l.width = c.Width
	}
	return c.scene(l)
}

func (c Chart) scene(l layout) *Scene {
	if c.Zone == nil {
		c.Zone = time.UTC
	}
	if l.phone {
		c.From = c.phoneFrom()
	}
	s := &Scene{Frame: Frame{Role: "plot", Width: l.width, Title: c.Title, Desc: c.Desc}}
	if c.ID != "" {
		s.ID = "chart-" + c.ID + l.suffix
	}
	right := l.right
	for _, p := range c.Panes {
		if p.hasStrips() {
			right = map[bool]float64{false: 214, true: 116}[l.phone]
		}
	}
	ck := newClock(c.From, c.To, 0, l.width-right)
	y, link := 0.0, -1
	for i := range c.Panes {
		d := paneDrawing{Scene: s, chart: &c, pane: &c.Panes[i], clock: ck, layout: l, link: &link, labels: ck.x1 + map[bool]float64{false: 12, true: 4}[l.phone]}
		if right != l.right {
			d.labels = l.width - right + map[bool]float64{false: 104, true: 48}[l.phone]
		}
		y = d.draw(y) + 16
	}
	if link >= 0 {
		s.Marks[link].Stop, s.Links = true, true
	}
	y -= 2
	if c.Bracket != nil {
		y = s.bracket(c.Bracket, ck, y)
	}
	y += s.axis(ck, y, c.Zone, l.apart)
	if len(c.Events) > 0 {
		y = s.events(c.Events, ck, y+16, !l.phone)
	}
	s.Height = math.Ceil(y + 4)
	return s
}

// phoneFrom is where the phone's drawing begins.
func (c Chart) phoneFrom() time.Time {
	from := c.To.Add(-phoneSpan)
	if !from.After(c.From) || c.Bracket != nil {
		return c.From
	}
	var oldest time.Time
	enough := false
	for _, p := range c.Panes {
		if len(p.Columns) > 0 {
			return c.From
		}
		n := len(p.Points)
		if n == 0 {
			continue
		}
		first := p.Points[max(0, n-phonePoints)].At
		enough = enough || !first.Before(from)
		if oldest.IsZero() || first.Before(oldest) {
			oldest = first
		}
	}
	if enough || oldest.IsZero() || !oldest.Before(from) {
		return from
	}
	if oldest.Before(c.From) {
		return c.From
	}
	return oldest
}

func (s *Scene) bracket(b *Bracket, ck clock, y float64) float64 {
	x0, x1 := ck.inside(b.From), ck.inside(b.To)
	if x1-x0 < 4 { // a day in a year is a hair: keep the bracket to be seen
		x0 = max(ck.x0, x1-4)
	}
	y -= 10
	s.stroke("winl", []XY{{x0, y}, {x0, y + 6}, {x1, y + 6}, {x1, y}})
	if w := width(b.Words); x0-6-w > ck.x0 {
		s.words(x0-6, y+10, b.Words, "cpt e")
	} else {
		s.words(x1+6, y+10, b.Words, "cpt")
	}
	return y + 18
}

// events draws the lane: disc, stem and words on three levels; events that find no room are gathered into counts.
func (s *Scene) events(events []Event, ck clock, y float64, named bool) float64 {
	s.line(ck.x0, y, ck.x1, y, "evl")
	if named {
		s.words(ck.x1+12, y+5, "events, by time pressed", "sub")
	}
	type note struct {
		x     float64
		words string
		n     int
	}
	var notes []note
	crowded := len(events) > 100
	for _, e := range events {
		if !ck.has(e.At) {
			continue
		}
		if last := len(notes) - 1; crowded && last >= 0 && ck.x(e.At)-notes[last].x < 40 {
			notes[last].n++
			notes[last].words = count(notes[last].n) + " events"
			continue
		}
		notes = append(notes, note{ck.x(e.At), e.Words, 1})
	}
	// Place from left to right; when all three levels are full, join the event to the one before and try again.
	const levels = 3
	deepest := 0
	type spot struct {
		x, y  float64
		right bool
	}
	var spots []spot
	for placed := false; !placed; {
		placed, deepest, spots = true, 0, spots[:0]
		var end [levels]float64
		for i := range end {
			end[i] = math.Inf(-1)
		}
		for i, n := range notes {
			w := width(n.words)
			right := n.x+5+w > ck.x1 && n.x-5-w > ck.x0
			left := n.x
			if right {
				left = n.x - 5 - w
			}
			level := 0
			for level < levels && left < end[level] {
				level++
			}
			if level == levels {
				if i == 0 {
					level = levels - 1
				} else {
					total := notes[i-1].n + n.n
					notes[i-1] = note{notes[i-1].x, count(total) + " events", total}
					notes = append(notes[:i], notes[i+1:]...)
					placed = false
					break
				}
			}
			end[level] = left + w + 12
			deepest = max(deepest, level)
			spots = append(spots, spot{n.x, y + 20 + 17*float64(level), right})
		}
	}
	for i, n := range notes {
		p := spots[i]
		s.line(p.x, y-4, p.x, p.y-2, "evl")
		s.disc(p.x, y, 3, "ev", "")
		if p.right {
			s.words(p.x-5, p.y, n.words, "e")
		} else {
			s.words(p.x+5, p.y, n.words, "")
		}
	}
	if len(notes) == 0 {
		return y + 8
	}
	return y + 24 + 17*float64(deepest)
}

// consecutive says how many in a row, for a label that several signal points share.
func consecutive(words string, n int) string {
	if n < 2 {
		return words
	}
	if n <= 12 {
		return words + ", " + count(n) + " in a row"
	}
	return words + ", " + strconv.Itoa(n) + " in a row"
}
