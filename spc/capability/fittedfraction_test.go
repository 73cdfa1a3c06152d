package capability_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// For a normal fit the derivatives are known: with z = (U - mu)/sigma, p = Q(z), var(p) = phi(z)^2 (1 + z^2/2)/n.
func TestFittedOutsideOfANormalFit(t *testing.T) {
	x := normals(rand.New(rand.NewPCG(21, 1)), 120)
	s, err := fit.Values(x)
	require.NoError(t, err)
	f, err := fit.Fit(s, fit.Normal)
	require.NoError(t, err)
	mu, sigma := f.Parameters()[0].Value, f.Parameters()[1].Value
	for _, z := range []float64{1, 2.5, 4} {
		got, err := capability.FittedOutside(f, capability.Spec{Upper: mu + z*sigma, HasUpper: true}, 0.95)
		require.NoError(t, err)
		p := dist.NormalTail(z)
		w := math.Exp(1.959963984540054 * dist.NormalPDF(z) * math.Sqrt((1+z*z/2)/120) / (p * (1 - p)))
		require.InEpsilon(t, p, got.Total, 1e-12)
		require.InEpsilon(t, p/(p+(1-p)*w), got.Interval.Lower, 1e-6)
		require.InEpsilon(t, p/(p+(1-p)/w), got.Interval.Upper, 1e-6)
	}
}

// Limits of the fraction of a form error beyond its limit cover at their level.
func TestFittedOutsideCovers(t *testing.T) {
	true5, err := fit.New(fit.Weibull, 1.8, 10)
	require.NoError(t, err)
	spec := capability.Spec{Upper: true5.QuantileUpper(0.003), HasUpper: true, HasLower: true, Bound: true}
	const runs = 400
	hits := 0
	for i := range runs {
		r := rand.New(rand.NewPCG(22, uint64(i)))
		x := make([]float64, 200)
		for k := range x {
			x[k] = true5.Rand(r)
		}
		s, err := fit.Values(x)
		require.NoError(t, err)
		f, err := fit.Fit(s, fit.Weibull)
		require.NoError(t, err)
		got, err := capability.FittedOutside(f, spec, 0.9)
		require.NoError(t, err)
		if got.Interval.Lower <= 0.003 && 0.003 <= got.Interval.Upper {
			hits++
		}
	}
	require.InDelta(t, 0.9, float64(hits)/runs, 3*math.Sqrt(0.09/runs)+0.01)
}

func TestFittedOutsideRefuses(t *testing.T) {
	x := normals(rand.New(rand.NewPCG(23, 1)), 60)
	s, err := fit.Values(x)
	require.NoError(t, err)
	f, err := fit.Fit(s, fit.Normal)
	require.NoError(t, err)
	far := capability.Spec{Upper: 1e6, HasUpper: true}
	near := capability.Spec{Upper: 12, HasUpper: true}
	bare := *f
	bare.Covariance = nil
	for name, err := range map[string]error{
		"nothing outside": second(capability.FittedOutside(f, far, 0.95)),
		"no limits":       second(capability.FittedOutside(f, capability.Spec{}, 0.95)),
		"level":           second(capability.FittedOutside(f, near, 1)),
		"no covariance":   second(capability.FittedOutside(&bare, near, 0.95)),
	} {
		var e *refusal.Error
		require.True(t, errors.As(err, &e), name)
	}
}

func second[T any](_ T, err error) error { return err }
