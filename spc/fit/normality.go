package fit

import (
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Normality is the outcome of a Shapiro-Wilk test.
type Normality struct {
	W, P     float64
	N, Of    int // values tested, values of the sample
	Warnings []refusal.Warning
}

// ShapiroWilk tests for a normal distribution,
//
//	W = (sum a_i x_(i))^2 / sum (x_i - mean)^2,
//
// a small W speaking against it, with Royston's weights and p-value for 3 to 5000 values; of more, 5000 evenly spread
// ones are tested and a warning says so. Refused are fewer than three values and values that do not vary.
//
// Source: P. Royston, "Remark AS R94: a remark on algorithm AS 181: the W-test for normality", Applied Statistics 44
// (1995), 547-551; coefficients from memory, checked against an independent program.
func ShapiroWilk(s *Sample) (*Normality, error) {
	if s.n < 3 {
		return nil, refusal.Few("values", s.n, 3)
	}
	if err := s.varies(); err != nil {
		return nil, err
	}
	t, warnings, err := s.tested()
	if err != nil {
		return nil, err
	}
	x := slices.Clone(t.values)
	slices.Sort(x)
	n := len(x)
	if !(x[n-1] > x[0]) {
		return nil, refusal.Constant("values", n)
	}
	a := shapiroWeights(n)
	// 1 - W straight, for W may be very near 1: both vectors at length one.
	size := x[n-1] - x[0]
	var mean float64
	for _, v := range x {
		mean += (v - x[0]) / size / float64(n)
	}
	var ssa, ssx, sax float64
	for i, v := range x {
		w := 0.0
		switch j := n - 1 - i; {
		case i < j:
			w = -a[i]
		case i > j:
			w = a[j]
		}
		d := (v-x[0])/size - mean
		ssa += w * w
		ssx += d * d
		sax += w * d
	}
	root := math.Sqrt(ssa * ssx)
	rest := (root - sax) * (root + sax) / (ssa * ssx)
	r := &Normality{W: 1 - rest, N: n, Of: s.n, Warnings: warnings}
	r.P = shapiroP(n, rest)
	if s.n < 20 {
		r.Warnings = append(r.Warnings, refusal.Small("values", s.n, 20))
	}
	return r, nil
}

// shapiroWeights are the first half of the weights, turned positive.
func shapiroWeights(n int) []float64 {
	half := n / 2
	a := make([]float64, half)
	if n == 3 {
		a[0] = math.Sqrt(0.5)
		return a
	}
	sum := 0.0
	for i := range a {
		a[i] = dist.NormalQuantile((float64(i+1) - 0.375) / (float64(n) + 0.25))
		sum += 2 * a[i] * a[i]
	}
	u := 1 / math.Sqrt(float64(n))
	root := math.Sqrt(sum)
	m1, m2 := a[0], 0.0
	a1 := polynomial(u, 0, 0.221157, -0.147981, -2.07119, 4.434685, -2.706056) - m1/root
	first := 1
	rest, left := sum-2*m1*m1, 1-2*a1*a1
	var a2 float64
	if n > 5 {
		m2 = a[1]
		a2 = polynomial(u, 0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633) - m2/root
		rest, left = rest-2*m2*m2, left-2*a2*a2
		first = 2
	}
	scale := math.Sqrt(rest / left)
	for i := first; i < half; i++ {
		a[i] = -a[i] / scale
	}
	a[0] = a1
	if n > 5 {
		a[1] = a2
	}
	return a
}

// shapiroP is the p-value of 1 - W.
func shapiroP(n int, rest float64) float64 {
	if n == 3 {
		w := math.Max(0.75, 1-rest)
		return math.Max(0, math.Min(1, 6/math.Pi*(math.Asin(math.Sqrt(w))-math.Asin(math.Sqrt(0.75)))))
	}
	y := math.Log(math.Max(rest, 1e-300))
	var m, s float64
	if n <= 11 {
		k := float64(n)
		g := -2.273 + 0.459*k
		if y >= g {
			return 1e-99
		}
		y = -math.Log(g - y)
		m = polynomial(k, 0.544, -0.39978, 0.025054, -6.714e-4)
		s = math.Exp(polynomial(k, 1.3822, -0.77857, 0.062767, -0.0020322))
	} else {
		l := math.Log(float64(n))
		m = polynomial(l, -1.5861, -0.31082, -0.083751, 0.0038915)
		s = math.Exp(polynomial(l, -0.4803, -0.082676, 0.0030302))
	}
	return dist.NormalTail((y - m) / s)
}

// polynomial is c0 + c1 x + c2 x^2 + ...
func polynomial(x float64, c ...float64) float64 {
	v := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		v = v*x + c[i]
	}
	return v
}

