package watch

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
	"sagwatch/spc/fault"
	"sagwatch/spc/monitor"
	"sagwatch/spc/refusal"
	"sagwatch/store"
)

const (
	// lookBack is how many cycles before a signal its diagnosis looks at.
	lookBack = 200
	// lasting is how many standard errors a change must have measured for it to be looked for once its charts are back.
	lasting = 4
	// checksBack is how far back the master's checks are read, for how much they vary.
	checksBack = 14 * 24 * time.Hour
)

// diagnose says what a finding is about, by the panels up to a line time. Where they say too little, it says what the chart does.
// Of one whose charts have all come back, over is the line time of the last point beyond its limits.
func (k *keeper) diagnose(ctx context.Context, s *spc.Signal, due, over time.Time) (*spc.Diagnosis, error) {
	var d *spc.Diagnosis
	var err error
	if k.conf.Press == nil {
		d, err = k.diagnoseGauge(ctx, s, due)
	} else {
		d, err = k.diagnosePress(ctx, s, due, over)
	}
	if err != nil {
		return nil, err
	}
	if d == nil {
		d = plain(s, k.round())
	}
	d.Due = due
	return d, nil
}

// plain is what a chart says for itself.
func plain(s *spc.Signal, round time.Duration) *spc.Diagnosis {
	d := &spc.Diagnosis{Kind: spc.KindUndetermined, KindProbability: 0.5, Change: spc.ChangeStep, Streams: []string{s.Stream}, Began: s.At, BeganPanel: s.Panel,
		Earliest: s.At.Add(-round), Latest: s.At, Earliest95: s.At.Add(-round), Latest95: s.At, AsOf: s.FoundAt, From: s.At, To: s.FoundAt, Open: true}
	d.Gauge = s.Gauge
	switch what, _, _ := strings.Cut(s.Stream, ":"); what {
	case "mould":
		d.Extent = spc.ExtentOneStream
	case "lane":
		d.Extent = spc.ExtentOneLane
	case "probe":
		d.Extent, d.Kind, d.KindProbability = spc.ExtentOneProbe, spc.KindGauge, 1
	case "gauge":
		d.Extent, d.Kind, d.KindProbability = spc.ExtentWholeGauge, spc.KindGauge, 1
	default:
		d.Extent = spc.ExtentAllStreams
	}
	return d
}

// about names what the chart of a finding is made of.
func about(c *spc.Chart) []string {
	if c.Kind == spc.TSquared || c.Kind == spc.MEWMA {
		return monitor.ShapeTerms()
	}
	return []string{c.Characteristic}
}

func (k *keeper) chart(id string) *spc.Chart {
	i := slices.IndexFunc(k.conf.Charts, func(c spc.Chart) bool { return c.ID == id })
	if i < 0 {
		return nil
	}
	return &k.conf.Charts[i]
}

// diagnosePress looks at the panels of the press; nil where they say too little.
func (k *keeper) diagnosePress(ctx context.Context, s *spc.Signal, due, over time.Time) (*spc.Diagnosis, error) {
	c := k.chart(s.Chart)
	if c == nil {
		return nil, nil
	}
	names := about(c)
	q := fault.Question{Chart: c.Kind, Stream: s.Stream, Characteristics: names, At: s.At, Until: due}
	if v, ok := spc.ComputedByName(c.Characteristic); ok && monitor.Skewed(v) && c.Kind != spc.CycleSpread {
		q.Rather = monitor.ShapeTerms()
		names = append(slices.Clone(names), q.Rather...)
	}
	if !over.IsZero() {
		q.Until = over // what came after is another state of the press
	}
	w, err := k.window(ctx, s, names, due)
	if w == nil {
		return nil, err
	}
	d, err := fault.Diagnose(w, q)
	if why := new(refusal.Error); errors.Is(err, fault.ErrFew) || errors.As(err, &why) {
		return nil, nil // the panels do not say
	} else if err != nil {
		return nil, err
	}
	if !over.IsZero() {
		returned, persists := fault.Back(w, due, d)
		if persists {
			q.Until = due // it goes on below the limits: then all panels tell
			if more, err := fault.Diagnose(w, q); err == nil {
				d = more
			}
		}
		d.Returned, d.Persists = returned, persists
	}
	return d, nil
}

