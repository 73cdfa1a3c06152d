package chart_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

// False-signal rates of range and standard deviation charts at 3 sigma (shewhart.json, COMPUTED by quadrature and the
// chi-square distribution): the probability limits at those rates are the 3-sigma limits.
func TestSpreadFalseSignals(t *testing.T) {
	var shewhart struct {
		FalseAlarm []struct {
			N     int     `json:"n"`
			R     float64 `json:"p_range_above_ucl"`
			S     float64 `json:"p_sd_above_ucl"`
			Lower float64 `json:"p_sd_below_lcl"`
		} `json:"false_alarm"`
	}
	ref.JSON(t, &shewhart, "runlength", "shewhart.json")
	require.NotEmpty(t, shewhart.FalseAlarm)
	for _, c := range shewhart.FalseAlarm {
		three, err := chart.RangeLimits(c.N, 2, chart.Width{})
		require.NoError(t, err)
		at, err := chart.RangeLimits(c.N, 2, chart.Width{Probability: 2 * c.R})
		require.NoError(t, err)
		relative(t, three.Upper, at.Upper, 1e-8, "range", c.N)

		three, err = chart.SDLimits(c.N, 2, chart.Width{})
		require.NoError(t, err)
		at, err = chart.SDLimits(c.N, 2, chart.Width{Probability: 2 * c.S})
		require.NoError(t, err)
		relative(t, three.Upper, at.Upper, 1e-8, "sd", c.N)
		require.Equal(t, c.Lower > 0, three.HasLower, "n = %d", c.N)
		if c.Lower > 0 {
			at, err = chart.SDLimits(c.N, 2, chart.Width{Probability: 2 * c.Lower})
			require.NoError(t, err)
			relative(t, three.Lower, at.Lower, 1e-7, "sd below", c.N)
		}
	}
}

// Closed forms: two values have range |x1 - x2| = sqrt(2) |z|, and 2 degrees of freedom of chi-square are
// exponential.
func TestProbabilityLimitsClosedForm(t *testing.T) {
	for _, p := range []float64{1e-12, 1e-6, 0.0027, 0.1, 0.5} {
		w := chart.Width{Probability: p}
		r, err := chart.RangeLimits(2, 1, w)
		require.NoError(t, err)
		relative(t, p/2, math.Erfc(r.Upper/2), 1e-9, "upper", p)
		relative(t, p/2, math.Erf(r.Lower/2), 1e-9, "lower", p)
		s, err := chart.SDLimits(3, 1, w)
		require.NoError(t, err)
		relative(t, math.Sqrt(-math.Log(p/2)), s.Upper, 1e-12)
		relative(t, math.Sqrt(-math.Log1p(-p/2)), s.Lower, 1e-9)
	}
}

// Equal sizes: the published way, mean(R) and mean(s) times tabulated factors (ASTM E2587, MEMORY, 3 decimals).
func TestSubgroupsEqualSizes(t *testing.T) {
	g := [][]float64{{9, 11, 10, 12}, {10, 13, 9, 11}, {8, 10, 11, 9}, {12, 10, 10, 11}}
	r, err := chart.MeanRange(g, chart.Width{})
	require.NoError(t, err)
	meanR := (3 + 4 + 3 + 2) / 4.0
	relative(t, meanR/2.0587507460079, r.SigmaWithin, 1e-12)
	require.InDelta(t, 166/16.0, r.Centre, 1e-12)
	means, err := r.MeanLimits(4)
	require.NoError(t, err)
	require.InDelta(t, r.Centre+0.729*meanR, means.Upper, 0.0005*meanR, "A2")
	spread, err := r.SpreadLimits(4)
	require.NoError(t, err)
	require.InDelta(t, 2.282*meanR, spread.Upper, 0.0005*meanR, "D4")
	require.False(t, spread.HasLower)
	require.Equal(t, []refusal.Warning{refusal.Small("subgroups", 4, 25)}, r.Warnings)

	s, err := chart.MeanSD(g, chart.Width{})
	require.NoError(t, err)
	meanS := 0.0
	for _, v := range []float64{5. / 3, 35. / 12, 5. / 3, 11. / 12} { // variances by hand
		meanS += math.Sqrt(v) / 4
	}
	relative(t, meanS/0.92131773192356, s.SigmaWithin, 1e-12)
	means, err = s.MeanLimits(4)
	require.NoError(t, err)
	require.InDelta(t, r.Centre+1.628*meanS, means.Upper, 0.0005*meanS, "A3")
	spread, err = s.SpreadLimits(4)
	require.NoError(t, err)
	require.InDelta(t, 2.266*meanS, spread.Upper, 0.0005*meanS, "B4")
}

