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

// NIST/SEMATECH e-Handbook 6.3.2.2, flow rate of 10 batches (data and values MEMORY, recomputed). The page divides by
// the rounded d2 = 1.128; the exact one is 1.12838, so our limits lie closer by 3.4e-4 of their distance.
func TestIndividualsHandbook(t *testing.T) {
	e := handbook(t, "individuals_6_3_2_2")
	r, err := chart.Individuals(e.Inline.X, chart.IndividualsOptions{})
	require.NoError(t, err)
	e.within(t, "mean", r.Limits.Centre)
	e.within(t, "mrbar", r.MeanMovingRange)
	e.within(t, "ucl", r.Limits.Centre+3*r.MeanMovingRange/1.128)
	e.within(t, "lcl", r.Limits.Centre-3*r.MeanMovingRange/1.128)
	d2 := chart.ConstantsFor(2).D2
	relative(t, (55.8041-50.81)*1.128/d2, r.Limits.Upper-r.Limits.Centre, 5e-5)
	relative(t, r.Limits.Upper-r.Limits.Centre, r.Limits.Centre-r.Limits.Lower, 1e-12)
	require.Equal(t, r.SigmaWithin, r.Limits.Sigma)
	relative(t, r.MeanMovingRange, r.MovingRange.Centre, 1e-14)
	relative(t, 3.2665319192886*r.MeanMovingRange, r.MovingRange.Upper, 1e-12, "D4(2), COMPUTED")
	require.False(t, r.MovingRange.HasLower)
	require.Equal(t, []refusal.Warning{refusal.Small("points", 10, 100)}, r.Warnings)
}

// NIST/SEMATECH e-Handbook 2.6.2, check standard for resistivity: baseline mean ± 2 standard deviations (READ).
func TestIndividualsCheckStandard(t *testing.T) {
	e := handbook(t, "checkstd_2_6_2")
	var x []float64
	for _, row := range readCSV(t, "handbook", "checkstd_2_6_2.csv") {
		x = append(x, number(t, row["check_std"]))
	}
	r, err := chart.Individuals(x, chart.IndividualsOptions{From: chart.Overall, Width: chart.Width{K: 2}})
	require.NoError(t, err)
	e.within(t, "center", r.Limits.Centre)
	e.within(t, "lcl", r.Limits.Lower)
	e.within(t, "ucl", r.Limits.Upper)
	e.within(t, "s2", r.Limits.Sigma)
	require.Equal(t, chart.Overall, r.Options.From)
}

// NIST StRD univariate sets (READ), certified to 15 digits. The tolerances of Mavro, NumAcc3 and NumAcc4 allow for data
// of many equal leading digits that double precision itself cannot hold exactly.
func TestStRDUnivariate(t *testing.T) {
	for _, c := range []struct {
		set                  string
		tolMean, tolSD, tolR float64
	}{
		{"Lew", 1e-14, 1e-14, 1e-13}, {"Lottery", 1e-14, 1e-14, 1e-12}, {"Mavro", 1e-14, 1e-12, 1e-12},
		{"Michelso", 1e-14, 1e-13, 1e-13}, {"NumAcc1", 1e-14, 1e-14, 1e-14}, {"NumAcc2", 1e-14, 1e-14, 1e-13},
		{"NumAcc3", 1e-14, 1e-9, 1e-9}, {"NumAcc4", 1e-14, 1e-8, 1e-8},
	} {
		t.Run(c.set, func(t *testing.T) {
			var d struct {
				Data      []float64 `json:"data"`
				Certified struct {
					Mean float64 `json:"mean"`
					SD   float64 `json:"sd"`
					R    float64 `json:"lag1_autocorrelation"`
				} `json:"certified"`
			}
			ref.JSON(t, &d, "strd", "uni_"+c.set+".json")
			r, err := chart.Individuals(d.Data, chart.IndividualsOptions{From: chart.Overall})
			require.NoError(t, err)
			relative(t, d.Certified.Mean, r.Limits.Centre, c.tolMean, "mean")
			relative(t, d.Certified.SD, r.SigmaOverall, c.tolSD, "sd")
			a, err := chart.Lag1(d.Data)
			require.NoError(t, err)
			relative(t, d.Certified.R, a.R, c.tolR, "lag 1")
			relative(t, 1.96/math.Sqrt(float64(len(d.Data))), a.Band, 1e-4)
			require.Equal(t, math.Abs(d.Certified.R) > a.Band, a.Significant)
		})
	}
}

