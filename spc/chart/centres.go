package chart

import (
	"fmt"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// StreamCentres are the streams' own centres c_i by least squares of the additive model over a baseline of cycles,
//
//	x_ij = c_i + e_j + error,  mean(e) = 0
//
// For complete cycles they are the streams' means. Where panels are missing a stream is compared with its neighbours in
// the same cycles, so that it does not take on the level of the cycles in which it happened to be present. Streams
// that never share a cycle, even by way of others, cannot be compared; for each such set of streams the mean of e over
// its own cycles is taken as 0.
//
// It refuses a stream without any value (its number in Index), one that is not there or comes twice in a cycle, and
// values that are not finite.
//
// Source: two-way layout with missing cells (Searle 1971, Linear Models, ch. 7, from memory).
func StreamCentres(cycles [][]StreamValue, streams int) ([]float64, error) {
	totals, counts := make([]dist.Accumulator, streams), make([]float64, streams)
	seen := make([]int, streams) // 1 + the last cycle in which a stream came
	for j, cycle := range cycles {
		for _, p := range cycle {
			if p.Stream < 0 || p.Stream >= streams || seen[p.Stream] == j+1 {
				return nil, badStream(p.Stream, j)
			}
			seen[p.Stream] = j + 1
			if !finite(p.Value) {
				return nil, at(refusal.NonFinite, "cycles", j)
			}
			totals[p.Stream].Add(p.Value)
			counts[p.Stream]++
		}
	}
	centres, complete := make([]float64, streams), true
	for i := range centres {
		if counts[i] == 0 {
			return nil, &refusal.Error{Reason: refusal.TooFew, What: "values", Need: 1, Index: i, Detail: fmt.Sprintf("stream %d", i+1)}
		}
		centres[i] = totals[i].Sum() / counts[i]
		complete = complete && counts[i] == counts[0]
	}
	for _, cycle := range cycles {
		complete = complete && (len(cycle) == streams || len(cycle) == 0)
	}
	if complete {
		return centres, nil
	}
	for i, d := range correction(cycles, centres) {
		centres[i] += d
	}
	return centres, nil
}

// correction solves the normal equations of the additive model for what is to be added to the streams' means. With the
// cycle effects eliminated they are A d = b,
//
//	A_ik = n_i [i = k] - sum over cycles with both of 1/m_j,  b_i = sum over cycles with i of (y_ij - e_j)
//
// A is singular only along the constant of each connected set of streams, which is filled with ones and settled at the
// end by mean(e) = 0.
func correction(cycles [][]StreamValue, centres []float64) []float64 {
	n := len(centres)
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	set := make([]int, n) // the connected set of each stream, named by one of its streams
	for i := range set {
		set[i] = i
	}
	for _, cycle := range cycles {
		m := float64(len(cycle))
		e := effect(cycle, centres)
		for q, p := range cycle {
			a.SetSym(p.Stream, p.Stream, a.At(p.Stream, p.Stream)+1-1/m)
			b.SetVec(p.Stream, b.AtVec(p.Stream)+p.Value-centres[p.Stream]-e)
			for _, other := range cycle[:q] {
				a.SetSym(p.Stream, other.Stream, a.At(p.Stream, other.Stream)-1/m)
			}
			from, to := set[p.Stream], set[cycle[0].Stream]
			for i := range set {
				if set[i] == from {
					set[i] = to
				}
			}
		}
	}
	for i := range n {
		for k := range i + 1 {
			if set[i] == set[k] {
				a.SetSym(i, k, a.At(i, k)+1)
			}
		}
	}
	var factor mat.Cholesky
	solution := mat.NewVecDense(n, nil)
	if !factor.Factorize(a) || factor.SolveVecTo(solution, b) != nil {
		panic("chart: the additive model's equations are positive definite by construction")
	}
	d := solution.RawVector().Data

	// Settle the constant of each set.
	total, count, moved := make([]dist.Accumulator, n), make([]float64, n), make([]float64, n)
	for i := range d {
		moved[i] = centres[i] + d[i]
	}
	for _, cycle := range cycles {
		if len(cycle) > 0 {
			s := set[cycle[0].Stream]
			total[s].Add(effect(cycle, moved))
			count[s]++
		}
	}
	for i := range d {
		d[i] += total[set[i]].Sum() / count[set[i]]
	}
	return d
}

// effect is the mean of a cycle's values about the centres; 0 for a cycle without any.
func effect(cycle []StreamValue, centres []float64) float64 {
	var s dist.Accumulator
	for _, p := range cycle {
		s.Add(p.Value - centres[p.Stream])
	}
	return s.Sum() / max(1, float64(len(cycle)))
}
