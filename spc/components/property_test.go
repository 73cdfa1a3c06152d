package components_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/components"
	"sagwatch/spc/refusal"
)

// estimators are all ways to estimate from rows of two factors.
var estimators = map[string]func(a, b []int, y []float64) (*components.Result, error){
	"nested":                       nested(components.Nested, components.Options{}),
	"nested, Satterthwaite":        nested(components.Nested, components.Options{Interval: components.Satterthwaite}),
	"nested fit":                   nested(components.FitNested, components.Options{}),
	"nested ML fit":                nested(components.FitNested, components.Options{Estimator: components.ML, Interval: components.Profile}),
	"crossed":                      crossed(components.Crossed, components.Options{}),
	"crossed with interaction":     crossed(components.Crossed, components.Options{Interaction: true}),
	"crossed fit":                  crossed(components.FitCrossed, components.Options{Interval: components.Profile}),
	"crossed fit with interaction": crossed(components.FitCrossed, components.Options{Interaction: true}),
}

func nested(f func([][]int, []float64, components.Options) (*components.Result, error), o components.Options) func(a, b []int, y []float64) (*components.Result, error) {
	return func(a, b []int, y []float64) (*components.Result, error) {
		levels := make([][]int, len(a))
		for i := range a {
			levels[i] = []int{a[i], b[i]}
		}
		return f(levels, y, o)
	}
}

func crossed(f func([]components.Cell, components.Options) (*components.Result, error), o components.Options) func(a, b []int, y []float64) (*components.Result, error) {
	return func(a, b []int, y []float64) (*components.Result, error) {
		cells, err := components.Cells(a, b, y)
		if err != nil {
			return nil, err
		}
		return f(cells, o)
	}
}

func TestShiftScaleOrderAndNumbers(t *testing.T) {
	t.Parallel()
	for name, f := range estimators {
		t.Run(name, func(t *testing.T) {
			a, b, y := crossedRows(rand.New(rand.NewPCG(8, 8)), 6, 9, 3, [4]float64{1, 0.5, 0.3, 0.4}, 0.85)
			r, err := f(a, b, y)
			require.NoError(t, err)
			// Order and numbers of levels: equal to rounding, order alone to the bit.
			rnd := rand.New(rand.NewPCG(1, 2))
			p := rnd.Perm(len(y))
			a2, b2, y2 := make([]int, len(y)), make([]int, len(y)), make([]float64, len(y))
			for i, j := range p {
				a2[i], b2[i], y2[i] = a[j], b[j], y[j]
			}
			o, err := f(a2, b2, y2)
			require.NoError(t, err)
			require.Equal(t, r, o)
			for i := range a2 {
				a2[i], b2[i] = 70-3*a2[i], 1000-b2[i]
			}
			o, err = f(a2, b2, y2)
			require.NoError(t, err)
			same(t, r, o, 1)
			const shift, scale = -300.0, 1.0 / 3
			for i, v := range y {
				y2[i] = (v + shift) * scale
			}
			o, err = f(a, b, y2)
			require.NoError(t, err)
			same(t, r, o, scale)
			require.InDelta(t, (r.Mean+shift)*scale, o.Mean, 1e-8)
		})
	}
}

// same tells that o has the components of r times scale^2.
func same(t *testing.T, r, o *components.Result, scale float64) {
	t.Helper()
	near := func(want, got float64) {
		t.Helper()
		require.InDelta(t, want*scale*scale, got, 1e-6*(math.Abs(want)+1e-3*r.Total.Variance)*scale*scale)
	}
	total := 0.0
	for i, c := range r.Components {
		near(c.Variance, o.Components[i].Variance)
		near(c.SE, o.Components[i].SE)
		near(c.Interval.Lower, o.Components[i].Interval.Lower)
		near(c.Interval.Upper, o.Components[i].Interval.Upper)
		require.InDelta(t, c.Share, o.Components[i].Share, 1e-6)
		total += c.Share
	}
	require.InDelta(t, 1, total, 1e-12)
	for i, m := range r.Table {
		require.InEpsilon(t, m.F+1, o.Table[i].F+1, 1e-8)
		require.InDelta(t, m.P, o.Table[i].P, 1e-8)
	}
}

