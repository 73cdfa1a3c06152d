package report

import (
	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// portion is some of the panels: those of a mould, those that count in Cp and Cpk, or all, their moulds moved or not.
type portion struct {
	capability.Grid
	keep  func(r *CapabilityRow) bool // the rows of the grid's panels; nil: all
	shift map[int]float64             // by how much each mould's values are moved; nil: not
}

// CapabilityExact is what more values than a report carries one by one are asked themselves, not their histogram.
type CapabilityExact struct {
	Percentiles [3]float64 `json:"percentiles"` // 0.135 %, 50 % and 99.865 %
	Spread      []float64  `json:"spread"`      // at most fit.MostTested values, evenly spread over the period
}

// values are those of a portion one by one, in the order of pressing, with the block of each; none where the report does not carry them.
func (o *CapabilityOf) values(in *CapabilityInputs, s portion) (x []float64, blocks []int) {
	n := s.N()
	if len(in.Raw) == 0 {
		return nil, nil
	}
	x, blocks = make([]float64, 0, n), make([]int, 0, n)
	for i := range in.Raw {
		r := &in.Raw[i]
		if s.keep != nil && !s.keep(r) || o.at >= len(r.Values) || !r.Values[o.at].Has() {
			continue
		}
		x, blocks = append(x, float64(r.Values[o.at])+s.shift[r.Mould]), append(blocks, r.Block)
	}
	if len(x) != n {
		return nil, nil
	}
	return x, blocks
}

// sample is a portion to take percentiles of and to fit: its values themselves where the report carries them, else their fine histogram.
// Beside it are the shifts that are resampled.
func (o *CapabilityOf) sample(in *CapabilityInputs, s portion) (*fit.Sample, []fit.Block, error) {
	if x, block := o.values(in, s); x != nil {
		v, err := fit.Values(x)
		if err != nil {
			return nil, nil, err
		}
		blocks, err := v.Blocks(block)
		return v, blocks, err
	}
	return s.binned()
}

// binned is the fine histogram of a portion.
func (s portion) binned() (*fit.Sample, []fit.Block, error) {
	var by func(int) float64
	if s.shift != nil {
		by = func(stream int) float64 { return s.shift[stream] }
	}
	return s.Sample(by)
}

// fitted fits a family to a portion: to its values, or to the histogram where there are none one by one or a family cannot take single
// values that its bins can hold (zeros of a rounded reading).
func (o *CapabilityOf) fitted(in *CapabilityInputs, s portion, fitTo func(*fit.Sample) (*fit.Fitted, error)) (*fit.Fitted, error) {
	v, _, err := o.sample(in, s)
	if err != nil {
		return nil, err
	}
	f, err := fitTo(v)
	if err == nil || v.IsBinned() {
		return f, err
	}
	if b, _, e := s.binned(); e == nil {
		if f, e := fitTo(b); e == nil {
			return f, nil
		}
	}
	return nil, err
}

// percentiles are those of all values themselves: 0.135 %, 50 % and 99.865 %.
func (o *CapabilityOf) percentiles(s *fit.Sample) [3]float64 {
	if s.IsBinned() && o.Exact != nil {
		return o.Exact.Percentiles
	}
	var q [3]float64
	s.Quantiles(q[:], []float64{fit.OuterTail, 0.5, 1 - fit.OuterTail}, nil)
	return q
}

// tested are the values that tests are run on.
func (o *CapabilityOf) tested(in *CapabilityInputs, all portion) (*fit.Sample, error) {
	s, _, err := o.sample(in, all)
	if err == nil && s.IsBinned() && o.Exact != nil {
		return fit.Values(o.Exact.Spread)
	}
	return s, err
}