// Shifting and scaling a baseline shifts and scales its limits; turning it upside down mirrors them; the input is
// left as it was.
func TestIndividualsEquivariance(t *testing.T) {
	src := rand.New(rand.NewPCG(1, 2))
	x, y, m := make([]float64, 150), make([]float64, 150), make([]float64, 150)
	for i := range x {
		x[i] = src.NormFloat64()
		y[i] = 1107.5 + 0.25*x[i]
		m[i] = -x[i]
	}
	kept := append([]float64(nil), x...)
	for _, from := range []chart.SigmaFrom{chart.MovingRange, chart.Overall} {
		for _, w := range []chart.Width{{}, {K: 2}, {Probability: 0.0027}} {
			o := chart.IndividualsOptions{From: from, Width: w}
			a, err := chart.Individuals(x, o)
			require.NoError(t, err)
			b, err := chart.Individuals(y, o)
			require.NoError(t, err)
			c, err := chart.Individuals(m, o)
			require.NoError(t, err)
			relative(t, 1107.5+0.25*a.Limits.Upper, b.Limits.Upper, 1e-14)
			relative(t, 1107.5+0.25*a.Limits.Lower, b.Limits.Lower, 1e-14)
			relative(t, 0.25*a.MovingRange.Upper, b.MovingRange.Upper, 1e-9)
			require.Equal(t, -a.Limits.Upper, c.Limits.Lower)
			require.InDelta(t, a.Lag1.R, b.Lag1.R, 1e-10)
		}
	}
	require.Equal(t, kept, x)
}

// A probability of 0.0026998 is that beyond 3 sigma: 1/370.398 (shewhart.json, COMPUTED).
func TestWidthProbability(t *testing.T) {
	l, err := chart.GivenLimits(10, 2, chart.Width{Probability: 1 / 370.3983473})
	require.NoError(t, err)
	relative(t, 16, l.Upper, 1e-9)
	relative(t, 4, l.Lower, 1e-9)
	// Far out in the tail, against the tail itself.
	for _, p := range []float64{1e-3, 1e-10, 1e-30, 1e-100} {
		l, err = chart.GivenLimits(0, 1, chart.Width{Probability: p})
		require.NoError(t, err)
		relative(t, p, math.Erfc(l.Upper/math.Sqrt2), 1e-10)
	}
}

func TestRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	individuals := func(x ...float64) error {
		_, err := chart.Individuals(x, chart.IndividualsOptions{})
		return err
	}
	given := func(c, s float64, w chart.Width) error { _, err := chart.GivenLimits(c, s, w); return err }
	meanRange := func(g ...[]float64) error { _, err := chart.MeanRange(g, chart.Width{}); return err }
	meanSD := func(g ...[]float64) error { _, err := chart.MeanSD(g, chart.Width{}); return err }
	lag1 := func(x ...float64) error { _, err := chart.Lag1(x); return err }
	sdLimits := func(n int, s float64) error { _, err := chart.SDLimits(n, s, chart.Width{}); return err }
	for _, c := range []struct {
		name   string
		err    error
		reason refusal.Reason
		say    string
	}{
		{"no value", individuals(), refusal.TooFew, "needs at least 2 values, has 0"},
		{"one value", individuals(1), refusal.TooFew, "needs at least 2 values, has 1"},
		{"not a number", individuals(1, 2, nan), refusal.NonFinite, "values: number 3 is not"},
		{"infinite", individuals(1, inf, 2), refusal.NonFinite, "values: number 2 is not"},
		{"too large to square", individuals(1, 1e300), refusal.NonFinite, "values: number 2 is not"},
		{"steady", individuals(0.1, 0.1, 0.1), refusal.ZeroVariance, "the values do not vary"},
		{"steady pairs", meanRange([]float64{1, 1}, []float64{2, 2}), refusal.ZeroVariance, "the values inside the subgroups do not vary"},
		{"steady triples", meanSD([]float64{.1, .1, .1}, []float64{2, 2}), refusal.ZeroVariance, "the values inside the subgroups do not vary"},
		{"one subgroup", meanRange([]float64{1, 2}), refusal.TooFew, "needs at least 2 subgroups, has 1"},
		{"subgroup of one", meanSD([]float64{1, 2}, []float64{1}), refusal.TooFew, "needs at least 2 values in a subgroup, has 1: subgroup 2"},
		{"not a number in a subgroup", meanSD([]float64{1, 2}, []float64{1, nan}), refusal.NonFinite, "subgroups: number 2 is not"},
		{"correlation of two", lag1(1, 2), refusal.TooFew, "needs at least 3 values, has 2"},
		{"correlation of steady values", lag1(.3, .3, .3), refusal.ZeroVariance, "the values do not vary"},
		{"sigma 0", given(1, 0, chart.Width{}), refusal.OutOfRange, "the given sigma is 0: it must be"},
		{"sigma not a number", given(1, nan, chart.Width{}), refusal.OutOfRange, "the given sigma is NaN"},
		{"centre infinite", given(inf, 1, chart.Width{}), refusal.OutOfRange, "the given centre is +Inf"},
		{"negative k", given(1, 1, chart.Width{K: -1}), refusal.OutOfRange, "the sigma multiple of the limits is -1"},
		{"k not a number", given(1, 1, chart.Width{K: nan}), refusal.OutOfRange, "the sigma multiple of the limits is NaN"},
		{"probability above a half", given(1, 1, chart.Width{Probability: 0.51}), refusal.OutOfRange, "the probability of the limits is 0.51"},
		{"probability below 0", given(1, 1, chart.Width{Probability: -.1}), refusal.OutOfRange, "the probability of the limits is -0.1"},
		{"sd of one", sdLimits(1, 1), refusal.TooFew, "needs at least 2 values in a subgroup, has 1"},
		{"sd, sigma 0", sdLimits(2, 0), refusal.OutOfRange, "the given sigma is 0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var refused *refusal.Error
			require.ErrorAs(t, c.err, &refused)
			require.Equal(t, c.reason, refused.Reason)
			require.Contains(t, refused.Error(), c.say)
		})
	}
}