// Balanced, and off the bound, REML is the analysis of variance, and the standard error of the residual that of its mean
// square, v sqrt(2/df).
func TestBalancedREMLIsTheAnalysisOfVariance(t *testing.T) {
	t.Parallel()
	off := 0
	for seed := range uint64(20) {
		a, b, y := crossedRows(rand.New(rand.NewPCG(seed, 21)), 5, 8, 1, [4]float64{1, 0.7, 0, 0.5}, 1)
		a3, b3, y3 := append(a, a...), append(b, b...), append([]float64(nil), y...)
		rnd := rand.New(rand.NewPCG(seed, 22))
		for _, v := range y {
			y3 = append(y3, v+0.8*rnd.NormFloat64())
		}
		for i, pair := range [][2]string{{"nested", "nested fit"}, {"crossed", "crossed fit"}, {"crossed with interaction", "crossed fit with interaction"}} {
			ls, fs := estimators[pair[0]], estimators[pair[1]]
			l, err := ls(a3, b3, y3)
			require.NoError(t, err)
			require.Equal(t, components.ANOVA, l.Method)
			require.True(t, l.Balanced)
			f, err := fs(a3, b3, y3)
			require.NoError(t, err)
			bound := false
			for _, c := range l.Components {
				bound = bound || c.Raw <= 0
			}
			if bound {
				continue
			}
			off++
			for j, c := range l.Components {
				require.InEpsilon(t, c.Variance, f.Components[j].Variance, 1e-7, "case %d, component %d", i, j)
			}
			last := len(l.Table) - 1
			require.InEpsilon(t, l.Table[last].MS*math.Sqrt(2/l.Table[last].DF), f.Components[last].SE, 1e-6)
			require.InDelta(t, l.Mean, f.Mean, 1e-9)
			require.InEpsilon(t, l.MeanSE, f.MeanSE, 1e-7)
		}
	}
	require.Greater(t, off, 30)
}

// Estimates are unbiased (analysis of variance, balanced or not), or nearly so (REML away from the bound).
func TestPlantedComponentsAreRecovered(t *testing.T) {
	t.Parallel()
	const runs = 120
	want := []float64{1, 0.6, 0.4, 0.5}
	for _, name := range []string{"crossed with interaction", "crossed fit with interaction"} {
		sum, sum2 := make([]float64, 4), make([]float64, 4)
		for seed := range uint64(runs) {
			a, b, y := crossedRows(rand.New(rand.NewPCG(seed, 31)), 12, 15, 2, [4]float64(want), 0.9)
			r, err := estimators[name](a, b, y)
			require.NoError(t, err)
			for i, c := range r.Components {
				sum[i] += c.Raw
				sum2[i] += c.Raw * c.Raw
			}
		}
		for i, v := range want {
			mean := sum[i] / runs
			se := math.Sqrt((sum2[i]/runs - mean*mean) / runs)
			require.InDelta(t, v, mean, 3.5*se, "%s, component %d (standard error %.3g)", name, i, se)
		}
	}
}

