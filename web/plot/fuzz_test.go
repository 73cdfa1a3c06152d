package plot_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/web/plot"
)

// Odd floats reach charts through damaged imports; a drawing stays a drawing.
func FuzzDrawings(f *testing.F) {
	for _, v := range [][4]float64{
		{0, 0, 0, 0}, {1, 2, 3, 4}, {math.NaN(), math.Inf(1), math.Inf(-1), 0}, {math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 1},
		{1e308, 1e308, -1e308, 1e-308}, {1107.5, 1107.5, 1107.5, 1e-15}, {1e17, 1e17 + 16, 1e17, 1},
	} {
		f.Add(v[0], v[1], v[2], v[3], int64(6*3600), uint8(3))
	}
	f.Fuzz(func(t *testing.T, a, b, c, d float64, seconds int64, n uint8) {
		from := at(6, 0)
		to := from.Add(time.Duration(seconds%(400*24*3600)) * time.Second)
		values := []float64{a, b, c, d, a + b, a * c, -d, b - c}
		p := plot.Pane{Title: "t", Main: n&1 == 0, Stems: n&2 == 0, Decimals: int(n%5) - 1, SpecLower: &d, SpecUpper: &a, Before: values, After: values}
		p.Limits = []plot.LimitSpan{limits(from, to, a, b, c), {From: to, To: from, Upper: c, HasUpper: true}, {From: from.Add(time.Minute), To: to, Upper: b, HasUpper: true, Provisional: true}}
		for i := range int(n) * 8 {
			p.Points = append(p.Points, plot.Point{At: from.Add(time.Duration(i) * to.Sub(from) / 100), Value: values[i%8], U: values[(i+3)%8], Kind: plot.PointKind(i % 4), Words: "w", Gap: i%7 == 0})
		}
		q := plot.Pane{Title: "t", Limits: p.Limits}
		for i := range 50 {
			q.Columns = append(q.Columns, plot.Column{At: from.Add(time.Duration(i) * time.Minute), Min: values[i%8], Max: values[(i+1)%8], Mean: values[(i+2)%8], N: i - 1, Signals: i % 3})
		}
		chart := plot.Chart{Title: "t", From: from, To: to, Panes: []plot.Pane{p, q}, LehrFrom: from.Add(time.Minute), Change: &plot.Change{At: from, Earliest: to, Latest: from}}
		for _, svg := range []string{chart.Wide(), chart.Phone()} {
			for _, s := range parse(t, svg).says() {
				require.NotRegexp(t, `NaN|Inf`, s)
			}
		}
		parse(t, plot.Sparkline{From: from, To: to, Points: p.Points, Lower: a, Centre: b, Upper: c, HasLimits: n&4 == 0, HalfSpan: d}.SVG())
		if s := (plot.Span{Value: a, U: b, K: c, Lower: &d, Upper: &b, Nominal: &c}).SVG(); s != "" {
			parse(t, s)
		}
		if s := (plot.Span{Value: c, U: d, Lower: &a}).SVG(); s != "" {
			parse(t, s)
		}
		m := plot.Map{Outline: plot.Outline{WidthMM: a, HeightMM: b, CornerMM: c}, Step: d, Numbers: true}
		for i := range int(n) % 64 {
			m.Places = append(m.Places, plot.Place{N: i, X: values[i%8] + float64(i%5), Y: values[(i/8)%8] * float64(i%3), DevUM: values[(i+5)%8], State: plot.PlaceState(i % 5)})
		}
		parse(t, m.SVG())
	})
}

func BenchmarkDay(b *testing.B) {
	c := long(8640, 5000)
	for b.Loop() {
		c.Wide()
	}
}

func BenchmarkStream(b *testing.B) {
	c := long(786, 500)
	for i := range c.Panes[0].Points {
		c.Panes[0].Points[i].Title, c.Panes[0].Points[i].Href = "1108.02 mm, 11:36, A-0012345", "/panels/A/0012345"
	}
	for b.Loop() {
		c.Wide()
	}
}

func BenchmarkMap(b *testing.B) {
	m := hills()
	for b.Loop() {
		m.SVG()
	}
}