// lasts tells whether the panels of a fault whose charts have come back still lie off.
func (k *keeper) lasts(ctx context.Context, f *spc.Fault, due time.Time) (bool, error) {
	s, first := strongest(f)
	if k.conf.Press == nil || stands(first) < lasting {
		return false, nil // what hardly showed cannot be seen to go on
	}
	w, err := k.window(ctx, s, []string{first.Characteristic}, due)
	if w == nil {
		return false, err
	}
	_, persists := fault.Back(w, due, first)
	return persists, nil
}

// window reads the panels of the press about a finding, up to a line time, with the master's checks; nil where there are none.
func (k *keeper) window(ctx context.Context, s *spc.Signal, names []string, due time.Time) (*fault.Window, error) {
	back := 2 * lookBack * k.round()
	if len(k.conf.Press.Moulds) < 2 {
		back *= 10
	}
	from := s.At.Add(-back)
	for _, e := range k.conf.Events {
		// A phase begins with a change of everything, or of this mould.
		if e.At.After(s.At) || !e.At.After(from) {
			continue
		}
		switch {
		case e.Kind == "plunger-change", e.Kind == "product-change", e.Kind == "mould-change" && s.Stream == "mould:"+e.Mould:
			from = e.At
		}
	}
	w := &fault.Window{Press: k.press, Moulds: k.conf.Press.Moulds, Characteristics: names}
	var values []spc.Computed
	for _, n := range names {
		if v, ok := spc.ComputedByName(n); ok {
			values = append(values, v)
		}
	}
	if values == nil {
		values = []spc.Computed{}
	}
	count := monitor.NewCycleCounter(*k.conf.Press)
	var ids []int64
	gauges := map[string]int{}
	err := k.cfg.Store.Observations(ctx, k.cfg.Site, store.ObservationQuery{Press: k.press, From: from, To: due.Add(time.Microsecond), Values: values}, func(o *store.Obs) error {
		if o.Excluded != "" || s.Product != "" && o.Product != s.Product {
			return nil
		}
		p := fault.Panel{Name: o.Key.Panel, At: o.Key.LineAt, MeasuredAt: o.Key.MeasuredAt, Mould: o.Mould, Lane: o.Lane, Gauge: o.Key.Gauge}
		any := false
		for _, n := range names {
			v := math.NaN()
			if x, ok := value(o, n); ok {
				v, any = x, true
			}
			p.Values = append(p.Values, v)
		}
		if !any {
			return nil
		}
		p.Cycle = count.Next(o.Cycle, o.Mould, o.Key.LineAt)
		gauges[p.Gauge]++
		w.Panels = append(w.Panels, p)
		ids = append(ids, o.Measurement)
		return nil
	})
	if err != nil {
		return nil, err
	}
	// So many cycles before the signal, whatever stops there were.
	if i, _ := slices.BinarySearchFunc(w.Panels, s.At, func(p fault.Panel, at time.Time) int { return p.At.Compare(at) }); i > 0 && i < len(w.Panels) {
		least, cut := w.Panels[i].Cycle-lookBack, 0
		if len(w.Moulds) < 2 {
			cut = max(0, i-2*lookBack)
		} else {
			for cut < i && w.Panels[cut].Cycle < least {
				cut++
			}
		}
		w.Panels, ids = w.Panels[cut:], ids[cut:]
	}
	if len(w.Panels) == 0 {
		return nil, nil
	}
	gauge := ""
	for g, n := range gauges {
		if n > gauges[gauge] || n == gauges[gauge] && g < gauge {
			gauge = g
		}
	}
	if w.Checks, err = k.checks(ctx, gauge, names, w.Panels[0].At.Add(-checksBack), due); err != nil {
		return nil, err
	}
	if k.cfg.Rests != nil {
		w.Rests = func(panels []int) ([][]float64, error) {
			want := make([]int64, len(panels))
			for i, p := range panels {
				want[i] = ids[p]
			}
			found, err := k.cfg.Store.MeasurementsByID(ctx, k.cfg.Site, want)
			if err != nil {
				return nil, err
			}
			rows := make([]*store.Row, len(want))
			for i, id := range want {
				if rows[i] = found[id]; rows[i] == nil {
					return nil, store.ErrNotFound
				}
			}
			return k.cfg.Rests(rows), nil
		}
	}
	return w, nil
}

