package monitor

import (
	"sync"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// worked remembers what a pure function gave: a fold is begun anew, or from a checkpoint, for every late panel, and a limit
// for a wanted run length takes milliseconds.
type worked[K comparable, V any] struct{ known sync.Map }

func (w *worked[K, V]) get(key K, work func(K) (V, error)) (V, error) {
	if v, ok := w.known.Load(key); ok {
		return v.(V), nil
	}
	v, err := work(key)
	if err == nil {
		w.known.Store(key, v)
	}
	return v, err
}

// wanted is a chart's rules and the run length that it is to have in control.
type wanted struct {
	set  rules.Set
	arl0 float64
}

var multiples worked[wanted, float64]

// widthOf is the width of a chart's limits: k sigma, a probability, or those with which a chart with these rules has the
// average run length wanted in control. The last is given as a probability, so that statistics that are not normal get
// limits at that probability. A chart with one limit signals on that side alone; its rules beside beyond-limits are
// taken as those of a chart with two.
func widthOf(r spc.LimitRule, set rules.Set) (chart.Width, error) {
	switch {
	case r.ARL0 == 0:
		return chart.Width{K: r.K, Probability: r.Probability}, nil
	case !(r.ARL0 >= 2 && r.ARL0 <= 1e9):
		return chart.Width{}, refusal.Setting("the average run length wanted", r.ARL0, "it must be 2 to 1e9 points")
	case set == rules.Default() && r.Side == "":
		return chart.Width{Probability: 1 / r.ARL0}, nil
	case set == rules.Default():
		return chart.Width{Probability: 2 / r.ARL0}, nil
	}
	k, err := multiples.get(wanted{set, r.ARL0}, func(w wanted) (float64, error) {
		k, _, err := runlength.ShewhartMultiple(w.set, w.arl0)
		return k, err
	})
	return chart.Width{Probability: 2 * dist.NormalTail(k)}, err
}

// Multiple is how many standard deviations of a normal point lie between a chart's centre and its limits, by its setting of limits
// and its rules. It refuses settings that cannot be followed, such as a run length that the other rules alone fall short
// of.
func Multiple(c spc.Chart) (float64, error) {
	set, err := rulesOf(c)
	if err != nil {
		return 0, err
	}
	w, err := widthOf(c.Limits, set)
	if err != nil {
		return 0, err
	}
	unit, err := chart.GivenLimits(0, 1, w)
	return unit.Upper, err
}

// rulesOf is a chart's rules: beyond-limits where it names none.
func rulesOf(c spc.Chart) (rules.Set, error) {
	if len(c.Rules) == 0 {
		return rules.Default(), nil
	}
	return rules.NewSet(c.Rules...)
}

// Course is the settings with which a moving average or a cumulative sum is charted, in standard units: what its definition leaves
// open is designed. Both are nil for other kinds. It refuses what a fold would.
func Course(c spc.Chart) (*chart.EWMASettings, *chart.CUSUMSettings, error) {
	d, err := Multiple(spc.Chart{Limits: c.Limits})
	if err != nil {
		return nil, nil, err
	}
	arl0 := c.Limits.ARL0
	if arl0 == 0 {
		arl0 = 1 / (2 * dist.NormalTail(d))
	}
	over, err := coursesOf(c, arl0)
	return over.ewma, over.cusum, err
}
