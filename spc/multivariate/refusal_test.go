package multivariate_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
	"sagwatch/spc/multivariate"
	"sagwatch/spc/refusal"
)

func reason(t *testing.T, err error) refusal.Reason {
	t.Helper()
	var r *refusal.Error
	require.True(t, errors.As(err, &r), "%v", err)
	return r.Reason
}

func TestRefusals(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	x := sample(r, 40, 4)
	with := func(i, j int, v float64) [][]float64 {
		y := make([][]float64, len(x))
		for k := range x {
			y[k] = slices.Clone(x[k])
		}
		y[i][j] = v
		return y
	}
	same := make([][]float64, len(x))
	constant := make([][]float64, len(x))
	for i, row := range x {
		same[i] = append(slices.Clone(row), row[0]+row[1])
		constant[i] = append(slices.Clone(row), 7)
	}
	short := slices.Clone(x)
	short[5] = short[5][:3]
	for _, c := range []struct {
		name string
		x    [][]float64
		o    multivariate.Options
		want refusal.Reason
	}{
		{"none", nil, multivariate.Options{}, refusal.TooFew},
		{"no terms", [][]float64{{}, {}}, multivariate.Options{}, refusal.OutOfRange},
		{"few", x[:5], multivariate.Options{}, refusal.TooFew},
		{"few by differences", x[:11], multivariate.Options{Estimator: multivariate.Successive}, refusal.TooFew},
		{"lengths", short, multivariate.Options{}, refusal.Mismatch},
		{"not a number", with(3, 2, math.NaN()), multivariate.Options{}, refusal.NonFinite},
		{"infinite", with(3, 2, math.Inf(1)), multivariate.Options{}, refusal.NonFinite},
		{"constant", constant, multivariate.Options{}, refusal.ZeroVariance},
		{"singular", same, multivariate.Options{}, refusal.NoSolution},
		{"names", x, multivariate.Options{Names: []string{"a"}}, refusal.Mismatch},
		{"estimator", x, multivariate.Options{Estimator: "best"}, refusal.Mismatch},
		{"singular setting", x, multivariate.Options{Singular: 2}, refusal.OutOfRange},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := multivariate.Individuals(c.x, c.o)
			require.Equal(t, c.want, reason(t, err), "%v", err)
		})
	}
	_, err := multivariate.Individuals(x[:5], multivariate.Options{})
	require.EqualError(t, err, "needs at least 6 observations of so many terms, has 5")
	_, err = multivariate.Individuals(same, multivariate.Options{})
	require.ErrorContains(t, err, "tell the same")

	b, err := multivariate.Individuals(same, multivariate.Options{Reduce: true})
	require.NoError(t, err)
	require.Equal(t, 4, b.P)
	require.Len(t, b.Kept, 4)
	require.Equal(t, refusal.Adjusted, b.Warnings[0].Kind)
	o, err := b.Observation(nil, same[0])
	require.NoError(t, err)
	require.Len(t, o, 4)
	tt, err := b.T2()
	require.NoError(t, err)
	// what is left out was told by the others: T2 is that of the four
	full, err := multivariate.Individuals(x, multivariate.Options{})
	require.NoError(t, err)
	tf, err := full.T2()
	require.NoError(t, err)
	for i := range x {
		o, err = b.Observation(o, same[i])
		require.NoError(t, err)
		u, err := tt.Statistic(o)
		require.NoError(t, err)
		v, err := tf.Statistic(x[i])
		require.NoError(t, err)
		ref.Relative(t, v, u, 1e-8, "reduced")
	}
	_, err = b.Observation(nil, []float64{1})
	require.Equal(t, refusal.Mismatch, reason(t, err))

	_, err = multivariate.Subgroups([][][]float64{x[:3]}, multivariate.Options{})
	require.Equal(t, refusal.TooFew, reason(t, err))
	_, err = multivariate.Subgroups([][][]float64{x[:3], x[3:5]}, multivariate.Options{})
	require.Equal(t, refusal.Mismatch, reason(t, err))
	_, err = multivariate.Subgroups([][][]float64{x[:2], x[2:4]}, multivariate.Options{})
	require.Equal(t, refusal.TooFew, reason(t, err))

	_, err = multivariate.NewT2([]float64{0, 0}, []float64{1, 2, 2, 1}, nil)
	require.Equal(t, refusal.NoSolution, reason(t, err))
	_, err = multivariate.NewT2([]float64{0, 0}, []float64{1, 0.5, 0.2, 1}, nil)
	require.Equal(t, refusal.Mismatch, reason(t, err))
	_, err = tt.Statistic([]float64{1})
	require.Equal(t, refusal.Mismatch, reason(t, err))
	_, err = tt.Statistic([]float64{1, 2, 3, math.NaN()})
	require.Equal(t, refusal.NonFinite, reason(t, err))
	_, err = tt.Ordered(x[0], []int{0, 1, 2, 2})
	require.Equal(t, refusal.Mismatch, reason(t, err))
	for _, f := range []func() (float64, error){
		func() (float64, error) { return multivariate.PhaseOneLimit(4, 5, 0.01) },
		func() (float64, error) { return multivariate.SubgroupPhaseTwoLimit(4, 1, 5, 0.01) },
		func() (float64, error) { return multivariate.SubgroupPhaseOneLimit(4, 10, 1, 0.01) },
	} {
		_, err = f()
		require.Equal(t, refusal.TooFew, reason(t, err))
	}
	for _, f := range []func() (float64, error){
		func() (float64, error) { return multivariate.PhaseTwoLimit(4, 50, 0) },
		func() (float64, error) { return multivariate.KnownLimit(0, 0.01) },
		func() (float64, error) { return multivariate.T2ARL(2, -1, 0) },
		func() (float64, error) { return multivariate.T2ARL(2, 10, -1) },
		func() (float64, error) { return b.TermLimit(4, 0.01) },
		func() (float64, error) { return multivariate.MEWMADesign{P: 2, Lambda: 1.5, H: 10}.ARL(0) },
		func() (float64, error) { return multivariate.MEWMADesign{P: 2, Lambda: 0.1, H: 0}.ARL(0) },
		func() (float64, error) { return multivariate.MEWMADesign{P: 1, Lambda: 0.1, H: 8}.ARL(1) },
		func() (float64, error) { return multivariate.MEWMADesign{P: 2, Lambda: 0.001, H: 8}.ARL(1) },
		func() (float64, error) { return multivariate.MEWMALimit(2, 0.1, 1, true) },
	} {
		_, err = f()
		require.Equal(t, refusal.OutOfRange, reason(t, err))
	}
	_, err = multivariate.BoxLimit([]float64{1, -1}, 0.01)
	require.Equal(t, refusal.Negative, reason(t, err))
	_, err = b.Components(multivariate.ComponentsOptions{Keep: 4})
	require.Equal(t, refusal.OutOfRange, reason(t, err))
}

