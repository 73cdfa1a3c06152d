package proof

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sagwatch/spc/multivariate"
)

// multivariateChecks compares T^2, its limits and its decomposition, the multivariate EWMA and its run lengths, and the
// squared prediction error with general libraries, and the covariance with certified values.
func multivariateChecks(r *run) {
	r.t2Limits()
	r.longleyT2()
	r.mewmaRunLengths()
	r.mewmaOfOneTerm()
	predictionErrorLimits(r)
}

const mp40 = "mpmath 1.2.1 (40 digits)"

func several(method, what, source string, origin Origin, by string, want, got, tol float64, err error) Check {
	return Check{Section: Charts, Method: method, Case: what, Source: source, Origin: origin, By: by, Want: want, Got: got, Tol: tol, Trouble: trouble(err)}
}

func (r *run) t2Limits() {
	var file struct {
		Rows []struct {
			Kind                       string
			P, M, N                    int
			Alpha, Computed, Published float64
		}
		ARL []struct {
			P                    int
			UCL, Delta, Computed float64
		}
	}
	r.json("runlength/t2_limits.json", &file)
	kinds := map[string]struct {
		limit  func(p, m, n int, alpha float64) (float64, error)
		source string
		note   string
	}{
		"subgroups, phase I (retrospective)": {multivariate.SubgroupPhaseOneLimit, "F. B. Alt (1985); NIST/SEMATECH e-Handbook 6.5.4.3", "formula from memory"},
		"subgroups, phase II":                {multivariate.SubgroupPhaseTwoLimit, "F. B. Alt (1985); NIST/SEMATECH e-Handbook 6.5.4.3", "formula from memory"},
		"individuals, phase I (beta)": {func(p, m, _ int, alpha float64) (float64, error) { return multivariate.PhaseOneLimit(p, m, alpha) },
			"N. D. Tracy, J. C. Young and R. L. Mason, J. Quality Technology 24 (1992)", "formula from memory"},
		"individuals, phase II (F)": {func(p, m, _ int, alpha float64) (float64, error) { return multivariate.PhaseTwoLimit(p, m, alpha) },
			"NIST/SEMATECH e-Handbook 6.5.4.3.4", "formula read there"},
		"known parameters (chi-square)": {func(p, _, _ int, alpha float64) (float64, error) { return multivariate.KnownLimit(p, alpha) },
			"Chi-square quantile", ""},
	}
	pairs := map[string][]pair{}
	var order []string
	for _, row := range file.Rows {
		k, known := kinds[row.Kind]
		if !known {
			panic("proof: unknown limit " + row.Kind)
		}
		got, err := k.limit(row.P, row.M, row.N, row.Alpha)
		if err != nil {
			got = math.NaN()
		}
		what := fmt.Sprintf("p = %d, m = %d, alpha = %g", row.P, row.M, row.Alpha)
		if row.Published != 0 {
			c := several("T2 limit, "+row.Kind, what, "Textbook example of fibre strength and diameter; "+k.source, Computed, sciPy, row.Computed, got, 1e-9*row.Computed, err)
			c.Recalled, c.Note = shown(row.Published), k.note
			r.add(c)
			continue
		}
		if pairs[row.Kind] == nil {
			order = append(order, row.Kind)
		}
		pairs[row.Kind] = append(pairs[row.Kind], pair{row.Computed, got, 1e-9 * row.Computed, what})
	}
	for _, kind := range order {
		c := several("T2 limit, "+kind, "", kinds[kind].source, Computed, sciPy, 0, 0, 0, nil)
		c.Note = kinds[kind].note
		r.worst(c, pairs[kind])
	}
	var arl []pair
	for _, row := range file.ARL {
		got, err := multivariate.T2ARL(row.P, row.UCL, row.Delta)
		if err != nil {
			got = math.NaN()
		}
		arl = append(arl, pair{row.Computed, got, 2e-9 * row.Computed, fmt.Sprintf("p = %d, shift %g", row.P, row.Delta)})
	}
	c := several("T2 chart, known law", "average run length", "Non-central chi-square distribution", Computed, sciPy, 0, 0, 0, nil)
	c.Section = RunLengths
	r.worst(c, arl)
}

