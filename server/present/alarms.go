package present

import (
	"fmt"
	"math"
	"sync"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/dist"
	"sagwatch/spc/monitor"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// law is what the points of a chart are taken to follow while nothing is wrong.
type law struct {
	rules  rules.Set
	limits spc.Limits
	family string  // normal | lognormal | chi
	shape  float64 // sigma of the logarithms; degrees of freedom of a standard deviation
	// Of charts with a run length of their own: a moving average (ewma), a cumulative sum (cusum), moulds against their cycle (group).
	lambda, k, h, start float64
	moulds              int
	unit                float64 // one standard deviation of a point (of a mould), where it is not that of the limits
	phi                 float64 // lag-1 correlation where it is significant, and the chart can be judged with it
}

// alarmRun is a run length after a change.
type alarmRun struct {
	size float64 // in standard deviations of a point, or times the standard deviation inside a cycle
	arl  float64
	half int // by then half of such changes are shown
}

// alarmCurve is the run lengths of a law: the first with nothing wrong.
type alarmCurve struct {
	runs  []alarmRun
	route runlength.Route
	se    float64
	err   error
}

// curves remembers what was worked out: every stream of a chart is asked for again and again.
var curves = struct {
	sync.Mutex
	m map[law]alarmCurve
}{m: map[law]alarmCurve{}}

const manyCurves = 2000

func (l law) curve() alarmCurve {
	curves.Lock()
	c, ok := curves.m[l]
	curves.Unlock()
	if ok {
		return c
	}
	c = l.work()
	curves.Lock()
	if len(curves.m) >= manyCurves {
		clear(curves.m)
	}
	curves.m[l] = c
	curves.Unlock()
	return c
}

func (l law) work() (c alarmCurve) {
	sizes := []float64{0, 0.5, 1, 1.5, 2, 3}
	if l.family == "chi" {
		sizes = []float64{1, 1.25, 1.5, 2, 3}
	}
	for _, size := range sizes {
		r, err := l.after(size)
		if err != nil {
			return alarmCurve{err: err}
		}
		c.route, c.se = r.Route, max(c.se, r.SE/r.ARL)
		half, err := r.Quantile(0.5)
		if err != nil {
			return alarmCurve{err: err}
		}
		c.runs = append(c.runs, alarmRun{size, r.ARL, half})
	}
	return c
}

// after is the run length after a change of this size.
func (l law) after(size float64) (runlength.RunLength, error) {
	if l.phi != 0 {
		return runlength.Autocorrelated{Phi: l.phi, K: (l.limits.Upper - l.limits.Centre) / l.limits.Sigma}.RunLength(size)
	}
	switch l.family {
	case "ewma":
		return runlength.EWMA{Lambda: l.lambda, L: l.k, TimeVarying: true}.RunLength(runlength.Normal{Mean: size, SD: 1}, runlength.Options{})
	case "cusum":
		return runlength.CUSUM{K: l.k, H: l.h, HeadStart: l.start}.RunLength(runlength.Normal{Mean: size, SD: 1}, runlength.Options{})
	case "group":
		return runlength.Group{M: l.moulds, L: l.k, Deviations: true}.RunLength(size)
	}
	var d runlength.Distribution
	switch l.family {
	case "lognormal":
		d = runlength.Moved{Distribution: lognormal{math.Log(l.limits.Centre), l.shape}, Shift: size * l.limits.Sigma}
	case "chi":
		d = spreadOf{sigma: size * l.limits.Centre / dist.C4(int(l.shape)+1), df: l.shape}
	default:
		d = runlength.Normal{Mean: l.limits.Centre + size*l.limits.Sigma, SD: l.limits.Sigma}
	}
	return runlength.Shewhart{Rules: l.rules, Limits: l.limits}.RunLength(d, runlength.Options{})
}

type lognormal struct{ mu, sigma float64 }

func (d lognormal) CDF(x float64) float64 {
	if x <= 0 {
		return 0
	}
	return dist.NormalCDF((math.Log(x) - d.mu) / d.sigma)
}

func (d lognormal) Tail(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return dist.NormalTail((math.Log(x) - d.mu) / d.sigma)
}

// PDF is the density.
func (d lognormal) PDF(x float64) float64 {
	if x <= 0 {
		return 0
	}
	return dist.NormalPDF((math.Log(x)-d.mu)/d.sigma) / (x * d.sigma)
}

// spreadOf is the standard deviation of df + 1 normal values.
type spreadOf struct{ sigma, df float64 }

func (d spreadOf) Tail(x float64) float64 { return dist.ChiTail(x/d.sigma*math.Sqrt(d.df), d.df) }
func (d spreadOf) CDF(x float64) float64  { return 1 - d.Tail(x) }

// PDF is the density.
func (d spreadOf) PDF(x float64) float64 {
	if x <= 0 {
		return 0
	}
	lg, _ := math.Lgamma(d.df / 2)
	z := x / d.sigma * math.Sqrt(d.df)
	return math.Exp((1-d.df/2)*math.Ln2+(d.df-1)*math.Log(z)-z*z/2-lg) * math.Sqrt(d.df) / d.sigma
}

// lawOf is the law of a chart whose limits are known; false where they rest on nothing from which one could be told.
func lawOf(c spc.Chart, l *monitor.LimitsInForce) (law, bool) {
	lim := l.Limits
	if c.Kind == spc.EWMAChart || c.Kind == spc.CUSUMChart || c.Kind == spc.Group {
		return lawOfItsOwn(c, l)
	}
	if overTime(c.Kind) || ofSubgroups(c.Kind) || allTerms(c.Kind) || c.Kind.OfCounts() {
		return law{}, false // points that hang together have no law of their own, subgroups have two statistics, and each count has its own
	}
	if l.Refused != "" || !lim.HasCentre || !(lim.Sigma > 0) || !lim.HasLower && !lim.HasUpper {
		return law{}, false
	}
	set := rules.Default()
	if len(c.Rules) > 0 {
		var err error
		if set, err = rules.NewSet(c.Rules...); err != nil {
			return law{}, false
		}
	}
	out := law{rules: set, limits: lim, family: "normal"}
	switch {
	case l.Log:
		width, err := monitor.Multiple(c)
		if err != nil || !(lim.Centre > 0) {
			return law{}, false
		}
		out.family, out.shape = "lognormal", math.Log(lim.Upper/lim.Centre)/width
		if !lim.HasUpper {
			out.shape = math.Log(lim.Centre/lim.Lower) / width
		}
		if !(out.shape > 0) || math.IsInf(out.shape, 0) {
			return law{}, false
		}
	case c.Kind == spc.CycleSpread:
		n := len(l.LimitsByN) - 1
		if l.N == 0 || n < 2 {
			return law{}, false
		}
		out.family, out.shape = "chi", float64(n-1)
	case l.Lag1Found && onlyBeyond(c.Rules) && lim.HasLower && lim.HasUpper && math.Abs(l.Lag1) < 0.99:
		out.phi = l.Lag1
	}
	return out, true
}

// lawOfItsOwn is the law of a chart whose points follow from many panels, for independent normal points of two-sided charts.
func lawOfItsOwn(c spc.Chart, l *monitor.LimitsInForce) (law, bool) {
	lim := l.Limits
	if l.N == 0 || l.Refused != "" || l.Log || l.Lag1Found || c.Limits.Side != "" || c.Limits.Lower != nil || c.Limits.Upper != nil || !(lim.Upper > 0) && c.Kind == spc.Group {
		return law{}, false
	}
	if c.Kind == spc.Group {
		m := len(l.LimitsByN) - 1
		if m < 3 || !onlyBeyond(c.Rules) || !(lim.Sigma > 0) {
			return law{}, false
		}
		return law{family: "group", moulds: m, k: lim.Upper / lim.Sigma, unit: l.SigmaWithin}, true
	}
	e, s, err := monitor.Course(c)
	switch {
	case err != nil:
		return law{}, false
	case e != nil:
		return law{family: "ewma", lambda: e.Lambda, k: e.Width.K, unit: lim.Sigma / math.Sqrt(e.Lambda/(2-e.Lambda))}, true
	}
	return law{family: "cusum", k: s.K, h: s.H, start: s.HeadStart}, true
}

// alarms says how soon a chart signals, when nothing is wrong and after a change; nil where that cannot be told.
func alarms(v View, d *ChartData, q Quantity) *page.Alarms {
	if len(d.Log) == 0 {
		return nil
	}
	l := &d.Log[len(d.Log)-1]
	w, ok := lawOf(d.Chart, l)
	if !ok {
		return nil
	}
	c := w.curve()
	if c.err != nil {
		return &page.Alarms{Says: []ui.Sentence{ui.Say("How soon it signals is not known: " + c.err.Error() + ".")}}
	}
	one, many := thing(d.Chart)
	m := &page.Alarms{}
	still := "When nothing is wrong a stream of this chart signals about once in " + points(c.runs[0].arl) + " " + many
	if d.Every > 0 {
		still += ", that is every " + after(c.runs[0].arl, d.Every)
	}
	m.Says = append(m.Says, ui.Say(still+"; "+how(w, c)+"."))
	if e, ok := estimated(d.Chart, l, w); ok {
		m.Says = append(m.Says, ui.Say(fmt.Sprintf("Limits from a baseline of %s leave that between %s and %s (90 %%).", ui.Plural(int64(l.N), one, many), points(e.Lower), points(e.Upper))))
		for _, warning := range e.Warnings {
			m.Says = append(m.Says, ui.Say(warning.String()))
		}
	}
	change := ui.Col{Head: "The mean moves by"}
	if w.family == "group" {
		change.Head = "One mould moves by"
	}
	if w.family == "chi" {
		change.Head = "The scatter grows to"
	}
	m.Delays = ui.Table{Label: "How soon a change is shown", Cols: []ui.Col{change, {Head: Capital(many) + " until it signals", Right: true}, {Head: "In time", Right: true}, {Head: "Half of them within", Right: true}}}
	for _, r := range c.runs[1:] {
		one := w.limits.Sigma
		if w.unit > 0 {
			one = w.unit
		}
		size := ui.Number(r.size, 1) + " sd"
		if q.Unit != "sd" {
			size += ", " + q.Text(r.size*one)
		}
		if w.family == "chi" {
			size = ui.Number(r.size, 2) + " times"
		}
		inTime := ""
		if d.Every > 0 {
			inTime = after(r.arl, d.Every)
		}
		m.Delays.Rows = append(m.Delays.Rows, ui.Row{Cells: ui.Texts(size, points(r.arl), inTime, ui.Count(int64(r.half)))})
	}
	m.Note = "Average from the first " + one + " after the change. One sd is the standard deviation of a point while nothing is wrong."
	return m
}

// how says by what the figures were worked out, and for what points they hold.
func how(w law, c alarmCurve) string {
	route := map[runlength.Route]string{runlength.MarkovChain: "worked out exactly by a Markov chain", runlength.IntegralEquation: "worked out exactly by an integral equation",
		runlength.ClosedForm: "worked out exactly", runlength.MonteCarlo: "simulated, standard error " + ui.Number(100*c.se, 1) + ui.NoBreak + "%"}[c.route]
	switch {
	case w.phi != 0:
		return route + " for neighbours as correlated as in the baseline (" + ui.Number(w.phi, 2) + ")"
	case w.family == "lognormal":
		return route + " for independent points of the skewed model that gave the limits"
	case w.family == "chi":
		return route + " for the standard deviation of so many independent panels"
	}
	return route + " for independent normal points"
}

// estimated is what the estimation of the limits leaves of the run length, where the chart is a plain two-sided one.
func estimated(c spc.Chart, l *monitor.LimitsInForce, w law) (runlength.EstimationRange, bool) {
	lim := w.limits
	if l.N < 3 || w.phi != 0 || w.family == "chi" || !onlyBeyond(c.Rules) || !lim.HasLower || !lim.HasUpper {
		return runlength.EstimationRange{}, false
	}
	k := (lim.Upper - lim.Centre) / lim.Sigma
	if w.family == "lognormal" {
		k = math.Log(lim.Upper/lim.Centre) / w.shape
	}
	e := runlength.FromMovingRange(l.N)
	if c.Kind != spc.Individuals || l.Lag1Found {
		e = runlength.FromSD(l.N)
	}
	r, err := runlength.EstimatedShewhart(k, e)
	return r, err == nil
}

// points writes a number of points: as many figures as its doubt deserves.
func points(n float64) string {
	switch {
	case n >= 1e15:
		return "practically none"
	case n < 9.95:
		return ui.Number(n, 1)
	case n >= 1000:
		digits := math.Pow(10, math.Floor(math.Log10(n))-2)
		return ui.Count(int64(math.Round(n/digits) * digits))
	}
	return ui.Count(int64(math.Round(n)))
}

// after writes how long so many points take.
func after(n float64, every time.Duration) string {
	d := n * float64(every)
	if d > float64(100*365*24*time.Hour) {
		return "more than 100 years"
	}
	return ui.Lasting(time.Duration(d))
}