func FuzzBaseline(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 1, 3, 2, 4, 6, 5, 8, 7, 9, 12, 11, 10, 30, 3, 20}, uint8(2), true)
	f.Add(make([]byte, 60), uint8(3), false)
	f.Fuzz(func(t *testing.T, b []byte, terms uint8, reduce bool) {
		p := int(terms%6) + 1
		if len(b) > 400 {
			return
		}
		var x [][]float64
		for i := 0; i+p <= len(b); i += p {
			row := make([]float64, p)
			for j := range row {
				switch v := b[i+j]; v {
				case 255:
					row[j] = math.NaN()
				case 254:
					row[j] = 1e150
				case 253:
					row[j] = 1e-160
				default:
					row[j] = float64(v)
				}
			}
			x = append(x, row)
		}
		for _, e := range []multivariate.Estimator{multivariate.Ordinary, multivariate.Successive} {
			base, err := multivariate.Individuals(x, multivariate.Options{Reduce: reduce, Estimator: e})
			if err != nil {
				require.NotEmpty(t, reason(t, err))
				continue
			}
			tt, err := base.T2()
			if err != nil {
				require.NotEmpty(t, reason(t, err))
				continue
			}
			o, err := base.Observation(nil, x[0])
			require.NoError(t, err)
			ex, err := base.Explain(tt, o, 0.01)
			if err != nil {
				require.NotEmpty(t, reason(t, err))
				continue
			}
			require.False(t, math.IsNaN(ex.T2+ex.RestT2) || math.IsInf(ex.T2, 0))
			if c, err := base.Components(multivariate.ComponentsOptions{}); err == nil {
				if p, err := c.Predict(o); err == nil {
					require.False(t, math.IsNaN(p.Q+p.T2))
				}
			}
		}
	})
}
