package monitor

import (
	"cmp"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/rules"
)

// defaultBaseline is the number of points (complete cycles) of provisional limits where the chart names none.
const defaultBaseline = 200

// ChartError says what is wrong with one chart's definition.
type ChartError struct {
	Chart string
	Msg   string
}

// Error names the chart and what would be right.
func (e *ChartError) Error() string { return fmt.Sprintf("chart %s: %s", e.Chart, e.Msg) }

// definition is a chart made ready.
type definition struct {
	spc.Chart
	computed   spc.Computed
	isComputed bool
	cycle      bool // a cycle chart
	log        bool // skewed: limits by a lognormal model
	set, guard rules.Set
	window     int // points of the longest rule
	quiet      int
	width      chart.Width
	multiple   float64 // the width in standard deviations of a normal statistic
	over       courses // of a chart that gathers over points
	need       int
	given      *spc.Limits
	posted     []posted
}

// posted is a posted limit with the time from which it can hold and its identity.
type posted struct {
	spc.PostedLimits
	start time.Time
	id    string
}

// Skewed is true for characteristics that cannot be below zero and have a long upper tail: largest, root-mean-square
// and range figures.
func Skewed(c spc.Computed) bool {
	switch c {
	case spc.RMSUM, spc.FormUM, spc.ContourRMSUM, spc.ContourPVUM, spc.MaxDeviationUM, spc.SDValue, spc.RangeValue,
		spc.MasterMaxErrorUM:
		return true
	}
	return false
}

// CheckChart says with a *ChartError why a fold could not follow a chart, of a press or of a gauge; nil where it could, and for
// kinds that are not worked out.
func CheckChart(c spc.Chart, press spc.Press) error {
	if !c.Kind.WorkedOut() {
		return nil
	}
	cfg := Config{Gauge: c.Gauge}
	if c.Press != "" {
		cfg.Press = &press
	}
	_, err := define(c, cfg)
	return err
}

