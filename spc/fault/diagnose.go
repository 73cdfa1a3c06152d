package fault

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
)

// ErrFew says that there are too few panels around a signal to say anything about it.
var ErrFew = errors.New("too few panels around the signal to tell what it is about")

const (
	// leastCycles are the fewest that say anything.
	leastCycles = 6
	// resamples of the confidence sets.
	resamples = 199
	// otherShape is the weight from which the earlier start of the less likely shape counts too.
	otherShape = 0.05
	// sure is the probability from which glass or gauge is said.
	sure = 0.8
	// rounds is how often start and cause are worked out from each other at most.
	rounds = 3
)

// priors weigh the causes before the evidence, by how often each comes. Common practice, no source.
var priors = map[changepoint.CauseKind]float64{
	changepoint.NoCause: 0.05, changepoint.OneStream: 0.3, changepoint.SomeStreams: 0.1, changepoint.AllStreams: 0.27,
	changepoint.OneLane: 0.1, changepoint.OneProbe: 0.08, changepoint.WholeGauge: 0.1,
}

// Diagnose tells what a finding is about. It fails with ErrFew where the window holds too little.
func Diagnose(w *Window, q Question) (*spc.Diagnosis, error) {
	t := newTable(w, q.Until)
	alarm := min(t.cycleOf(q.At), t.cycles-1)
	if t.cycles < leastCycles || alarm < 2 {
		return nil, ErrFew
	}
	s := &study{t: t, q: q, alarm: alarm}
	if err := s.choose(); err != nil {
		return nil, err
	}
	if q.Chart == spc.CycleSpread && s.none > 0.5 {
		return s.spread() // no level moved
	}
	return s.tell()
}

// study is a diagnosis under way.
type study struct {
	t     *table
	q     Question
	alarm int // cycle of the first signalling panel

	c      string // the characteristic looked at
	y      [][]float64
	parts  *parts
	found  changepoint.Result
	weighs changepoint.Attribution
	cause  changepoint.Cause
	named  float64
	none   float64
	size   float64
	se     float64
	master *spc.MasterShift
}

// choose works out the characteristic in which the change is greatest, and takes the others' word for nothing.
func (s *study) choose() error {
	list := s.q.Characteristics
	if len(list) == 0 {
		return ErrFew
	}
	clear, first := s.clearest(list)
	if signed, alike := s.clearest(s.q.Rather); alike != "" && signed > clearly && signed > clear/2 {
		first = alike
	} else if first == "" {
		return ErrFew
	}
	s.take(first)
	return s.settle()
}

// clearly is a log likelihood ratio that chance does not give.
const clearly = 10

// clearest is the characteristic in which the change stands out most, with its log likelihood ratio; "" when it can be told in none.
func (s *study) clearest(list []string) (best float64, name string) {
	best = math.Inf(-1)
	for _, c := range list {
		s.take(c)
		if r, err := s.locate(s.asked(), false); err == nil && r.Chosen().LogLik > best {
			best, name = r.Chosen().LogLik, c
		}
	}
	return best, name
}

func (s *study) take(c string) {
	s.c, s.y = c, s.t.values(c)
	s.parts = takeApart(s.y, s.alarm, s.leave(s.asked()))
}

// asked is the cause that the chart of the finding speaks of.
func (s *study) asked() changepoint.Cause {
	if mould, ok := strings.CutPrefix(s.q.Stream, "mould:"); ok && !s.t.single {
		return changepoint.Cause{Kind: changepoint.OneStream, Streams: []string{mould}}
	}
	if lane, ok := strings.CutPrefix(s.q.Stream, "lane:"); ok && s.t.lanes() != nil {
		return changepoint.Cause{Kind: changepoint.OneLane, Lane: lane}
	}
	return changepoint.Cause{Kind: changepoint.AllStreams}
}

// leave lists the moulds that tell nothing about the effects of cycles under a cause.
func (s *study) leave(c changepoint.Cause) []int {
	var out []int
	for _, name := range c.Streams {
		if j := slices.Index(s.t.moulds, name); j >= 0 {
			out = append(out, j)
		}
	}
	return out
}

// settle lets start and cause find each other.
func (s *study) settle() error {
	cause := s.asked()
	r, err := s.locate(cause, false)
	if err != nil {
		return err
	}
	for range rounds {
		start := r.Chosen().Start
		s.parts = takeApart(s.y, start, s.leave(cause))
		a, err := s.attribute(start, r.Shape)
		if err != nil {
			return err
		}
		s.weighs = a
		s.top()
		next := s.cause
		if next.Kind == changepoint.NoCause {
			next = cause
		}
		s.parts = takeApart(s.y, start, s.leave(next))
		if r, err = s.locate(next, false); err != nil {
			return err
		}
		if sameCause(next, cause) && r.Chosen().Start == start {
			break
		}
		cause = next
	}
	if s.found, err = s.locate(cause, true); err != nil {
		return err
	}
	if a, err := s.attribute(s.found.Chosen().Start, s.found.Shape); err == nil {
		s.weighs = a
		s.top()
	}
	if s.cause.Kind == changepoint.NoCause {
		s.cause = cause
	}
	return nil
}

