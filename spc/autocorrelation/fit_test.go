package autocorrelation_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/autocorrelation"
	"sagwatch/spc/chart"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

var lh = []float64{2.4, 2.4, 2.4, 2.2, 2.1, 1.5, 2.3, 2.3, 2.5, 2, 1.9, 1.7, 2.2, 1.8, 3.2, 3.2, 2.7, 2.2, 2.2, 1.9, 1.9, 1.8, 2.7, 3,
	2.3, 2, 2, 2.9, 2.9, 2.7, 2.7, 2.3, 2.6, 2.4, 1.8, 1.7, 1.5, 1.4, 2.1, 3.3, 3.5, 3.5, 3.1, 2.6, 2.1, 3.4, 3, 2.9}

// simulate draws n points of a model, after a run-in.
func simulate(m autocorrelation.Model, n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 77))
	x := make([]float64, n+500)
	before := 0.0
	for t := range x {
		e := m.Sigma * r.NormFloat64()
		x[t] = e + m.MA*before
		if t > 0 {
			x[t] += m.AR1 * x[t-1]
		}
		if t > 1 {
			x[t] += m.AR2 * x[t-2]
		}
		before = e
	}
	x = x[500:]
	for t := range x {
		x[t] += m.Mean
	}
	return x
}

func reason(t *testing.T, err error) refusal.Reason {
	t.Helper()
	var r *refusal.Error
	require.True(t, errors.As(err, &r), "%v", err)
	return r.Reason
}

var planted = []autocorrelation.Model{
	{Order: autocorrelation.White, Mean: 1, Sigma: 0.5},
	{Order: autocorrelation.AR1, AR1: 0.7, Mean: 950, Sigma: 2},
	{Order: autocorrelation.AR1, AR1: -0.5, Mean: 0, Sigma: 1},
	{Order: autocorrelation.AR2, AR1: 1.1, AR2: -0.4, Mean: -3, Sigma: 0.01},
	{Order: autocorrelation.ARMA11, AR1: 0.9, MA: -0.5, Mean: 10, Sigma: 1},
	{Order: autocorrelation.ARMA11, AR1: 0.4, MA: 0.6, Mean: 10, Sigma: 1},
	{Order: autocorrelation.Order{MA: 1}, MA: -0.6, Mean: 0, Sigma: 3},
	{Order: autocorrelation.Order{AR: 2, MA: 1}, AR1: 1.2, AR2: -0.5, MA: 0.5, Mean: 0, Sigma: 1},
}

// Planted values lie within their standard errors as often as normal theory says: the mean square of all standardised
// errors is 1 and few are beyond 3.
func TestPlantedModelsAreRecovered(t *testing.T) {
	for i, m := range planted {
		t.Run(m.Order.String(), func(t *testing.T) {
			const runs, n = 40, 600
			var squares, count float64
			for k := range runs {
				x := simulate(m, n, uint64(1000*i+k))
				if k%2 == 1 { // a line that stood still now and then
					for j := 50; j < 60; j++ {
						x[j], x[2*j+100] = math.NaN(), math.NaN()
					}
				}
				f, err := autocorrelation.FitModel(x, m.Order, autocorrelation.Options{})
				require.NoError(t, err)
				sd, err := m.ProcessSD()
				require.NoError(t, err)
				for _, e := range [][3]float64{{f.Model.AR1, m.AR1, f.SEAR1}, {f.Model.AR2, m.AR2, f.SEAR2}, {f.Model.MA, m.MA, f.SEMA},
					{f.Model.Mean, m.Mean, f.SEMean}, {f.Model.Sigma, m.Sigma, f.SESigma}, {f.ProcessSD, sd, f.SEProcessSD}} {
					if e[2] == 0 {
						require.Equal(t, e[1], e[0])
						continue
					}
					z := (e[0] - e[1]) / e[2]
					require.Less(t, math.Abs(z), 4.5)
					squares += z * z
					count++
				}
			}
			// correlated parameters: count/2 independent squares at least
			require.InDelta(t, 1, squares/count, 4*math.Sqrt(2/(count/3))+0.1)
		})
	}
}