// define checks a chart's definition.
func define(c spc.Chart, cfg Config) (*definition, error) {
	bad := func(format string, args ...any) error { return &ChartError{c.ID, fmt.Sprintf(format, args...)} }
	d := &definition{Chart: c, cycle: ofCycles(c, cfg), need: c.Baseline}
	switch {
	case c.ID == "":
		return nil, bad("has no id")
	case c.Characteristic == "" && !several(c.Kind):
		return nil, bad("names no characteristic")
	case cfg.Press == nil && c.Gauge != cfg.Gauge:
		return nil, bad("is of gauge %q, not of %q", c.Gauge, cfg.Gauge)
	case cfg.Press != nil && c.Press != cfg.Press.ID:
		return nil, bad("is of press %q, not of %q", c.Press, cfg.Press.ID)
	case d.cycle && cfg.Press == nil:
		return nil, bad("a gauge has no cycles; its charts are of single values")
	case d.cycle && len(cfg.Press.Moulds) < 2:
		return nil, bad("a %s chart needs a press of at least 2 moulds, press %s has %d", c.Kind, c.Press, len(cfg.Press.Moulds))
	case d.need == 0:
		d.need = defaultBaseline
	case d.need < 2:
		return nil, bad("baseline %d; it must be at least 2 points", c.Baseline)
	}
	if grouped(c.Kind) {
		if d.Subgroup == 0 {
			d.Subgroup = usualSubgroup
		}
		if d.Subgroup < 2 || d.Subgroup > 1000 {
			return nil, bad("subgroup %d; a subgroup has 2 to 1000 panels", c.Subgroup)
		}
		if c.Baseline == 0 {
			d.need = max(leastSubgroups, (defaultBaseline+d.Subgroup-1)/d.Subgroup)
		}
	}
	if counted(c.Kind) {
		if cfg.Press == nil {
			return nil, bad("counts are of a press's panels; name its press")
		}
		if c.Subgroup < 0 || c.Subgroup > 1000 {
			return nil, bad("subgroup %d; a point holds 1 to 1000 measurements", c.Subgroup)
		}
		if c.Baseline == 0 {
			d.need = leastSubgroups
		}
	} else if c.Adjusted {
		return nil, bad("adjusted is for charts of counts")
	}
	if c.Adjusted && c.Kind == spc.IntervalChart {
		return nil, bad("an interval chart cannot be adjusted")
	}
	switch c.By {
	case "", "press", "gauge":
	case "mould", "lane":
		if cfg.Press == nil || d.cycle {
			return nil, bad("by %q has no meaning here", c.By)
		}
	default:
		return nil, bad("by %q; a chart is by mould, press, lane or gauge", c.By)
	}
	d.computed, d.isComputed = spc.ComputedByName(c.Characteristic)
	d.isComputed = d.isComputed && !counted(c.Kind)
	d.log = d.isComputed && Skewed(d.computed)

	var err error
	if d.set, err = rulesOf(c); err != nil {
		return nil, bad("%v", err)
	}
	if several(c.Kind) {
		if err := shapeOnly(c); err != nil {
			return nil, bad("%v", err)
		}
		d.Characteristic, d.isComputed = Shape, false
	}
	if derived(c.Kind) {
		// Its points hang together: runs among them say nothing more.
		d.set = rules.Default()
	}
	d.guard = d.set.Only(rules.BeyondLimits)
	d.window = max(1, d.set.Window())
	d.quiet = max(Quiet, d.window)

	if d.width, err = widthOf(c.Limits, d.set); err != nil {
		return nil, bad("%v", err)
	}
	unit, err := chart.GivenLimits(0, 1, d.width)
	if err != nil {
		return nil, bad("%v", err)
	}
	d.multiple = unit.Upper
	if gathers(c.Kind) {
		arl0 := c.Limits.ARL0
		if arl0 == 0 {
			arl0 = 1 / (2 * dist.NormalTail(d.multiple))
		}
		if d.over, err = coursesOf(c, arl0); err != nil {
			return nil, bad("%v", err)
		}
	}
	if d.given, err = givenBy(c.Limits); err != nil {
		return nil, bad("%v", err)
	}
	for i, p := range cfg.Posted {
		if p.Chart != c.ID {
			continue
		}
		if p.Given != nil {
			if err := usable(*p.Given); err != nil {
				return nil, bad("posted limits %d: %v", i+1, err)
			}
		} else if !p.BaselineTo.After(p.BaselineFrom) {
			return nil, bad("posted limits %d have neither given values nor a baseline that ends after it begins", i+1)
		}
		start := p.EffectiveFrom
		if p.BaselineTo.After(start) {
			start = p.BaselineTo
		}
		// The zone in which a time is written makes no difference.
		for _, at := range []*time.Time{&p.BaselineFrom, &p.BaselineTo, &p.EffectiveFrom, &p.At} {
			*at = moment(*at)
		}
		text, err := json.Marshal(p)
		if err != nil {
			return nil, bad("posted limits %d: %v", i+1, err)
		}
		sum := sha256.Sum256(text)
		d.posted = append(d.posted, posted{p, moment(start), string(sum[:16])})
	}
	slices.SortFunc(d.posted, func(a, b posted) int {
		return cmp.Or(a.start.Compare(b.start), cmp.Compare(a.Revision, b.Revision), a.At.Compare(b.At), cmp.Compare(a.id, b.id))
	})
	return d, nil
}

// ofCycles is true of charts whose points are cycles: the cycle charts, and those of a whole press that gather over points.
func ofCycles(c spc.Chart, cfg Config) bool {
	if derived(c.Kind) && (cfg.Press == nil || len(cfg.Press.Moulds) < 2) {
		return false // a press of one mould has no cycles; its panels stand for them
	}
	return c.OfCycles()
}

// givenBy takes the limits written in a chart's definition; nil when there are none.
func givenBy(r spc.LimitRule) (*spc.Limits, error) {
	if r.Lower == nil && r.Centre == nil && r.Upper == nil {
		return nil, nil
	}
	var l spc.Limits
	for _, f := range []struct {
		from *float64
		to   *float64
		has  *bool
	}{{r.Lower, &l.Lower, &l.HasLower}, {r.Centre, &l.Centre, &l.HasCentre}, {r.Upper, &l.Upper, &l.HasUpper}} {
		if f.from != nil {
			*f.to, *f.has = *f.from, true
		}
	}
	return &l, usable(l)
}