func sameCause(a, b changepoint.Cause) bool {
	return a.Kind == b.Kind && slices.Equal(a.Streams, b.Streams) && a.Lane == b.Lane && a.Probe == b.Probe
}

// top takes the likeliest cause; chance only when nothing else has a weight.
func (s *study) top() {
	s.cause, s.none = changepoint.Cause{Kind: changepoint.NoCause}, 0
	for _, h := range s.weighs.Hypotheses {
		if h.Cause.Kind == changepoint.NoCause {
			s.none = h.Weight
			continue
		}
		if s.cause.Kind == changepoint.NoCause {
			s.cause, s.named, s.size, s.se = h.Cause, h.Named*h.Weight, h.Size, h.SE
		}
	}
	if s.none > 0.9 {
		s.cause = changepoint.Cause{Kind: changepoint.NoCause}
	}
}

// locate finds the start of a change of the given cause.
func (s *study) locate(c changepoint.Cause, sets bool) (changepoint.Result, error) {
	o := changepoint.Options{Resamples: resamples, Seed: 1, CommonSize: true}
	p := s.parts
	var list []changepoint.Stream
	switch c.Kind {
	case changepoint.OneStream, changepoint.SomeStreams:
		others := float64(len(s.t.moulds))
		for _, j := range s.leave(c) {
			list = append(list, changepoint.Stream{Name: s.t.moulds[j], Y: p.dev[j], Sigma: p.sigma[j] * math.Sqrt(1+1/math.Max(1, others-float64(len(c.Streams)))), Phi: p.ownPhi})
		}
		o.CommonSize = s.oneSign(list)
	case changepoint.OneLane:
		list = []changepoint.Stream{s.laneSeries(c.Lane)}
	case changepoint.OneProbe:
		one, err := s.probeSeries(c.Probe)
		if err != nil {
			return changepoint.Result{}, err
		}
		if one.Sigma > 0 {
			list = []changepoint.Stream{one}
			break
		}
		fallthrough
	default:
		if s.t.single {
			list = []changepoint.Stream{{Y: p.dev[0], Sigma: p.wander, Phi: p.follow}}
			break
		}
		list = []changepoint.Stream{{Y: p.effect, Sigma: p.wander, Phi: p.follow}}
	}
	for _, one := range list {
		if !(one.Sigma > 0) {
			return changepoint.Result{}, ErrFew
		}
	}
	if !sets {
		return changepoint.Locate(list, o)
	}
	return changepoint.Find(list, o)
}

// oneSign tells whether streams look as if they had moved the same way: the second half against the first.
func (s *study) oneSign(list []changepoint.Stream) bool {
	up, down := 0, 0
	for _, one := range list {
		var a, b []float64
		for i, v := range one.Y {
			if i < s.alarm {
				a = append(a, v)
			} else {
				b = append(b, v)
			}
		}
		if d := median(b) - median(a); d > 0 {
			up++
		} else {
			down++
		}
	}
	return up == 0 || down == 0
}

// laneSeries is the difference of a lane's panels from the others of the same cycle.
func (s *study) laneSeries(lane string) changepoint.Stream {
	p := s.parts
	out := changepoint.Stream{Name: lane, Sigma: p.own, Phi: p.ownPhi}
	for i := range s.t.cycles {
		var in, rest, a, b float64
		for j := range s.t.moulds {
			v := p.y[j][i] - p.level[j]
			if math.IsNaN(v) {
				continue
			}
			if s.t.lane(j, i) == lane {
				in += v
				a++
			} else {
				rest += v
				b++
			}
		}
		y, sd := math.NaN(), 1.0
		if a > 0 && b > 0 {
			y, sd = in/a-rest/b, math.Sqrt(1/a+1/b)
		}
		out.Y, out.SD = append(out.Y, y), append(out.SD, sd)
	}
	return out
}

// probeSeries is the mean of what is left at a place after the shape terms, cycle by cycle; without Sigma where that is not known.
func (s *study) probeSeries(place int) (changepoint.Stream, error) {
	if s.t.w.Rests == nil {
		return changepoint.Stream{}, nil
	}
	var panels []int
	for i := range s.t.cycles {
		for j := range s.t.moulds {
			if p := s.t.panel[j][i]; p >= 0 {
				panels = append(panels, p)
			}
		}
	}
	rests, err := s.t.w.Rests(panels)
	if err != nil {
		return changepoint.Stream{}, err
	}
	y := make([][]float64, len(s.t.moulds))
	k := 0
	for j := range y {
		y[j] = make([]float64, s.t.cycles)
	}
	for i := range s.t.cycles {
		for j := range s.t.moulds {
			y[j][i] = math.NaN()
			if s.t.panel[j][i] >= 0 {
				if r := rests[k]; place-1 < len(r) {
					y[j][i] = r[place-1]
				}
				k++
			}
		}
	}
	p := takeApart(y, s.alarm, nil)
	if s.t.single {
		return changepoint.Stream{Y: p.dev[0], Sigma: p.wander, Phi: p.follow}, nil
	}
	return changepoint.Stream{Y: p.effect, Sigma: p.wander, Phi: p.follow}, nil
}

