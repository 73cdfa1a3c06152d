package capability_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// plantBlocks draws blocks of moulds with values about a mean that moves from block to block.
func plantBlocks(r *rand.Rand, blocks, moulds, each int, between float64) (groups [][]capability.Group, scan *capability.Scan) {
	scan, _ = capability.NewScan(0.001, 0)
	groups = make([][]capability.Group, blocks)
	for b := range groups {
		level := 10 + between*r.NormFloat64()
		for m := range moulds {
			for range each {
				_ = scan.Add(m, b, level+r.NormFloat64())
			}
		}
	}
	for _, c := range scan.Cells() {
		groups[c.Block] = append(groups[c.Block], capability.Group{N: c.N, Mean: c.Mean, SS: c.SS})
	}
	return groups, scan
}

func TestBootstrapGroups(t *testing.T) {
	spec := capability.Spec{Lower: 4, Upper: 17, HasLower: true, HasUpper: true}
	o := fit.Resampling{Resamples: 4000, Seed: 3}
	groups, scan := plantBlocks(rand.New(rand.NewPCG(1, 2)), 60, 5, 8, 0.7)
	within, overall, err := capability.BootstrapGroups(groups, spec, 0.95, o)
	require.NoError(t, err)
	// The same by the histogram: other draws, so the limits agree within their own random error.
	s, blocks, err := scan.Grid().Sample(nil)
	require.NoError(t, err)
	other, err := capability.Bootstrap(s, blocks, spec, capability.ByMoments, "", 0.95, o)
	require.NoError(t, err)
	require.InDelta(t, other.CK.Lower, overall.CK.Lower, 0.02)
	require.InDelta(t, other.CK.Upper, overall.CK.Upper, 0.02)
	require.InDelta(t, other.C.Lower, overall.C.Lower, 0.02)
	require.InEpsilon(t, other.Outside.Upper, overall.Outside.Upper, 0.15)
	require.Equal(t, 60, overall.Blocks)
	// Levels that move widen the mean but not the spread inside: Cp is known as if alone, and is greater than Pp.
	require.Greater(t, within.C.Lower, overall.C.Upper)
	require.Empty(t, overall.Warnings)
	again, _, err := capability.BootstrapGroups(groups, spec, 0.95, fit.Resampling{Resamples: 4000, Seed: 3, Workers: 1})
	require.NoError(t, err)
	require.Equal(t, within.CK, again.CK, "on any number of processors the same")

	// Of independent values the limits are the exact ones.
	groups, _ = plantBlocks(rand.New(rand.NewPCG(5, 6)), 400, 1, 20, 0)
	within, overall, err = capability.BootstrapGroups(groups, spec, 0.95, o)
	require.NoError(t, err)
	var all []capability.Group
	for _, b := range groups {
		all = append(all, b...)
	}
	mean, sigma, err := capability.Overall(all)
	require.NoError(t, err)
	i, err := capability.Normal(mean, sigma.SD, spec)
	require.NoError(t, err)
	exact, err := capability.CInterval(i.C, sigma.N, sigma.DF, 0.95)
	require.NoError(t, err)
	require.InDelta(t, exact.Lower, overall.C.Lower, 0.25*(exact.Upper-exact.Lower))
	require.InDelta(t, exact.Upper, overall.C.Upper, 0.25*(exact.Upper-exact.Lower))
	require.InDelta(t, overall.C.Lower, within.C.Lower, 0.02)

	few, _, err := capability.BootstrapGroups(groups[:5], spec, 0.95, o)
	require.NoError(t, err)
	require.Len(t, few.Warnings, 1)
	for name, bad := range map[string][][]capability.Group{"one block": groups[:1], "none": nil, "no variation": {{{N: 2, Mean: 1}}, {{N: 2, Mean: 1}}}, "not finite": {{{N: 2, Mean: math.NaN(), SS: 1}}, {{N: 2, Mean: 1}}}} {
		_, _, err := capability.BootstrapGroups(bad, spec, 0.95, o)
		require.Error(t, err, name)
	}
	_, _, err = capability.BootstrapGroups(groups, capability.Spec{}, 0.95, o)
	require.Error(t, err)
	_, _, err = capability.BootstrapGroups(groups, spec, 1, o)
	require.Error(t, err)
}

