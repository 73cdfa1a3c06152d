package fit_test

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// numbers reads doubles from bytes: whole ones, or small integers so that ties and zeros are met.
func numbers(b []byte) []float64 {
	if len(b) == 0 {
		return nil
	}
	small := b[0]%2 == 0
	b = b[1:]
	var x []float64
	for len(b) > 0 && len(x) < 60 {
		if small {
			x = append(x, float64(int8(b[0]))/8)
			b = b[1:]
			continue
		}
		if len(b) < 8 {
			break
		}
		x = append(x, math.Float64frombits(binary.LittleEndian.Uint64(b)))
		b = b[8:]
	}
	return x
}

func encode(x ...float64) []byte {
	b := []byte{1}
	for _, v := range x {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	return b
}

// FuzzFit demands of every family and of every test a finite result or a typed refusal, whatever the values.
func FuzzFit(f *testing.F) {
	f.Add(encode(1, 2, 3, 4, 5, 6, 7, 8, 9))
	f.Add(encode(1, 1, 1, 1, 1, 1, 1, 1, 2))
	f.Add(encode(1e150, -1e150, 0, 1, 2, 3, 4, 5, 6))
	f.Add(encode(1e-150, 1e150, 1, 2, 3, 1e-300, 5, 8, 9))
	f.Add(encode(1, 1+1e-15, 1, 1, 1-1e-16, 1, 1, 1, 1))
	f.Add(encode(math.NaN(), 1, 2))
	f.Add([]byte{0, 1, 2, 3, 4, 5, 200, 201, 7, 7, 7, 8, 0, 0})
	f.Add(append([]byte{0}, make([]byte, 40)...))
	f.Fuzz(func(t *testing.T, b []byte) {
		x := numbers(b)
		s, err := fit.Values(x)
		if err != nil {
			isRefusal(t, err)
			return
		}
		for _, family := range fit.Families {
			r, err := fit.Fit(s, family)
			if err != nil {
				isRefusal(t, err)
				continue
			}
			finite(t, r.LogLikelihood, r.AIC, r.BIC)
			for _, e := range r.Estimates {
				finite(t, e.Value, e.SE)
			}
			finite(t, r.Quantile(0.00135), r.Quantile(0.5), r.QuantileUpper(0.00135))
			ps, err := r.Percentiles(fit.Natural, 0.95)
			require.NoError(t, err)
			for _, p := range ps.Of {
				finite(t, p.Value, p.Lower, p.Upper, p.SE)
			}
			if l, err := fit.ProbabilityLimits(r, fit.OuterTail); err == nil {
				finite(t, l.Lower, l.Centre, l.Upper, l.Sigma)
			} else {
				isRefusal(t, err)
			}
		}
		if g, err := fit.AndersonDarling(s, fit.Normal, fit.Resampling{}); err == nil {
			finite(t, g.A2, g.Adjusted, g.P)
		} else {
			isRefusal(t, err)
		}
		if w, err := fit.ShapiroWilk(s); err == nil {
			finite(t, w.W, w.P)
		} else {
			isRefusal(t, err)
		}
		if m, err := fit.ShapeOf(s); err == nil {
			finite(t, m.Skewness, m.ExcessKurtosis, m.SkewnessZ, m.KurtosisZ, m.K2, m.P)
		} else {
			isRefusal(t, err)
		}
		if c, err := fit.FitBoxCox(s, 0.95); err == nil {
			finite(t, c.Lambda, c.Lower, c.Upper, c.LogLikelihood)
		} else {
			isRefusal(t, err)
		}
		if q, err := fit.FitFourQuantiles(s, 0); err == nil {
			for _, e := range q.Estimates {
				finite(t, e.Value)
			}
		} else {
			isRefusal(t, err)
		}
		if g, err := fit.Grubbs(x, fit.BothSides, 0.05); err == nil {
			finite(t, g.G, g.Critical, g.P)
		} else {
			isRefusal(t, err)
		}
		if o, err := fit.GeneralisedESD(x, 2, 0.05); err == nil {
			for _, v := range o.Suspects {
				finite(t, v.R, v.Lambda)
			}
		} else {
			isRefusal(t, err)
		}
	})
}

// FuzzDistribution demands that quantiles and probabilities go back and forth for parameters of ordinary size.
func FuzzDistribution(f *testing.F) {
	for i, c := range examples {
		p := append(append([]float64(nil), c.params...), 0, 0, 0)
		f.Add(uint8(i), p[0], p[1], p[2], p[3], 0.01)
	}
	f.Fuzz(func(t *testing.T, which uint8, a, b, c, d, p float64) {
		family := fit.Families[int(which)%len(fit.Families)]
		params := []float64{a, b, c, d}
		for n := 1; n <= 4; n++ {
			dn, err := fit.New(family, params[:n]...)
			if err != nil {
				isRefusal(t, err)
				continue
			}
			for i, v := range dn.Parameters() {
				if m := math.Abs(v.Value); m > 50 || i > 0 && m < 0.05 && m != 0 || i == 0 && v.Unit == fit.Pure && m < 0.05 && m != 0 {
					return
				}
			}
			if !(p > 1e-12 && p < 0.5) {
				return
			}
			x := dn.Quantile(p)
			y := dn.QuantileUpper(p)
			finite(t, x, y)
			require.LessOrEqual(t, x, y)
			if y-x < 1e-6*(math.Abs(x)+math.Abs(y)) {
				return // hardly wider than rounding
			}
			// Where a quantile lies so near a bound that rounding moves its probability, that much is allowed.
			near := func(x float64) float64 {
				e := 1e-15 * (math.Abs(x) + math.Abs(a) + math.Abs(b) + math.Abs(c) + math.Abs(d))
				return 1e-8*p + dn.CDF(x+e) - dn.CDF(x-e)
			}
			require.InDelta(t, p, dn.CDF(x), near(x), "%s %v", family, params[:n])
			require.InDelta(t, p, dn.Tail(y), near(y), "%s %v", family, params[:n])
		}
	})
}

func isRefusal(t *testing.T, err error) {
	t.Helper()
	var e *refusal.Error
	require.True(t, errors.As(err, &e), "%v", err)
}

func finite(t *testing.T, vs ...float64) {
	t.Helper()
	for _, v := range vs {
		require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%v", vs)
	}
}
