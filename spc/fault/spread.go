package fault

import (
	"math"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
)

// spread tells about a change of the scatter inside the cycles: its start from the logarithms of the cycles' variances, and
// whether one mould alone has it.
func (s *study) spread() (*spc.Diagnosis, error) {
	t := s.t
	s.parts = takeApart(s.y, s.alarm, nil)
	p := s.parts
	logs := make([]float64, t.cycles)
	for i := range logs {
		var square, n float64
		for j := range t.moulds {
			if v := p.dev[j][i]; !math.IsNaN(v) {
				square += v * v
				n++
			}
		}
		logs[i] = math.NaN()
		if n >= 2 && square > 0 {
			logs[i] = math.Log(square / (n - 1))
		}
	}
	sigma, phi := persistence(logs[:s.alarm])
	if !(sigma > 0) {
		return nil, ErrFew
	}
	var err error
	if s.found, err = changepoint.Find([]changepoint.Stream{{Y: logs, Sigma: sigma, Phi: phi}}, changepoint.Options{Resamples: resamples, Seed: 1}); err != nil {
		return nil, err
	}
	start := s.found.Chosen().Start
	// By mould: the logarithm of the ratio of variances, with the standard error of two estimates from normal values.
	var shifts []changepoint.StreamShift
	for j, mould := range t.moulds {
		var sides [2]line
		for i, v := range p.dev[j] {
			if math.IsNaN(v) {
				continue
			}
			k := 0
			if i >= start {
				k = 1
			}
			sides[k].add(0, v*v)
		}
		if a, b := sides[0], sides[1]; a.n >= 3 && b.n >= 1 && a.y > 0 && b.y > 0 {
			// E log chi-square_n/n is -1/n to first order.
			shifts = append(shifts, changepoint.StreamShift{Stream: mould, Value: math.Log(b.mean()/a.mean()) + 1/b.n - 1/a.n, SE: math.Sqrt(2/a.n + 2/b.n)})
		}
	}
	if len(shifts) == 0 {
		return nil, ErrFew
	}
	s.master = nil
	if s.weighs, err = changepoint.Attribute(changepoint.Evidence{Shifts: shifts, Scale: 2, Prior: priors}); err != nil {
		return nil, err
	}
	s.top()
	if s.cause.Kind == changepoint.NoCause {
		s.cause = changepoint.Cause{Kind: changepoint.AllStreams}
	}
	d := &spc.Diagnosis{Characteristic: s.c, Change: spc.ChangeSpread}
	// In the characteristic's unit: by how much the standard deviation of a panel has grown.
	d.Size, d.SizeSE = p.own*(math.Exp(s.size/2)-1), p.own*math.Exp(s.size/2)*s.se/2
	s.kind(d)
	s.span(d)
	e := s.found.Chosen()
	s.when(d, e.Start, s.found.Earliest(otherShape), e.Set99.Last, e.Set95.First, e.Set95.Last)
	return d, nil
}
