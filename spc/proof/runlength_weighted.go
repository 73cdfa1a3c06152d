package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/runlength"
)

// oddities are values of the papers, as remembered, that the converged ones do not round to.
var oddities = map[string]string{
	"two-sided, h = 4, head start 2":           "the paper, from memory, has 1.32 at shift 3; converged 1.32539",
	"one-sided, h = 4":                         "tables of that time differ in the last digit: 336 in control; converged 335.37",
	"one-sided, h = 5":                         "tables of that time differ in the last digit: 930 in control; converged 930.89",
	"lambda = 0.25, L = 2.998, settled limits": "the paper, from memory, has 48.2 at shift 0.5; converged 48.294; its chain is finite",
	"lambda = 0.1, L = 2.814, settled limits":  "the paper, from memory, has 15.9 at shift 0.75; converged 15.848; its chain is finite",
	"lambda = 0.05, L = 2.615, settled limits": "the paper, from memory, has 84.1 at shift 0.25; converged 84.006; its chain is finite",
}

func cusumChecks(r *run) {
	type row struct {
		K, H, HeadStart, Shift num
		Published, Computed    num
	}
	var f struct {
		TwoSided []row `json:"two_sided"`
		OneSided []row `json:"one_sided"`
		Design   []row
		Handbook []row `json:"handbook_example"`
		Siegmund []row
	}
	r.json("runlength/cusum.json", &f)
	arl := func(row row, sides runlength.Sides) (runlength.RunLength, error) {
		c := runlength.CUSUM{K: float64(row.K), H: float64(row.H), HeadStart: float64(row.HeadStart), Sides: sides}
		v, err := c.ARL(runlength.Normal{Mean: float64(row.Shift), SD: 1})
		return runlength.RunLength{ARL: v}, err
	}
	base := Check{Section: RunLengths, Method: "Run length of a CUSUM", Origin: Computed, By: sciPy, Relative: true,
		Source: "Lucas and Crosier 1982, Technometrics 24, 199-205, tables for k = 0.5"}
	var names []string
	groups, first := map[string][]pair{}, map[string]string{}
	add := func(name string, p pair, published num, shift num) {
		if groups[name] == nil {
			names = append(names, name)
		}
		if v := recalled(published); v != "" && shift == 0 {
			first[name] = v + " at shift 0"
		}
		groups[name] = append(groups[name], p)
	}
	for _, row := range f.TwoSided {
		l, err := arl(row, runlength.TwoSided)
		add(fmt.Sprintf("two-sided, h = %g, head start %g", float64(row.H), float64(row.HeadStart)),
			arlPair(float64(row.Computed), 2e-9, fmt.Sprintf("shift %g", float64(row.Shift)), l, err), row.Published, row.Shift)
	}
	for _, row := range f.OneSided {
		l, err := arl(row, runlength.UpperOnly)
		add(fmt.Sprintf("one-sided, h = %g", float64(row.H)),
			arlPair(float64(row.Computed), 2e-9, fmt.Sprintf("shift %g", float64(row.Shift)), l, err), row.Published, row.Shift)
	}
	for _, name := range names {
		c := base
		c.Case, c.Recalled, c.Note = name, first[name], oddities[name]
		r.worst(c, groups[name])
	}
	for _, row := range f.Design {
		l, err := arl(row, runlength.TwoSided)
		c := base
		c.Source, c.Recalled = "Hawkins 1993, J. Quality Technology 25, 248-261: pairs (h, k) for ARL0 = 370", recalled(row.Published)
		c.Case = fmt.Sprintf("k = %g, h = %g in control", float64(row.K), float64(row.H))
		c.Note = "h is printed with two decimals"
		c.Want, c.Got, c.Tol, c.Trouble = float64(row.Computed), l.ARL, 2e-9, trouble(err)
		r.add(c)
	}
	for _, row := range f.Handbook {
		l, err := arl(row, runlength.TwoSided)
		c := base
		c.Source, c.Case = "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3", "k = 0.3175, h = 4.1959, sigma = 0.635 in control"
		c.Want, c.Got, c.Tol, c.Trouble = float64(row.Computed), l.ARL, 2e-9, trouble(err)
		r.add(c)
	}
	var pairs []pair
	c := base
	for _, row := range f.Siegmund {
		v, err := runlength.Siegmund(float64(row.K), float64(row.H), float64(row.Shift))
		pairs = append(pairs, arlPair(float64(row.Computed), 2e-9, fmt.Sprintf("h = %g, shift %g", float64(row.H), float64(row.Shift)), runlength.RunLength{ARL: v}, err))
	}
	c.Method, c.Source, c.Case = "Siegmund's approximation", "Siegmund 1985, Sequential Analysis, section 2.6", "k = 0.5, h = 4 and 5"
	c.Recalled, c.Note = "938.2 and 10.34 at h = 5, shifts 0 and 1", "formula from memory"
	r.worst(c, pairs)

	// The law, not only its mean.
	c = base
	c.Method, c.Source, c.Note = "Run-length distribution of a CUSUM", "Integral equation with an atom at 0", "powers of the 121 x 121 operator, numpy.linalg"
	for _, row := range []struct {
		shift, sd        float64
		q05, median, q95 float64
	}{{0, 330.65268591350184, 22, 234, 995}, {1, 4.696777138889337, 3, 7, 17}} {
		l, err := runlength.CUSUM{K: 0.5, H: 4, Sides: runlength.UpperOnly}.RunLength(runlength.Normal{Mean: row.shift, SD: 1}, runlength.Options{})
		r.worst(distribution(c, fmt.Sprintf("one-sided, k = 0.5, h = 4, shift %g", row.shift), err), lawPairs(&l, row.sd, row.q05, row.median, row.q95))
	}
	c.Method, c.Note = "Steady-state run length of a CUSUM", "eigenvector of the operator in control, numpy.linalg.eig"
	pairs = nil
	for _, row := range [][2]float64{{0.5, 25.363729477109633}, {1, 7.721861622199656}, {2, 3.0480268512850106}} {
		l, err := runlength.CUSUM{K: 0.5, H: 4, Sides: runlength.UpperOnly}.RunLength(runlength.Normal{Mean: row[0], SD: 1}, runlength.Options{Before: runlength.Standard})
		pairs = append(pairs, arlPair(row[1], 1e-10, fmt.Sprintf("shift %g", row[0]), l, err))
	}
	c.Case = "one-sided, k = 0.5, h = 4, shifts 0.5, 1, 2"
	r.worst(c, pairs)
}