// Shape is skewness and kurtosis with their tests for a normal distribution.
type Shape struct {
	N int
	// Skewness is g1 = m3/m2^1.5 and ExcessKurtosis g2 = m4/m2^2 - 3 with moments of denominator n.
	Skewness, ExcessKurtosis float64
	// SkewnessAdjusted and KurtosisAdjusted are G1 and G2, unbiased for a normal distribution (0 for n < 3 and n < 4).
	SkewnessAdjusted, KurtosisAdjusted float64
	// Tested: there are at least eight values, so that what follows is worked out.
	Tested               bool
	SkewnessZ, KurtosisZ float64 // standard normal under a normal distribution
	SkewnessP, KurtosisP float64 // two-sided
	K2, P                float64 // SkewnessZ^2 + KurtosisZ^2 and its p-value, chi-square with two degrees of freedom
	Warnings             []refusal.Warning
}

// ShapeOf gives skewness and kurtosis of a sample (of a histogram those of the middles of its bins), m_k the k-th moment about
// the mean with denominator n:
//
//	g1 = m3 / m2^1.5,  G1 = g1 sqrt(n (n-1)) / (n-2)
//	g2 = m4 / m2^2 - 3,  G2 = (n-1) [(n+1) g2 + 6] / ((n-2) (n-3))
//
// From eight values on both are tested, each brought to a standard normal value, and together by the sum of their squares.
// Refused are fewer than three values and values that do not vary; below 20 values a warning.
//
// Source: R. B. D'Agostino, "Transformation to normality of the null distribution of g1", Biometrika 57 (1970), 679-681;
// F. J. Anscombe and W. J. Glynn, "Distribution of the kurtosis statistic b2 for normal samples", Biometrika 70 (1983),
// 227-234; omnibus: R. D'Agostino and E. S. Pearson, Biometrika 60 (1973), 613-622. Formulas from memory, checked against
// an independent library.
func ShapeOf(s *Sample) (*Shape, error) {
	if s.n < 3 {
		return nil, refusal.Few("values", s.n, 3)
	}
	if err := s.varies(); err != nil {
		return nil, err
	}
	u, w, _, _ := s.standardised()
	var m1, m2, m3, m4 float64
	for i, v := range u {
		m1 += w[i] * v
		m2 += w[i] * v * v
		m3 += w[i] * v * v * v
		m4 += w[i] * v * v * v * v
	}
	n := float64(s.n)
	r := &Shape{N: s.n, Skewness: m3 / math.Pow(m2, 1.5), ExcessKurtosis: m4/(m2*m2) - 3}
	r.SkewnessAdjusted = r.Skewness * math.Sqrt(n*(n-1)) / (n - 2)
	if s.n > 3 {
		r.KurtosisAdjusted = (n - 1) / ((n - 2) * (n - 3)) * ((n+1)*r.ExcessKurtosis + 6)
	}
	if s.n < 20 {
		r.Warnings = append(r.Warnings, refusal.Small("values", s.n, 20))
	}
	if s.n < 8 {
		return r, nil
	}
	r.Tested = true
	y := r.Skewness * math.Sqrt((n+1)*(n+3)/(6*(n-2)))
	b2 := 3 * (n*n + 27*n - 70) * (n + 1) * (n + 3) / ((n - 2) * (n + 5) * (n + 7) * (n + 9))
	w2 := math.Sqrt(2*(b2-1)) - 1
	r.SkewnessZ = math.Asinh(y/math.Sqrt(2/(w2-1))) / math.Sqrt(math.Log(w2)/2)

	e := 3 * (n - 1) / (n + 1)
	x := (r.ExcessKurtosis + 3 - e) / math.Sqrt(24*n*(n-2)*(n-3)/((n+1)*(n+1)*(n+3)*(n+5)))
	b := 6 * (n*n - 5*n + 2) / ((n + 7) * (n + 9)) * math.Sqrt(6*(n+3)*(n+5)/(n*(n-2)*(n-3)))
	a := 6 + 8/b*(2/b+math.Sqrt(1+4/(b*b)))
	r.KurtosisZ = (1 - 2/(9*a) - math.Cbrt((1-2/a)/(1+x*math.Sqrt(2/(a-4))))) / math.Sqrt(2/(9*a))

	r.SkewnessP, r.KurtosisP = 2*dist.NormalTail(math.Abs(r.SkewnessZ)), 2*dist.NormalTail(math.Abs(r.KurtosisZ))
	r.K2 = r.SkewnessZ*r.SkewnessZ + r.KurtosisZ*r.KurtosisZ
	r.P = dist.ChiSquareTail(r.K2, 2)
	return r, nil
}
