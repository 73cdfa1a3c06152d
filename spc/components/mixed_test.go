package components_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/components"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

// handbook reads columns of a data file of the NIST/SEMATECH e-Handbook; whole numbers serve as levels.
func handbook(t testing.TB, file string) (column func(string) []float64, level func(string) components.Factor) {
	t.Helper()
	f, err := os.Open(ref.Path(t, "handbook", file))
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	column = func(name string) []float64 {
		j := slices.Index(rows[0], name)
		require.GreaterOrEqual(t, j, 0, name)
		var out []float64
		for _, r := range rows[1:] {
			v, err := strconv.ParseFloat(r[j], 64)
			require.NoError(t, err)
			out = append(out, v)
		}
		return out
	}
	level = func(name string) components.Factor {
		out := components.Factor{Name: name}
		for _, v := range column(name) {
			out.Level = append(out.Level, int(v))
		}
		return out
	}
	return column, level
}

// kept takes rows out, so that data become unbalanced.
func kept[T any](x []T, keep func(i int) bool) []T {
	var out []T
	for i, v := range x {
		if keep(i) {
			out = append(out, v)
		}
	}
	return out
}

// unbalanced is the lithography set (handbook 6.6.1) without the rows whose sequence number s has 7s mod 11 < 3: 328 values
// of 90 wafers in 30 cassettes, crossed with 5 sites.
func unbalanced(t testing.TB) (components.Rows, []components.Factor) {
	column, level := handbook(t, "lithography_6_6_1.csv")
	seq := column("sequence")
	keep := func(i int) bool { return int(seq[i])*7%11 >= 3 }
	thin := func(f components.Factor) components.Factor {
		return components.Factor{Name: f.Name, Level: kept(f.Level, keep)}
	}
	c, s := thin(level("cassette")), thin(level("site"))
	return components.Rows{Mean: kept(column("linewidth"), keep)}, []components.Factor{c, components.Within(c, thin(level("wafer"))), s}
}

// Expected values: NumPy 1.24.2, Newton iteration on the likelihood written out with dense 328 x 328 matrices (score and
// observed information from P and V_i) to a score below 3e-12; lme4 1.1.31 (R 4.2.2) agrees to its own 5e-6.
func TestFitMixedAgainstDenseLikelihood(t *testing.T) {
	rows, factors := unbalanced(t)
	for _, c := range []struct {
		estimator         components.Method
		variance, se      [4]float64
		ll, mean, meanSE  float64
		withoutSE, allSE  float64
		lmeLogLik, lmeTol float64
	}{
		{components.REML, [4]float64{0.2574341492834359, 0.07727924978957995, 0.13203124418092677, 0.039930312717340544},
			[4]float64{0.07552094040262909, 0.016147999537918754, 0.09383826584307219, 0.003690668731913834},
			-76.41983901854799, 2.522617452578962, 0.18965731862908092, 0.09528140435774131, 0.1208876318945045, -76.4198390185801, 1e-9},
		{components.ML, [4]float64{0.2545247121754778, 0.0772686017571576, 0.1120892458060394, 0.039932306338486344},
			[4]float64{0.07412931697143162, 0.016146155352608115, 0.07194930167990052, 0.0036910326025547165},
			-75.64472876493232, 2.522612417359084, 0.17856204891252, 0.07381320028227349, 0.10469261508606169, -75.6447287656309, 2e-9},
	} {
		r, err := components.FitMixed(rows, factors, components.Options{Estimator: c.estimator})
		require.NoError(t, err)
		require.Equal(t, c.estimator, r.Method)
		require.True(t, r.Converged)
		for i, comp := range r.Components {
			ref.Relative(t, c.variance[i], comp.Variance, 2e-9, comp.Name)
			ref.Relative(t, c.se[i], comp.SE, 2e-6, "standard error of "+comp.Name)
		}
		ref.Relative(t, c.ll, r.LogLikelihood, 1e-12, "log likelihood")
		ref.Absolute(t, c.lmeLogLik, r.LogLikelihood, c.lmeTol, "log likelihood of lme4")
		ref.Relative(t, c.mean, r.Mean, 1e-11, "mean")
		ref.Relative(t, c.meanSE, r.MeanSE, 1e-8, "standard error of the mean")
		ref.Relative(t, c.allSE, r.Total.SE, 2e-6, "standard error of the total")
		w, err := r.Without("cassette")
		require.NoError(t, err)
		ref.Relative(t, c.withoutSE, w.SE, 2e-6, "standard error without cassette")
		ref.Relative(t, c.variance[1]+c.variance[2]+c.variance[3], w.Variance, 2e-9, "without cassette")
		require.Less(t, w.Interval.Lower, w.Variance)
		require.Greater(t, w.Interval.Upper, w.Variance)
	}
}