func distribution(c Check, what string, err error) Check {
	c.Case, c.Trouble = what+": standard deviation, 5 %, 50 % and 95 % point", trouble(err)
	return c
}

func lawPairs(l *runlength.RunLength, sd, q05, median, q95 float64) []pair {
	at := func(p float64) float64 {
		n, err := l.Quantile(p)
		if err != nil {
			return math.NaN()
		}
		return float64(n)
	}
	return []pair{{sd, l.SDRL, 1e-10, "standard deviation"}, {q05, at(0.05), 1e-15, "5 %"}, {median, at(0.5), 1e-15, "median"}, {q95, at(0.95), 1e-15, "95 %"}}
}

func ewmaChecks(r *run) {
	type row struct {
		Lam, L, Shift       num
		Published, Computed num
	}
	var f struct {
		Rows  []row
		Exact []row `json:"exact_limit_rows"`
	}
	r.json("runlength/ewma.json", &f)
	base := Check{Section: RunLengths, Method: "Run length of an EWMA", Origin: Computed, By: sciPy, Relative: true,
		Source: "Lucas and Saccucci 1990, Technometrics 32, 1-12, charts of ARL0 = 500"}
	for _, table := range []struct {
		rows    []row
		varying bool
		limits  string
	}{{f.Rows, false, "settled limits"}, {f.Exact, true, "time-varying limits"}} {
		var names []string
		groups, first := map[string][]pair{}, map[string]string{}
		for _, row := range table.rows {
			e := runlength.EWMA{Lambda: float64(row.Lam), L: float64(row.L), TimeVarying: table.varying}
			name := fmt.Sprintf("lambda = %g, L = %g, %s", e.Lambda, e.L, table.limits)
			v, err := e.ARL(runlength.Normal{Mean: float64(row.Shift), SD: 1})
			if groups[name] == nil {
				names = append(names, name)
				if s := recalled(row.Published); s != "" {
					first[name] = fmt.Sprintf("%s at shift %g", s, float64(row.Shift))
				}
			}
			groups[name] = append(groups[name], arlPair(float64(row.Computed), 5e-9, fmt.Sprintf("shift %g", float64(row.Shift)), runlength.RunLength{ARL: v}, err))
		}
		for _, name := range names {
			c := base
			c.Case, c.Recalled, c.Note = name, first[name], oddities[name]
			if table.varying {
				c.Note = "the paper has settled limits"
			}
			r.worst(c, groups[name])
		}
	}
	c := base
	c.Method, c.Source, c.Note = "Run-length distribution of an EWMA", "Integral equation of Crowder 1987, Technometrics 29, 401-407", "powers of the 160 x 160 operator, numpy.linalg"
	for _, row := range []struct {
		shift, sd        float64
		q05, median, q95 float64
	}{{0, 491.3606055683095, 33, 349, 1480}, {1, 4.754451767640806, 5, 9, 19}} {
		l, err := runlength.EWMA{Lambda: 0.1, L: 2.814}.RunLength(runlength.Normal{Mean: row.shift, SD: 1}, runlength.Options{})
		r.worst(distribution(c, fmt.Sprintf("lambda = 0.1, L = 2.814, shift %g", row.shift), err), lawPairs(&l, row.sd, row.q05, row.median, row.q95))
	}
	c.Method, c.Note = "Steady-state run length of an EWMA", "eigenvector of the operator in control, numpy.linalg.eig"
	var pairs []pair
	for _, row := range [][2]float64{{0.5, 30.573301169581207}, {1, 10.1194861198828}, {2, 4.306699433729289}} {
		l, err := runlength.EWMA{Lambda: 0.1, L: 2.814}.RunLength(runlength.Normal{Mean: row[0], SD: 1}, runlength.Options{Before: runlength.Standard})
		pairs = append(pairs, arlPair(row[1], 1e-10, fmt.Sprintf("shift %g", row[0]), l, err))
	}
	c.Case = "lambda = 0.1, L = 2.814, shifts 0.5, 1, 2"
	r.worst(c, pairs)
}

