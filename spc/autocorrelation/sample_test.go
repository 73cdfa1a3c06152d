package autocorrelation_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/autocorrelation"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

func TestCorrelateIsInvariantAndBounded(t *testing.T) {
	c, err := autocorrelation.Correlate(lh, 20, 0)
	require.NoError(t, err)
	y, back := make([]float64, len(lh)), make([]float64, len(lh))
	for i, v := range lh {
		y[i] = 1000 - 7*v
		back[len(lh)-1-i] = v
	}
	d, err := autocorrelation.Correlate(y, 20, 0)
	require.NoError(t, err)
	e, err := autocorrelation.Correlate(back, 20, 0)
	require.NoError(t, err)
	for k := range c.R {
		require.InDelta(t, c.R[k], d.R[k], 1e-11)
		require.InDelta(t, c.R[k], e.R[k], 1e-14)
		require.LessOrEqual(t, math.Abs(c.Partial[k]), 1.0)
	}
	lag, err := chart.Lag1(lh)
	require.NoError(t, err)
	require.InDelta(t, lag.R, c.R[0], 1e-15)
	require.InDelta(t, 1.959963984540054/math.Sqrt(48), c.White, 1e-12)
	require.InDelta(t, c.White*math.Sqrt(1+2*c.R[0]*c.R[0]), c.Bartlett[1], 1e-12)
}

// Of white series 5 % of correlations lie outside their band and 5 % of tests reject, gaps or none, raw or as residuals.
func TestBandsAndPortmanteauKeepTheirLevel(t *testing.T) {
	const runs, n, lags = 400, 300, 12
	for _, c := range []struct {
		name  string
		gaps  bool
		model autocorrelation.Model
	}{
		{"white", false, autocorrelation.Model{Sigma: 1}},
		{"white with gaps", true, autocorrelation.Model{Sigma: 1}},
		{"residuals", false, autocorrelation.Model{Order: autocorrelation.AR1, AR1: 0.6, Sigma: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var outside, rejected float64
			for k := range runs {
				x := simulate(c.model, n, uint64(k)+9000)
				for i := range x {
					if c.gaps && i%4 == 3 {
						x[i] = math.NaN()
					}
				}
				fitted := 0
				if c.model.Order != autocorrelation.White {
					f, err := autocorrelation.FitModel(x, c.model.Order, autocorrelation.Options{})
					require.NoError(t, err)
					res, err := f.Model.Residuals(x)
					require.NoError(t, err)
					for i := range x {
						x[i] = res[i].Z
					}
					fitted = 1
				}
				g, err := autocorrelation.Correlate(x, lags, 0)
				require.NoError(t, err)
				if math.Abs(g.R[9]) > g.White {
					outside++
				}
				q, err := g.LjungBox(lags, fitted)
				require.NoError(t, err)
				require.Equal(t, lags-fitted, q.DF)
				if q.P < 0.05 {
					rejected++
				}
			}
			se := math.Sqrt(0.05 * 0.95 / runs)
			require.InDelta(t, 0.05, rejected/runs, 4*se)
			if !c.gaps { // fewer pairs widen the spread of a single correlation
				require.InDelta(t, 0.05, outside/runs, 4*se)
			}
		})
	}
}

func TestModelMoments(t *testing.T) {
	for _, m := range planted {
		t.Run(m.Order.String(), func(t *testing.T) {
			// variance and autocorrelations from the weights of past shocks
			const terms = 4000
			psi := make([]float64, terms)
			for k := range psi {
				switch k {
				case 0:
					psi[k] = 1
				case 1:
					psi[k] = m.AR1 + m.MA
				default:
					psi[k] = m.AR1*psi[k-1] + m.AR2*psi[k-2]
				}
			}
			gamma := func(lag int) (g float64) {
				for k := lag; k < terms; k++ {
					g += psi[k] * psi[k-lag]
				}
				return g
			}
			sd, err := m.ProcessSD()
			require.NoError(t, err)
			ref.Relative(t, m.Sigma*math.Sqrt(gamma(0)), sd, 1e-12, "process sd")
			rho, err := m.Autocorrelations(30)
			require.NoError(t, err)
			for k, r := range rho {
				require.InDelta(t, gamma(k+1)/gamma(0), r, 1e-12)
			}
			// the mean of n points from all covariances
			const n = 17
			v := 0.0
			for i := range n {
				for j := range n {
					v += gamma(max(i-j, j-i))
				}
			}
			got, err := m.MeanSD(n)
			require.NoError(t, err)
			ref.Relative(t, m.Sigma*math.Sqrt(v)/n, got, 1e-11, "sd of the mean")
			size, err := m.EffectiveSize(n)
			require.NoError(t, err)
			ref.Relative(t, sd*sd/(got*got), size, 1e-11, "effective size")
		})
	}
}

