package proof

import (
	"fmt"
	"math"
	"strconv"

	"sagwatch/spc/chart"
)

const mpmath = "mpmath 1.2.1"

func chartChecks(r *run) {
	constantChecks(r)
	spreadLimitChecks(r)
	medianChecks(r)
	baselineChecks(r)
	ewmaCUSUMChecks(r)
	attributeChecks(r)
	streamChecks(r)
}

// numbers is a column of the rows of a reference file.
func numbers(rows []map[string]string, name string) []float64 {
	out := make([]float64, len(rows))
	for i, row := range rows {
		out[i] = parse(row[name])
	}
	return out
}

func parse(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(err)
	}
	return v
}

// groupsBy are the values of one column in groups of equal keys, in order of first appearance.
func groupsBy(rows []map[string]string, key, value string) [][]float64 {
	var out [][]float64
	place := map[string]int{}
	for _, row := range rows {
		i, ok := place[row[key]]
		if !ok {
			i = len(out)
			place[row[key]] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], parse(row[value]))
	}
	return out
}

// handbookExample is one worked example of the NIST/SEMATECH e-Handbook of Statistical Methods.
type handbookExample struct {
	Inline struct {
		X []float64 `json:"x"`
	} `json:"inline_data"`
	values map[string]handbookValue
}

type handbookValue struct{ value, tol float64 }

func (r *run) handbookExample(id string) handbookExample {
	var all struct {
		Examples []struct {
			handbookExample
			ID     string `json:"id"`
			Values []struct {
				Name  string  `json:"name"`
				Value float64 `json:"value"`
				Tol   float64 `json:"tol"`
			} `json:"values"`
		} `json:"examples"`
	}
	r.json("handbook/published.json", &all)
	for _, e := range all.Examples {
		if e.ID == id {
			e.values = map[string]handbookValue{}
			for _, v := range e.Values {
				e.values[v.Name] = handbookValue{v.Value, v.Tol}
			}
			return e.handbookExample
		}
	}
	panic(fmt.Errorf("handbook/published.json has no example %q", id))
}

// constantNames are the columns of the tables of constants.
var constantNames = []string{"d2", "d3", "c4", "c5", "d4_median_range", "A", "A2", "A3", "B3", "B4", "B5", "B6", "D1", "D2", "D3", "D4", "E2", "E3"}

func chartConstants(n int) map[string]float64 {
	c := chart.ConstantsFor(n)
	f := c.Factors()
	return map[string]float64{"d2": c.D2, "d3": c.D3, "c4": c.C4, "c5": c.C5, "d4_median_range": c.MedianRange, "A": f.A, "A2": f.A2, "A3": f.A3,
		"B3": f.B3, "B4": f.B4, "B5": f.B5, "B6": f.B6, "D1": f.D1, "D2": f.D2, "D3": f.D3, "D4": f.D4, "E2": f.E2, "E3": f.E3}
}

func constantChecks(r *run) {
	computed := map[string][]pair{}
	for _, row := range r.csv("constants/computed.csv") {
		n := int(parse(row["n"]))
		for name, got := range chartConstants(n) {
			want := parse(row[name])
			computed[name] = append(computed[name], pair{want, got, 1e-12 * max(1, math.Abs(want)), fmt.Sprintf("n = %d", n)})
		}
	}
	published := map[string][]pair{}
	for _, row := range r.csv("constants/published.csv") {
		n, name := int(parse(row["n"])), row["constant"]
		published[name] = append(published[name], pair{parse(row["published"]), chartConstants(n)[name], 1.5 * math.Pow(10, -parse(row["decimals"])), fmt.Sprintf("n = %d", n)})
	}
	for _, name := range constantNames {
		r.worst(Check{Section: Charts, Method: "Constants of control charts", Case: name + ", n = 2 to 25", Origin: Computed, By: mpmath,
			Source: "ISO 7870-2, ASTM E2587: definitions by the range and standard deviation of normal samples",
			Note:   "30 digits, quadrature of the joint distribution of the extremes; 14 kept"}, computed[name])
	}
	for _, name := range constantNames {
		if pairs := published[name]; pairs != nil {
			r.worst(Check{Section: Charts, Method: "Constants of control charts", Case: name + ", printed table", Origin: Memory,
				Source: "ASTM E2587, ISO 7870-2, table of constants",
				Note:   "the table was built from rounded d2 and d3 and is up to 1.3 units of its last place off"}, pairs)
		}
	}
}

