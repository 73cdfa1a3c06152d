package changepoint_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
	"sagwatch/spc/internal/ref"
)

type nileFile struct {
	Nile struct {
		Data     []float64 `json:"data"`
		Computed map[string]float64
	} `json:"nile"`
}

// Cobb 1978: the annual flow of the Nile fell after 1898 (values COMPUTED by least squares).
func TestNile(t *testing.T) {
	var f nileFile
	ref.JSON(t, &f, "changepoint", "changepoint.json")
	r, err := changepoint.Find([]changepoint.Stream{{Y: f.Nile.Data}}, changepoint.Options{SigmaUnknown: true})
	require.NoError(t, err)
	c := f.Nile.Computed
	require.Equal(t, int(c["k"]), r.Step.Start)
	require.Equal(t, changepoint.Step, r.Shape)
	ref.Relative(t, c["log_likelihood_gain"], r.Step.LogLik, 1e-10, "gain")
	require.Len(t, r.Step.Sizes, 1)
	s := r.Step.Sizes[0]
	ref.Relative(t, c["mean_before"], s.Before[0], 1e-12, "before")
	ref.Relative(t, c["mean_after"], s.Before[0]+s.Value, 1e-10, "after")
	ref.Relative(t, c["max_t"], math.Abs(s.Value/s.SE), 1e-10, "t")
	require.Equal(t, []int{28}, r.Step.Set95.Indices[len(r.Step.Set95.Indices)/2:][:1])
}

func coverage(t *testing.T, runs, before, after int, delta float64, known bool, shape changepoint.Shape, seed uint64) (c95, c99, width float64) {
	src := rand.New(rand.NewPCG(seed, 9))
	zero := 0.0
	for k := range runs {
		y := make([]float64, before+after)
		for i := range y {
			y[i] = src.NormFloat64()
			if i >= before {
				if shape == changepoint.Drift {
					y[i] += delta * float64(i-before+1)
				} else {
					y[i] += delta
				}
			}
		}
		s := changepoint.Stream{Y: y}
		if known {
			s.Mean, s.Sigma = &zero, 1
		}
		r, err := changepoint.Find([]changepoint.Stream{s}, changepoint.Options{SigmaUnknown: !known, Seed: uint64(k), Only: shape})
		require.NoError(t, err)
		e := r.Step
		if shape == changepoint.Drift {
			e = r.Drift
		}
		if e.Set95.Contains(before) {
			c95++
		}
		if e.Set99.Contains(before) {
			c99++
		}
		width += float64(len(e.Set95.Indices))
	}
	return c95 / float64(runs), c99 / float64(runs), width / float64(runs)
}
