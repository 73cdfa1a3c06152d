package changepoint_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
	"sagwatch/spc/internal/ref"
)

type coalFile struct {
	Coal struct {
		Data     []int `json:"data"`
		Computed map[string]float64
	} `json:"coal"`
}

// Disasters in British coal mines 1851-1962 (Jarrett 1979): fewer after 1891 (COMPUTED from the Poisson likelihood).
func TestCoal(t *testing.T) {
	var f coalFile
	ref.JSON(t, &f, "changepoint", "changepoint.json")
	r, err := changepoint.FindCounts(changepoint.Poisson, []changepoint.CountStream{{Counts: f.Coal.Data}}, changepoint.Options{})
	require.NoError(t, err)
	c := f.Coal.Computed
	require.Equal(t, int(c["k"]), r.Step.Start)
	require.Equal(t, changepoint.Step, r.Shape)
	ref.Relative(t, c["lr_statistic"], 2*r.Step.LogLik, 1e-10, "likelihood ratio")
	s := r.Step.Sizes[0]
	ref.Relative(t, c["rate_before"], s.Before[0], 1e-10, "before")
	ref.Relative(t, c["rate_after"], s.Before[0]*math.Exp(s.Value), 1e-10, "after")
	require.Less(t, r.Step.P, 0.0011)
	require.True(t, r.Step.Set95.Contains(41))
	require.GreaterOrEqual(t, r.Step.Set95.First, 33)
	require.LessOrEqual(t, r.Step.Set95.Last, 47)
}

// poisson draws by counting arrivals.
func poisson(mean float64, src *rand.Rand) int {
	n := 0
	for s := src.ExpFloat64(); s < mean; s += src.ExpFloat64() {
		n++
	}
	return n
}

// The sets of a step cover at their level or above, with small counts, unequal exposures and proportions.
func TestCountsCoverage(t *testing.T) {
	const runs, before, after = 80, 12, 10
	for _, law := range []changepoint.CountLaw{changepoint.Poisson, changepoint.Binomial} {
		for _, known := range []bool{false, true} {
			src := rand.New(rand.NewPCG(8, 15))
			hit95, hit99 := 0.0, 0.0
			for k := range runs {
				s := changepoint.CountStream{}
				for i := range before + after {
					rate := 0.1
					if i >= before {
						rate = 0.25
					}
					e := float64(10 + i%4*10)
					y := 0
					if law == changepoint.Poisson {
						y = poisson(rate*e, src)
					} else {
						for range int(e) {
							if src.Float64() < rate {
								y++
							}
						}
					}
					s.Counts, s.Exposure = append(s.Counts, y), append(s.Exposure, e)
				}
				if known {
					rate := 0.1
					s.Rate = &rate
				}
				r, err := changepoint.FindCounts(law, []changepoint.CountStream{s}, changepoint.Options{Seed: uint64(k), Resamples: 199, Only: changepoint.Step})
				require.NoError(t, err)
				if r.Step.Set95.Contains(before) {
					hit95++
				}
				if r.Step.Set99.Contains(before) {
					hit99++
				}
			}
			t.Logf("%s, rate known %v: %.3f %.3f", law, known, hit95/runs, hit99/runs)
			require.GreaterOrEqual(t, hit95/runs, 0.95-4*math.Sqrt(0.05*0.95/runs))
			require.GreaterOrEqual(t, hit99/runs, 0.99-4*math.Sqrt(0.01*0.99/runs))
		}
	}
}
