package proof

import (
	"fmt"
	"math"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

const sciPy = "SciPy 1.10.1"

// runLengthChecks compares the run lengths of charts with those of the papers and with independent recomputations.
func runLengthChecks(r *run) {
	shewhartChecks(r)
	zoneRuleChecks(r)
	cusumChecks(r)
	ewmaChecks(r)
	orderChecks(r)
	movingRangeChecks(r)
	groupChecks(r)
	correlatedChecks(r)
	designChecks(r)
	estimationChecks(r)
}

// arlPair compares an average run length.
func arlPair(want float64, tol float64, what string, r runlength.RunLength, err error) pair {
	got := r.ARL
	if err != nil {
		got = math.NaN()
	}
	return pair{want: want, got: got, tol: tol, what: what}
}

func recalled(v num) string {
	if v == 0 || math.IsNaN(float64(v)) {
		return ""
	}
	return fmt.Sprint(float64(v))
}

func shewhartChecks(r *run) {
	var f struct {
		Rows  []struct{ Shift, ARL num }
		Other []struct {
			Name                string
			Published, Computed num
		}
		FalseAlarm []struct {
			N          int
			RangeAbove num `json:"p_range_above_ucl"`
			SDAbove    num `json:"p_sd_above_ucl"`
			SDBelow    num `json:"p_sd_below_lcl"`
		} `json:"false_alarm"`
	}
	r.json("runlength/shewhart.json", &f)
	plain := func(k, shift float64) (runlength.RunLength, error) {
		return runlength.Sigma(k, rules.Default()).RunLength(runlength.Normal{Mean: shift, SD: 1}, runlength.Options{})
	}
	base := Check{Section: RunLengths, Method: "Run length of a chart of limits", Origin: Computed, By: sciPy, Relative: true,
		Source: "Shewhart chart, ARL = 1/p"}
	var pairs []pair
	for _, row := range f.Rows {
		l, err := plain(3, float64(row.Shift))
		pairs = append(pairs, arlPair(float64(row.ARL), 1e-9, fmt.Sprintf("shift %g", float64(row.Shift)), l, err))
	}
	c := base
	c.Case = "limits at 3 sigma, shifts 0 to 3"
	r.worst(c, pairs)
	for _, o := range f.Other {
		c := base
		c.Case, c.Want, c.Recalled, c.Tol = o.Name, float64(o.Computed), recalled(o.Published), 1e-9
		c.Source = "Textbook values of the Shewhart chart"
		var l runlength.RunLength
		var err error
		switch o.Name {
		case "ARL0 at 3 sigma":
			l, err = plain(3, 0)
		case "ARL0 at 3.09 sigma":
			l, err = plain(3.09, 0)
		case "ARL at shift 1, n=1":
			l, err = plain(3, 1)
		case "ARL at shift 1, n=5 (shift sqrt5)":
			l, err = plain(3, math.Sqrt(5))
		default: // runs of 8 and 9 on one side
			n := 8
			if float64(o.Published) == 511 {
				n = 9
			}
			var set rules.Set
			if set, err = set.With(rules.RunOneSide, n); err == nil {
				l, err = runlength.Sigma(3, set).RunLength(runlength.Standard, runlength.Options{})
			}
			// Exact by arithmetic: 2^n - 1 for a run on either side of a fair coin.
			c.Source, c.By = "W. Feller, An Introduction to Probability Theory, vol. 1, XIII.7: mean wait for a run on either side, 2^(n-1) (2 - 2^(1-n)) = 2^n - 1", "Python 3.11 fractions"
			c.Note = "mean waits of the run lengths 1 to n, solved in rational numbers: 255 and 511; formula from memory"
		}
		c.Got, c.Trouble = l.ARL, trouble(err)
		r.add(c)
	}
	var ranges, sds, below []pair
	for _, row := range f.FalseAlarm {
		what := fmt.Sprintf("n = %d", row.N)
		p := func(limits spc.Limits, err error, d runlength.Distribution, upper bool) float64 {
			if err != nil {
				return math.NaN()
			}
			if upper {
				limits.HasLower = false
			} else {
				limits.HasUpper = false
			}
			if !upper && !limits.HasLower {
				return 0
			}
			l, err := runlength.Shewhart{Rules: rules.Default(), Limits: limits}.RunLength(d, runlength.Options{})
			if err != nil {
				return math.NaN()
			}
			return 1 / l.ARL
		}
		rl, err := chart.RangeLimits(row.N, 1, chart.Width{K: 3})
		ranges = append(ranges, pair{float64(row.RangeAbove), p(rl, err, rangeOf(row.N), true), 2e-9, what})
		sl, err := chart.SDLimits(row.N, 1, chart.Width{K: 3})
		sds = append(sds, pair{float64(row.SDAbove), p(sl, err, sdOf(row.N), true), 2e-9, what})
		below = append(below, pair{float64(row.SDBelow), p(sl, err, sdOf(row.N), false), 2e-8, what})
	}
	c = base
	c.Method, c.Source = "False-alarm rate of range and spread charts", "Ranges and standard deviations of normal samples, limits at 3 sigma"
	c.Note = "quadrature of the distribution of the range; chi-square distribution; the file keeps 10 digits"
	c.Case = "range above its limit, n = 2 to 10"
	r.worst(c, ranges)
	c.Case = "standard deviation above its limit, n = 2 to 10"
	r.worst(c, sds)
	c.Case = "standard deviation below its limit, n = 2 to 10"
	c.Note += "; only n = 6 and more have a lower limit"
	r.worst(c, below)
}

// rangeOf is the range of n standard normal values, sdOf their standard deviation: points of skewed charts.
type rangeOf int

func (n rangeOf) Tail(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return dist.RangeTail(x, int(n))
}

func (n rangeOf) CDF(x float64) float64 {
	if x <= 0 {
		return 0
	}
	return dist.RangeCDF(x, int(n))
}

type sdOf int

func (n sdOf) Tail(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return dist.ChiSquareTail(x*x*float64(n-1), float64(n-1))
}

func (n sdOf) CDF(x float64) float64 {
	if x <= 0 {
		return 0
	}
	return dist.ChiSquareCDF(x*x*float64(n-1), float64(n-1))
}

// champWoodall is their rule C_i in zones of the inner normal scale.
func champWoodall(name string) runlength.Zones {
	inf := math.Inf(1)
	var z runlength.Zones
	sides := func(count, of int, from, to float64) {
		z = append(z, runlength.Run{Count: count, Of: of, From: from, To: to}, runlength.Run{Count: count, Of: of, From: -to, To: -from})
	}
	for _, digit := range name[1:] {
		switch digit {
		case '1':
			sides(1, 1, 3, inf)
		case '2':
			sides(2, 3, 2, 3)
		case '3':
			sides(4, 5, 1, 3)
		case '4':
			sides(8, 8, 0, 3)
		case '5':
			sides(2, 2, 2, 3)
		case '6':
			sides(5, 5, 1, 3)
		case '7':
			sides(1, 1, 3.09, inf)
		case '8':
			sides(2, 3, 1.96, 3.09)
		case '9':
			sides(8, 8, 0, 3.09)
		}
	}
	return z
}

func zoneRuleChecks(r *run) {
	var f struct {
		Rows []struct {
			Rules     string
			Shift     num
			Published num
			Computed  num
		}
		Full []struct {
			Rules string
			Shift num
			Full  num `json:"full_history"`
		} `json:"full_history_check"`
	}
	r.json("runlength/runs_rules.json", &f)
	base := Check{Section: RunLengths, Method: "Run length with run rules", Origin: Computed, By: sciPy, Relative: true,
		Source: "Champ and Woodall 1987, Technometrics 29, 393-399, table 1"}
	arl := func(name string, shift float64) (runlength.RunLength, error) {
		return champWoodall(name).RunLength(runlength.Normal{Mean: shift, SD: 1}, runlength.Options{})
	}
	var names []string
	pairs, inControl := map[string][]pair{}, map[string]string{}
	for _, row := range f.Rows {
		if pairs[row.Rules] == nil {
			names = append(names, row.Rules)
		}
		if row.Shift == 0 {
			inControl[row.Rules] = recalled(row.Published)
		}
		l, err := arl(row.Rules, float64(row.Shift))
		pairs[row.Rules] = append(pairs[row.Rules], arlPair(float64(row.Computed), 2e-9, fmt.Sprintf("shift %g", float64(row.Shift)), l, err))
	}
	for _, name := range names {
		c := base
		c.Case = "rule set " + name + ", shifts 0 to 3"
		if v := inControl[name]; v != "" {
			c.Recalled = v + " at shift 0"
		}
		r.worst(c, pairs[name])
	}
	full := []pair{}
	for _, row := range f.Full {
		l, err := arl(row.Rules, float64(row.Shift))
		full = append(full, arlPair(float64(row.Full), 2e-9, fmt.Sprintf("%s, shift %g", row.Rules, float64(row.Shift)), l, err))
	}
	c := base
	c.Case, c.Note = "against a chain on full windows", "the recomputation does without the reduction of states"
	r.worst(c, full)

	// Beyond-limits, fifteen within and eight outside: run counters alone, a chain of 22 states.
	set := rules.All().Only(rules.BeyondLimits, rules.FifteenWithin, rules.EightOutside)
	c = base
	c.Case = "beyond 3 sigma, 15 within and 8 outside 1 sigma, shifts 0, 1, 2"
	c.Source = "Rules of Nelson 1984, J. Quality Technology 16, 237-239, from memory"
	c.Note = "chain of the two run counters, numpy.linalg.solve"
	var counters []pair
	for i, want := range []float64{262.90080420973385, 40.40461458410614, 5.728575101315593} {
		l, err := runlength.Sigma(3, set).RunLength(runlength.Normal{Mean: float64(i), SD: 1}, runlength.Options{})
		counters = append(counters, arlPair(want, 1e-11, fmt.Sprintf("shift %d", i), l, err))
	}
	r.worst(c, counters)
}

// orderChecks: trend and alternating, alone and together, do not depend on the distribution of the points.
func orderChecks(r *run) {
	base := Check{Section: RunLengths, Method: "Run length with trends and alternation", Origin: Computed, By: "NumPy 1.24.2", Relative: true, Tol: 1e-9,
		Source: "Rules of Nelson 1984, J. Quality Technology 16, 237-239, from memory",
		Note:   "survival as polynomials in the last point's probability (numpy.polynomial), step by step, then geometric"}
	for _, row := range []struct {
		trend, alternating int
		want               float64
	}{{6, 0, 421.59862603149213}, {7, 0, 2881.8518772474768}, {5, 0, 73.34403886048543}, {0, 14, 601.0078040224222}, {0, 10, 98.14575215588634}, {6, 14, 248.80163048236818}} {
		var set rules.Set
		var err error
		c := base
		if row.trend > 0 {
			set, err = set.With(rules.Trend, row.trend)
			c.Case = fmt.Sprintf("%d rising or falling", row.trend)
		}
		if row.alternating > 0 && err == nil {
			set, err = set.With(rules.Alternating, row.alternating)
			if c.Case != "" {
				c.Case += ", "
			}
			c.Case += fmt.Sprintf("%d alternating", row.alternating)
		}
		var l runlength.RunLength
		if err == nil {
			l, err = runlength.Sigma(3, set).RunLength(runlength.Standard, runlength.Options{})
		}
		c.Want, c.Got, c.Trouble = row.want, l.ARL, trouble(err)
		r.add(c)
	}
}

func movingRangeChecks(r *run) {
	c := Check{Section: RunLengths, Method: "Run length of individuals with moving ranges", Origin: Computed, By: sciPy, Relative: true, Tol: 2e-9,
		Source: "Integral equation of Crowder 1987, J. Quality Technology 19, 98-102, from memory",
		Note:   "Markov chain of 240 to 1920 cells (scipy.stats.norm.cdf) with Richardson extrapolation"}
	for _, row := range []struct{ l, d, shift, want float64 }{
		{3, 3.7, 0, 107.7452513884}, {3, 3.7, 1, 37.6605332327}, {3, 3.7, 2, 6.280161363366}, {3, 4, 0, 169.0623401798}} {
		l, err := runlength.IndividualsMR{L: row.l, D: row.d}.RunLength(runlength.Normal{Mean: row.shift, SD: 1}, runlength.Options{})
		c.Case = fmt.Sprintf("limits %g and %g sigma, shift %g", row.l, row.d, row.shift)
		c.Want, c.Got, c.Trouble = row.want, l.ARL, trouble(err)
		r.add(c)
	}
}

func groupChecks(r *run) {
	c := Check{Section: RunLengths, Method: "Run length of a group chart", Origin: Computed, By: sciPy, Relative: true, Tol: 1e-7,
		Source: "Largest of three deviations from their mean, by the bivariate normal distribution",
		Note:   "scipy.integrate.quad over one deviation, the other conditional on it"}
	var pairs []pair
	for i, want := range []float64{131.43972124823432, 44.05128006669997, 9.832722657260657, 3.208939490936887} {
		l, err := runlength.Group{M: 3, L: 3, Deviations: true}.RunLength(float64(i))
		pairs = append(pairs, arlPair(want, 1e-7, fmt.Sprintf("shift %d", i), l, err))
	}
	c.Case = "3 streams, limit 3, shifts 0 to 3 of one"
	r.worst(c, pairs)
}

func correlatedChecks(r *run) {
	c := Check{Section: RunLengths, Method: "Run length of autocorrelated points", Origin: Computed, By: sciPy, Relative: true,
		Source: "First-order autoregression, limits at 3 true standard deviations",
		Note:   "Nystrom's method with 200 nodes, numpy.linalg.solve"}
	for _, row := range []struct {
		phi  float64
		want [3]float64
	}{{-0.4, [3]float64{383.4605437313538, 43.97923645667117, 5.8693510331368595}}, {0.3, [3]float64{376.3826091394971, 47.63070314859416, 7.39269202052091}},
		{0.6, [3]float64{419.37724312606355, 60.648610299061446, 10.182016032675149}}, {0.9, [3]float64{831.7825297602544, 152.99870903927282, 27.70351925028174}}} {
		var pairs []pair
		for i, want := range row.want {
			l, err := runlength.Autocorrelated{Phi: row.phi, K: 3}.RunLength(float64(i))
			pairs = append(pairs, arlPair(want, 1e-10, fmt.Sprintf("shift %d", i), l, err))
		}
		c.Case = fmt.Sprintf("phi = %g, shifts 0 to 2", row.phi)
		r.worst(c, pairs)
	}
	c.Method, c.Source = "Run length of residuals after a shift", "1 + (1 - p1)/p2, p1 at the whole shift, p2 at its share 1 - phi (Wardell, Moskowitz and Plante 1994, Technometrics 36, 3-17, from memory)"
	c.Case, c.Note = "phi = 0.3, 0.6, 0.9, shifts 1 and 2", ""
	var pairs []pair
	for _, row := range []struct{ phi, shift, want float64 }{{0.3, 1, 83.48687221334998}, {0.3, 2, 14.024669762296444}, {0.6, 1, 150.0043910277447},
		{0.6, 2, 31.351523824399997}, {0.9, 1, 223.3098711727418}, {0.9, 2, 10.681411488864747}} {
		first, later, err := runlength.ResidualShift(row.phi, row.shift)
		var l runlength.RunLength
		if err == nil {
			l, err = runlength.Sigma(3, rules.Default()).RunLength(later, runlength.Options{First: first})
		}
		pairs = append(pairs, arlPair(row.want, 1e-11, fmt.Sprintf("phi %g, shift %g", row.phi, row.shift), l, err))
	}
	r.worst(c, pairs)
}

func estimationChecks(r *run) {
	c := Check{Section: RunLengths, Method: "Run length left by estimated limits", Origin: Computed, By: sciPy, Relative: true,
		Source: "Conditional run length integrated over the estimates (Quesenberry 1993, J. Quality Technology 25, 237-247; Chakraborti 2000, Comm. Statist. - Simul. Comput. 29, 61-81), from memory",
		Note:   "scipy.integrate.quad and scipy.optimize.brentq"}
	for _, row := range []struct {
		what string
		e    runlength.Estimate
		want [4]float64
	}{
		{"30 points", runlength.FromSD(30), [4]float64{49.50487756108804, 312.0298965271298, 3408.8928707061586, 0.5527281274916636}},
		{"100 points", runlength.FromSD(100), [4]float64{120.28631249413013, 350.50155531341477, 1198.2692075585012, 0.531428885348837}},
		{"500 points", runlength.FromSD(500), [4]float64{222.8138406040951, 366.202678948032, 621.191412846725, 0.514572810160122}},
		{"25 subgroups of 5", runlength.Pooled(25, 5), [4]float64{104.36835517592202, 311.97902182618617, 1077.0776419928047, 0.5950015088089871}},
	} {
		got, err := runlength.EstimatedShewhart(3, row.e)
		c.Case, c.Trouble = row.what+", limits at 3 sigma: 5 %, 50 %, 95 % and share below", trouble(err)
		r.worst(c, []pair{{row.want[0], got.Lower, 1e-8, "5 %"}, {row.want[1], got.Median, 1e-8, "median"}, {row.want[2], got.Upper, 1e-8, "95 %"},
			{row.want[3], got.Short, 1e-8, "share below"}})
	}
}
