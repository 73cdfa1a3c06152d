package present

import (
	"math"
	"net/url"
	"time"

	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// radiusDecimals of a radius in mm on the board.
const radiusDecimals = 2

// lengthScale is the factor from mm to a person's unit, and the decimals that go with radiusDecimals.
func lengthScale(in ui.Lengths) (factor float64, decimals int) {
	if in == ui.InInch {
		return 1 / ui.MMPerInch, radiusDecimals + 2
	}
	return 1, radiusDecimals
}

// lengthWord is the unit of lengths in a sentence.
func lengthWord(in ui.Lengths) string {
	if in == ui.InInch {
		return "inches"
	}
	return "mm"
}

// cycleChart draws the means of the cycles, or says why it does not.
func cycleChart(f LineFacts, p *PressFacts) (*plot.Chart, string) {
	if len(p.Def.Moulds) < 2 {
		return nil, "A press of one mould has no cycles."
	}
	factor, decimals := lengthScale(f.Lengths)
	to := p.Last
	pts := chartPoints(p.Cycles, factor, decimals, ui.LengthUnit(f.Lengths), 5*round(p.Def)/2, f.Now)
	if len(pts) == 0 {
		return nil, "No cycle is complete yet."
	}
	low, high := math.Inf(1), math.Inf(-1)
	signals := 0
	for i := range pts {
		low, high = min(low, pts[i].Value), max(high, pts[i].Value)
		if pts[i].Kind == plot.Signal {
			signals++
		}
		pts[i].Href = "/panels/" + url.PathEscape(p.Def.ID) + "/" + url.PathEscape(pts[i].Href)
	}
	desc := "From " + ui.Number(low, decimals) + " to " + ui.WithUnit(ui.Number(high, decimals), ui.LengthUnit(f.Lengths))
	switch {
	case signals > 0:
		desc += "; " + ui.Plural(int64(signals), "cycle is", "cycles are") + " part of a signal."
	case judged(&PressFacts{Cycles: p.Cycles}):
		desc += ", no cycle beyond its limits."
	default:
		desc += "; there are no limits yet."
	}
	pane := plot.Pane{Title: "All moulds together", What: "mean of each press cycle, radius in " + lengthWord(f.Lengths), Points: pts, Decimals: decimals, Height: 64,
		Limits: limitSpans(p.Cycles, factor, to)}
	return &plot.Chart{ID: "cycles-" + p.Def.ID, Title: "Press " + p.Def.ID + ", mean radius of each cycle over eight hours", Desc: desc, From: to.Add(-LineSpan), To: to,
		Zone: f.Now.Location(), Width: 1090, Panes: []plot.Pane{pane}}, ""
}

// round is how long the press's table takes for one round.
func round(p *spc.Press) time.Duration {
	return time.Duration(p.TaktS * float64(max(len(p.Moulds), 1)) * float64(time.Second))
}

// mouldsOnLine draws each mould's last hours on one scale.
func mouldsOnLine(f LineFacts, p *PressFacts, odd map[string]*store.Signal) []page.Mould {
	factor, decimals := lengthScale(f.Lengths)
	// One scale for all: half as much again as the widest band, and more, up to twice that, where a mould lies beyond.
	band, reach := 0.0, 0.0
	for _, s := range p.Moulds {
		last, ok := lastPoint(s)
		if !ok || !bounded(last.Limits) {
			continue
		}
		band = max(band, (last.Limits.Upper-last.Limits.Lower)/2*factor)
		for _, q := range s.Points {
			reach = max(reach, math.Abs(q.Value-last.Limits.Centre)*factor)
		}
	}
	half := min(max(1.5*band, 1.05*reach), 3*band)
	var out []page.Mould
	for i, name := range p.Def.Moulds {
		s := p.Moulds[name]
		m := page.Mould{Name: name, Full: "Press " + p.Def.ID + ", mould " + name, Href: mouldHref(p, name, odd[name])}
		spark := &plot.Sparkline{ID: "spark-" + p.Def.ID + "-" + ui.Count(int64(i+1)), Title: m.Full, Desc: "Radius of its panels over eight hours.", From: p.Last.Add(-LineSpan), To: p.Last, HalfSpan: half}
		spark.Points = chartPoints(s, factor, decimals, ui.LengthUnit(f.Lengths), 5*round(p.Def)/2, f.Now)
		last, ok := lastPoint(s)
		switch {
		case !ok:
			m.Words = "no panel"
		case bounded(last.Limits):
			l := last.Limits
			spark.Lower, spark.Centre, spark.Upper, spark.HasLimits = l.Lower*factor, l.Centre*factor, l.Upper*factor, true
			m.Last = ui.Signed((last.Value-l.Centre)*factor, decimals)
		default:
			m.Last = ui.Number(last.Value*factor, decimals)
		}
		if g := odd[name]; g != nil {
			c := f.Charts[g.Chart]
			m.Out, m.Words = true, oddWords(c, g, f.Now)
		}
		out = append(out, m)
		out[i].Spark = spark
	}
	return out
}

// bounded tells whether limits have both sides and a centre.
func bounded(l spc.Limits) bool { return l.HasLower && l.HasUpper && l.HasCentre }

// oddWords stand under the drawing of a mould with a signal: "below limit since 11:38".
func oddWords(c spc.Chart, g *store.Signal, now time.Time) string {
	what := g.Words
	switch g.Words {
	case "beyond lower limit":
		what = "below limit"
	case "beyond upper limit":
		what = "above limit"
	}
	if c.Characteristic != spc.RadiusMM.String() {
		what = Characteristic(c.Characteristic) + " " + what
	}
	return what + " since " + ui.Moment(g.At.In(now.Location()), now)
}

// chartPoints turns a stream's points into drawn ones; Href is left as the panel's serial. A point is part of a signal when one of
// the hits at it or after it was made by it.
func chartPoints(s watch.Series, factor float64, decimals int, unit string, gap time.Duration, now time.Time) []plot.Point {
	all := make([]monitor.Point, 0, len(s.Points)+len(s.Pending))
	all = append(append(all, s.Points...), s.Pending...)
	out := make([]plot.Point, len(all))
	for i := range all {
		p := &all[i]
		at := p.At.In(now.Location())
		q := plot.Point{At: p.At, Value: p.Value * factor, Href: p.Panel, Title: ui.WithUnit(ui.Number(p.Value*factor, decimals), unit) + ", " + ui.Moment(at, now) + ", panel " + p.Panel}
		q.Gap = i > 0 && gap > 0 && p.At.Sub(all[i-1].At) > gap
		switch {
		case p.Hollow:
			q.Kind = plot.Hollow
			q.Title += ", the cycle is not over"
		case p.Excluded != "":
			q.Kind, q.Reason = plot.Hollow, p.Excluded
		}
		out[i] = q
	}
	for i := range all {
		for _, h := range all[i].Hits {
			if h.Rule == monitor.Jumped {
				continue
			}
			out[i].Kind, out[i].Words = plot.Signal, h.Words
			for j, back := i, 0; j >= 0 && back < min(h.Back, 64); j-- {
				if all[j].Excluded != "" || all[j].Hollow {
					continue
				}
				if h.Mask>>back&1 == 1 {
					out[j].Kind = plot.Signal
				}
				back++
			}
		}
	}
	return out
}

// limitSpans are the stretches with one set of limits; incomplete cycles, whose limits are wider, do not break them.
func limitSpans(s watch.Series, factor float64, end time.Time) (out []plot.LimitSpan) {
	var was spc.Limits
	for i := range s.Points {
		p := &s.Points[i]
		if p.Source == "" {
			was = spc.Limits{}
			continue
		}
		if n := len(out); n > 0 && (p.Limits == was || !p.Complete) {
			out[n-1].To = end
			continue
		}
		if !p.Complete {
			continue
		}
		if n := len(out); n > 0 {
			out[n-1].To = p.At
		}
		was = p.Limits
		out = append(out, plot.LimitSpan{From: p.At, To: end, Lower: p.Limits.Lower * factor, Centre: p.Limits.Centre * factor, Upper: p.Limits.Upper * factor,
			HasLower: p.Limits.HasLower, HasCentre: p.Limits.HasCentre, HasUpper: p.Limits.HasUpper, Provisional: p.Source != spc.Frozen})
	}
	return out
}