func TestFitIsInvariant(t *testing.T) {
	f, err := autocorrelation.FitModel(lh, autocorrelation.ARMA11, autocorrelation.Options{})
	require.NoError(t, err)
	for _, c := range []struct{ shift, scale float64 }{{1e6, 1}, {0, 1e-9}, {-40, -250}, {0, 1e120}} {
		y := make([]float64, len(lh))
		for i, v := range lh {
			y[i] = c.shift + c.scale*v
		}
		g, err := autocorrelation.FitModel(y, autocorrelation.ARMA11, autocorrelation.Options{})
		require.NoError(t, err)
		ref.Absolute(t, f.Model.AR1, g.Model.AR1, 1e-7, "AR1")
		ref.Absolute(t, f.Model.MA, g.Model.MA, 1e-7, "MA")
		ref.Relative(t, math.Abs(c.scale)*f.Model.Sigma, g.Model.Sigma, 1e-8, "sigma")
		ref.Relative(t, c.shift+c.scale*f.Model.Mean, g.Model.Mean, 1e-8, "mean")
		ref.Absolute(t, f.LogLikelihood-float64(len(lh))*math.Log(math.Abs(c.scale)), g.LogLikelihood, 1e-6, "log likelihood")
	}
	// backwards in time a Gaussian process has the same law
	y := make([]float64, len(lh))
	for i, v := range lh {
		y[len(lh)-1-i] = v
	}
	g, err := autocorrelation.FitModel(y, autocorrelation.ARMA11, autocorrelation.Options{})
	require.NoError(t, err)
	ref.Absolute(t, f.LogLikelihood, g.LogLikelihood, 1e-9, "log likelihood backwards")
	ref.Absolute(t, f.Model.AR1, g.Model.AR1, 1e-7, "AR1 backwards")
	// missing points at the ends change nothing
	g, err = autocorrelation.FitModel(append(append([]float64{math.NaN(), math.NaN()}, lh...), math.NaN()), autocorrelation.ARMA11, autocorrelation.Options{})
	require.NoError(t, err)
	ref.Absolute(t, f.LogLikelihood, g.LogLikelihood, 1e-9, "log likelihood with empty ends")
	require.Equal(t, 3, g.Missing)
}

// An AR(1) seen at every second point only is an AR(1) with the squared coefficient; NaN in between must say the same.
func TestEverySecondPointMissing(t *testing.T) {
	x := simulate(autocorrelation.Model{Order: autocorrelation.AR1, AR1: 0.8, Sigma: 1}, 400, 5)
	var half, gaps []float64
	for i, v := range x {
		if i%2 == 0 {
			half, gaps = append(half, v), append(gaps, v)
		} else {
			gaps = append(gaps, math.NaN())
		}
	}
	a, err := autocorrelation.FitModel(half, autocorrelation.AR1, autocorrelation.Options{})
	require.NoError(t, err)
	b, err := autocorrelation.FitModel(gaps, autocorrelation.AR1, autocorrelation.Options{})
	require.NoError(t, err)
	ref.Absolute(t, a.Model.AR1, b.Model.AR1*b.Model.AR1, 1e-9, "squared coefficient")
	ref.Absolute(t, a.LogLikelihood, b.LogLikelihood, 1e-9, "log likelihood")
	ref.Relative(t, a.ProcessSD, b.ProcessSD, 1e-9, "process sd")
	ref.Relative(t, a.SEMean, b.SEMean, 1e-6, "se of the mean")
}

func TestChooseFindsTheOrder(t *testing.T) {
	for _, c := range []struct {
		model autocorrelation.Model
		want  autocorrelation.Order
	}{
		{autocorrelation.Model{Order: autocorrelation.White, Sigma: 1}, autocorrelation.White},
		{autocorrelation.Model{Order: autocorrelation.AR1, AR1: 0.6, Sigma: 1}, autocorrelation.AR1},
		{autocorrelation.Model{Order: autocorrelation.AR2, AR1: 1.1, AR2: -0.5, Sigma: 1}, autocorrelation.AR2},
		{autocorrelation.Model{Order: autocorrelation.ARMA11, AR1: 0.9, MA: -0.6, Sigma: 1}, autocorrelation.ARMA11},
	} {
		right := 0
		for seed := range uint64(20) {
			choice, err := autocorrelation.Choose(simulate(c.model, 800, seed), autocorrelation.Options{})
			require.NoError(t, err)
			if choice.Best.Model.Order == c.want {
				right++
			}
			for _, f := range choice.All {
				require.GreaterOrEqual(t, f.BIC, choice.Best.BIC)
			}
		}
		require.GreaterOrEqual(t, right, 17, "%v of 20", c.want)
	}
}