func designChecks(r *run) {
	base := Check{Section: RunLengths, Method: "Design of an EWMA", Origin: Computed, By: sciPy, Relative: true,
		Source: "Crowder 1989, J. Quality Technology 21, 155-162: smallest run length at a shift",
		Note:   "Nystrom's method with 160 nodes, scipy.optimize.brentq for L, minimize_scalar for lambda"}
	for _, row := range []struct{ arl0, shift, lambda, arl1 float64 }{
		{500, 1, 0.13362391514715377, 10.204697741008717}, {370, 0.5, 0.05005296828198346, 26.451654500853454}, {500, 2, 0.3646552833967403, 3.5135392996603247}} {
		d, err := runlength.DesignEWMA(row.arl0, row.shift)
		c := base
		c.Case, c.Trouble = fmt.Sprintf("ARL0 = %g, shift %g: run length and lambda", row.arl0, row.shift), trouble(err)
		r.worst(c, []pair{{row.arl1, d.ARL1, 1e-8, "run length"}, {row.lambda, d.Lambda, 1e-3, "lambda (the smallest run length is flat in it)"}})
	}
	var pairs []pair
	for _, row := range [][2]float64{{0.05, 2.4896860610271214}, {0.2, 2.858960569020164}, {0.5, 2.977505412102641}} {
		d, err := runlength.EWMALimit(row[0], 370, false)
		if err != nil {
			d.L = math.NaN()
		}
		pairs = append(pairs, pair{row[1], d.L, 1e-10, fmt.Sprintf("lambda = %g", row[0])})
	}
	c := base
	c.Case = "L for ARL0 = 370, lambda = 0.05, 0.2, 0.5"
	r.worst(c, pairs)
	c.Method, c.Source = "Design of a CUSUM", "k = shift/2 (Moustakides 1986, Annals of Statistics 14, 1379-1387, from memory)"
	c.Note = "integral equation with 120 nodes, scipy.optimize.brentq"
	for _, row := range []struct{ arl0, shift, h, arl1 float64 }{
		{500, 1, 5.070703856112213, 10.517093206250069}, {370, 0.5, 8.008288714960136, 28.795201930385755}, {1000, 2, 3.0093549974934675, 3.7584604128850194}} {
		d, err := runlength.DesignCUSUM(row.arl0, row.shift)
		c.Case, c.Trouble = fmt.Sprintf("ARL0 = %g, shift %g: h and run length", row.arl0, row.shift), trouble(err)
		r.worst(c, []pair{{row.h, d.H, 1e-10, "h"}, {row.arl1, d.ARL1, 1e-9, "run length"}})
	}
}