// Limits cover at their level: within 3.5 standard errors of the simulation where exact, and not below 90 % of 95 where
// approximate.
func TestIntervalsCover(t *testing.T) {
	t.Parallel()
	const runs = 500
	se := math.Sqrt(0.95 * 0.05 / runs)
	cover := func(draw func(r *rand.Rand) *components.Result, want []float64) []float64 {
		hit := make([]float64, len(want))
		for seed := range uint64(runs) {
			r := draw(rand.New(rand.NewPCG(seed, 41)))
			for i, c := range append(r.Components, r.Total) {
				if c.Interval.Contains(want[i]) {
					hit[i] += 1.0 / runs
				}
			}
		}
		return hit
	}
	t.Run("modified large sample, balanced nested", func(t *testing.T) {
		v := []float64{1, 0.5, 0.4}
		hit := cover(func(r *rand.Rand) *components.Result {
			l, y := nestedRows(r, []int{8, 4, 3}, 1, append(v[:2:2], 0, v[2]))
			l2 := make([][]int, len(l)) // the third factor is without variance: three values each
			for i := range l {
				l2[i] = l[i][:2]
			}
			res, err := components.Nested(l2, y, components.Options{})
			require.NoError(t, err)
			return res
		}, append(v, 1.9))
		require.InDelta(t, 0.95, hit[2], 3.5*se) // chi-square, exact
		for i, h := range hit {
			require.InDelta(t, 0.955, h, 0.005+4*se, "component %d: %v", i, hit)
		}
	})
	t.Run("modified large sample, balanced crossed", func(t *testing.T) {
		v := [4]float64{1, 0.5, 0.3, 0.4}
		hit := cover(func(r *rand.Rand) *components.Result {
			a, b, mean := crossedRows(r, 6, 9, 1, [4]float64{v[0], v[1], 0, v[2]}, 1)
			a, b = append(a, a...), append(b, b...)
			y := append(mean, mean...)
			for i := range y {
				y[i] += math.Sqrt(v[3]) * r.NormFloat64()
			}
			res, err := estimators["crossed with interaction"](a, b, y)
			require.NoError(t, err)
			return res
		}, append(v[:], 2.2))
		require.InDelta(t, 0.95, hit[3], 3.5*se) // chi-square, exact
		for i, h := range hit {
			require.InDelta(t, 0.955, h, 0.005+4*se, "component %d: %v", i, hit)
		}
	})
	t.Run("REML, many levels", func(t *testing.T) {
		v := [4]float64{1, 0.6, 0, 0.5}
		for _, m := range []components.IntervalMethod{components.LogWald} {
			hit := cover(func(r *rand.Rand) *components.Result {
				a, b, y := crossedRows(r, 20, 25, 1, v, 0.9)
				res, err := crossed(components.FitCrossed, components.Options{Interval: m})(a, b, y)
				require.NoError(t, err)
				return res
			}, []float64{1, 0.6, 0.5, 2.1})
			require.InDelta(t, 0.95, hit[2], 4*se, m)
			for i, h := range hit {
				require.InDelta(t, 0.95, h, 0.01+3*se, "component %d by %s: %v", i, m, hit)
			}
		}
	})
	t.Run("REML profile, one way with few levels", func(t *testing.T) {
		hit := cover(func(r *rand.Rand) *components.Result {
			l, y := nestedRows(r, []int{10}, 6, []float64{1, 1})
			res, err := components.FitNested(l, y, components.Options{Interval: components.Profile})
			require.NoError(t, err)
			return res
		}, []float64{1, 1, 2})
		for i, h := range hit[:2] {
			require.InDelta(t, 0.95, h, 0.01+3*se, "component %d: %v", i, hit)
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	cell := func(a, b, n int, mean, ss float64) components.Cell {
		return components.Cell{A: a, B: b, N: n, Mean: mean, SS: ss}
	}
	square := []components.Cell{cell(0, 0, 2, 1, 1), cell(0, 1, 2, 2, 1), cell(1, 0, 2, 3, 1), cell(1, 1, 2, 5, 1)}
	with := func(c components.Cell) []components.Cell { return append(square[:3:3], c) }
	single := []components.Cell{cell(0, 0, 1, 1, 0), cell(0, 1, 1, 2, 0), cell(1, 0, 1, 3, 0), cell(1, 1, 1, 7, 0)}
	one := func(y ...[]float64) func(o components.Options) []error {
		return func(o components.Options) []error {
			_, e1 := components.OneWay(y, o)
			var l [][]int
			var v []float64
			for i, g := range y {
				for _, x := range g {
					l, v = append(l, []int{i}), append(v, x)
				}
			}
			_, e2 := components.FitNested(l, v, o)
			return []error{e1, e2}
		}
	}
	two := func(c []components.Cell) func(o components.Options) []error {
		return func(o components.Options) []error {
			_, e1 := components.Crossed(c, o)
			_, e2 := components.FitCrossed(c, o)
			return []error{e1, e2}
		}
	}
	for _, c := range []struct {
		name   string
		call   func(o components.Options) []error
		o      components.Options
		reason refusal.Reason
		say    string
	}{
		{"no values", one(), components.Options{}, refusal.TooFew, "values"},
		{"one group", one([]float64{1, 2, 3}), components.Options{}, refusal.TooFew, "needs at least 2 levels of"},
		{"single values", one([]float64{1}, []float64{2}, []float64{3}), components.Options{}, refusal.TooFew, "values within one of"},
		{"constant", one([]float64{4, 4}, []float64{4, 4}), components.Options{}, refusal.ZeroVariance, "do not vary"},
		{"constant within", one([]float64{4, 4}, []float64{5, 5}), components.Options{}, refusal.ZeroVariance, "values within the smallest groups do not vary"},
		{"not a number", one([]float64{4, math.NaN()}, []float64{5, 5}), components.Options{}, refusal.NonFinite, "number 2"},
		{"infinite", one([]float64{4, 1}, []float64{5, math.Inf(1)}), components.Options{}, refusal.NonFinite, "number 4"},
		{"too far apart", one([]float64{1e80, 1}, []float64{5, 7}), components.Options{}, refusal.OutOfRange, "1e75"},
		{"confidence", one([]float64{4, 1}, []float64{5, 2}), components.Options{Confidence: 95}, refusal.OutOfRange, "the confidence is 95"},
		{"names", one([]float64{4, 1}, []float64{5, 2}), components.Options{Names: []string{"a", "b"}}, refusal.Mismatch, "2 names for 1 factors"},
		{"interval", one([]float64{4, 1}, []float64{5, 2}), components.Options{Interval: "guess"}, refusal.Mismatch, `"guess"`},
		{"estimator", one([]float64{4, 1}, []float64{5, 2}), components.Options{Estimator: "guess"}, refusal.Mismatch, `"guess"`},
		{"no cells", two(nil), components.Options{}, refusal.TooFew, "cells with values"},
		{"empty cells", two([]components.Cell{cell(0, 0, 0, 1, 0)}), components.Options{}, refusal.TooFew, "cells with values"},
		{"one level of A", two(square[:2]), components.Options{}, refusal.TooFew, "levels of A"},
		{"one level of B", two([]components.Cell{square[0], square[2]}), components.Options{}, refusal.TooFew, "levels of B"},
		{"negative count", two(with(cell(1, 1, -1, 2, 0))), components.Options{}, refusal.Negative, "counts of cells: number 4"},
		{"negative squares", two(with(cell(1, 1, 2, 2, -1))), components.Options{}, refusal.Negative, "sums of squares of cells: number 4"},
		{"squares of one value", two(with(cell(1, 1, 1, 2, 1))), components.Options{}, refusal.Mismatch, "cell 4 has one value"},
		{"mean", two(with(cell(1, 1, 2, math.NaN(), 1))), components.Options{}, refusal.NonFinite, "means of cells: number 4"},
		{"squares", two(with(cell(1, 1, 2, 1, math.Inf(1)))), components.Options{}, refusal.NonFinite, "sums of squares of cells: number 4"},
		{"falls apart", two([]components.Cell{cell(0, 0, 3, 1, 1), cell(1, 1, 3, 2, 1)}), components.Options{}, refusal.Mismatch, "share no level"},
		{"no residual", two(single[:3]), components.Options{}, refusal.TooFew, "values"},
		{"no residual beside interaction", two(single), components.Options{Interaction: true}, refusal.TooFew, "interaction"},
		{"no interaction", two(square[:3]), components.Options{Interaction: true}, refusal.TooFew, "cells"},
		{"additive", two([]components.Cell{cell(0, 0, 1, 1, 0), cell(0, 1, 1, 2, 0), cell(1, 0, 1, 3, 0), cell(1, 1, 1, 4, 0)}), components.Options{}, refusal.ZeroVariance, "do not vary"},
	} {
		for i, err := range c.call(c.o) {
			var e *refusal.Error
			require.ErrorAs(t, err, &e, "%s, %d", c.name, i)
			require.Equal(t, c.reason, e.Reason, "%s, %d: %v", c.name, i, err)
			require.Contains(t, err.Error(), c.say, "%s, %d", c.name, i)
		}
	}
	_, err := components.Cells([]int{1}, nil, []float64{1})
	require.ErrorContains(t, err, "1 levels of A and 0 of B for 1 values")
	_, err = components.Nested([][]int{{1}, {1, 2}, {1}}, []float64{1, 2, 3}, components.Options{})
	require.ErrorContains(t, err, "row 2 has 2 levels")
	_, err = components.Nested([][]int{{1, 1}, {2, 1}, {3, 1}, {3, 1}}, []float64{1, 2, 3, 4}, components.Options{Names: []string{"lot", "wafer"}})
	require.ErrorContains(t, err, "needs at least 2 levels of wafer within one of lot")
	var many []components.Cell
	for i := range 1001 {
		many = append(many, cell(i, i, 2, float64(i%7), 1), cell(i, (i+1)%1001, 2, float64(i%5), 1))
	}
	_, err = components.Crossed(many, components.Options{})
	require.ErrorContains(t, err, "1000 at most")
}

func TestNotes(t *testing.T) {
	t.Parallel()
	// The groups' means are nearer to each other than the values allow.
	r, err := components.OneWay([][]float64{{1, 5}, {2, 8}, {3, 7}}, components.Options{})
	require.NoError(t, err)
	b := r.Components[0]
	require.Negative(t, b.Raw)
	require.True(t, b.Zero)
	require.Zero(t, b.Variance)
	require.Zero(t, b.Interval.Lower)
	require.Positive(t, b.Interval.Upper)
	require.Len(t, r.Warnings, 2)
	require.Equal(t, refusal.Adjusted, r.Warnings[0].Kind)
	require.Contains(t, r.Warnings[0].String(), "negative and shown as zero")
	require.Equal(t, "This rests on 3 levels of between; 10 would be enough.", r.Warnings[1].String())
	f, err := components.FitNested([][]int{{1}, {1}, {2}, {2}, {3}, {3}}, []float64{1, 5, 2, 8, 3, 7}, components.Options{})
	require.NoError(t, err)
	require.True(t, f.Components[0].Zero)
	require.Equal(t, components.Profile, f.Components[0].Interval.Method)
	require.Positive(t, f.Components[0].Interval.Upper)
	require.Contains(t, f.Warnings[0].String(), "its estimate is zero")
}

func FuzzComponents(f *testing.F) {
	for seed := range uint64(4) {
		a, b, y := crossedRows(rand.New(rand.NewPCG(seed, 9)), 3, 4, 2, [4]float64{1, 1, 1, 1}, 0.9)
		var raw []byte
		for i := range y {
			raw = append(raw, byte(a[i]), byte(b[i]), byte(math.Round(10*(y[i]-1107))))
		}
		f.Add(raw, 1.0)
	}
	f.Add([]byte{0, 0, 1, 0, 1, 1, 1, 0, 1, 1, 1, 1}, 1e150)
	f.Add([]byte{0, 0, 1, 0, 1, 2, 1, 0, 3, 1, 1, 5, 1, 1, 6}, 1e-74)
	f.Fuzz(func(t *testing.T, raw []byte, scale float64) {
		if len(raw) > 240 {
			return
		}
		var a, b []int
		var y []float64
		for i := 0; i+2 < len(raw); i += 3 {
			a, b, y = append(a, int(raw[i]%16)), append(b, int(raw[i+1]%16)), append(y, float64(int8(raw[i+2]))*scale)
		}
		for name, run := range estimators {
			r, err := run(a, b, y)
			if err != nil {
				var e *refusal.Error
				require.ErrorAs(t, err, &e, name)
				continue
			}
			sane(t, name, r)
		}
	})
}

func sane(t *testing.T, name string, r *components.Result) {
	t.Helper()
	ok := func(v ...float64) {
		t.Helper()
		for i, x := range v {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%s: number %d is %v in %+v", name, i, x, r)
		}
	}
	ok(r.Mean, r.MeanSE, r.LogLikelihood, r.Total.Variance, r.Total.SE, r.Total.Interval.Lower, r.Total.Interval.Upper)
	for _, c := range r.Components {
		ok(c.Variance, c.SD, c.Share, c.Raw, c.SE, c.Interval.Lower, c.Interval.Upper)
		require.GreaterOrEqual(t, c.Variance, 0.0, name)
		require.LessOrEqual(t, c.Interval.Lower, c.Interval.Upper, name)
	}
	for _, m := range r.Table {
		ok(m.DF, m.SS, m.MS, m.F, m.P, m.Against, m.DFAgainst)
		require.True(t, 0 <= m.P && m.P <= 1, fmt.Sprint(name, m))
	}
}
