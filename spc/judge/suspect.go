package judge

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sagwatch/spc/surface"
)

// maxSuspects bounds how many places are set aside in one test.
const maxSuspects = 8

// bound is the critical studentised residual for a number of places left: usual at the first stage and after a stage
// that exceeded it, hidden after one that did not.
type bound struct{ usual, hidden float64 }

const (
	usualPart  = 0.9
	hiddenPart = (1 - usualPart) / (maxSuspects - 1)
)

// bounds works out the bounds for n places at most and a rank of the shape terms, from Student's t two-sided at
// part rate / n.
func bounds(rate float64, n, rank int) []bound {
	out := make([]bound, n+1)
	for k := rank + 2; k <= n; k++ {
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(k - rank - 1)}
		at := func(part float64) float64 { return -t.Quantile(part * rate / (2 * float64(k))) }
		out[k] = bound{usual: at(usualPart), hidden: at(hiddenPart)}
	}
	return out
}

// suspect is a place (index among the good ones) that stands alone, by amount mm from the shape around it.
type suspect struct {
	at     int
	amount float64
}

// test holds the figures and buffers of the test for suspect places.
type test struct {
	suspects []suspect
	e, h     []float64
	aside    [maxSuspects]int
	column   [maxSuspects][]float64 // x_j'(X'X)^-1 x_k of place k set aside, with the places before it already aside
}

// run tests the residuals after the shape terms. At each stage, with n places left, the place of greatest externally
// studentised residual
//
//	t_i = e_i / (s_(i) sqrt(1 - h_i)),  s_(i)^2 = (SSR - e_i^2/(1 - h_i)) / (n - p - 1)
//
// among those whose amount |e_i|/(1 - h_i), the distance from the shape that the others make, exceeds the given one, is
// set aside and the rest are tested again, at most eight times. t_i is compared with Student's t of n - p - 1 degrees of
// freedom, two-sided, Bonferroni over the n places. The last stage that exceeds its bound decides how many are suspect:
// otherwise two equal blisters would hide each other by swelling s. So that the later looks do not raise the share of
// sound panels with a suspect, the first stage has nine tenths of the rate, and each of the seven that follow an
// unremarkable stage an equal part of the last tenth. Setting aside is for this test alone.
//
// Outliers that lie side by side where other places are missing can pass for shape; the deviations hold them all the same.
//
// Source: R. D. Cook and S. Weisberg, Residuals and Influence in Regression (1982), section 2.2; for deciding by the
// last stage B. Rosner, "Percentage points for a generalized ESD many-outlier procedure", Technometrics 25 (1983),
// 165-172.
func (t *test) run(s *surface.Shape, terms int, bounds []bound, amount float64) {
	t.suspects = t.suspects[:0]
	n := len(s.Residual)
	// The all-good way out: no residual is that large even alone.
	possible := false
	for i, e := range s.Residual {
		if math.Abs(e) > amount*(1-s.Leverage[i]) {
			possible = true
			break
		}
	}
	if !possible {
		return
	}
	t.e = append(t.e[:0], s.Residual...)
	t.h = append(t.h[:0], s.Leverage...)
	ssr := s.SSR
	stages := min(maxSuspects, n-terms-1)
	exceeds := true
	for stage := range stages {
		left := n - stage
		k, most := -1, 0.0
		for i, e := range t.e {
			// A place that alone carries a term has no residual to test.
			if free := 1 - t.h[i]; free > 1e-6 && math.Abs(e) > amount*free && !t.isAside(i, stage) {
				if r2 := e * e / free; r2 > most {
					k, most = i, r2
				}
			}
		}
		if k < 0 {
			return
		}
		rest := math.Max(0, ssr-most)
		c := bounds[left].usual
		if !exceeds {
			c = bounds[left].hidden
		}
		exceeds = most*float64(left-terms-1) > c*c*rest
		t.setAside(s, stage, k)
		ssr = rest
		if exceeds {
			t.suspects = t.suspects[:0]
			for _, i := range t.aside[:stage+1] {
				if math.Abs(t.e[i]) > amount {
					t.suspects = append(t.suspects, suspect{at: i, amount: t.e[i]})
				}
			}
		}
	}
}

func (t *test) isAside(i, stages int) bool {
	for _, k := range t.aside[:stages] {
		if k == i {
			return true
		}
	}
	return false
}

// setAside updates residuals and leverages for the fit without place k; the residual of a place that is aside becomes
// its distance from the others' shape.
func (t *test) setAside(s *surface.Shape, stage, k int) {
	n := len(t.e)
	if cap(t.column[stage]) < n {
		t.column[stage] = make([]float64, n)
	}
	c := t.column[stage][:n]
	t.column[stage] = c
	q := &s.Q[k]
	for i := range c {
		v := 0.0
		o := &s.Q[i]
		for j := range o {
			v += o[j] * q[j]
		}
		c[i] = v
	}
	for b, past := range t.aside[:stage] {
		f := t.column[b][k] / t.pivot(b, past)
		for i := range c {
			c[i] += f * t.column[b][i]
		}
	}
	t.aside[stage] = k
	free := t.pivot(stage, k)
	f := t.e[k] / free
	for i := range c {
		t.e[i] += f * c[i]
		t.h[i] += c[i] * c[i] / free
	}
}

// pivot is 1 - h_k when place k was set aside.
func (t *test) pivot(stage, k int) float64 { return 1 - t.column[stage][k] }