// longley gives the six regressors of the StRD set with the certified standard deviations of their coefficients.
func (r *run) longley() (x [][]float64, sd []float64, residual float64) {
	var f struct {
		Rows      [][]num
		Certified struct {
			SD       []num `json:"coef_sd"`
			Residual num   `json:"residual_sd"`
		}
	}
	r.json("strd/lin_Longley.json", &f)
	for _, row := range f.Rows {
		o := make([]float64, len(row)-1)
		for j := range o {
			o[j] = float64(row[j+1])
		}
		x = append(x, o)
	}
	for _, v := range f.Certified.SD[1:] {
		sd = append(sd, float64(v))
	}
	return x, sd, float64(f.Certified.Residual)
}

func (r *run) longleyT2() {
	x, sd, residual := r.longley()
	const source = "Regressors of NIST StRD Longley (16 observations of 6)"
	b, err := multivariate.Individuals(x, multivariate.Options{})
	var t *multivariate.T2
	if err == nil {
		t, err = b.T2()
	}
	if err != nil {
		r.add(several("T2 of individuals", "Longley", source, Computed, mp40, 0, math.NaN(), 0, err))
		return
	}
	// (X'X)^-1 of a regression holds the inverse covariance: sd_j = s sqrt((S^-1)_jj / (m - 1))
	var pairs []pair
	for j := range sd {
		y := append([]float64(nil), b.Mean...)
		y[j] += 1024 * math.Sqrt(b.Cov[j*b.P+j])
		terms, e := t.Terms(y)
		got := math.NaN()
		if e == nil {
			got = terms[j].ZGiven / terms[j].Deviation * residual / math.Sqrt(15)
		}
		pairs = append(pairs, pair{sd[j], got, 1e-9 * sd[j], fmt.Sprintf("x%d", j+1)})
	}
	c := several("Conditional terms of T2", "inverse covariance, as standard deviations of regression coefficients", "NIST StRD, linear regression, Longley", Published, "", 0, 0, 0, nil)
	c.Note = "condition number of the correlations 12 220"
	r.worst(c, pairs)

	pairs = nil
	for i, want := range []float64{5.430553959398034, 7.537174465533981, 4.493620685484723, 4.645916742326588, 8.295166412612021, 4.606104507477332,
		6.435473099742741, 6.632342317489386, 5.919255658439344, 4.02172820715432, 4.460723619275093, 6.309361958646128, 4.677126126658559,
		2.488177063254404, 4.655556151098946, 9.391719025408402} {
		got, e := t.Statistic(x[i])
		if e != nil {
			got = math.NaN()
		}
		pairs = append(pairs, pair{want, got, 1e-9, fmt.Sprintf("observation %d", i+1)})
	}
	r.worst(several("T2 of individuals", "ordinary covariance", source, Computed, mp40, 0, 0, 0, nil), pairs)

	pairs = nil
	for row, want := range map[int][]float64{
		0:  {0.3404526357254292, 0.01258272552444691, 0.09136338874860323, 0.1374204087351165, 0.2756303026554419, 0.001109144597864993},
		4:  {0.08160592222136468, 4.404099356786261, 4.135575869865266, 2.319104066917054, 1.983828259332333, 5.894120208160039},
		15: {0.5548979790437179, 0.2029505327484579, 0.0611789739566224, 0.3872453900010062, 0.6492637383631892, 0.9073551426348608},
	} {
		terms, e := t.Terms(x[row])
		for j, w := range want {
			got := math.NaN()
			if e == nil {
				got = terms[j].ZGiven * terms[j].ZGiven
			}
			pairs = append(pairs, pair{w, got, 1e-9, fmt.Sprintf("observation %d, x%d", row+1, j+1)})
		}
	}
	c = several("Decomposition of T2", "each term given all others", source+"; R. L. Mason, N. D. Tracy and J. C. Young (1995)", Computed, mp40, 0, 0, 0, nil)
	c.Note = "expected: T2 less the T2 of the other terms"
	r.worst(c, sorted(pairs))

	parts, err := t.Ordered(x[15], []int{5, 2, 0, 1, 3, 4})
	pairs = nil
	for i, w := range []float64{2.481617647058824, 0.05982671378592005, 1.876516325486353, 3.70242509385626, 0.6220695068578561, 0.6492637383631892} {
		got := math.NaN()
		if err == nil {
			got = parts[i]
		}
		pairs = append(pairs, pair{w, got, 1e-9, fmt.Sprintf("part %d", i+1)})
	}
	r.worst(several("Decomposition of T2", "observation 16 in the order x6, x3, x1, x2, x4, x5", source+"; R. L. Mason, N. D. Tracy and J. C. Young (1995)", Computed, mp40, 0, 0, 0, err), pairs)

	r.longleyThree(x, source)
	r.longleyComponents(b, x, source)
}

