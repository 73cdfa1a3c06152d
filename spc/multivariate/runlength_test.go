package multivariate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
	"sagwatch/spc/multivariate"
)

// A shift of nothing must give the run length of the chart in control by the other equation, and a single term that of the
// two-sided EWMA.
func TestEquationsAgree(t *testing.T) {
	for _, c := range []multivariate.MEWMADesign{
		{P: 2, Lambda: 0.2, H: 9.65, Steady: true}, {P: 3, Lambda: 0.3, H: 12, Steady: true}, {P: 11, Lambda: 0.5, H: 26, Steady: true},
		{P: 2, Lambda: 0.3, H: 10}, {P: 5, Lambda: 0.6, H: 16},
	} {
		in, err := c.ARL(0)
		require.NoError(t, err)
		out, err := c.ARL(1e-7)
		require.NoError(t, err)
		ref.Relative(t, in, out, 2e-6, "no shift")
		less, err := c.ARL(1)
		require.NoError(t, err)
		require.Less(t, less, in)
	}
	// a single term is the two-sided EWMA of J. M. Lucas and M. S. Saccucci (1990) with L = 2.998; testdata/reference/runlength/ewma.json
	for steady, want := range map[bool]float64{true: 499.8360035, false: 495.91884} {
		one, err := multivariate.MEWMADesign{P: 1, Lambda: 0.25, H: 2.998 * 2.998, Steady: steady}.ARL(0)
		require.NoError(t, err)
		ref.Relative(t, want, one, 2e-8, "single term")
	}
	// lambda 1 is the chi-square chart
	a, err := multivariate.MEWMADesign{P: 2, Lambda: 1, H: 10.59663473}.ARL(1)
	require.NoError(t, err)
	require.InDelta(t, 41.91590229, a, 1e-6)
	// and just below it nearly so
	b, err := multivariate.MEWMADesign{P: 2, Lambda: 0.9999, H: 10.59663473}.ARL(1)
	require.NoError(t, err)
	require.InDelta(t, a, b, 0.02)
}

// Run lengths by both equations, with the exact covariance at the start, agree with seeded simulation of the chart itself.
func TestRunLengthsAgreeWithSimulation(t *testing.T) {
	for _, c := range []struct {
		design multivariate.MEWMADesign
		shift  []float64
	}{
		{multivariate.MEWMADesign{P: 3, Lambda: 0.2, H: 8}, []float64{0, 0, 0}},
		{multivariate.MEWMADesign{P: 3, Lambda: 0.2, H: 8, Steady: true}, []float64{0, 0, 0}},
		{multivariate.MEWMADesign{P: 3, Lambda: 0.2, H: 12}, []float64{0.6, 0, -0.8}},
		{multivariate.MEWMADesign{P: 2, Lambda: 0.3, H: 10}, []float64{0, 0.7}},
	} {
		p := c.design.P
		cov := make([]float64, p*p)
		for i := range p {
			cov[i*p+i] = 1
		}
		tt, err := multivariate.NewT2(make([]float64, p), cov, nil)
		require.NoError(t, err)
		r := rand.New(rand.NewPCG(1, uint64(p)))
		state, err := multivariate.NewMEWMA(multivariate.MEWMASettings{Lambda: c.design.Lambda, H: c.design.H, Steady: c.design.Steady}, p)
		require.NoError(t, err)
		const runs = 1500
		var sum, squares float64
		x := make([]float64, p)
		for range runs {
			state.Reset()
			for n := 1; ; n++ {
				for j := range x {
					x[j] = c.shift[j] + r.NormFloat64()
				}
				point, err := state.Step(tt, x)
				require.NoError(t, err)
				if point.Signal {
					sum += float64(n)
					squares += float64(n * n)
					break
				}
			}
		}
		mean := sum / runs
		delta := 0.0
		for _, v := range c.shift {
			delta = math.Hypot(delta, v)
		}
		arl, err := c.design.ARL(delta)
		require.NoError(t, err)
		require.InDelta(t, arl, mean, 4*math.Sqrt((squares/runs-mean*mean)/runs), "%+v", c)
	}
}

func TestMEWMALimitGivesTheRunLength(t *testing.T) {
	for _, steady := range []bool{true, false} {
		for _, p := range []int{1, 2, 5, 11} {
			h, err := multivariate.MEWMALimit(p, 0.2, 370, steady)
			require.NoError(t, err)
			arl, err := multivariate.MEWMADesign{P: p, Lambda: 0.2, H: h, Steady: steady}.ARL(0)
			require.NoError(t, err)
			ref.Relative(t, 370, arl, 1e-6, "run length")
		}
	}
	h, err := multivariate.MEWMALimit(2, 1, 200, false)
	require.NoError(t, err)
	require.InDelta(t, 10.59663473, h, 1e-7)
}

func TestMEWMAStepAllocatesNothing(t *testing.T) {
	tt, err := multivariate.NewT2([]float64{0, 0}, []float64{1, 0.5, 0.5, 1}, nil)
	require.NoError(t, err)
	s, err := multivariate.NewMEWMA(multivariate.MEWMASettings{Lambda: 0.1, H: 8.64}, 2)
	require.NoError(t, err)
	x := []float64{0.1, 0.2}
	require.Zero(t, testing.AllocsPerRun(100, func() { _, _ = s.Step(tt, x) }))
	require.Zero(t, testing.AllocsPerRun(100, func() { _, _ = tt.Statistic(x) }))
	before := s.N
	_, err = s.Step(tt, []float64{math.NaN(), 0})
	require.Error(t, err)
	require.Equal(t, before, s.N)
}
