package fit_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// P-values of samples that come from the family are uniform: as many lie below a level as the level says, within four
// standard errors of the simulation and what the tables round.
func TestPValuesAreUniformUnderTheNull(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		family  fit.Family
		params  []float64
		n       int
		samples int
		method  fit.PMethod
	}{
		{fit.Normal, []float64{5, 2}, 40, 3000, fit.ByTable},
		{fit.Normal, []float64{5, 2}, 10, 3000, fit.ByTable},
		{fit.Lognormal, []float64{0, 0.5}, 30, 2000, fit.ByTable},
		{fit.Weibull, []float64{1.5, 2}, 40, 2000, fit.ByTable},
		{fit.LargestExtreme, []float64{3, 2}, 25, 2000, fit.ByTable},
		{fit.Exponential, []float64{3}, 30, 3000, fit.ByTable},
		{fit.Rayleigh, []float64{3}, 30, 3000, fit.ByTable},
		{fit.Gamma, []float64{1.8, 2}, 60, 1500, fit.ByTable},
		{fit.Gamma, []float64{9, 2}, 40, 1500, fit.ByTable},
		{fit.FoldedNormal, []float64{1.5, 1}, 30, 120, fit.ByBootstrap},
		{fit.Lognormal3, []float64{0, 0.6, 2}, 50, 30, fit.ByBootstrap},
	} {
		t.Run(string(c.family), func(t *testing.T) {
			t.Parallel()
			d, err := fit.New(c.family, c.params...)
			require.NoError(t, err)
			r := rand.New(rand.NewPCG(31, uint64(c.n)))
			x := make([]float64, c.n)
			var ps []float64
			for i := range c.samples {
				for j := range x {
					x[j] = d.Rand(r)
				}
				s, err := fit.Values(x)
				require.NoError(t, err)
				g, err := fit.AndersonDarling(s, c.family, fit.Resampling{Resamples: 99, Seed: uint64(i), Workers: 1})
				if c.family == fit.Lognormal3 && err != nil {
					refused(t, err, refusal.NoSolution, "no maximum inside")
					continue
				}
				require.NoError(t, err)
				if c.family != fit.Gamma { // a small shape may fall below the table
					require.Equal(t, c.method, g.PMethod)
				}
				if g.PMethod == fit.ByBootstrap {
					require.InDelta(t, math.Sqrt(g.P*(1-g.P)/float64(g.Resamples)), g.SE, 1e-15)
				}
				require.True(t, g.P >= 0 && g.P <= 1)
				ps = append(ps, g.P)
			}
			for _, level := range []float64{0.01, 0.05, 0.1, 0.25, 0.5, 0.75} {
				below := 0.0
				for _, p := range ps {
					if p <= level {
						below++
					}
				}
				n := float64(len(ps))
				require.InDelta(t, level, below/n, 4*math.Sqrt(level*(1-level)/n)+0.1*level*(1-level), "level %g", level)
			}
		})
	}
}

func TestWrongFamiliesAreFound(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		x      []float64
		family fit.Family
	}{
		{"lognormal for normal", draw(t, fit.Lognormal, []float64{0, 0.8}, 100, 1), fit.Normal},
		{"lognormal for Weibull", draw(t, fit.Lognormal, []float64{0, 0.8}, 400, 1), fit.Weibull},
		{"heavy tails for gamma", draw(t, fit.Lognormal, []float64{0, 1.5}, 300, 1), fit.Gamma},
		{"Weibull for exponential", draw(t, fit.Weibull, []float64{2, 1}, 100, 1), fit.Exponential},
		{"normal for Rayleigh", draw(t, fit.Normal, []float64{10, 1}, 100, 1), fit.Rayleigh},
		{"lognormal for folded normal", draw(t, fit.Lognormal, []float64{0, 1}, 200, 1), fit.FoldedNormal},
		{"three humps for SB", append(append(draw(t, fit.Normal, []float64{0, 0.5}, 60, 1), draw(t, fit.Normal, []float64{5, 0.5}, 60, 2)...), draw(t, fit.Normal, []float64{10, 0.5}, 60, 3)...), fit.JohnsonSB},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s, err := fit.Values(c.x)
			require.NoError(t, err)
			g, err := fit.AndersonDarling(s, c.family, fit.Resampling{Seed: 1, Resamples: 99})
			require.NoError(t, err)
			require.LessOrEqual(t, g.P, 0.02)
		})
	}
}

func TestManyValuesAreTestedInPart(t *testing.T) {
	t.Parallel()
	x := normals(12_000, 4)
	s, err := fit.Values(x)
	require.NoError(t, err)
	g, err := fit.AndersonDarling(s, fit.Normal, fit.Resampling{})
	require.NoError(t, err)
	require.Equal(t, []int{5000, 12_000, 5000}, []int{g.N, g.Of, g.Fitted.N})
	require.Contains(t, g.Warnings[0].String(), "5000 of the 12000 values, evenly spread")
	require.Greater(t, g.P, 0.01)
	w, err := fit.ShapiroWilk(s)
	require.NoError(t, err)
	require.Equal(t, []int{5000, 12_000}, []int{w.N, w.Of})
	require.Contains(t, w.Warnings[0].String(), "5000 of the 12000")

	h := binned(t, x, 500)
	hg, err := fit.AndersonDarling(h, fit.Normal, fit.Resampling{})
	require.NoError(t, err)
	require.Equal(t, 5000, hg.N)
	require.Greater(t, hg.P, 0.01, "values spread over their bins are not ties")
	few := binned(t, x[:300], 100)
	hw, err := fit.ShapiroWilk(few)
	require.NoError(t, err)
	require.Equal(t, 300, hw.N)
	rw, err := fit.Values(x[:300])
	require.NoError(t, err)
	raw, err := fit.ShapiroWilk(rw)
	require.NoError(t, err)
	require.InDelta(t, raw.W, hw.W, 2e-3)
}