func FuzzIndividuals(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 0.0)
	f.Add(0.1, 0.1, 0.1, 0.0027)
	f.Add(1e150, -1e150, 0.0, 0.5)
	f.Add(5e-324, 0.0, 1e-300, 1e-100)
	f.Add(0.0, 46.0, 65.0, 0.99)
	f.Fuzz(func(t *testing.T, a, b, c, p float64) {
		r, err := chart.Individuals([]float64{a, b, c, a}, chart.IndividualsOptions{Width: chart.Width{Probability: p}})
		if err != nil {
			var refused *refusal.Error
			require.ErrorAs(t, err, &refused)
			return
		}
		for _, l := range []chart.Limits{r.Limits, r.MovingRange} {
			for _, v := range []float64{l.Lower, l.Centre, l.Upper, l.Sigma} {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%+v", r)
			}
			require.LessOrEqual(t, l.Centre, l.Upper)
		}
		require.LessOrEqual(t, math.Abs(r.Lag1.R), 1.0)
	})
}

func ExampleIndividuals() {
	// Flow rates of ten batches, NIST/SEMATECH e-Handbook 6.3.2.2.
	x := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	r, err := chart.Individuals(x, chart.IndividualsOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f between %.2f and %.2f\n", r.Limits.Centre, r.Limits.Lower, r.Limits.Upper)
	for _, w := range r.Warnings {
		fmt.Println(w)
	}
	// Output:
	// 50.81 between 45.82 and 55.80
	// This rests on 10 points; 100 would be enough.
}

func ExampleGivenLimits() {
	l, err := chart.GivenLimits(1107.5, 0.8, chart.Width{})
	fmt.Printf("%.1f to %.1f mm %v\n", l.Lower, l.Upper, err)
	// Output: 1105.1 to 1109.9 mm <nil>
}

func ExampleLag1() {
	a, _ := chart.Lag1([]float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})
	fmt.Printf("%.2f, band %.2f, significant: %v\n", a.R, a.Band, a.Significant)
	// Output: 0.70, band 0.62, significant: true
}

// Neighbours that repel each other widen the moving range, neighbours that resemble each other narrow it: the warning says
// which way the limits are off.
func TestWarningOfCorrelationSaysWhichWay(t *testing.T) {
	x := make([]float64, 120)
	for i := range x {
		x[i] = float64(i%2) + 0.01*float64(i%7)
	}
	r, err := chart.Individuals(x, chart.IndividualsOptions{})
	require.NoError(t, err)
	require.Negative(t, r.Lag1.R)
	require.Contains(t, r.Warnings[0].String(), "too wide")
	require.Greater(t, r.SigmaWithin, r.SigmaOverall)
	for i := range x {
		x[i] = float64(i / 10 % 2)
	}
	r, err = chart.Individuals(x, chart.IndividualsOptions{})
	require.NoError(t, err)
	require.Contains(t, r.Warnings[0].String(), "too often")
	require.Less(t, r.SigmaWithin, r.SigmaOverall)
}