// value is a characteristic of an observation by its name.
func value(o *store.Obs, name string) (float64, bool) {
	if c, ok := spc.ComputedByName(name); ok {
		return o.Values.Get(c)
	}
	v, ok := o.Characteristics[name]
	return v, ok
}

// checks reads the master's checks of a gauge that were made until the panel of a line time came to it. Of characteristics without a
// sign a master's do not tell by how much the gauge moved.
func (k *keeper) checks(ctx context.Context, gauge string, names []string, from, due time.Time) ([]fault.Check, error) {
	if gauge == "" {
		return nil, nil
	}
	lehr := time.Duration(k.conf.Press.LehrMinutes * float64(time.Minute))
	var out []fault.Check
	err := k.cfg.Store.MasterChecks(ctx, k.cfg.Site, store.MasterQuery{Gauge: gauge, From: from, To: due.Add(lehr + time.Minute)}, func(o *store.Obs) error {
		c := fault.Check{Master: o.Key.Panel, MeasuredAt: o.Key.MeasuredAt}
		for _, n := range names {
			v := math.NaN()
			if c, ok := spc.ComputedByName(n); !ok || !monitor.Skewed(c) {
				if x, ok := value(o, n); ok {
					v = x
				}
			}
			c.Values = append(c.Values, v)
		}
		out = append(out, c)
		return nil
	})
	slices.SortStableFunc(out, func(a, b fault.Check) int { return a.MeasuredAt.Compare(b.MeasuredAt) })
	return out, err
}

// diagnoseGauge finds since when the checks of a gauge's master, or one of its probes, lie elsewhere; nil where there are too few.
func (k *keeper) diagnoseGauge(ctx context.Context, s *spc.Signal, due time.Time) (*spc.Diagnosis, error) {
	c := k.chart(s.Chart)
	if c == nil || !strings.HasPrefix(s.Stream, "gauge:") {
		return nil, nil
	}
	var at []time.Time
	var names []string
	var y []float64
	err := k.observations(ctx, nil, s.At.Add(-60*24*time.Hour), due.Add(time.Microsecond), func(o *store.Obs) error {
		if v, ok := value(o, c.Characteristic); ok && o.Excluded == "" {
			at, names, y = append(at, o.Key.LineAt), append(names, o.Key.Panel), append(y, v)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if n := len(y); n > lookBack {
		at, names, y = at[n-lookBack:], names[n-lookBack:], y[n-lookBack:]
	}
	r, err := changepoint.Find([]changepoint.Stream{{Y: y}}, changepoint.Options{SigmaUnknown: true, Resamples: 199, Seed: 1})
	if err != nil {
		return nil, nil // too few checks, or all alike
	}
	e := r.Chosen()
	d := plain(s, k.round())
	d.Characteristic, d.Began, d.BeganPanel, d.AsOf, d.From, d.To, d.Panels = c.Characteristic, at[e.Start], names[e.Start], due, at[0], at[len(at)-1], len(at)
	d.Earliest, d.Latest, d.Earliest95, d.Latest95 = at[r.Earliest(0.05)], at[e.Set99.Last], at[e.Set95.First], at[e.Set95.Last]
	d.EarliestMeasured = d.Earliest
	d.Open = r.Earliest(0.05) <= 1
	if r.Shape == changepoint.Drift {
		d.Change = spc.ChangeDrift
	}
	if len(e.Sizes) > 0 {
		d.Size, d.SizeSE = e.Sizes[0].Value, e.Sizes[0].SE
	}
	return d, nil
}