// Profile limits: confint(profile(lmer(..., REML = FALSE))) of lme4 1.1.31, which interpolates the profile by splines.
func TestFitMixedProfile(t *testing.T) {
	rows, factors := unbalanced(t)
	r, err := components.FitMixed(rows, factors, components.Options{Estimator: components.ML, Interval: components.Profile})
	require.NoError(t, err)
	want := [][2]float64{{0.1471684698166, 0.4664535781178}, {0.0518751764723, 0.1181776145662}, {0.0391611219914, 0.5391302570362}, {0.0334927145889, 0.0481338094473}}
	for i, c := range r.Components {
		require.Equal(t, components.Profile, c.Interval.Method)
		ref.Relative(t, want[i][0], c.Interval.Lower, 5e-4, c.Name+", lower")
		ref.Relative(t, want[i][1], c.Interval.Upper, 5e-4, c.Name+", upper")
	}
}

// The special cases agree with the functions made for them.
func TestFitMixedAgreesWithNestedAndCrossed(t *testing.T) {
	rows, factors := unbalanced(t)
	same := func(want *components.Result, got *components.MixedResult) {
		t.Helper()
		for i, c := range want.Components {
			ref.Relative(t, c.Variance, got.Components[i].Variance, 1e-7, c.Name)
		}
		ref.Relative(t, want.LogLikelihood, got.LogLikelihood, 1e-11, "log likelihood")
		ref.Relative(t, want.MeanSE, got.MeanSE, 1e-7, "standard error of the mean")
	}
	levels := make([][]int, len(rows.Mean))
	for i := range levels {
		levels[i] = []int{factors[0].Level[i], factors[1].Level[i]}
	}
	nested, err := components.FitNested(levels, rows.Mean, components.Options{})
	require.NoError(t, err)
	mixed, err := components.FitMixed(rows, factors[:2], components.Options{})
	require.NoError(t, err)
	same(nested, mixed)

	cells, err := components.Cells(factors[2].Level, factors[0].Level, rows.Mean)
	require.NoError(t, err)
	crossed, err := components.FitCrossed(cells, components.Options{Interaction: true})
	require.NoError(t, err)
	fs := []components.Factor{factors[2], factors[0], components.Within(factors[0], factors[2])}
	fs[2].Name = "cassette x site"
	mixed, err = components.FitMixed(rows, fs, components.Options{})
	require.NoError(t, err)
	same(crossed, mixed)
	// Cells stand for their values.
	var sums components.Rows
	a, b := components.Factor{Name: "site"}, components.Factor{Name: "cassette"}
	for _, c := range cells {
		sums.Mean, sums.N, sums.SS = append(sums.Mean, c.Mean), append(sums.N, c.N), append(sums.SS, c.SS)
		a.Level, b.Level = append(a.Level, c.A), append(b.Level, c.B)
	}
	mixed, err = components.FitMixed(sums, []components.Factor{a, b, components.Within(a, b)}, components.Options{})
	require.NoError(t, err)
	same(crossed, mixed)
}