// usable refuses limits that are not finite or out of order.
func usable(l spc.Limits) error {
	values := []float64{l.Lower, l.Centre, l.Upper}
	has := []bool{l.HasLower, l.HasCentre, l.HasUpper}
	last := math.Inf(-1)
	for i, v := range values {
		if !has[i] {
			continue
		}
		if math.IsNaN(v) || math.IsInf(v, 0) || v < last {
			return fmt.Errorf("limits must be finite, with lower, centre and upper in rising order")
		}
		last = v
	}
	if !l.HasLower && !l.HasUpper {
		return fmt.Errorf("limits need a lower or an upper value")
	}
	if l.HasLower && l.HasUpper && l.Lower == l.Upper {
		return fmt.Errorf("the lower limit equals the upper")
	}
	return nil
}

// has tells whether the observation can make or join a point of the chart.
func (d *definition) has(o *Observation) bool {
	if several(d.Kind) {
		var row [16]float64
		return d.row(o, row[:])
	}
	_, ok := d.value(o)
	return ok
}

// value is the observation's value of the chart's characteristic.
func (d *definition) value(o *Observation) (float64, bool) {
	var x float64
	var ok bool
	if d.isComputed {
		x, ok = o.Values.Get(d.computed)
	}
	if !ok {
		x, ok = o.Characteristics[d.Characteristic]
	}
	return x, ok && finite(x)
}

// Event kinds that begin a phase.
const (
	mouldChange   = "mould-change"
	plungerChange = "plunger-change"
	productChange = "product-change"
	gaugeService  = "gauge-service"
)

// phaseEvents are the events of this fold that begin a phase, in order.
func phaseEvents(c Config) []spc.Event {
	var events []spc.Event
	for _, e := range c.Events {
		switch e.Kind {
		case mouldChange, plungerChange, productChange:
			if c.Press == nil || e.Press != c.Press.ID {
				continue
			}
		case gaugeService:
			if c.Press != nil || e.Gauge != c.Gauge {
				continue
			}
		default:
			continue
		}
		// What an event says beside this changes no point: a corrected text must not make checkpoints stale.
		events = append(events, spc.Event{Kind: e.Kind, At: moment(e.At), Mould: e.Mould})
	}
	slices.SortStableFunc(events, func(a, b spc.Event) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Mould, b.Mould))
	})
	return events
}

// digest is a hash of what of the Config can have told on observations up to last.
func (m *Monitor) digest() ([sha256.Size]byte, error) {
	var relevant struct {
		Site   string
		Press  string
		Moulds []string
		TaktS  float64
		Gauge  string
		Charts []spc.Chart
		Posted []string
		Events []spc.Event
	}
	relevant.Site, relevant.Gauge = m.cfg.Site, m.cfg.Gauge
	if p := m.cfg.Press; p != nil {
		relevant.Press, relevant.Moulds, relevant.TaktS = p.ID, p.Moulds, p.TaktS
	}
	at := moment(m.last.LineAt)
	for _, c := range m.charts {
		relevant.Charts = append(relevant.Charts, c.def.Chart)
		for _, p := range c.def.posted {
			if m.count > 0 && (!p.start.After(at) || p.Given == nil && !p.BaselineFrom.After(at)) {
				relevant.Posted = append(relevant.Posted, fmt.Sprintf("%x", p.id))
			}
		}
	}
	relevant.Events = append([]spc.Event{}, m.events[:m.nextEvent]...)
	text, err := json.Marshal(relevant)
	if err != nil {
		return [sha256.Size]byte{}, fmt.Errorf("monitor: definitions cannot be written: %w", err)
	}
	return sha256.Sum256(text), nil
}

// moment drops the zone and any monotonic reading: times are compared, kept and shown as UTC.
func moment(t time.Time) time.Time { return t.Round(0).UTC() }

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
