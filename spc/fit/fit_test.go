package fit_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/fit"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

// column is the named column of a file of handbook data.
func column(t testing.TB, file, name string) []float64 {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(string(ref.Bytes(t, "handbook", file)))).ReadAll()
	require.NoError(t, err)
	k := slices.Index(rows[0], name)
	require.GreaterOrEqual(t, k, 0)
	var x []float64
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[k], 64)
		require.NoError(t, err)
		x = append(x, v)
	}
	return x
}

func draw(t testing.TB, family fit.Family, params []float64, n int, seed uint64) []float64 {
	t.Helper()
	d, err := fit.New(family, params...)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(seed, 17))
	x := make([]float64, n)
	for i := range x {
		x[i] = d.Rand(r)
	}
	return x
}

func mustFit(t testing.TB, x []float64, family fit.Family) *fit.Fitted {
	t.Helper()
	s, err := fit.Values(x)
	require.NoError(t, err)
	f, err := fit.Fit(s, family)
	require.NoError(t, err)
	return f
}

var planted = []struct {
	family fit.Family
	params []float64
}{
	{fit.Normal, []float64{10, 2}}, {fit.Lognormal, []float64{1, 0.4}}, {fit.Lognormal3, []float64{1, 0.5, 4}},
	{fit.Weibull, []float64{1.7, 3}}, {fit.Gamma, []float64{2.5, 4}}, {fit.Gamma, []float64{0.7, 1}}, {fit.Exponential, []float64{7}},
	{fit.Rayleigh, []float64{2}}, {fit.FoldedNormal, []float64{2, 1.2}}, {fit.LargestExtreme, []float64{12, 3}},
	{fit.JohnsonSU, []float64{-0.8, 1.5, 10, 2}}, {fit.JohnsonSB, []float64{0.5, 0.9, 2, 10}},
}

// Parameters come back within their standard errors: over many samples their deviations in standard errors have mean 0
// and standard deviation 1, nearly.
func TestPlantedParametersComeBack(t *testing.T) {
	t.Parallel()
	for _, c := range planted {
		t.Run(string(c.family), func(t *testing.T) {
			t.Parallel()
			samples, n, bias := 40, 400, 0.0
			if len(c.params) > 2 {
				samples, n, bias = 20, 2000, 0.5 // bounds and thresholds come out too near the values by part of an error
			}
			z := make([][]float64, len(c.params))
			for i := range samples {
				f := mustFit(t, draw(t, c.family, c.params, n, uint64(i)), c.family)
				require.NotNil(t, f.Covariance)
				for k, e := range f.Estimates {
					require.True(t, e.HasSE)
					require.InEpsilon(t, f.Covariance[k][k], e.SE*e.SE, 1e-12)
					z[k] = append(z[k], (e.Value-c.params[k])/e.SE)
				}
			}
			for k := range z {
				s, err := fit.Values(z[k])
				require.NoError(t, err)
				mean, sd := s.MeanSD()
				require.Less(t, math.Abs(mean), bias+4/math.Sqrt(float64(samples)), "parameter %d", k+1)
				require.InDelta(t, 1, sd, 3.5/math.Sqrt(2*float64(samples)), "parameter %d", k+1)
			}
		})
	}
}

// The fit moves with the scale and, where the family has a location, with the shift of the values, and does not know
// their order.
func TestFitsMoveWithShiftAndScale(t *testing.T) {
	t.Parallel()
	moved := map[fit.Family]bool{fit.Normal: true, fit.Lognormal3: true, fit.LargestExtreme: true, fit.JohnsonSU: true, fit.JohnsonSB: true}
	for _, c := range planted {
		x := draw(t, c.family, c.params, 500, 4)
		f := mustFit(t, x, c.family)
		for _, scale := range []float64{1e-6, 0.37, 1e7} {
			shift := 0.0
			if moved[c.family] {
				shift = 55.5 * scale
			}
			y := make([]float64, len(x))
			for i, v := range x {
				y[len(x)-1-i] = shift + scale*v
			}
			g := mustFit(t, y, c.family)
			require.InDelta(t, f.LogLikelihood-float64(len(x))*math.Log(scale), g.LogLikelihood, 1e-8*math.Abs(f.LogLikelihood), "%s", c.family)
			for _, p := range []float64{0.00135, 0.5, 0.99865} {
				require.InEpsilon(t, shift+scale*f.Quantile(p), g.Quantile(p), 1e-5, "%s at %g", c.family, p)
			}
			for k, e := range f.Estimates {
				want := e.SE
				if e.Unit == fit.OfValues {
					want *= scale
				}
				require.InEpsilon(t, want, g.Estimates[k].SE, 2e-3, "%s, %s", c.family, e.Name)
			}
		}
	}
}