// longleyThree takes the terms x2, x3 and x4.
func (r *run) longleyThree(x [][]float64, source string) {
	var three [][]float64
	for _, row := range x {
		three = append(three, row[1:4])
	}
	b, err := multivariate.Individuals(three, multivariate.Options{Estimator: multivariate.Successive})
	got := math.NaN()
	if err == nil {
		var t *multivariate.T2
		if t, err = b.T2(); err == nil {
			got, err = t.Statistic(three[4])
		}
	}
	r.add(several("T2 of individuals", "covariance by successive differences, observation 5, x2 to x4", source+"; D. S. Holmes and A. E. Mergen (1993)",
		Computed, mp40, 27.3055110752681, got, 1e-11, err))

	b, err = multivariate.Individuals(three, multivariate.Options{})
	var points []multivariate.MEWMAPoint
	if err == nil {
		var t *multivariate.T2
		if t, err = b.T2(); err == nil {
			points, err = multivariate.MEWMA(t, three, multivariate.MEWMASettings{Lambda: 0.2, H: 10})
		}
	}
	var pairs []pair
	for i, w := range []float64{3.53038483374046, 7.877394844026176, 8.33435756509691, 9.847576204304036, 5.763339151534975, 4.357003885145463,
		5.295416466307445, 6.322655394693346, 5.180892121706698, 3.292992207525465, 2.25807773440348, 1.243075013624658, 0.7225909736456312,
		1.567443926938578, 3.733821897136479, 6.438600701466827} {
		got := math.NaN()
		if err == nil {
			got = points[i].T2
		}
		pairs = append(pairs, pair{w, got, 1e-11, fmt.Sprintf("observation %d", i+1)})
	}
	r.worst(several("Multivariate EWMA", "statistic, lambda = 0.2, exact covariance at each point, x2 to x4", source+"; C. A. Lowry et al. (1992), formula from memory",
		Computed, mp40, 0, 0, 0, err), pairs)
}

func (r *run) longleyComponents(b *multivariate.Baseline, x [][]float64, source string) {
	c, err := b.Components(multivariate.ComponentsOptions{Keep: 2})
	var values, errors []pair
	for i, w := range []float64{4.60337709576839, 1.17534049925715, 0.203425372401435, 0.0149282586772769, 0.00255206576307483, 0.000376708132677706} {
		got := math.NaN()
		if err == nil {
			got = c.Values[i]
		}
		values = append(values, pair{w, got, 1e-12, fmt.Sprintf("component %d", i+1)})
	}
	for i, w := range []float64{0.121888770482688, 0.432248780080914, 0.24361300946335, 0.0201504091119153, 0.014898212268386, 0.0296775073195952,
		0.0110136466134383, 1.08404456520208, 0.0298640757448173, 0.0933431000417222, 0.213775514204581, 0.494421863710535, 0.0933487630641284,
		0.137793111242878, 0.0486153918945054, 0.250539354171427} {
		got := math.NaN()
		if err == nil {
			if p, e := c.Predict(x[i]); e == nil {
				got = p.Q
			}
		}
		errors = append(errors, pair{w, got, 1e-11, fmt.Sprintf("observation %d", i+1)})
	}
	r.worst(several("Principal components", "eigenvalues of the correlations", source, Computed, mp40, 0, 0, 0, err), values)
	r.worst(several("Squared prediction error", "beside two components", source, Computed, mp40, 0, 0, 0, err), errors)
}

// sorted puts pairs in the order of their names, for those that come from a map.
func sorted(p []pair) []pair {
	slices.SortStableFunc(p, func(a, b pair) int { return strings.Compare(a.what, b.what) })
	return p
}