// Subgroups of 2 to 9 values with sigma 3: both estimators are free of bias (5000 subgroups, seeded; 4 standard
// errors of at most sigma c5/c4 / sqrt(5000)).
func TestSubgroupsVariableSizes(t *testing.T) {
	src := rand.New(rand.NewPCG(3, 4))
	g := make([][]float64, 5000)
	for j := range g {
		g[j] = make([]float64, 2+src.IntN(8))
		level := 50 * src.NormFloat64() // variation between subgroups does not enter
		for i := range g[j] {
			g[j][i] = level + 3*src.NormFloat64()
		}
	}
	for name, f := range map[string]func([][]float64, chart.Width) (chart.SubgroupResult, error){"range": chart.MeanRange, "sd": chart.MeanSD} {
		r, err := f(g, chart.Width{})
		require.NoError(t, err)
		require.InDelta(t, 3, r.SigmaWithin, 4*3*0.35/math.Sqrt(5000), name)
		require.Empty(t, r.Warnings)
	}
}

// Weights by hand from the table of constants (COMPUTED): a subgroup of 2 with range 1, and one of 5 with range 3 whose
// values 0, 1, 1, 2, 3 have variance 1.3.
func TestSubgroupsWeights(t *testing.T) {
	g := [][]float64{{4, 5}, {0, 1, 1, 2, 3}}
	r, err := chart.MeanRange(g, chart.Width{})
	require.NoError(t, err)
	f2, f5 := math.Pow(1.1283791670955/0.85250246642742, 2), math.Pow(2.3259289472810/0.86408194109950, 2)
	relative(t, (f2*1/1.1283791670955+f5*3/2.3259289472810)/(f2+f5), r.SigmaWithin, 1e-12)
	relative(t, 16.0/7, r.Centre, 1e-14)
	s, err := chart.MeanSD(g, chart.Width{})
	require.NoError(t, err)
	h2, h5 := math.Pow(0.79788456080287/0.60281027498909, 2), math.Pow(0.93998560298663/0.34121410606520, 2)
	relative(t, (h2*math.Sqrt(0.5)/0.79788456080287+h5*math.Sqrt(1.3)/0.93998560298663)/(h2+h5), s.SigmaWithin, 1e-12)
}

func ExampleMeanRange() {
	g := [][]float64{{9, 11, 10, 12}, {10, 13, 9, 11}, {8, 10, 11, 9}, {12, 10, 10, 11}}
	r, _ := chart.MeanRange(g, chart.Width{})
	means, _ := r.MeanLimits(4)
	ranges, _ := r.SpreadLimits(4)
	fmt.Printf("means %.2f to %.2f, ranges up to %.2f\n", means.Lower, means.Upper, ranges.Upper)
	// Output: means 8.19 to 12.56, ranges up to 6.85
}

func ExampleMeanSD() {
	g := [][]float64{{9, 11, 10, 12}, {10, 13, 9, 11}, {8, 10, 11, 9}, {12, 10, 10, 11}}
	r, _ := chart.MeanSD(g, chart.Width{})
	sds, _ := r.SpreadLimits(4)
	fmt.Printf("sigma %.3f, standard deviations up to %.2f\n", r.SigmaWithin, sds.Upper)
	// Output: sigma 1.424, standard deviations up to 2.97
}