func TestDiffer(t *testing.T) {
	// Two moulds of two shifts of two values, by hand: SS of the moulds 1: {1, 2, 4, 5} = 10, 2: {0, 2, 0, 2} = 4; of the shifts
	// 0.5 + 0.5 + 2 + 2 = 5. F = ((14 - 5) / 2) / (5 / 4) = 3.6; with 2 and 4 degrees of freedom P = (1 + 2 F / 4)^-2 = 0.127551...
	g := func(x ...float64) capability.Group {
		_, s, _ := capability.Overall([]capability.Group{{N: 1, Mean: x[0]}, {N: 1, Mean: x[1]}})
		return capability.Group{N: 2, Mean: (x[0] + x[1]) / 2, SS: s.SD * s.SD}
	}
	inner := []capability.Group{g(1, 2), g(4, 5), g(0, 2), g(0, 2)}
	outer := []capability.Group{{N: 4, Mean: 3, SS: 10}, {N: 4, Mean: 1, SS: 4}}
	f, p, err := capability.Differ(outer, inner)
	require.NoError(t, err)
	require.InDelta(t, 3.6, f, 1e-12)
	require.InDelta(t, math.Pow(1+2*3.6/4, -2), p, 1e-12)
	// Where shifts do not differ the probabilities are even: of 400 plants some 20 lie below 5 %, four standard deviations are 17.
	one := func(*capability.Cell) int { return 0 }
	byBlock := func(c *capability.Cell) int { return c.Block }
	below := 0
	for i := range uint64(400) {
		_, scan := plantBlocks(rand.New(rand.NewPCG(8, i)), 20, 1, 6, 0)
		_, p, err = capability.Differ(scan.Grid().Groups(one), scan.Grid().Groups(byBlock))
		require.NoError(t, err)
		if p < 0.05 {
			below++
		}
	}
	require.InDelta(t, 20, below, 17)
	_, scan := plantBlocks(rand.New(rand.NewPCG(8, 9)), 30, 1, 10, 1)
	_, p, err = capability.Differ(scan.Grid().Groups(one), scan.Grid().Groups(byBlock))
	require.NoError(t, err)
	require.Less(t, p, 1e-6)
	for _, bad := range [][2][]capability.Group{{outer, outer}, {outer, inner[:3]}, {nil, nil}, {{{N: 2}}, {{N: 1}, {N: 1}}}, {{{N: 4}}, {{N: 2}, {N: 2}}}} {
		_, _, err := capability.Differ(bad[0], bad[1])
		require.Error(t, err)
	}
}

func TestCoarser(t *testing.T) {
	scan, err := capability.NewScan(0.01, 0)
	require.NoError(t, err)
	for i, x := range []float64{-0.115, -0.101, -0.1, -0.001, 0, 0.005, 0.099, 0.1, 0.55} {
		require.NoError(t, scan.Add(i%2, 0, x))
	}
	fine := scan.Grid()
	g := fine.Coarser(10)
	require.Equal(t, 0.1, g.Width)
	got := map[int32]int32{}
	for i, c := range g.Cells {
		require.Equal(t, fine.Cells[i].Mean, c.Mean)
		require.IsIncreasing(t, c.Bins)
		for j, b := range c.Bins {
			got[b] += c.Counts[j]
		}
	}
	require.Equal(t, map[int32]int32{-2: 2, -1: 2, 0: 3, 1: 1, 5: 1}, got)
	require.Equal(t, fine, fine.Coarser(1))

	// Limits of a refitted extreme value model are those of the fine grid.
	r := rand.New(rand.NewPCG(3, 4))
	scan, err = capability.NewScan(0.25, 0)
	require.NoError(t, err)
	for i := range 6000 {
		require.NoError(t, scan.Add(0, i/200, 135-26*math.Log(r.ExpFloat64())))
	}
	spec := capability.Spec{Upper: 381, HasUpper: true}
	of := func(g capability.Grid) capability.Resampled {
		s, blocks, err := g.Sample(nil)
		require.NoError(t, err)
		b, err := capability.Bootstrap(s, blocks, spec, capability.ByFit, fit.LargestExtreme, 0.95, fit.Resampling{Resamples: 200, Seed: 1})
		require.NoError(t, err)
		return b
	}
	a, b := of(scan.Grid()), of(scan.Grid().Coarser(13))
	require.InDelta(t, a.CK.Lower, b.CK.Lower, 0.002)
	require.InDelta(t, a.CK.Upper, b.CK.Upper, 0.002)
	require.InEpsilon(t, a.Outside.Upper, b.Outside.Upper, 0.02)
}
