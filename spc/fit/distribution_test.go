package fit_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// examples are distributions of all families, ordinary and awkward.
var examples = []struct {
	name   string
	family fit.Family
	params []float64
}{
	{"normal", fit.Normal, []float64{-3, 0.2}},
	{"lognormal", fit.Lognormal, []float64{1.5, 0.6}},
	{"lognormal with threshold", fit.Lognormal3, []float64{0.3, 0.4, -5}},
	{"weibull", fit.Weibull, []float64{1.8, 12}},
	{"weibull, infinite density at zero", fit.Weibull, []float64{0.7, 2}},
	{"gamma", fit.Gamma, []float64{3.2, 0.5}},
	{"gamma, infinite density at zero", fit.Gamma, []float64{0.6, 2}},
	{"gamma, nearly normal", fit.Gamma, []float64{2500, 0.01}},
	{"exponential", fit.Exponential, []float64{4}},
	{"rayleigh", fit.Rayleigh, []float64{0.3}},
	{"half normal", fit.FoldedNormal, []float64{0, 2}},
	{"folded normal", fit.FoldedNormal, []float64{1.5, 1}},
	{"folded normal, far from zero", fit.FoldedNormal, []float64{30, 2}},
	{"largest extreme value", fit.LargestExtreme, []float64{7, 2}},
	{"johnson su", fit.JohnsonSU, []float64{-0.8, 1.5, 10, 2}},
	{"johnson su, heavy tails", fit.JohnsonSU, []float64{0.5, 0.6, 0, 1}},
	{"johnson sb", fit.JohnsonSB, []float64{0.5, 0.9, 2, 10}},
	{"johnson sb, two humps", fit.JohnsonSB, []float64{0.1, 0.3, -1, 2}},
}

func TestDistributions(t *testing.T) {
	t.Parallel()
	for _, c := range examples {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			d, err := fit.New(c.family, c.params...)
			require.NoError(t, err)
			require.Equal(t, c.family, d.Family())
			for i, p := range d.Parameters() {
				require.InDelta(t, c.params[i], p.Value, 1e-15*math.Abs(c.params[i]))
				require.NotEmpty(t, p.Name)
			}
			for _, p := range []float64{1e-9, 1e-5, 0.00135, 0.02, 0.2, 0.5, 0.77, 0.99} {
				x := d.Quantile(p)
				require.InEpsilon(t, p, d.CDF(x), 1e-7, "quantile at %g", p)
				y := d.QuantileUpper(p)
				require.InEpsilon(t, p, d.Tail(y), 1e-7, "upper quantile at %g", p)
				require.InDelta(t, 1, d.CDF(x)+d.Tail(x), 1e-13)
				if p >= 0.02 {
					require.InDelta(t, x, d.QuantileUpper(1-p), 1e-9*(math.Abs(x)+1))
				}
			}
			// The density is the slope of the distribution function.
			for _, p := range []float64{0.02, 0.3, 0.6, 0.97} {
				x := d.Quantile(p)
				h := 1e-4 * (d.Quantile(p+0.01) - d.Quantile(p-0.01))
				slope := (8*(d.CDF(x+h)-d.CDF(x-h)) - (d.CDF(x+2*h) - d.CDF(x-2*h))) / (12 * h)
				require.InEpsilon(t, slope, math.Exp(d.LogPDF(x)), 1e-6, "density at %g", p)
			}
			// Mean and standard deviation are those of the quantiles, taken evenly.
			mean, sd, ok := d.Moments()
			require.True(t, ok)
			const n, even = 50_000, 10_000
			r := rand.New(rand.NewPCG(7, 7))
			var m, drawn dist.Moments
			for i := range even {
				m.Add(d.Quantile((float64(i) + 0.5) / even))
			}
			for range n {
				drawn.Add(d.Rand(r))
			}
			if c.name != "johnson su, heavy tails" { // its tails beyond the grid matter
				require.InDelta(t, mean, m.Mean, 5e-3*sd)
				require.InEpsilon(t, sd, m.SD(), 1e-2)
				require.InDelta(t, mean, drawn.Mean, 5*sd/math.Sqrt(n))
				require.InEpsilon(t, sd, drawn.SD(), 0.05)
			}
		})
	}
}

// Random values follow the distribution: their probabilities are uniform, by the Kolmogorov statistic.
func TestRandomValuesFollowTheDistribution(t *testing.T) {
	t.Parallel()
	for _, c := range examples {
		d, err := fit.New(c.family, c.params...)
		require.NoError(t, err)
		const n = 5000
		r := rand.New(rand.NewPCG(3, 1))
		u := make([]float64, n)
		for i := range u {
			u[i] = d.CDF(d.Rand(r))
		}
		s, err := fit.Values(u)
		require.NoError(t, err)
		worst := 0.0
		for p := 0.01; p < 1; p += 0.01 {
			worst = math.Max(worst, math.Abs(s.Quantiles(nil, []float64{p}, nil)[0]-p))
		}
		require.Less(t, worst*math.Sqrt(n), 1.95, c.name) // exceeded once in a thousand
	}
}

func TestBeyondTheSupport(t *testing.T) {
	t.Parallel()
	for _, c := range examples {
		d, err := fit.New(c.family, c.params...)
		require.NoError(t, err)
		for _, x := range []float64{-1e300, -1e9, 0, 1e9, 1e300, math.Inf(1), math.Inf(-1)} {
			f, q := d.CDF(x), d.Tail(x)
			require.True(t, f >= 0 && f <= 1 && q >= 0 && q <= 1, "%s at %g: %g, %g", c.name, x, f, q)
			require.False(t, math.IsNaN(d.LogPDF(x)) && !math.IsInf(x, 0), "%s at %g", c.name, x)
		}
		require.Panics(t, func() { d.Quantile(0) })
		require.Panics(t, func() { d.QuantileUpper(1) })
	}
	heavy, err := fit.New(fit.JohnsonSU, 0, 0.03, 0, 1)
	require.NoError(t, err)
	_, _, ok := heavy.Moments()
	require.False(t, ok, "a variance beyond what can be represented")
}

func TestNewRefuses(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		family fit.Family
		params []float64
		reason refusal.Reason
		says   string
	}{
		{"unknown family", "bell", []float64{1}, refusal.Mismatch, "bell"},
		{"too few parameters", fit.Normal, []float64{1}, refusal.Mismatch, "has 2 parameters, not 1"},
		{"no scale", fit.Normal, []float64{1, 0}, refusal.OutOfRange, "standard deviation is 0: it must be above zero"},
		{"negative shape", fit.Weibull, []float64{-1, 1}, refusal.OutOfRange, "shape is -1"},
		{"not a number", fit.Gamma, []float64{math.NaN(), 1}, refusal.NonFinite, "parameters: number 1"},
		{"infinite", fit.JohnsonSU, []float64{0, 1, math.Inf(1), 1}, refusal.NonFinite, "number 3"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := fit.New(c.family, c.params...)
			refused(t, err, c.reason, c.says)
		})
	}
}

// refused demands a refusal with a reason whose sentence holds some words.
func refused(t testing.TB, err error, reason refusal.Reason, says string) {
	t.Helper()
	var e *refusal.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, reason, e.Reason, e.Error())
	require.Contains(t, e.Error(), says)
}