// tell puts the diagnosis together.
func (s *study) tell() (*spc.Diagnosis, error) {
	d := &spc.Diagnosis{Characteristic: s.c, Size: s.size, SizeSE: s.se, Change: spc.ChangeStep, Master: s.master}
	if s.found.Shape == changepoint.Drift {
		d.Change = spc.ChangeDrift
	}
	s.kind(d)
	s.span(d)
	e := s.found.Chosen()
	s.when(d, e.Start, s.found.Earliest(otherShape), e.Set99.Last, e.Set95.First, e.Set95.Last)
	return d, nil
}

// kind says glass or gauge, and how far it reaches.
func (s *study) kind(d *spc.Diagnosis) {
	a := s.weighs
	d.Kind, d.KindProbability = spc.KindUndetermined, 0.5
	if both := a.Glass + a.Gauge; both > 0 {
		d.KindProbability = math.Max(a.Glass, a.Gauge) / both
		switch {
		case a.Glass/both >= sure:
			d.Kind = spc.KindGlass
		case a.Gauge/both >= sure:
			d.Kind = spc.KindGauge
		}
	}
	for _, h := range a.Hypotheses {
		d.Causes = append(d.Causes, spc.Weighed{Extent: string(h.Cause.Kind), Streams: s.names(h.Cause), Weight: h.Weight})
	}
	d.Extent, d.Streams, d.ExtentShare = string(s.cause.Kind), s.names(s.cause), s.named
}

// names are the streams of a cause as the machine interface writes them.
func (s *study) names(c changepoint.Cause) []string {
	switch c.Kind {
	case changepoint.OneStream, changepoint.SomeStreams:
		if s.t.single {
			return []string{s.q.Stream}
		}
		var out []string
		for _, m := range s.t.moulds { // in table order
			if slices.Contains(c.Streams, m) {
				out = append(out, "mould:"+m)
			}
		}
		return out
	case changepoint.OneLane:
		return []string{"lane:" + c.Lane}
	case changepoint.OneProbe:
		return []string{"probe:" + strconv.Itoa(c.Probe)}
	case changepoint.WholeGauge:
		return []string{"gauge:" + s.gauge()}
	case changepoint.AllStreams:
		return []string{"press:" + s.t.w.Press}
	}
	return nil
}

// gauge is the one that measured the panels; "" where there were several.
func (s *study) gauge() string {
	name := ""
	for i := range s.t.w.Panels {
		switch g := s.t.w.Panels[i].Gauge; {
		case name == "":
			name = g
		case name != g:
			return ""
		}
	}
	return name
}

// span says what was looked at.
func (s *study) span(d *spc.Diagnosis) {
	t := s.t
	d.Gauge, d.Cycles = s.gauge(), t.cycles
	for j := range t.panel {
		for _, p := range t.panel[j] {
			if p >= 0 {
				d.Panels++
			}
		}
	}
	d.From, d.To = t.w.Panels[t.first[0]].At, t.w.Panels[t.last[t.cycles-1]].At
	d.AsOf = d.To
}

// when turns cycles into panels and times.
func (s *study) when(d *spc.Diagnosis, start, earliest, latest, earliest95, latest95 int) {
	t := s.t
	at := func(i int) *Panel { return &t.w.Panels[i] }
	first := t.first[start]
	if s.cause.Kind == changepoint.OneStream || s.cause.Kind == changepoint.SomeStreams || s.cause.Kind == changepoint.OneLane {
		concerned := s.leave(s.cause)
		first = -1
		for j := range t.moulds {
			p := t.panel[j][start]
			if p < 0 || s.cause.Kind != changepoint.OneLane && !slices.Contains(concerned, j) || s.cause.Kind == changepoint.OneLane && at(p).Lane != s.cause.Lane {
				continue
			}
			if first < 0 || p < first {
				first = p
			}
		}
		if first < 0 {
			first = t.first[start]
		}
	}
	d.Began, d.BeganPanel = at(first).At, at(first).Name
	d.Earliest, d.Latest = at(t.first[earliest]).At, at(t.last[latest]).At
	d.Earliest95, d.Latest95 = at(t.first[earliest95]).At, at(t.last[latest95]).At
	d.EarliestMeasured = at(t.first[earliest]).MeasuredAt
	d.Open = earliest <= 1
}
