package capability_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/components"
)

// press invents panels of moulds in shifts and gives them with their factors.
func press(r *rand.Rand, moulds, shifts, each int, sdMould, sdShift, sd float64) (components.Rows, []components.Factor) {
	var rows components.Rows
	fs := []components.Factor{{Name: "mould"}, {Name: "shift"}}
	level := make([]float64, moulds)
	for m := range level {
		level[m] = sdMould * r.NormFloat64()
	}
	for s := range shifts {
		es := sdShift * r.NormFloat64()
		for m := range moulds {
			for range each {
				rows.Mean = append(rows.Mean, 1000+level[m]+es+sd*r.NormFloat64())
				fs[0].Level, fs[1].Level = append(fs[0].Level, m), append(fs[1].Level, s)
			}
		}
	}
	return rows, fs
}

// With moulds and shifts that differ, limits from effective degrees of freedom cover the index of the process as it is and if
// its moulds were levelled; those that take the panels as independent do not.
func TestFromComponentsCovers(t *testing.T) {
	const runs = 150
	upper := 1006.0
	spec := capability.Spec{Upper: upper, HasUpper: true}
	hits, levelled, naive := 0, 0, 0
	for i := range runs {
		rows, fs := press(rand.New(rand.NewPCG(11, uint64(i))), 12, 20, 3, 1, 0.7, 1)
		r, err := components.FitMixed(rows, fs, components.Options{})
		require.NoError(t, err)
		covered := func(without []string, v float64) bool {
			s, err := capability.FromComponents(r, without...)
			require.NoError(t, err)
			is, err := capability.Normal(r.Mean, s.SD, spec)
			require.NoError(t, err)
			in, err := capability.CKBounds(is, s.N, s.DF, 0.9)
			require.NoError(t, err)
			want := (upper - 1000) / (3 * math.Sqrt(v))
			return in.Lower <= want && want <= in.Upper
		}
		if covered(nil, 1+0.49+1) {
			hits++
		}
		if covered([]string{"mould"}, 0.49+1) {
			levelled++
		}
		mean, sd := moments(rows.Mean)
		is, err := capability.Normal(mean, sd, spec)
		require.NoError(t, err)
		in, err := capability.CKBounds(is, len(rows.Mean), float64(len(rows.Mean)-1), 0.9)
		require.NoError(t, err)
		if want := (upper - 1000) / (3 * math.Sqrt(2.49)); in.Lower <= want && want <= in.Upper {
			naive++
		}
	}
	// Three standard errors of the count, and 3 % for effective numbers being approximate.
	within := 3*math.Sqrt(0.09/runs) + 0.03
	require.InDelta(t, 0.9, float64(hits)/runs, within)
	require.InDelta(t, 0.9, float64(levelled)/runs, within)
	require.Less(t, float64(naive)/runs, 0.6)
}

// Of balanced one-way data the sum of both components has the degrees of freedom of its mean squares by Satterthwaite.
func TestFromComponentsOneWay(t *testing.T) {
	rows, fs := press(rand.New(rand.NewPCG(12, 1)), 15, 1, 6, 1.5, 0, 1)
	r, err := components.FitMixed(rows, fs[:1], components.Options{})
	require.NoError(t, err)
	a, err := components.OneWay(groupsOf(rows.Mean, fs[0].Level), components.Options{})
	require.NoError(t, err)
	between, within := a.Table[0], a.Table[1]
	c, d := between.MS/6, within.MS*5/6
	want := (c + d) * (c + d) / (c*c/between.DF + d*d/within.DF)
	s, err := capability.FromComponents(r)
	require.NoError(t, err)
	require.InEpsilon(t, math.Sqrt(c+d), s.SD, 1e-9)
	require.InEpsilon(t, want, s.DF, 1e-6)
	// The mean of 15 moulds is told by MS_between over all values.
	require.Equal(t, int((c+d)/(between.MS/90)), s.N)
	s, err = capability.FromComponents(r, "mould")
	require.NoError(t, err)
	require.InEpsilon(t, math.Sqrt(within.MS), s.SD, 1e-9)
	require.InEpsilon(t, within.DF, s.DF, 1e-6)
	require.Equal(t, "components of variance without mould", s.Method)
	_, err = capability.FromComponents(r, "lane")
	require.ErrorContains(t, err, "lane")
	_, err = capability.FromComponents(r, "mould", "residual")
	require.Error(t, err)
}

func groupsOf(x []float64, level []int) [][]float64 {
	var out [][]float64
	for i, l := range level {
		for l >= len(out) {
			out = append(out, nil)
		}
		out[l] = append(out[l], x[i])
	}
	return out
}

func TestMergedScansAreOne(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	newScan := func() *capability.Scan {
		s, err := capability.NewScan(0.25, 100)
		require.NoError(t, err)
		return s
	}
	whole, a, b := newScan(), newScan(), newScan()
	for i := range 5000 {
		x := 1e6 + 3*r.NormFloat64()
		part := a
		if i%3 == 0 || i > 4000 {
			part = b
		}
		require.NoError(t, whole.Add(i%5, i/700, x))
		require.NoError(t, part.Add(i%5, i/700, x))
	}
	require.NoError(t, a.Merge(b))
	want, got := whole.Cells(), a.Cells()
	require.Len(t, got, len(want))
	for i, w := range want {
		require.InDelta(t, w.Mean, got[i].Mean, 1e-9)
		require.InEpsilon(t, w.SS, got[i].SS, 1e-9)
		w.Mean, w.SS = got[i].Mean, got[i].SS
		require.Equal(t, w, got[i])
	}
	before := b.Grid().N()
	require.NoError(t, b.Add(0, 0, 1e6))
	require.Equal(t, before+1, b.Grid().N())
	require.Equal(t, 5000, a.Grid().N(), "the merged scan shares nothing with the other")
	other, err := capability.NewScan(0.5, 100)
	require.NoError(t, err)
	require.ErrorContains(t, a.Merge(other), "different grids")
}

// A process of twelve moulds, as it is and if they were levelled.
func ExampleFromComponents() {
	rows, factors := press(rand.New(rand.NewPCG(1, 1)), 12, 20, 3, 1, 0.7, 1)
	r, err := components.FitMixed(rows, factors, components.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	spec := capability.Spec{Lower: 994, HasLower: true, Upper: 1006, HasUpper: true}
	for _, without := range [][]string{nil, {"mould"}} {
		s, _ := capability.FromComponents(r, without...)
		i, _ := capability.Normal(r.Mean, s.SD, spec)
		in, _ := capability.CKBounds(i, s.N, s.DF, 0.95)
		fmt.Printf("%s: Ppk %.2f (%.2f to %.2f) with %.0f degrees of freedom\n", s.Method, i.CK, in.Lower, in.Upper, s.DF)
	}
	// Output:
	// components of variance: Ppk 1.41 (1.20 to 1.66) with 118 degrees of freedom
	// components of variance without mould: Ppk 1.63 (1.42 to 1.86) with 210 degrees of freedom
}
