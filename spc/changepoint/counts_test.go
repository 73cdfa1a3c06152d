package changepoint_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
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
	r, err := changepoint.FindCounts(changepoint.Poisson, []changepoint.CountStream{{Counts: f.Coal.Data}}, changepoint.Options{Resamples: 199})
	require.NoError(t, err)
	c := f.Coal.Computed
	require.Equal(t, int(c["k"]), r.Step.Start)
	require.Equal(t, changepoint.Step, r.Shape)
	ref.Relative(t, c["lr_statistic"], 2*r.Step.LogLik, 1e-10, "likelihood ratio")
	s := r.Step.Sizes[0]
	ref.Relative(t, c["rate_before"], s.Before[0], 1e-10, "before")
	ref.Relative(t, c["rate_after"], s.Before[0]*math.Exp(s.Value), 1e-10, "after")
	require.Less(t, r.Step.P, 0.0051)
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
	const runs, before, after = 40, 12, 10
	for _, law := range []changepoint.CountLaw{changepoint.Poisson, changepoint.Binomial} {
		{
			known := law == changepoint.Binomial
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

func TestFindCountsRefuses(t *testing.T) {
	five := []int{1, 2, 0, 3, 4}
	nan, one := math.NaN(), 1.0
	type s = []changepoint.CountStream
	for name, c := range map[string]struct {
		law    changepoint.CountLaw
		s      s
		o      changepoint.Options
		reason refusal.Reason
	}{
		"law":              {"normal", s{{Counts: five}}, changepoint.Options{}, refusal.Mismatch},
		"no streams":       {changepoint.Poisson, nil, changepoint.Options{}, refusal.TooFew},
		"few":              {changepoint.Poisson, s{{Counts: []int{1, -1, 2}}}, changepoint.Options{}, refusal.TooFew},
		"negative":         {changepoint.Poisson, s{{Counts: []int{1, -2, 2}}}, changepoint.Options{}, refusal.Negative},
		"all zero":         {changepoint.Poisson, s{{Counts: make([]int, 9)}}, changepoint.Options{}, refusal.ZeroVariance},
		"lengths":          {changepoint.Poisson, s{{Counts: five}, {Counts: five[:2]}}, changepoint.Options{}, refusal.Mismatch},
		"exposure":         {changepoint.Poisson, s{{Counts: five, Exposure: []float64{1, 1, 0, 1, 1}}}, changepoint.Options{}, refusal.OutOfRange},
		"half an item":     {changepoint.Binomial, s{{Counts: five, Exposure: []float64{5, 5, 5, 4.5, 5}}}, changepoint.Options{}, refusal.OutOfRange},
		"more than all":    {changepoint.Binomial, s{{Counts: five, Exposure: []float64{5, 5, 5, 5, 3}}}, changepoint.Options{}, refusal.Mismatch},
		"rate":             {changepoint.Poisson, s{{Counts: five, Rate: &nan}}, changepoint.Options{}, refusal.OutOfRange},
		"proportion":       {changepoint.Binomial, s{{Counts: five, Exposure: []float64{5, 5, 5, 5, 5}, Rate: &one}}, changepoint.Options{}, refusal.OutOfRange},
		"scale":            {changepoint.Poisson, s{{Counts: five}}, changepoint.Options{SigmaUnknown: true}, refusal.Mismatch},
		"resamples":        {changepoint.Poisson, s{{Counts: five}}, changepoint.Options{Resamples: 3}, refusal.OutOfRange},
		"shape":            {changepoint.Poisson, s{{Counts: five}}, changepoint.Options{Only: "wave"}, refusal.Mismatch},
		"only one in each": {changepoint.Poisson, s{{Counts: []int{1, -1}}, {Counts: []int{2, -1}}, {Counts: []int{2, -1}}}, changepoint.Options{}, refusal.NoSolution},
	} {
		_, err := changepoint.FindCounts(c.law, c.s, c.o)
		var r *refusal.Error
		require.ErrorAs(t, err, &r, name)
		require.Equal(t, c.reason, r.Reason, "%s: %v", name, err)
	}
}

// Two streams that share the start add their evidence; scaling the exposure changes the rates alone.
func TestCountStreams(t *testing.T) {
	src := rand.New(rand.NewPCG(90, 2))
	var a, b changepoint.CountStream
	for i := range 40 {
		rate := 2.0
		if i >= 25 {
			rate = 5
		}
		a.Counts, b.Counts = append(a.Counts, poisson(rate, src)), append(b.Counts, poisson(3*rate, src))
		a.Exposure = append(a.Exposure, 1)
	}
	o := changepoint.Options{Only: changepoint.Step, Resamples: 199}
	find := func(s ...changepoint.CountStream) changepoint.Estimate {
		r, err := changepoint.FindCounts(changepoint.Poisson, s, o)
		require.NoError(t, err)
		return r.Step
	}
	ea, eb, both := find(a), find(b), find(a, b)
	for i := range both.Profile {
		require.InDelta(t, ea.Profile[i]+eb.Profile[i], both.Profile[i], 1e-9)
	}
	require.Len(t, both.Sizes, 2)
	require.InDelta(t, 25, both.Start, 1)
	for i := range a.Exposure {
		a.Exposure[i] = 7
	}
	scaled := find(a)
	require.InDelta(t, ea.Sizes[0].Value, scaled.Sizes[0].Value, 1e-12)
	require.InDelta(t, ea.Sizes[0].Before[0]/7, scaled.Sizes[0].Before[0], 1e-12)
	require.Equal(t, ea.Set95, scaled.Set95)
}

// Any counts are answered with finite numbers or refused.
func FuzzFindCounts(f *testing.F) {
	f.Add([]byte{1, 2, 3, 9, 9, 9}, true, 0.0)
	f.Add([]byte{0, 0, 0, 0, 200}, false, 0.5)
	f.Add([]byte{255, 1, 255, 0, 4, 0, 0, 255}, true, 2.0)
	f.Fuzz(func(t *testing.T, data []byte, binomial bool, rate float64) {
		if len(data) > 20 {
			return
		}
		s := changepoint.CountStream{}
		law := changepoint.Poisson
		if binomial {
			law = changepoint.Binomial
		}
		for _, b := range data {
			y := int(b)
			if y == 255 {
				y = -1
			}
			s.Counts, s.Exposure = append(s.Counts, y), append(s.Exposure, 254)
		}
		if rate != 0 {
			s.Rate = &rate
		}
		r, err := changepoint.FindCounts(law, []changepoint.CountStream{s}, changepoint.Options{Resamples: 199})
		if err != nil {
			return
		}
		for _, e := range []changepoint.Estimate{r.Step, r.Drift} {
			require.False(t, math.IsNaN(e.LogLik+e.P+e.BIC+e.Weight), "%+v", e)
			require.True(t, e.Set95.Contains(e.Start))
			for _, z := range e.Sizes {
				require.False(t, math.IsNaN(z.Value+z.SE+z.Lower+z.Upper), "%+v", z)
				require.False(t, math.IsInf(z.Value+z.SE+z.Lower+z.Upper, 0), "%+v", z)
			}
		}
	})
}