func spreadLimitChecks(r *run) {
	upper := func(l chart.Limits, err error) float64 {
		if err != nil {
			return math.NaN()
		}
		return l.Upper
	}
	lower := func(l chart.Limits, err error) float64 {
		if err != nil {
			return math.NaN()
		}
		return l.Lower
	}
	w := chart.Width{Probability: 0.002}
	var rq, sq []pair
	for _, c := range []struct {
		n                      int
		rLow, rHigh, sLow, sUp float64
	}{
		{2, 0.0017724543149331038, 4.653507531027049, 0.0012533144654325555, 3.290526731491895},
		{3, 0.0602447313613964, 5.0634525780362445, 0.03163068658096966, 2.628260884878466},
		{5, 0.3673920082142041, 5.483753686172606, 0.1506685397976126, 2.148652307430356},
		{8, 0.8348258291435542, 5.822728220799321, 0.2924023041670441, 1.864015877762574},
		{11, 1.1934037057938875, 6.036000270854797, 0.3845443360440594, 1.7201249502601381},
		{25, 2.1226552122614604, 6.544540182283188, 0.5804050877350365, 1.4602881818522642},
	} {
		l, err := chart.RangeLimits(c.n, 1, w)
		rq = append(rq, pair{c.rLow, lower(l, err), 1e-10, fmt.Sprintf("lower, n = %d", c.n)}, pair{c.rHigh, upper(l, err), 1e-10, fmt.Sprintf("upper, n = %d", c.n)})
		l, err = chart.SDLimits(c.n, 1, w)
		sq = append(sq, pair{c.sLow, lower(l, err), 1e-10, fmt.Sprintf("lower, n = %d", c.n)}, pair{c.sUp, upper(l, err), 1e-10, fmt.Sprintf("upper, n = %d", c.n)})
	}
	r.worst(Check{Section: Charts, Method: "Range chart, probability limits", Case: "0.001 on each side", Source: "distribution of the range of normal samples (Tippett 1925)", Origin: Computed, By: sciPy, Relative: true,
		Note: "integrate.quad over the least value, optimize.brentq; the upper ones also by stats.studentized_range with infinite degrees of freedom"}, rq)
	r.worst(Check{Section: Charts, Method: "Standard deviation chart, probability limits", Case: "0.001 on each side", Source: "chi-square distribution", Origin: Computed, By: sciPy, Relative: true, Note: "stats.chi2.ppf and isf"}, sq)
}

func medianChecks(r *run) {
	var sds, quantiles []pair
	for _, c := range []struct {
		n  int
		sd float64
	}{{2, 0.70710678118655}, {3, 0.66982916074041}, {4, 0.54607656828984}, {5, 0.53556854053041}, {6, 0.46340335193168}, {7, 0.45874487630415},
		{8, 0.41009859199884}, {10, 0.37192262076434}, {11, 0.37035447013319}, {25, 0.24848794142152}} {
		sds = append(sds, pair{c.sd, chart.MedianSD(c.n), 1e-12, fmt.Sprintf("n = %d", c.n)})
	}
	r.worst(Check{Section: Charts, Method: "Median chart, standard deviation of the median", Case: "n = 2 to 25", Source: "order statistics of normal samples (David and Nagaraja 2003)",
		Origin: Computed, By: mpmath, Relative: true, Note: "double quadrature of the joint density of the two middle values"}, sds)
	for _, c := range []struct {
		n int
		q float64
	}{{3, 2.0263216572679914}, {4, 1.645953286577063}, {5, 1.6192658113221245}, {6, 1.3974824457195045}, {8, 1.2363633771001825}, {11, 1.1165964632039913}} {
		quantiles = append(quantiles, pair{c.q, chart.MedianQuantileUpper(0.00135, c.n), 1e-10, fmt.Sprintf("n = %d", c.n)})
	}
	r.worst(Check{Section: Charts, Method: "Median chart, probability limits", Case: "upper tail 0.00135", Source: "order statistics of normal samples (David and Nagaraja 2003)",
		Origin: Computed, By: sciPy, Relative: true, Note: "odd n: norm.isf of beta.ppf; even n: integrate.quad twice, optimize.brentq"}, quantiles)
}
