package capability_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// Values and limits at the ends of what numbers hold are refused in words; nothing infinite comes back and nothing panics.
func TestIndicesAtTheEndsOfTheNumbers(t *testing.T) {
	up := math.Nextafter(1e9, 2e9)
	for _, c := range []struct {
		name string
		x    []float64
		spec capability.Spec
	}{
		{"values of 1e-160", []float64{1e-160, 2e-160, 3e-160, 4e-160, 5e-160}, capability.Spec{Upper: 1e-159, HasUpper: true}},
		{"limits of 1e140", []float64{1, 2, 3, 4, 5}, capability.Spec{Lower: -1e140, HasLower: true, Upper: 1e140, HasUpper: true}},
		{"limits of 1e140, values of 1e-180", []float64{1e-180, 2e-180, 3e-180}, capability.Spec{Upper: 1e140, HasUpper: true}},
		{"values one rounding apart", []float64{1e9, 1e9, up, math.Nextafter(up, 2e9)}, capability.Spec{Lower: 0, HasLower: true, Upper: 2e9, HasUpper: true}},
	} {
		s, err := fit.Values(c.x)
		require.NoError(t, err)
		_, _, err = capability.Empirical(s, c.spec)
		var e *refusal.Error
		require.ErrorAs(t, err, &e, c.name)
		for _, by := range []capability.By{capability.ByMoments, capability.ByPercentiles, capability.ByFit} {
			_, err = capability.Bootstrap(s, nil, c.spec, by, fit.Normal, 0.95, fit.Resampling{Resamples: 99})
			require.ErrorAs(t, err, &e, "%s by %s", c.name, by)
		}
	}
}

func TestBootstrapRefusesAnUnknownWay(t *testing.T) {
	s, err := fit.Values([]float64{1, 2, 3, 4, 5})
	require.NoError(t, err)
	for _, by := range []capability.By{"", "median"} {
		_, err = capability.Bootstrap(s, nil, capability.Spec{Upper: 9, HasUpper: true}, by, fit.Normal, 0.95, fit.Resampling{Resamples: 99})
		var e *refusal.Error
		require.ErrorAs(t, err, &e)
		require.Equal(t, refusal.Mismatch, e.Reason)
		require.Contains(t, err.Error(), "choose")
	}
}

// FuzzIndices: no index, limit or fraction is infinite without a refusal.
func FuzzIndices(f *testing.F) {
	f.Add(1.0, 2.0, 0.0, 10.0, uint64(1))
	f.Add(1e-160, 1e-161, -1e140, 1e140, uint64(2))
	f.Add(1e9, 1e-7, 1e9, 1.1e9, uint64(3))
	f.Fuzz(func(t *testing.T, mean, sd, lower, upper float64, seed uint64) {
		r := rand.New(rand.NewPCG(seed, 0))
		x := make([]float64, 12)
		for i := range x {
			x[i] = mean + sd*r.NormFloat64()
		}
		s, err := fit.Values(x)
		if err != nil {
			return
		}
		spec := capability.Spec{Lower: lower, Upper: upper, HasLower: true, HasUpper: true}
		finite := func(v ...float64) {
			t.Helper()
			for _, v := range v {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%v", x)
			}
		}
		if i, _, err := capability.Empirical(s, spec); err == nil {
			finite(i.C, i.CL, i.CU, i.CK)
		}
		for _, by := range []capability.By{capability.ByMoments, capability.ByPercentiles} {
			b, err := capability.Bootstrap(s, nil, spec, by, "", 0.9, fit.Resampling{Resamples: 20})
			if err != nil {
				continue
			}
			for _, i := range []capability.Interval{b.C, b.CL, b.CU, b.CK, b.Outside, b.Mean, b.SD} {
				finite(i.Lower, i.Upper)
			}
		}
	})
}