func TestBootstrapPDoesNotDependOnTheProcessors(t *testing.T) {
	t.Parallel()
	x := draw(t, fit.JohnsonSU, []float64{-0.5, 1.5, 0, 1}, 120, 3)
	s, err := fit.Values(x)
	require.NoError(t, err)
	one, err := fit.AndersonDarling(s, fit.JohnsonSU, fit.Resampling{Resamples: 99, Seed: 7, Workers: 1})
	require.NoError(t, err)
	many, err := fit.AndersonDarling(s, fit.JohnsonSU, fit.Resampling{Resamples: 99, Seed: 7, Workers: 5})
	require.NoError(t, err)
	require.Equal(t, []float64{one.P, float64(one.Lost)}, []float64{many.P, float64(many.Lost)})
	require.Equal(t, fit.ByBootstrap, one.PMethod)
	require.Equal(t, 99, one.Resamples+one.Lost)
	require.Greater(t, one.P, 0.02)
}

func TestShapiroWilkUnderTheNull(t *testing.T) {
	t.Parallel()
	for _, n := range []int{3, 4, 6, 11, 12, 50, 800} {
		samples := 3000
		if n > 100 {
			samples = 600
		}
		below := map[float64]int{}
		r := rand.New(rand.NewPCG(8, uint64(n)))
		x := make([]float64, n)
		for range samples {
			for j := range x {
				x[j] = 100 + r.NormFloat64()
			}
			s, err := fit.Values(x)
			require.NoError(t, err)
			w, err := fit.ShapiroWilk(s)
			require.NoError(t, err)
			require.True(t, w.W > 0 && w.W <= 1)
			for _, level := range []float64{0.01, 0.05, 0.25, 0.5, 0.9} {
				if w.P <= level {
					below[level]++
				}
			}
		}
		for level, k := range below {
			p := float64(k) / float64(samples)
			rough := 0.1 * level * (1 - level)
			if level > 0.5 {
				rough = 0.04 // the published approximation is meant for small p-values
			}
			require.InDelta(t, level, p, 4*math.Sqrt(level*(1-level)/float64(samples))+rough, "n = %d, level %g", n, level)
		}
	}
}

func TestNormalityInvariance(t *testing.T) {
	t.Parallel()
	x := column(t, "fatigue_birnsaun.csv", "y")
	y := make([]float64, len(x))
	for i, v := range x {
		y[len(x)-1-i] = 1e5 - 3e-3*v
	}
	a, err := fit.Values(x)
	require.NoError(t, err)
	b, err := fit.Values(y)
	require.NoError(t, err)
	wa, err := fit.ShapiroWilk(a)
	require.NoError(t, err)
	wb, err := fit.ShapiroWilk(b)
	require.NoError(t, err)
	require.InDelta(t, wa.W, wb.W, 1e-10)
	ga, err := fit.AndersonDarling(a, fit.Normal, fit.Resampling{})
	require.NoError(t, err)
	gb, err := fit.AndersonDarling(b, fit.Normal, fit.Resampling{})
	require.NoError(t, err)
	require.InDelta(t, ga.A2, gb.A2, 1e-8)
	sa, err := fit.ShapeOf(a)
	require.NoError(t, err)
	sb, err := fit.ShapeOf(b)
	require.NoError(t, err)
	require.InDelta(t, sa.Skewness, -sb.Skewness, 1e-8)
	require.InDelta(t, sa.ExcessKurtosis, sb.ExcessKurtosis, 1e-8)
}

func TestNormalityRefuses(t *testing.T) {
	t.Parallel()
	two, err := fit.Values([]float64{1, 2})
	require.NoError(t, err)
	flat, err := fit.Values([]float64{1, 1, 1, 1})
	require.NoError(t, err)
	_, err = fit.ShapiroWilk(two)
	refused(t, err, refusal.TooFew, "needs at least 3 values")
	_, err = fit.ShapiroWilk(flat)
	refused(t, err, refusal.ZeroVariance, "do not vary")
	_, err = fit.ShapeOf(two)
	refused(t, err, refusal.TooFew, "needs at least 3 values")
	_, err = fit.ShapeOf(flat)
	refused(t, err, refusal.ZeroVariance, "do not vary")
	_, err = fit.AndersonDarling(flat, fit.Normal, fit.Resampling{})
	refused(t, err, refusal.ZeroVariance, "do not vary")
	_, err = fit.AndersonDarling(two, fit.Normal, fit.Resampling{})
	refused(t, err, refusal.TooFew, "has 2")
	six, err := fit.Values([]float64{1, 2, 4, 7, 11, 16})
	require.NoError(t, err)
	shape, err := fit.ShapeOf(six)
	require.NoError(t, err)
	require.False(t, shape.Tested)
	require.Equal(t, refusal.Small("values", 6, 20), shape.Warnings[0])
	w, err := fit.ShapiroWilk(six)
	require.NoError(t, err)
	require.Equal(t, refusal.Small("values", 6, 20), w.Warnings[0])
	require.InDelta(t, 0.7532, fit.NormalCritical(0.05), 5e-5)
}
