package fault

import (
	"math"
	"slices"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
)

// attribute weighs the causes of a change of a shape that began at a cycle.
func (s *study) attribute(start int, shape changepoint.Shape) (changepoint.Attribution, error) {
	p, t := s.parts, s.t
	x := course(t.cycles, start, shape)
	e := changepoint.Evidence{Prior: priors, Scale: 2 * p.own}
	still, common := s.settled(x)
	lanes := t.lanes()
	type cell struct{ mould, lane string }
	var order []cell
	sums := map[cell]*line{}
	for j, mould := range t.moulds {
		for i := range t.cycles {
			v := still(j, i)
			if math.IsNaN(v) {
				continue
			}
			c := cell{mould: mould}
			if lanes != nil {
				if c.lane = t.lane(j, i); c.lane == "" {
					continue
				}
			}
			if sums[c] == nil {
				sums[c] = &line{}
				order = append(order, c)
			}
			sums[c].add(x[i], v)
		}
	}
	inflate := math.Sqrt((1 + p.ownPhi) / (1 - p.ownPhi))
	for _, c := range order {
		slope, xx := sums[c].slope()
		if xx <= 0 {
			continue
		}
		j := slices.Index(t.moulds, c.mould)
		e.Shifts = append(e.Shifts, changepoint.StreamShift{Stream: c.mould, Lane: c.lane, Value: slope, SE: p.sigma[j] * inflate / math.Sqrt(xx)})
		if v := math.Abs(slope); v < 20*p.own {
			e.Scale = math.Max(e.Scale, v/2)
		}
	}
	if len(e.Shifts) == 0 {
		return changepoint.Attribution{}, ErrFew
	}
	e.CommonSE = common
	if s.master = s.masterShift(start, shape); s.master != nil {
		e.Master = &changepoint.MasterChange{Value: s.master.Value, SE: s.master.SE}
	}
	var err error
	if e.Maps, err = s.maps(start, shape, e.Shifts); err != nil {
		return changepoint.Attribution{}, err
	}
	a, err := changepoint.Attribute(e)
	if err != nil {
		return a, err
	}
	if t.single {
		// All streams and the one stream are the same: the press.
		for i := range a.Hypotheses {
			if a.Hypotheses[i].Cause.Kind == changepoint.OneStream {
				a.Hypotheses[i].Cause = changepoint.Cause{Kind: changepoint.AllStreams}
			}
		}
	}
	return a, nil
}

// course is the change of size 1, cycle by cycle.
func course(n, start int, shape changepoint.Shape) []float64 {
	x := make([]float64, n)
	for i := start; i < n; i++ {
		x[i] = 1
		if shape == changepoint.Drift {
			x[i] = float64(i-start+1) / float64(n-start)
		}
	}
	return x
}

// settled takes the effects' scatter about the change off the values; common is the standard error of the effects' own
// change, which all moulds share.
func (s *study) settled(x []float64) (value func(j, i int) float64, common float64) {
	p := s.parts
	if s.t.single {
		return func(j, i int) float64 { return p.y[j][i] }, 0
	}
	var l line
	for i, v := range p.effect {
		if !math.IsNaN(v) {
			l.add(x[i], v)
		}
	}
	slope, xx := l.slope()
	if xx <= 0 {
		return func(j, i int) float64 { return p.y[j][i] - p.effect[i] }, p.wander
	}
	// The part of the scatter that the panels themselves make is in the shifts' own standard errors.
	own := p.own * p.own / float64(len(s.t.moulds))
	wander := math.Sqrt(math.Max(0, p.wander*p.wander-own))
	common = wander * math.Sqrt((1+p.follow)/(1-p.follow)) / math.Sqrt(xx)
	at := l.mean()
	return func(j, i int) float64 {
		rest := p.effect[i] - at - slope*(x[i]-l.x/l.n)
		if math.IsNaN(rest) {
			return math.NaN()
		}
		return p.y[j][i] - rest
	}, common
}

// line sums up a regression on one variable.
type line struct{ n, x, y, xx, xy float64 }

func (l *line) add(x, y float64) {
	l.n++
	l.x += x
	l.y += y
	l.xx += x * x
	l.xy += x * y
}

func (l *line) mean() float64 { return l.y / l.n }

// slope is the least-squares slope, with the sum of squares of x about its mean, 0 where there is no slope.
func (l *line) slope() (b, xx float64) {
	if l.n < 2 {
		return 0, 0
	}
	xx = l.xx - l.x*l.x/l.n
	if xx < 1e-9 {
		return 0, 0
	}
	return (l.xy - l.x*l.y/l.n) / xx, xx
}

// checksBefore is how many checks before the change say how much checks vary.
const checksBefore = 5