// The likelihood is greatest at the fit: no step of a tenth of a standard error along a parameter climbs.
func TestFitsAreMaxima(t *testing.T) {
	t.Parallel()
	for _, c := range planted {
		x := draw(t, c.family, c.params, 300, 8)
		s, err := fit.Values(x)
		require.NoError(t, err)
		f := mustFit(t, x, c.family)
		require.InDelta(t, f.LogLikelihood, fit.LogLikelihood(s, f), 0)
		require.InDelta(t, 2*float64(len(c.params))-2*f.LogLikelihood, f.AIC, 1e-9)
		require.InDelta(t, float64(len(c.params))*math.Log(300)-2*f.LogLikelihood, f.BIC, 1e-9)
		for k := range f.Estimates {
			for _, step := range []float64{-0.1, 0.1} {
				p := make([]float64, len(f.Estimates))
				for i, e := range f.Estimates {
					p[i] = e.Value
				}
				p[k] += step * f.Estimates[k].SE
				d, err := fit.New(c.family, p...)
				require.NoError(t, err)
				require.Less(t, fit.LogLikelihood(s, d), f.LogLikelihood, "%s, parameter %d", c.family, k+1)
			}
		}
	}
}

// binned is a histogram of values in bins of one width that begin at a multiple of it.
func binned(t testing.TB, x []float64, bins int) *fit.Sample {
	t.Helper()
	lo, hi := slices.Min(x), slices.Max(x)
	w := (hi - lo) / float64(bins-1)
	first := math.Floor(lo/w) * w
	edges, counts := make([]float64, bins+2), make([]int, bins+1)
	for i := range edges {
		edges[i] = first + float64(i)*w
	}
	for _, v := range x {
		counts[min(bins, int((v-first)/w))]++
	}
	s, err := fit.Binned(edges, counts)
	require.NoError(t, err)
	return s
}

// A fine histogram gives what the values give, to a small part of a standard error, standard errors and likelihood too.
func TestHistogramEqualsValues(t *testing.T) {
	t.Parallel()
	for _, c := range planted {
		t.Run(string(c.family), func(t *testing.T) {
			t.Parallel()
			x := draw(t, c.family, c.params, 5000, 21)
			f := mustFit(t, x, c.family)
			g, err := fit.Fit(binned(t, x, 2000), c.family)
			require.NoError(t, err)
			require.True(t, g.Binned)
			require.Equal(t, f.N, g.N)
			for k, e := range f.Estimates {
				near := 0.06
				if c.family == fit.Gamma && c.params[0] < 1 {
					near = 0.3 // the density is infinite at zero and varies within the first bin
				}
				require.InDelta(t, e.Value, g.Estimates[k].Value, near*e.SE, e.Name)
				require.InEpsilon(t, e.SE, g.Estimates[k].SE, near/6, e.Name)
			}
			tol := 1.0
			if c.params[0] < 1 && c.family == fit.Gamma {
				tol = 20
			}
			require.InDelta(t, f.LogLikelihood, g.LogLikelihood, tol)
		})
	}
}

// Coarse bins are no harm to the likelihood of bins: the planted parameters are within their wider standard errors,
// where the middles of the bins would be far off.
func TestCoarseHistogram(t *testing.T) {
	t.Parallel()
	x := draw(t, fit.Exponential, []float64{1}, 100_000, 3)
	s, err := fit.Binned([]float64{0, 2, 4, 6, 30}, []int{
		count(x, 0, 2), count(x, 2, 4), count(x, 4, 6), count(x, 6, 30)})
	require.NoError(t, err)
	f, err := fit.Fit(s, fit.Exponential)
	require.NoError(t, err)
	require.InDelta(t, 1, f.Estimates[0].Value, 4*f.Estimates[0].SE)
	mean, _ := s.MeanSD()
	require.Greater(t, mean, 1.2)
}