// Furnace data (handbook 3.5.1): zone and wafer crossed with runs add nothing beside the locations; log likelihood by lme4
// 1.1.31, components as published (page 3.5.1.4).
func TestFitMixedComponentsAtZero(t *testing.T) {
	column, level := handbook(t, "furnace_3_5_1.csv")
	place := components.Within(level("run"), level("zone"))
	place.Name = "place"
	r, err := components.FitMixed(components.Values(column("thickness")), []components.Factor{level("run"), level("zone"), place, level("wafer")}, components.Options{})
	require.NoError(t, err)
	ref.Absolute(t, -721.191005265236, r.LogLikelihood, 1e-7, "log likelihood")
	ref.Absolute(t, 312.55694, r.Components[0].Variance, 1e-4, "run")
	ref.Absolute(t, 225.38294, r.Components[2].Variance, 1e-4, "place")
	ref.Absolute(t, 120.89286, r.Components[4].Variance, 1e-4, "residual")
	for _, i := range []int{1, 3} {
		c := r.Components[i]
		require.True(t, c.Zero)
		require.Zero(t, c.Variance)
		require.Zero(t, c.Interval.Lower)
		require.Positive(t, c.Interval.Upper)
		require.Equal(t, components.Profile, c.Interval.Method)
	}
	require.True(t, slices.ContainsFunc(r.Warnings, func(w refusal.Warning) bool { return w.Kind == refusal.Adjusted && w.What == "zone" }))
}

func TestFitMixedDoesNotChangeWith(t *testing.T) {
	rows, factors := unbalanced(t)
	want, err := components.FitMixed(rows, factors, components.Options{})
	require.NoError(t, err)
	n := len(rows.Mean)
	order := rand.New(rand.NewPCG(3, 4)).Perm(n)
	turned := components.Rows{Mean: make([]float64, n)}
	fs := make([]components.Factor, len(factors))
	for k, f := range factors {
		fs[k] = components.Factor{Name: f.Name, Level: make([]int, n)}
	}
	const a, b = 1000.0, -0.001 // another unit, another zero, turned round
	for i, j := range order {
		turned.Mean[i] = a + b*rows.Mean[j]
		for k, f := range factors {
			fs[k].Level[i] = 1 << 40 / (f.Level[j] + 3) // other names of levels, far apart
		}
	}
	got, err := components.FitMixed(turned, fs, components.Options{})
	require.NoError(t, err)
	for i, c := range want.Components {
		ref.Relative(t, b*b*c.Variance, got.Components[i].Variance, 1e-6, c.Name)
		ref.Relative(t, b*b*c.Interval.Upper, got.Components[i].Interval.Upper, 1e-5, c.Name)
	}
	ref.Relative(t, a+b*want.Mean, got.Mean, 1e-12, "mean")
	// The order of factors only orders the components.
	slices.Reverse(factors)
	got, err = components.FitMixed(rows, factors, components.Options{})
	require.NoError(t, err)
	for i := range factors {
		ref.Relative(t, want.Components[i].Variance, got.Components[len(factors)-1-i].Variance, 1e-8, want.Components[i].Name)
	}
}