// masterShift is the change of the checks of the master over the same time; nil where there is none on either side.
func (s *study) masterShift(start int, shape changepoint.Shape) *spc.MasterShift {
	w, t := s.t.w, s.t
	k := slices.Index(w.Characteristics, s.c)
	begin := w.Panels[t.first[start]].MeasuredAt
	end := w.Panels[t.last[t.cycles-1]].MeasuredAt
	from := map[string]*line{} // before, by master
	all := map[string]*line{}
	out := spc.MasterShift{}
	var order []string
	for i := range w.Checks {
		c := &w.Checks[i]
		if k >= len(c.Values) || math.IsNaN(c.Values[k]) || !s.q.Until.IsZero() && c.MeasuredAt.After(end) {
			continue
		}
		x := 0.0
		if !c.MeasuredAt.Before(begin) {
			x = 1
			if span := end.Sub(begin); shape == changepoint.Drift && span > 0 {
				x = math.Min(1, float64(c.MeasuredAt.Sub(begin))/float64(span))
			}
			out.After++
		} else {
			out.Before++
		}
		if all[c.Master] == nil {
			all[c.Master], from[c.Master] = &line{}, &line{}
			order = append(order, c.Master)
		}
		all[c.Master].add(x, c.Values[k])
		if x == 0 {
			from[c.Master].add(0, c.Values[k])
		}
	}
	if out.Before == 0 || out.After == 0 {
		return nil
	}
	var num, den, square, dof float64
	for _, name := range order {
		l := all[name]
		if slope, xx := l.slope(); xx > 0 {
			num += slope * xx
			den += xx
		}
	}
	if den == 0 {
		return nil
	}
	for i := range w.Checks {
		c := &w.Checks[i]
		if b := from[c.Master]; k < len(c.Values) && !math.IsNaN(c.Values[k]) && c.MeasuredAt.Before(begin) && b != nil {
			square += (c.Values[k] - b.mean()) * (c.Values[k] - b.mean())
			dof++
		}
	}
	dof -= float64(len(order))
	sigma := s.parts.own
	if dof >= checksBefore-1 {
		// Never taken for much surer than a panel: checks of a good day say little about the next.
		sigma = math.Max(math.Sqrt(square/dof), 0.2*s.parts.own)
	}
	out.Value, out.SE = num/den, sigma/math.Sqrt(den)
	return &out
}

// mapCycles is how many cycles on each side of a start the residual maps are taken from.
const mapCycles = 16

// maps are the changes of the moulds' mean residuals; nil unless every mould that has a shift has panels on both sides.
func (s *study) maps(start int, shape changepoint.Shape, shifts []changepoint.StreamShift) ([]changepoint.ResidualMap, error) {
	t := s.t
	if t.w.Rests == nil {
		return nil, nil
	}
	var moulds []int
	for _, v := range shifts {
		if j := slices.Index(t.moulds, v.Stream); !slices.Contains(moulds, j) {
			moulds = append(moulds, j)
		}
	}
	from, to := start, min(start+mapCycles, t.cycles)
	if shape == changepoint.Drift {
		from, to = max(start, t.cycles-mapCycles), t.cycles
	}
	var panels []int
	type side struct{ before, after []int } // places in panels
	sides := make([]side, len(moulds))
	for n, j := range moulds {
		for i := max(0, start-mapCycles); i < to; i++ {
			if p := t.panel[j][i]; p >= 0 && (i < start || i >= from) {
				if i < start {
					sides[n].before = append(sides[n].before, len(panels))
				} else {
					sides[n].after = append(sides[n].after, len(panels))
				}
				panels = append(panels, p)
			}
		}
		if len(sides[n].before) < 2 || len(sides[n].after) < 1 {
			return nil, nil
		}
	}
	rests, err := t.w.Rests(panels)
	if err != nil {
		return nil, err
	}
	places := 0
	for _, r := range rests {
		places = max(places, len(r))
	}
	if places == 0 {
		return nil, nil
	}
	mean := func(of []int) []float64 {
		out := make([]float64, places)
		for k := range out {
			var l line
			for _, i := range of {
				if k < len(rests[i]) && !math.IsNaN(rests[i][k]) {
					l.add(0, rests[i][k])
				}
			}
			out[k] = math.NaN()
			if l.n > 0 {
				out[k] = l.mean()
			}
		}
		return out
	}
	var square, dof float64
	before := make([][]float64, len(moulds))
	for n := range moulds {
		before[n] = mean(sides[n].before)
		for k, b := range before[n] {
			seen := 0.0
			for _, i := range sides[n].before {
				if k < len(rests[i]) && !math.IsNaN(rests[i][k]) {
					square += (rests[i][k] - b) * (rests[i][k] - b)
					seen++
				}
			}
			dof += math.Max(0, seen-1)
		}
	}
	if dof < 1 || square == 0 {
		return nil, nil
	}
	sigma := math.Sqrt(square / dof)
	var out []changepoint.ResidualMap
	for n, j := range moulds {
		m := changepoint.ResidualMap{Stream: t.moulds[j], SE: sigma * math.Sqrt(1/float64(len(sides[n].before))+1/float64(len(sides[n].after)))}
		after := mean(sides[n].after)
		for k := range places {
			m.Values = append(m.Values, after[k]-before[n][k])
		}
		out = append(out, m)
	}
	return out, nil
}