func TestRefusals(t *testing.T) {
	long := simulate(autocorrelation.Model{Order: autocorrelation.AR1, AR1: 0.5, Sigma: 1}, 60, 1)
	with := func(i int, v float64) []float64 {
		y := append([]float64(nil), long...)
		y[i] = v
		return y
	}
	alternating := make([]float64, 60)
	ramp := make([]float64, 60)
	for i := range alternating {
		alternating[i] = float64(i%2)*2 - 1
		ramp[i] = float64(i)
	}
	huge := math.MaxFloat64
	for _, c := range []struct {
		name  string
		x     []float64
		order autocorrelation.Order
		o     autocorrelation.Options
		want  refusal.Reason
	}{
		{"none", nil, autocorrelation.White, autocorrelation.Options{}, refusal.TooFew},
		{"few for the order", long[:19], autocorrelation.ARMA11, autocorrelation.Options{}, refusal.TooFew},
		{"infinite", with(3, math.Inf(1)), autocorrelation.AR1, autocorrelation.Options{}, refusal.NonFinite},
		{"huge", with(3, 1e200), autocorrelation.AR1, autocorrelation.Options{}, refusal.NonFinite},
		{"constant", make([]float64, 60), autocorrelation.AR1, autocorrelation.Options{}, refusal.ZeroVariance},
		{"AR order", long, autocorrelation.Order{AR: 3}, autocorrelation.Options{}, refusal.OutOfRange},
		{"MA order", long, autocorrelation.Order{MA: 2}, autocorrelation.Options{}, refusal.OutOfRange},
		{"mean", long, autocorrelation.AR1, autocorrelation.Options{Mean: &huge}, refusal.OutOfRange},
		{"without error", alternating, autocorrelation.AR1, autocorrelation.Options{}, refusal.NoSolution},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := autocorrelation.FitModel(c.x, c.order, c.o)
			require.Equal(t, c.want, reason(t, err), "%v", err)
		})
	}
	_, err := autocorrelation.FitModel(ramp, autocorrelation.AR2, autocorrelation.Options{})
	require.Error(t, err, "a line without noise")

	_, err = autocorrelation.Correlate(long, 60, 0)
	require.Equal(t, refusal.OutOfRange, reason(t, err))
	_, err = autocorrelation.Correlate(long, 5, 1)
	require.Equal(t, refusal.OutOfRange, reason(t, err))
	_, err = autocorrelation.LjungBox(long, 2, 2)
	require.Equal(t, refusal.OutOfRange, reason(t, err))
	for name, estimate := range map[string]func([]float64, int) (*autocorrelation.Autoregression, error){
		"yule-walker": autocorrelation.YuleWalker, "least squares": autocorrelation.ConditionalLeastSquares, "burg": autocorrelation.Burg} {
		_, err = estimate(long, 0)
		require.Equal(t, refusal.OutOfRange, reason(t, err), name)
		_, err = estimate(long[:5], 2)
		require.Equal(t, refusal.TooFew, reason(t, err), name)
		_, err = estimate(with(0, math.NaN()), 1)
		require.Equal(t, refusal.NonFinite, reason(t, err), name)
	}
	_, err = autocorrelation.ConditionalLeastSquares(alternating, 2)
	require.Equal(t, refusal.NoSolution, reason(t, err))
	for _, m := range []autocorrelation.Model{
		{Order: autocorrelation.AR1, AR1: 1, Sigma: 1},
		{Order: autocorrelation.AR2, AR1: 0.5, AR2: 0.6, Sigma: 1},
		{Order: autocorrelation.AR1, AR1: 0.5, MA: 0.1, Sigma: 1},
		{Order: autocorrelation.ARMA11, AR1: 0.5, MA: 1, Sigma: 1},
		{Order: autocorrelation.AR1, AR1: 0.5},
		{Order: autocorrelation.AR1, AR1: math.NaN(), Sigma: 1},
	} {
		_, err := autocorrelation.NewResiduals(m)
		require.Error(t, err, "%+v", m)
		_, err = m.RawLimits(chart.Width{})
		require.Error(t, err)
	}
}

func TestSmallAndSlowBaselinesWarn(t *testing.T) {
	f, err := autocorrelation.FitModel(lh, autocorrelation.AR1, autocorrelation.Options{})
	require.NoError(t, err)
	require.Len(t, f.Warnings, 2)
	require.Equal(t, refusal.SmallSample, f.Warnings[0].Kind)
	require.Equal(t, "points", f.Warnings[0].What)
	require.Equal(t, 100, f.Warnings[0].Enough)
	require.Equal(t, 13, f.Warnings[1].N)
	l, err := f.Limits(chart.Width{})
	require.NoError(t, err)
	require.Equal(t, f.Warnings, l.Warnings)
	require.InDelta(t, -(1+3*f.Model.AR1)/48, l.Bias, 1e-15)
	require.Greater(t, l.SE, 0.1)
}

// The estimate of a slow process lies too low by the stated bias, and the process's spread comes out too small with it.
func TestBiasOfShortBaselines(t *testing.T) {
	const phi, n, runs = 0.6, 60, 1500
	m := autocorrelation.Model{Order: autocorrelation.AR1, AR1: phi, Sigma: 0.8} // process sd 1
	var sum, squares, spread float64
	for k := range runs {
		f, err := autocorrelation.FitModel(simulate(m, n, uint64(k)+40000), autocorrelation.AR1, autocorrelation.Options{})
		require.NoError(t, err)
		e := f.Model.AR1 - phi
		sum += e
		squares += e * e
		spread += f.ProcessSD
	}
	mean := sum / runs
	se := math.Sqrt((squares/runs - mean*mean) / runs)
	require.InDelta(t, autocorrelation.ARBias(phi, n), mean, 4*se+0.01) // terms of order 1/n^2 are left out
	require.Less(t, mean, -4*se)
	require.Less(t, spread/runs, 0.98)
}
