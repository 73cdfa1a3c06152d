package capability

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// BootstrapGroups gives the limits of normal indices by resampling whole blocks (shifts) from the moments of their rational subgroups
// alone: blocks[i] are the subgroups of block i, in practice one for each mould. As many blocks are drawn as there are, with all
// their subgroups; of each resample come
//
//	within:  the indices of the common mean and of the standard deviation inside subgroups (Pooled): Cp, Cpk
//	overall: the indices of the common mean and of the standard deviation about it (Overall): Pp, Ppk
//
// Limits are those between which the resampled figures lie (percentile bootstrap). It is as Bootstrap with ByMoments, without a
// histogram and so without its rounding, and gives Cp and Cpk beside. The result depends on o.Resamples and o.Seed and on nothing else.
//
// It refuses what Spec.Check refuses, a level outside (0, 1), fewer than two blocks with values, subgroups that are not finite, and
// values that do not vary. Below 25 blocks it warns. Where no subgroup has two values, the figures within are NaN.
//
// Source: as Bootstrap.
func BootstrapGroups(blocks [][]Group, spec Spec, confidence float64, o fit.Resampling) (within, overall Resampled, err error) {
	if err := spec.Check(); err != nil {
		return Resampled{}, Resampled{}, err
	}
	if err := level(confidence); err != nil {
		return Resampled{}, Resampled{}, err
	}
	// Sums about one origin near all values, so that nothing cancels.
	type sums struct{ n, df, s, ss, inside float64 }
	var all []Group
	for _, b := range blocks {
		all = append(all, b...)
	}
	origin, _, err := Overall(all)
	if err != nil {
		return Resampled{}, Resampled{}, err
	}
	var list []sums
	for _, b := range blocks {
		var t sums
		for _, g := range b {
			if g.N == 0 {
				continue
			}
			n, d := float64(g.N), g.Mean-origin
			t.n, t.df, t.s = t.n+n, t.df+n-1, t.s+n*d
			t.ss, t.inside = t.ss+g.SS+n*d*d, t.inside+g.SS
		}
		if t.n > 0 {
			list = append(list, t)
		}
	}
	if len(list) < 2 {
		return Resampled{}, Resampled{}, refusal.Few("blocks", len(list), 2)
	}
	lower, upper := math.Inf(-1), math.Inf(1)
	if has, _ := spec.sides(); has {
		lower = spec.Lower
	}
	if spec.HasUpper {
		upper = spec.Upper
	}
	number := o.Resamples
	if number <= 0 {
		number = 2000
	}
	in, over := make([][]float64, number), make([][]float64, number)
	figures := func(mean, sd float64) []float64 {
		row := make([]float64, cols)
		for i := range row {
			row[i] = math.NaN()
		}
		if i, err := Normal(mean, sd, spec); err == nil {
			row[colC], row[colCL], row[colCU], row[colCK], row[colMean], row[colSD] = i.C, i.CL, i.CU, i.CK, mean, sd
			if c, err := Cpm(mean, sd, spec); err == nil {
				row[colCpm] = c
			}
			row[colOutside] = dist.NormalTail((mean-lower)/sd) + dist.NormalTail((upper-mean)/sd)
		}
		return row
	}
	o.Each(func() func(int, *rand.Rand) {
		return func(i int, r *rand.Rand) {
			var t sums
			for range list {
				b := &list[r.IntN(len(list))]
				t.n, t.df, t.s, t.ss, t.inside = t.n+b.n, t.df+b.df, t.s+b.s, t.ss+b.ss, t.inside+b.inside
			}
			mean := origin + t.s/t.n
			in[i] = figures(mean, math.Sqrt(t.inside/t.df))
			over[i] = figures(mean, math.Sqrt(max(0, t.ss-t.s*t.s/t.n)/(t.n-1)))
		}
	})
	limits := func(all [][]float64) Resampled {
		out := Resampled{Blocks: len(list)}
		out.fill(all, confidence)
		return out
	}
	overall = limits(over)
	if math.IsNaN(overall.CK.Lower) {
		return Resampled{}, Resampled{}, refusal.Unsolved("most resamples give no index: their values hardly vary")
	}
	return limits(in), overall, nil
}

// Differ tests whether groups (a mould's shifts) differ inside larger ones (the moulds), from their moments: outer are the larger
// groups, inner the groups inside them, whose values are the same.
//
//	F = ((SS_outer - SS_inner) / (k_inner - k_outer)) / (SS_inner / (n - k_inner))
//
// with SS the sum of squares inside and k the number of groups that are not empty; p is the probability of a greater F for normal
// values whose groups do not differ. It refuses different numbers of values, as many inner groups as outer ones, groups without
// two values, and no variation inside.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.3, one-way analysis inside each larger group, pooled.
func Differ(outer, inner []Group) (f, p float64, err error) {
	sum := func(groups []Group) (n, k int, ss float64) {
		var a dist.Accumulator
		for _, g := range groups {
			if g.N > 0 {
				n, k = n+g.N, k+1
				a.Add(g.SS)
			}
		}
		return n, k, a.Sum()
	}
	n, ko, so := sum(outer)
	m, ki, si := sum(inner)
	switch {
	case n != m:
		return 0, 0, refusal.Shapes("the larger groups hold %d values and those inside them %d", n, m)
	case ki <= ko:
		return 0, 0, refusal.Few("groups inside larger ones", ki, ko+1)
	case n <= ki:
		return 0, 0, refusal.Few("values", n, ki+1)
	case !(si > 0):
		return 0, 0, refusal.Constant("values inside groups", n)
	}
	between, within := float64(ki-ko), float64(n-ki)
	f = max(0, so-si) / between / (si / within)
	return f, dist.FTail(f, between, within), nil
}
