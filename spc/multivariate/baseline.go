package multivariate

import (
	"fmt"
	"math"
	"strings"

	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Estimator says how a baseline of individual observations estimates its covariance.
type Estimator string

// Estimators. The zero value means Ordinary.
const (
	Ordinary   Estimator = "ordinary"   // sum (x - mean)(x - mean)' / (m - 1)
	Successive Estimator = "successive" // sum (x_t - x_(t-1))(x_t - x_(t-1))' / (2 (m - 1)): a step or drift hardly widens it
)

// Options are the settings of a baseline.
type Options struct {
	Names     []string  `json:"names,omitempty"` // of the terms, for words; "term 1" ... where missing
	Estimator Estimator `json:"estimator"`
	// Reduce leaves out terms that the others already tell, one after another, instead of refusing a covariance that is
	// nearly singular.
	Reduce bool `json:"reduce,omitempty"`
	// Singular is the least ratio of the smallest to the largest eigenvalue of the correlation matrix that is not nearly
	// singular; 1e-8 where 0.
	Singular float64 `json:"singular"`
}

// Baseline is the law of several characteristics of a process in control, as estimated. It is plain data.
type Baseline struct {
	Options Options   `json:"options"`
	P       int       `json:"p"` // terms, after any reduction
	M       int       `json:"m"` // observations or subgroups
	N       int       `json:"n"` // observations in a subgroup; 1 for individuals
	Names   []string  `json:"names"`
	Kept    []int     `json:"kept"` // which terms of the observations are used, from 0
	Mean    []float64 `json:"mean"`
	Cov     []float64 `json:"cov"` // within subgroups where N > 1
	// DF is the degrees of freedom of Cov: m - 1, m(n-1), or 2(m-1)^2/(3m-4), a moment approximation, by successive differences.
	DF float64 `json:"df"`
	// Condition is the ratio of the largest to the smallest eigenvalue of the correlation matrix.
	Condition float64           `json:"condition"`
	Warnings  []refusal.Warning `json:"warnings,omitempty"`
}

// Individuals estimates a baseline from m observations x[i] of p terms, in time order:
//
//	mean = (1/m) sum x_i,  S = sum (x_i - mean)(x_i - mean)' / (m - 1)
//
// or S from successive differences, which is nearly free of steps and drifts inside the baseline.
//
// It refuses fewer than 1 or more than 64 terms, observations of different length, fewer than p + 2 observations (2p + 4 by
// successive differences), values that are not finite, a term that does not vary, names or settings that do not fit, and a
// covariance that is nearly singular, naming the terms that tell the same; with Reduce it leaves out terms instead and says
// so. Under Enough observations it warns, and of each term with a significant lag-1 autocorrelation (chart.Lag1; |r| beyond the
// normal quantile at 1 - 0.05/(2p), over sqrt(m)).
//
// Source: NIST/SEMATECH e-Handbook 6.5.4.3; D. S. Holmes and A. E. Mergen, Quality Engineering 5 (1993), 619-625; J. H. Sullivan
// and W. H. Woodall, "A comparison of multivariate control charts for individual observations", J. Quality Technology 28
// (1996), 398-408; degrees of freedom: F. W. Scholz and T. J. Tosch, ASA Proceedings (1994), from memory.
func Individuals(x [][]float64, o Options) (*Baseline, error) {
	b, err := begin(x, o)
	if err != nil {
		return nil, err
	}
	m, p := len(x), b.P
	least := p + 2
	switch b.Options.Estimator {
	case Ordinary:
		b.DF = float64(m - 1)
	case Successive:
		least = 2*p + 4
		b.DF = 2 * float64(m-1) * float64(m-1) / float64(3*m-4)
	default:
		return nil, refusal.Shapes("the estimator of the covariance %q is not known", b.Options.Estimator)
	}
	if m < least {
		return nil, refusal.Few("observations of so many terms", m, least)
	}
	b.M, b.N = m, 1
	b.Mean = means(x, p)
	if b.Options.Estimator == Successive {
		d := make([][]float64, m-1)
		for i := range d {
			d[i] = make([]float64, p)
			for j := range d[i] {
				d[i][j] = x[i+1][j] - x[i][j]
			}
		}
		b.Cov = products(d, make([]float64, p), 2*float64(m-1))
	} else {
		b.Cov = products(x, b.Mean, float64(m-1))
	}
	if err := b.settle(largest(x, p)); err != nil {
		return nil, err
	}
	if need := Enough(b.P); m < need {
		b.Warnings = append(b.Warnings, refusal.Small("observations", m, need))
	}
	detail := "T² limits hold all variation of the baseline, and points beyond them come in groups; a MEWMA signals too often."
	if b.Options.Estimator == Successive {
		detail = "The covariance from successive differences leaves out what neighbours share, so that limits signal too often."
	}
	b.neighbours(x, "observations", detail)
	return b, nil
}

// Subgroups estimates a baseline from m subgroups, in time order, of n >= 2 observations each: the mean of their means, and the mean of
// their covariances (denominator n - 1). Refusals as for Individuals, and subgroups of different size, fewer than 2 of them
// and too few observations: m(n - 1) must be at least p + 1. Warnings as for Individuals, the autocorrelation being that of the
// subgroup means.
//
// Source: F. B. Alt, "Multivariate quality control", Encyclopedia of Statistical Sciences 6 (1985), 110-122; NIST/SEMATECH
// e-Handbook 6.5.4.3.2.
func Subgroups(groups [][][]float64, o Options) (*Baseline, error) {
	m := len(groups)
	if m < 2 {
		return nil, refusal.Few("subgroups", m, 2)
	}
	n := len(groups[0])
	if n < 2 {
		return nil, refusal.Few("observations in a subgroup", n, 2)
	}
	var all [][]float64
	for i, g := range groups {
		if len(g) != n {
			return nil, refusal.Shapes("subgroup %d has %d observations, the first one has %d: all must have the same number", i+1, len(g), n)
		}
		all = append(all, g...)
	}
	b, err := begin(all, o)
	if err != nil {
		return nil, err
	}
	if b.Options.Estimator != Ordinary {
		return nil, refusal.Shapes("the covariance inside subgroups has no estimator %q", b.Options.Estimator)
	}
	p := b.P
	if need := (p + n - 1) / (n - 1); m < need {
		return nil, refusal.Few("subgroups of so many terms", m, need)
	}
	b.M, b.N, b.DF = m, n, float64(m*(n-1))
	b.Mean = means(all, p)
	b.Cov = make([]float64, p*p)
	for _, g := range groups {
		for i, v := range products(g, means(g, p), float64(m*(n-1))) {
			b.Cov[i] += v
		}
	}
	if err := b.settle(largest(all, p)); err != nil {
		return nil, err
	}
	if need := EnoughSubgroups(b.P, n); m < need {
		b.Warnings = append(b.Warnings, refusal.Small("subgroups", m, need))
	}
	own := make([][]float64, m)
	for i, g := range groups {
		own[i] = means(g, len(g[0]))
	}
	b.neighbours(own, "subgroup means", "The covariance inside subgroups leaves out what the subgroups share with their neighbours, so that limits signal too often.")
	return b, nil
}

// neighbours warns of each term in which neighbouring rows of x are correlated, with |r| beyond z / sqrt(m), z the normal
// quantile at 1 - 0.05 / (2p): at most 5 of 100 baselines without any correlation get a warning (Bonferroni). more says
// what that does to the limits where the correlation is positive.
func (b *Baseline) neighbours(x [][]float64, what, more string) {
	series := make([]float64, len(x))
	band := dist.NormalQuantile(1-0.025/float64(b.P)) / math.Sqrt(float64(len(x)))
	for k, j := range b.Kept {
		for i, row := range x {
			series[i] = row[j]
		}
		a, err := chart.Lag1(series)
		if err != nil || math.Abs(a.R) <= band { // too few to tell, or means that do not vary
			continue
		}
		detail := more
		if a.R < 0 {
			detail = "They swing to and fro; run lengths for independent points do not hold."
		}
		b.Warnings = append(b.Warnings, refusal.Warning{Kind: refusal.Autocorrelated, What: what + " of " + b.Names[k], N: a.N, Value: a.R, Detail: detail})
	}
}

// begin checks shapes and settings.
func begin(x [][]float64, o Options) (*Baseline, error) {
	if len(x) == 0 {
		return nil, refusal.Few("observations", 0, 3)
	}
	p := len(x[0])
	if p < 1 || p > 64 {
		return nil, refusal.Setting("the number of terms", float64(p), "it must be from 1 to 64")
	}
	for i, row := range x {
		if len(row) != p {
			return nil, refusal.Shapes("observation %d has %d terms, the first one has %d", i+1, len(row), p)
		}
		if err := refusal.Finite(fmt.Sprintf("the terms of observation %d", i+1), row); err != nil {
			return nil, err
		}
	}
	if len(o.Names) != 0 && len(o.Names) != p {
		return nil, refusal.Shapes("there are %d names for %d terms", len(o.Names), p)
	}
	if o.Estimator == "" {
		o.Estimator = Ordinary
	}
	if o.Singular == 0 {
		o.Singular = 1e-8
	}
	if !(o.Singular >= 1e-14 && o.Singular < 1) {
		return nil, refusal.Setting("the ratio of eigenvalues that counts as singular", o.Singular, "it must be from 1e-14 to below 1")
	}
	b := &Baseline{Options: o, P: p, Names: o.Names}
	if len(b.Names) == 0 {
		for j := range p {
			b.Names = append(b.Names, fmt.Sprintf("term %d", j+1))
		}
	}
	for j := range p {
		b.Kept = append(b.Kept, j)
	}
	return b, nil
}

func means(x [][]float64, p int) []float64 {
	mean := make([]float64, p)
	for j := range p {
		var s, rest dist.Accumulator
		for _, row := range x {
			s.Add(row[j])
		}
		mean[j] = s.Sum() / float64(len(x))
		for _, row := range x {
			rest.Add(row[j] - mean[j])
		}
		mean[j] += rest.Sum() / float64(len(x))
	}
	return mean
}

// products is sum (x - c)(x - c)' / denominator.
func products(x [][]float64, c []float64, denominator float64) []float64 {
	p := len(c)
	s := make([]float64, p*p)
	for i := range p {
		for j := range i + 1 {
			var a dist.Accumulator
			for _, row := range x {
				a.Add((row[i] - c[i]) * (row[j] - c[j]))
			}
			s[i*p+j] = a.Sum() / denominator
			s[j*p+i] = s[i*p+j]
		}
	}
	return s
}

func largest(x [][]float64, p int) []float64 {
	size := make([]float64, p)
	for _, row := range x {
		for j, v := range row {
			size[j] = math.Max(size[j], math.Abs(v))
		}
	}
	return size
}

// settle refuses terms that do not vary and a covariance that is nearly singular, or reduces the terms.
func (b *Baseline) settle(size []float64) error {
	for j := range b.P {
		if sd := math.Sqrt(b.Cov[j*b.P+j]); !(sd > 1e-15*size[j]) || !(sd > 1e-150) {
			return refusal.Constant("values of "+b.Names[j], b.M*b.N)
		}
	}
	for {
		values, vectors, err := eigen(correlation(b.Cov, b.P), b.P)
		if err != nil {
			return err
		}
		small, large := values[b.P-1], values[0]
		if small > b.Options.Singular*large {
			b.Condition = large / small
			return nil
		}
		// the terms that take part in what hardly varies
		last := b.P - 1
		worst, most := 0, 0.0
		var told []string
		for j := range b.P {
			most = math.Max(most, math.Abs(vectors[j*b.P+last]))
		}
		for j := range b.P {
			a := math.Abs(vectors[j*b.P+last])
			if a > 0.2*most {
				told = append(told, b.Names[j])
			}
			if a > 0.99*most { // of equals the later one goes
				worst = j
			}
		}
		if !b.Options.Reduce {
			return refusal.Unsolved("the covariance is nearly singular: %s tell the same; leave one of them out or have the terms reduced", strings.Join(told, ", "))
		}
		b.Warnings = append(b.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: b.Names[worst],
			Detail: fmt.Sprintf("%s was left out: %s tell the same.", b.Names[worst], strings.Join(told, ", "))})
		b.drop(worst)
	}
}