func count(x []float64, lo, hi float64) int {
	n := 0
	for _, v := range x {
		if v >= lo && v < hi {
			n++
		}
	}
	return n
}

func TestHalfNormalIsABound(t *testing.T) {
	t.Parallel()
	f := mustFit(t, column(t, "microwave_6_5_2.csv", "radiation"), fit.FoldedNormal)
	require.Zero(t, f.Estimates[0].Value)
	require.False(t, f.Estimates[0].HasSE)
	require.True(t, f.Estimates[1].HasSE)
	// sigma^2 is a mean of squares, with standard error sigma/sqrt(2n).
	require.InEpsilon(t, f.Estimates[1].Value/math.Sqrt(2*42), f.Estimates[1].SE, 1e-4)
	require.Equal(t, refusal.Adjusted, f.Warnings[0].Kind)
	require.Contains(t, f.Warnings[0].String(), "half-normal")
	ps, err := f.Percentiles(fit.Natural, 0.95)
	require.NoError(t, err)
	require.True(t, ps.Of[2].HasLimits)
}

func TestFitsRefuse(t *testing.T) {
	t.Parallel()
	line := func(n int) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = float64(i + 1)
		}
		return x
	}
	for _, c := range []struct {
		name   string
		x      []float64
		family fit.Family
		reason refusal.Reason
		says   string
	}{
		{"unknown", line(9), "bell", refusal.Mismatch, "bell"},
		{"two values", line(2), fit.Normal, refusal.TooFew, "needs at least 3 values, has 2"},
		{"seven for a Johnson curve", line(7), fit.JohnsonSU, refusal.TooFew, "needs at least 8 values"},
		{"equal values", []float64{2, 2, 2, 2}, fit.Gamma, refusal.ZeroVariance, "do not vary"},
		{"zero", []float64{3, 0, 1, 2}, fit.Weibull, refusal.OutOfRange, "value 2 is 0: the weibull family needs values above zero"},
		{"negative", []float64{3, 1, -2, 2}, fit.FoldedNormal, refusal.OutOfRange, "value 3 is -2"},
		{"skewed beyond any SU curve", column(t, "glass_strength_fuller2.csv", "y"), fit.JohnsonSU, refusal.NoSolution, "lognormal limit"},
		{"flatter than any SU curve", line(40), fit.JohnsonSU, refusal.NoSolution, "limit"},
		{"heavy tails for SB", draw(t, fit.JohnsonSU, []float64{0, 1, 0, 1}, 500, 2), fit.JohnsonSB, refusal.NoSolution, "limit"},
		{"falls off to the left", draw(t, fit.Weibull, []float64{20, 5}, 500, 2), fit.Lognormal3, refusal.NoSolution, "take a simpler family"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s, err := fit.Values(c.x)
			require.NoError(t, err)
			_, err = fit.Fit(s, c.family)
			refused(t, err, c.reason, c.says)
		})
	}
	s, err := fit.Binned([]float64{-1, 1, 2, 3}, []int{5, 5, 5})
	require.NoError(t, err)
	_, err = fit.Fit(s, fit.Gamma)
	refused(t, err, refusal.OutOfRange, "above zero")
	f := mustFit(t, line(30), fit.Normal)
	require.Equal(t, refusal.Small("values", 30, 50), f.Warnings[0])
}

// The spike of a likelihood without bound is not taken for its maximum: a value moved next to the least one changes
// little.
func TestBoundsAreNotDrawnToTheLeastValue(t *testing.T) {
	t.Parallel()
	x := draw(t, fit.JohnsonSB, []float64{0.5, 1.2, 2, 10}, 1000, 5)
	f := mustFit(t, x, fit.JohnsonSB)
	least := slices.Min(x)
	require.Less(t, f.Estimates[2].Value, least-1e-3)
	y := append([]float64{least + 1e-9, least + 2e-9}, x...)
	g := mustFit(t, y, fit.JohnsonSB)
	for k, e := range f.Estimates {
		require.InDelta(t, e.Value, g.Estimates[k].Value, 0.7*e.SE, e.Name)
	}
}