func (r *run) mewmaRunLengths() {
	var file struct {
		Rows []struct {
			P                                       int
			Lam, H, Delta, Computed, Published, Tol float64
		}
	}
	r.json("runlength/mewma.json", &file)
	type group struct {
		p     int
		delta float64
	}
	pairs, printed := map[group][]pair{}, map[group][]pair{}
	var order []group
	for _, row := range file.Rows {
		got, err := multivariate.MEWMADesign{P: row.P, Lambda: row.Lam, H: row.H, Steady: true}.ARL(row.Delta)
		if err != nil {
			got = math.NaN()
		}
		g := group{row.P, row.Delta}
		if pairs[g] == nil {
			order = append(order, g)
		}
		what := fmt.Sprintf("lambda = %g, H = %g", row.Lam, row.H)
		pairs[g] = append(pairs[g], pair{row.Computed, got, 2e-6 * row.Computed, what})
		if row.Published != 0 {
			printed[g] = append(printed[g], pair{row.Published, got, row.Tol, what})
		}
	}
	for _, g := range order {
		c := Check{Section: RunLengths, Method: "Multivariate EWMA, average run length", Case: fmt.Sprintf("%d terms, shift %g", g.p, g.delta),
			Source: "S. E. Rigdon (1995), integral equations; C. A. Lowry et al., Technometrics 34 (1992); S. S. Prabhu and G. C. Runger (1997)",
			Origin: Computed, By: sciPy, Note: "the file's values: 40 x 40 nodes in polar coordinates"}
		for _, p := range printed[g] {
			if c.Recalled != "" {
				c.Recalled += ", "
			}
			c.Recalled += shown(p.want)
		}
		r.worst(c, pairs[g])
		if len(printed[g]) > 0 {
			c.Origin, c.By, c.Recalled = Memory, "", ""
			c.Note = "the paper's values come from a coarse Markov chain; within 1.5 %"
			if g.delta == 0 {
				c.Note = "limits printed to two decimals for a run length of 200"
			}
			r.worst(c, printed[g])
		}
	}
}

// mewmaOfOneTerm compares the multivariate chart of a single term, with the exact covariance from the start, with the two-sided
// EWMA of the same weight.
func (r *run) mewmaOfOneTerm() {
	var file struct {
		Rows []struct{ Lam, L, Shift, Computed float64 } `json:"exact_limit_rows"`
	}
	r.json("runlength/ewma.json", &file)
	var pairs []pair
	for _, row := range file.Rows {
		if row.Shift != 0 {
			continue
		}
		got, err := multivariate.MEWMADesign{P: 1, Lambda: row.Lam, H: row.L * row.L}.ARL(0)
		if err != nil {
			got = math.NaN()
		}
		pairs = append(pairs, pair{row.Computed, got, 1e-6 * row.Computed, fmt.Sprintf("lambda = %g, L = %g", row.Lam, row.L)})
	}
	r.worst(Check{Section: RunLengths, Method: "Multivariate EWMA, average run length", Case: "one term, exact covariance from the start",
		Source: "Exact time-varying limits, J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990); S. E. Rigdon (1995)", Origin: Computed, By: sciPy}, pairs)
}

func predictionErrorLimits(r *run) {
	values := []float64{29.33, 16.41}
	for _, v := range []struct {
		alpha, jm, box, exact float64
		recalled              string
	}{
		{0.05, 140.41651329810816, 140.80734679480406, 139.91427977306464, "140.45"},
		{0.01, 226.04945130717817, 218.98881347042524, 221.42999979977432, ""},
	} {
		jm, err := multivariate.JacksonMudholkarLimit(values, v.alpha)
		what := fmt.Sprintf("eigenvalues 29.33 and 16.41 not kept, alpha = %g", v.alpha)
		c := several("Squared prediction error, limit by normal approximation", what, "J. E. Jackson and G. S. Mudholkar, Technometrics 21 (1979); missile data of J. E. Jackson, A User's Guide to Principal Components (1991)",
			Computed, sciPy, v.jm, jm, 1e-10*v.jm, err)
		c.Recalled, c.Note = v.recalled, "formula and eigenvalues from memory"
		r.add(c)
		c.Want, c.Tol, c.Recalled = v.exact, 0.025*v.exact, ""
		c.Case = what + ", beside the exact limit"
		c.Note = "exact: the weighted sum of two chi-square variables by quadrature; the approximation is allowed 2.5 %"
		r.add(c)
		box, err := multivariate.BoxLimit(values, v.alpha)
		c = several("Squared prediction error, limit by weighted chi-square", what, "G. E. P. Box (1954); P. Nomikos and J. F. MacGregor, Technometrics 37 (1995)", Computed, sciPy, v.box, box, 1e-10*v.box, err)
		c.Note = "formula from memory"
		r.add(c)
		c.Want, c.Tol = v.exact, 0.025*v.exact
		c.Case = what + ", beside the exact limit"
		c.Note = "exact: the weighted sum of two chi-square variables by quadrature; the approximation is allowed 2.5 %"
		r.add(c)
	}
}