// Residuals are independent standard normal from the first point on and across gaps: the chart's false alarms come at the rate
// of its limits, and so do those of the raw chart with widened limits.
func TestChartsKeepTheirRate(t *testing.T) {
	m := autocorrelation.Model{Order: autocorrelation.ARMA11, AR1: 0.8, MA: 0.3, Mean: 5, Sigma: 2}
	w := chart.Width{K: 2}
	raw, err := m.RawLimits(w)
	require.NoError(t, err)
	resid, err := m.ResidualLimits(w)
	require.NoError(t, err)
	require.InDelta(t, 4, resid.Upper, 1e-12)
	var beyondZ, beyondRaw, points, starts, startsBeyond, after, afterBeyond float64
	for k := range 300 {
		x := simulate(m, 200, uint64(k)+500)
		copy(x[100:103], []float64{math.NaN(), math.NaN(), math.NaN()})
		s, err := autocorrelation.NewResiduals(m)
		require.NoError(t, err)
		for i, v := range x {
			r, err := s.Step(v)
			require.NoError(t, err)
			if r.Missing {
				require.Zero(t, r.E)
				continue
			}
			points++
			out := 0.0
			if math.Abs(r.Z) > 2 {
				out = 1
			}
			beyondZ += out
			if chart.Beyond(raw, v) != 0 {
				beyondRaw++
			}
			switch i {
			case 0:
				starts++
				startsBeyond += out
				sd, _ := m.ProcessSD()
				require.InDelta(t, sd, r.SD, 1e-12)
			case 103:
				after++
				afterBeyond += out
				require.Greater(t, r.SD, 1.5*m.Sigma)
			case 199:
				require.InDelta(t, m.Sigma, r.SD, 1e-9)
			}
		}
	}
	p := 2 * dist.NormalTail(2)
	require.InDelta(t, p, beyondZ/points, 4*math.Sqrt(p*(1-p)/points))
	inflation, err := m.Inflation(200)
	require.NoError(t, err)
	require.InDelta(t, p, beyondRaw/points, 4*math.Sqrt(p*(1-p)/points*inflation))
	require.InDelta(t, p, startsBeyond/starts, 4*math.Sqrt(p*(1-p)/starts))
	require.InDelta(t, p, afterBeyond/after, 4*math.Sqrt(p*(1-p)/after))
}

func TestStepLeavesTheStateOnRefusal(t *testing.T) {
	s, err := autocorrelation.NewResiduals(planted[4])
	require.NoError(t, err)
	_, err = s.Step(11)
	require.NoError(t, err)
	before := s
	_, err = s.Step(math.Inf(-1))
	require.Error(t, err)
	require.Equal(t, before, s)
	_, err = new(autocorrelation.Residuals).Step(1)
	require.Equal(t, refusal.Mismatch, reason(t, err))
	_, err = new(autocorrelation.Correlogram).LjungBox(2, 0)
	require.Equal(t, refusal.OutOfRange, reason(t, err))
	require.Zero(t, testing.AllocsPerRun(100, func() { _, _ = s.Step(10.5) }))
}

func TestEstimatorsAgreeOnLongSeries(t *testing.T) {
	m := autocorrelation.Model{Order: autocorrelation.AR2, AR1: 0.9, AR2: -0.3, Mean: 4, Sigma: 1}
	x := simulate(m, 20000, 3)
	for name, estimate := range map[string]func([]float64, int) (*autocorrelation.Autoregression, error){
		"yule-walker": autocorrelation.YuleWalker, "least squares": autocorrelation.ConditionalLeastSquares, "burg": autocorrelation.Burg} {
		a, err := estimate(x, 2)
		require.NoError(t, err)
		require.InDelta(t, 0.9, a.Phi[0], 0.03, name)
		require.InDelta(t, -0.3, a.Phi[1], 0.03, name)
		require.InDelta(t, 1.6, a.Intercept, 0.15, name)
		require.InDelta(t, 1, a.ResidualSD, 0.03, name)
		require.Len(t, a.Residuals, 19998)
	}
}

func FuzzSeries(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 250, 251, 252, 253, 254, 255, 0, 0, 0, 0, 1, 1, 1, 1}, uint8(0))
	f.Add(make([]byte, 40), uint8(4))
	f.Fuzz(func(t *testing.T, b []byte, o uint8) {
		if len(b) > 300 {
			return
		}
		x := make([]float64, len(b))
		for i, v := range b {
			switch {
			case v == 255:
				x[i] = math.NaN()
			case v == 254:
				x[i] = 1e149
			case v == 253:
				x[i] = math.Inf(1)
			case v == 252:
				x[i] = -1e-300
			default:
				x[i] = float64(v) / 8
			}
		}
		finite := func(v ...float64) {
			for _, v := range v {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%v", x)
			}
		}
		order := autocorrelation.Order{AR: int(o % 3), MA: int(o / 3 % 2)}
		if f, err := autocorrelation.FitModel(x, order, autocorrelation.Options{}); err == nil {
			require.NoError(t, f.Model.Check())
			finite(f.Model.Mean, f.Model.Sigma, f.SEAR1, f.SEAR2, f.SEMA, f.SEMean, f.SESigma, f.ProcessSD, f.SEProcessSD, f.LogLikelihood, f.EffectiveN)
			res, err := f.Model.Residuals(x)
			require.NoError(t, err)
			for _, r := range res {
				finite(r.E, r.Z, r.SD)
			}
		}
		if c, err := autocorrelation.Correlate(x, max(1, len(x)/3), 0); err == nil {
			finite(c.R...)
			finite(c.Partial...)
		}
		for _, estimate := range []func([]float64, int) (*autocorrelation.Autoregression, error){autocorrelation.YuleWalker, autocorrelation.ConditionalLeastSquares, autocorrelation.Burg} {
			if a, err := estimate(x, 2); err == nil {
				finite(a.Phi...)
				finite(a.Intercept, a.ResidualSD)
			}
		}
	})
}