// Limits of mould, shift and hour cover at their level: invented processes with gaps, most with the quicker limits.
func TestFitMixedCoverage(t *testing.T) {
	const runs = 200
	true4 := []float64{1, 0.5, 0.3, 1}
	hits := map[components.IntervalMethod]*[5]int{components.LogWald: {}, components.Profile: {}}
	tries := map[components.IntervalMethod]float64{}
	for i := range runs {
		r := rand.New(rand.NewPCG(7, uint64(i)))
		var rows components.Rows
		fs := []components.Factor{{Name: "mould"}, {Name: "shift"}, {Name: "hour"}}
		mould := make([]float64, 10)
		for m := range mould {
			mould[m] = r.NormFloat64()
		}
		for shift := range 12 {
			es := math.Sqrt(true4[1]) * r.NormFloat64()
			for hour := range 3 {
				eh := math.Sqrt(true4[2]) * r.NormFloat64()
				for m, em := range mould {
					if r.Float64() < 0.3 {
						continue
					}
					rows.Mean = append(rows.Mean, 5+em+es+eh+r.NormFloat64())
					fs[0].Level, fs[1].Level, fs[2].Level = append(fs[0].Level, m), append(fs[1].Level, shift), append(fs[2].Level, 3*shift+hour)
				}
			}
		}
		how := components.LogWald
		tries[components.LogWald]++
		if i%5 == 4 {
			tries[components.LogWald]--
			tries[components.Profile]++
			how = components.Profile // slower
		}
		res, err := components.FitMixed(rows, fs, components.Options{Confidence: 0.9, Interval: how})
		require.NoError(t, err)
		total := 0.0
		for k, v := range true4 {
			total += v
			if res.Components[k].Interval.Contains(v) {
				hits[how][k]++
			}
		}
		if res.Total.Interval.Contains(total) {
			hits[how][4]++
		}
	}
	for how, h := range hits {
		for k, n := range h {
			// Three standard errors of the count, and 2 % for what few levels cost limits that are approximate.
			require.InDelta(t, 0.9, float64(n)/tries[how], 3*math.Sqrt(0.09/tries[how])+0.02, "%s, component %d", how, k)
		}
	}
}

func TestFitMixedRefuses(t *testing.T) {
	y := []float64{1, 2, 3, 5, 4, 7}
	a := components.Factor{Name: "mould", Level: []int{1, 1, 2, 2, 3, 3}}
	one := func(rows components.Rows, fs ...components.Factor) error {
		_, err := components.FitMixed(rows, fs, components.Options{})
		return err
	}
	same := components.Factor{Name: "station", Level: []int{7, 7, 9, 9, 8, 8}}
	own := components.Factor{Name: "panel", Level: []int{1, 2, 3, 4, 5, 6}}
	single := components.Factor{Name: "press", Level: []int{1, 1, 1, 1, 1, 1}}
	many := components.Factor{Name: "hour"}
	cross := components.Factor{Name: "panel"}
	var long components.Rows
	for i := range 2000 {
		long.Mean = append(long.Mean, float64(i*i%17))
		many.Level, cross.Level = append(many.Level, i/3), append(cross.Level, i%600)
	}
	for name, c := range map[string]struct {
		err    error
		reason refusal.Reason
	}{
		"no values":          {one(components.Rows{}, a), refusal.TooFew},
		"no factor":          {one(components.Values(y)), refusal.TooFew},
		"one level":          {one(components.Values(y), single), refusal.TooFew},
		"a level per value":  {one(components.Values(y), own), refusal.Mismatch},
		"alike":              {one(components.Values(y), a, same), refusal.Mismatch},
		"lengths":            {one(components.Values(y[:5]), a), refusal.Mismatch},
		"not finite":         {one(components.Values([]float64{1, 2, math.NaN(), 3, 4, 5}), a), refusal.NonFinite},
		"no variation":       {one(components.Values([]float64{2, 2, 2, 2, 2, 2}), a), refusal.ZeroVariance},
		"no residual":        {one(components.Values([]float64{1, 1, 2, 2, 5, 5}), a), refusal.ZeroVariance},
		"too many crossed":   {one(long, many, cross), refusal.OutOfRange},
		"counts":             {one(components.Rows{Mean: y, N: []int{1, 1, 0, 1, 1, 1}}, a), refusal.Mismatch},
		"squares of one":     {one(components.Rows{Mean: y, SS: []float64{0, 0, 1, 0, 0, 0}}, a), refusal.Mismatch},
		"negative squares":   {one(components.Rows{Mean: y, N: []int{2, 2, 2, 2, 2, 2}, SS: []float64{0, 0, -1, 0, 0, 0}}, a), refusal.Negative},
		"counts of too few":  {one(components.Rows{Mean: y, N: []int{1, 1}}, a), refusal.Mismatch},
		"infinite squares":   {one(components.Rows{Mean: y, N: []int{2, 2, 2, 2, 2, 2}, SS: []float64{0, 0, math.Inf(1), 0, 0, 0}}, a), refusal.NonFinite},
		"squares of too few": {one(components.Rows{Mean: y, SS: []float64{0}}, a), refusal.Mismatch},
	} {
		var e *refusal.Error
		require.True(t, errors.As(c.err, &e), "%s: %v", name, c.err)
		require.Equal(t, c.reason, e.Reason, "%s: %v", name, c.err)
	}
	r, err := components.FitMixed(components.Values(y), []components.Factor{a}, components.Options{})
	require.NoError(t, err)
	_, err = r.Without("lane")
	require.Error(t, err)
	_, err = r.Without("mould", "residual")
	require.Error(t, err)
	require.Panics(t, func() { components.Within(a, many) })
}