func TestFourQuantiles(t *testing.T) {
	t.Parallel()
	for _, c := range planted {
		if c.family != fit.JohnsonSU && c.family != fit.JohnsonSB {
			continue
		}
		x := draw(t, c.family, c.params, 100_000, 6)
		s, err := fit.Values(x)
		require.NoError(t, err)
		f, err := fit.FitFourQuantiles(s, 0)
		require.NoError(t, err)
		require.Equal(t, c.family, f.Family())
		require.Equal(t, fit.FourQuantiles, f.Method)
		require.Nil(t, f.Covariance)
		want, err := fit.New(c.family, c.params...)
		require.NoError(t, err)
		_, sd, _ := want.Moments()
		for _, p := range []float64{0.01, 0.5, 0.99} {
			require.InDelta(t, want.Quantile(p), f.Quantile(p), 0.05*sd)
		}
	}
	ln, err := fit.New(fit.Lognormal3, 0.4, 0.5, -3)
	require.NoError(t, err)
	q := func(d fit.Distribution, sign float64) (x [4]float64) {
		n, _ := fit.New(fit.Normal, 0, 1)
		for i, z := range []float64{-1.5, -0.5, 0.5, 1.5} {
			x[i] = sign * d.Quantile(n.CDF(sign*z))
		}
		return x
	}
	d, err := fit.FromFourQuantiles(0.5, q(ln, 1))
	require.NoError(t, err)
	require.Equal(t, fit.Lognormal3, d.Family())
	for i, p := range d.Parameters() {
		require.InDelta(t, []float64{0.4, 0.5, -3}[i], p.Value, 1e-8)
	}
	_, err = fit.FromFourQuantiles(0.5, q(ln, -1))
	refused(t, err, refusal.NoSolution, "falls off to the left")
	_, err = fit.FromFourQuantiles(0, [4]float64{1, 2, 3, 4})
	refused(t, err, refusal.OutOfRange, "z is 0")
	_, err = fit.FromFourQuantiles(0.5, [4]float64{1, 2, 2, 4})
	refused(t, err, refusal.LimitsCrossed, "lower 2")
	d, err = fit.FromFourQuantiles(0.5, [4]float64{-1.5, -0.5, 0.5, 1.5})
	require.NoError(t, err)
	require.Equal(t, fit.Normal, d.Family())
	few, err := fit.Values([]float64{1, 2, 3})
	require.NoError(t, err)
	_, err = fit.FitFourQuantiles(few, 0)
	refused(t, err, refusal.TooFew, "8")
}

func TestChoose(t *testing.T) {
	t.Parallel()
	x := draw(t, fit.Gamma, []float64{2, 3}, 3000, 9)
	s, err := fit.Values(x)
	require.NoError(t, err)
	c, err := fit.Choose(s, fit.Form, fit.Allowed(fit.Form))
	require.NoError(t, err)
	require.Equal(t, fit.Gamma, c.Best.Family())
	for i := 1; i < len(c.Fitted); i++ {
		require.LessOrEqual(t, c.Fitted[i-1].AIC, c.Fitted[i].AIC)
	}
	require.Len(t, fit.Allowed(fit.Form), len(c.Fitted)+len(c.Refused))
	for _, k := range []fit.Kind{fit.Measured, fit.Form, fit.Maximum} {
		require.ElementsMatch(t, fit.Families, fit.Allowed(k), "any may be taken on purpose")
		require.Subset(t, fit.Allowed(k)[:len(fit.Defaults(k))], fit.Defaults(k), "the usual ones are offered first")
		require.Equal(t, k == fit.Measured, slices.Contains(fit.Defaults(k), fit.Normal))
	}

	c, err = fit.Choose(s, fit.Form, nil)
	require.NoError(t, err)
	require.Contains(t, []fit.Family{fit.FoldedNormal, fit.LargestExtreme}, c.Best.Family())
	c, err = fit.Choose(s, fit.Measured, nil)
	require.NoError(t, err)
	require.Equal(t, fit.Normal, c.Best.Family())
	c, err = fit.Choose(s, fit.Maximum, nil)
	require.NoError(t, err)
	require.Equal(t, fit.LargestExtreme, c.Best.Family())
	_, err = fit.Choose(s, fit.Form, []fit.Family{fit.Normal})
	refused(t, err, refusal.Mismatch, "not normally distributed")
	_, err = fit.Choose(s, fit.Form, []fit.Family{})
	refused(t, err, refusal.TooFew, "families")
}