// drop leaves out term j.
func (b *Baseline) drop(j int) {
	p := b.P
	var cov []float64
	for r := range p {
		for c := range p {
			if r != j && c != j {
				cov = append(cov, b.Cov[r*p+c])
			}
		}
	}
	without := func(i int) bool { return i != j }
	b.Cov = cov
	b.Names = filter(b.Names, without)
	b.Kept = filter(b.Kept, without)
	b.Mean = filter(b.Mean, without)
	b.P--
}

func filter[T any](s []T, keep func(i int) bool) []T {
	var out []T
	for i, v := range s {
		if keep(i) {
			out = append(out, v)
		}
	}
	return out
}

// Observation gives the terms of x that the baseline kept; dst is overwritten and returned.
func (b *Baseline) Observation(dst, x []float64) ([]float64, error) {
	last := 0
	if len(b.Kept) > 0 {
		last = b.Kept[len(b.Kept)-1]
	}
	if len(x) <= last {
		return nil, refusal.Shapes("the observation has %d terms, the baseline needs %d", len(x), last+1)
	}
	dst = dst[:0]
	for _, j := range b.Kept {
		dst = append(dst, x[j])
	}
	return dst, nil
}

// T2 is the chart statistic about this baseline. Refusals as for NewT2.
func (b *Baseline) T2() (*T2, error) { return NewT2(b.Mean, b.Cov, b.Names) }