func FuzzFitMixed(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}, uint8(3))
	f.Add([]byte{0, 0, 0, 0, 255, 255, 255, 255}, uint8(2))
	f.Fuzz(func(t *testing.T, b []byte, k uint8) {
		b = b[:min(len(b), 60)]
		var rows components.Rows
		fs := []components.Factor{{Name: "a"}, {Name: "b"}}
		for i, v := range b {
			rows.Mean = append(rows.Mean, float64(v)/3)
			fs[0].Level = append(fs[0].Level, i%(int(k%9)+1))
			fs[1].Level = append(fs[1].Level, i/4)
		}
		r, err := components.FitMixed(rows, fs, components.Options{})
		if err != nil {
			var e *refusal.Error
			require.True(t, errors.As(err, &e), "%v", err)
			return
		}
		for _, c := range append(r.Components, r.Total) {
			for _, v := range []float64{c.Variance, c.SE, c.Share, c.Interval.Lower, c.Interval.Upper} {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0) || v < 0, "%+v", c)
			}
		}
	})
}

// Lithography line width, handbook 6.6.1: cassettes and wafers nested, the five sites crossed with both.
func ExampleFitMixed() {
	var t testing.T
	column, level := handbook(&t, "lithography_6_6_1.csv")
	wafer := components.Within(level("cassette"), level("wafer"))
	r, err := components.FitMixed(components.Values(column("linewidth")), []components.Factor{level("cassette"), wafer}, components.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range r.Components {
		fmt.Printf("%s %.4f (%.4f to %.4f)\n", c.Name, c.Variance, c.Interval.Lower, c.Interval.Upper)
	}
	w, _ := r.Without("cassette")
	fmt.Printf("if all cassettes were alike %.4f (%.4f to %.4f)\n", w.Variance, w.Interval.Lower, w.Interval.Upper)
	// Output:
	// cassette 0.2645 (0.1494 to 0.4683)
	// wafer 0.0500 (0.0269 to 0.0927)
	// residual 0.1755 (0.1516 to 0.2031)
	// if all cassettes were alike 0.2255 (0.1916 to 0.2653)
}

// BenchmarkYearByMouldShiftHour is a year of hourly means of 22 moulds with shifts around the hours.
func BenchmarkYearByMouldShiftHour(b *testing.B) {
	var rows components.Rows
	fs := []components.Factor{{Name: "mould"}, {Name: "shift"}, {Name: "hour"}}
	r := rand.New(rand.NewPCG(1, 3))
	shift := make([]float64, 1095)
	for i := range shift {
		shift[i] = 0.2 * r.NormFloat64()
	}
	for _, c := range year(22) {
		c.Mean += shift[c.B/8]
		rows.Mean, rows.N, rows.SS = append(rows.Mean, c.Mean), append(rows.N, c.N), append(rows.SS, c.SS)
		fs[0].Level, fs[1].Level, fs[2].Level = append(fs[0].Level, c.A), append(fs[1].Level, c.B/8), append(fs[2].Level, c.B)
	}
	for b.Loop() {
		if _, err := components.FitMixed(rows, fs, components.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
