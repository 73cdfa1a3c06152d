package fault

import (
	"math"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
)

const (
	// backCycles are needed behind a return for it to be told.
	backCycles = 5
	// stands is how many standard errors a level must lie off to persist.
	stands = 4
)

// Back tells, of a fault whose charts have come back, whether its streams have: the line time by which they had, or that they clearly
// have not. The window reaches from before the start to now.
func Back(w *Window, until time.Time, d *spc.Diagnosis) (returned time.Time, persists bool) {
	t := newTable(w, until)
	if t.cycles < leastCycles || d.Change == spc.ChangeSpread {
		return time.Time{}, false
	}
	start := t.cycleOf(d.Began)
	if start < 2 || start >= t.cycles-1 {
		return time.Time{}, false
	}
	s := &study{t: t, c: d.Characteristic, alarm: start}
	cause := changepoint.Cause{Kind: changepoint.CauseKind(d.Extent)}
	for _, name := range d.Streams {
		switch what, id, _ := strings.Cut(name, ":"); what {
		case "mould":
			cause.Streams = append(cause.Streams, id)
		case "lane":
			cause.Lane = id
		}
	}
	if cause.Kind == changepoint.OneProbe { // its panels' values hardly show it
		return time.Time{}, false
	}
	s.y = t.values(s.c)
	s.parts = takeApart(s.y, start, s.leave(cause))
	series := s.level(cause)
	if !(series.Sigma > 0) {
		return time.Time{}, false
	}
	before, after := part(series, 0, start), part(series, start, t.cycles)
	if before.n < 2 || after.n < 1 {
		return time.Time{}, false
	}
	inflate := math.Sqrt((1 + series.Phi) / (1 - series.Phi))
	off := after.mean() - before.mean()
	persists = math.Abs(off) > stands*series.Sigma*inflate*math.Sqrt(1/before.n+1/after.n)
	sub := series
	sub.Y = series.Y[start:]
	if series.SD != nil {
		sub.SD = series.SD[start:]
	}
	o := changepoint.Options{Only: changepoint.Step, Resamples: resamples, Seed: 1}
	r, err := changepoint.Locate([]changepoint.Stream{sub}, o)
	if err != nil {
		return time.Time{}, persists
	}
	end := start + r.Step.Start
	in, rest := part(series, start, end), part(series, end, t.cycles)
	if in.n < 1 || rest.n < backCycles {
		return time.Time{}, persists
	}
	was, is := in.mean()-before.mean(), rest.mean()-before.mean()
	if r.Step.LogLik <= clearly/2 || math.Abs(is) >= math.Abs(was)/2 {
		return time.Time{}, persists
	}
	if r, err = changepoint.Find([]changepoint.Stream{sub}, o); err != nil { // how late it may have been
		return time.Time{}, persists
	}
	return w.Panels[t.last[min(start+r.Step.Set99.Last, t.cycles-1)]].At, false
}

// level is the series of the streams of a cause: the mean of their deviations, a lane's difference, or the cycles' effects.
func (s *study) level(c changepoint.Cause) changepoint.Stream {
	p := s.parts
	switch c.Kind {
	case changepoint.OneStream, changepoint.SomeStreams:
		moulds := s.leave(c)
		if s.t.single || len(moulds) == 0 {
			break
		}
		out := changepoint.Stream{Sigma: p.own, Phi: p.ownPhi}
		for i := range s.t.cycles {
			var l line
			for _, j := range moulds {
				if v := p.dev[j][i]; !math.IsNaN(v) {
					l.add(0, v)
				}
			}
			y, sd := math.NaN(), 1.0
			if l.n > 0 {
				y, sd = l.mean(), 1/math.Sqrt(l.n)
			}
			out.Y, out.SD = append(out.Y, y), append(out.SD, sd)
		}
		return out
	case changepoint.OneLane:
		return s.laneSeries(c.Lane)
	}
	if s.t.single {
		return changepoint.Stream{Y: p.dev[0], Sigma: p.wander, Phi: p.follow}
	}
	return changepoint.Stream{Y: p.effect, Sigma: p.wander, Phi: p.follow}
}

// part sums up a stretch of a series.
func part(s changepoint.Stream, from, to int) line {
	var l line
	for _, v := range s.Y[from:to] {
		if !math.IsNaN(v) {
			l.add(0, v)
		}
	}
	return l
}
