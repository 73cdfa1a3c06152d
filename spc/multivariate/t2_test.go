package multivariate_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
	"sagwatch/spc/multivariate"
)

// sample draws m observations of p correlated terms in units that differ by decades.
func sample(r *rand.Rand, m, p int) [][]float64 {
	x := make([][]float64, m)
	for i := range x {
		x[i] = make([]float64, p)
		common := r.NormFloat64()
		for j := range x[i] {
			x[i][j] = math.Pow(10, float64(j%4)) * (5 + common + r.NormFloat64())
		}
	}
	return x
}

// T^2 and MEWMA do not change under non-singular linear maps of the observations.
func TestInvariance(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const m, p = 60, 5
	x := sample(r, m, p)
	a := make([]float64, p*p)
	for i := range a {
		a[i] = r.NormFloat64() / math.Pow(10, float64(i%p%4))
	}
	y := make([][]float64, m)
	for i, row := range x {
		y[i] = make([]float64, p)
		for j := range p {
			y[i][j] = 17
			for k, v := range row {
				y[i][j] += a[j*p+k] * v
			}
		}
	}
	for _, e := range []multivariate.Estimator{multivariate.Ordinary, multivariate.Successive} {
		bx, err := multivariate.Individuals(x, multivariate.Options{Estimator: e})
		require.NoError(t, err)
		by, err := multivariate.Individuals(y, multivariate.Options{Estimator: e})
		require.NoError(t, err)
		tx, err := bx.T2()
		require.NoError(t, err)
		ty, err := by.T2()
		require.NoError(t, err)
		px, err := multivariate.MEWMA(tx, x, multivariate.MEWMASettings{Lambda: 0.1, H: 10})
		require.NoError(t, err)
		py, err := multivariate.MEWMA(ty, y, multivariate.MEWMASettings{Lambda: 0.1, H: 10})
		require.NoError(t, err)
		sum := 0.0
		for i := range x {
			u, err := tx.Statistic(x[i])
			require.NoError(t, err)
			v, err := ty.Statistic(y[i])
			require.NoError(t, err)
			ref.Relative(t, u, v, 1e-8, "T2")
			ref.Relative(t, px[i].T2, py[i].T2, 1e-8, "MEWMA")
			sum += u
		}
		if e == multivariate.Ordinary { // trace of the hat matrix
			ref.Relative(t, float64(p*(m-1)), sum, 1e-10, "sum of T2")
		}
	}
	// MEWMA with weight 1 is T2
	b, err := multivariate.Individuals(x, multivariate.Options{})
	require.NoError(t, err)
	tt, err := b.T2()
	require.NoError(t, err)
	points, err := multivariate.MEWMA(tt, x, multivariate.MEWMASettings{Lambda: 1, H: 10})
	require.NoError(t, err)
	for i, p := range points {
		s, err := tt.Statistic(x[i])
		require.NoError(t, err)
		ref.Relative(t, s, p.T2, 1e-12, "lambda 1")
		require.Equal(t, s > 10, p.Signal)
	}
}

func TestDecompositionSums(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const p = 6
	b, err := multivariate.Individuals(sample(r, 50, p), multivariate.Options{})
	require.NoError(t, err)
	tt, err := b.T2()
	require.NoError(t, err)
	for _, x := range sample(r, 20, p) {
		s, err := tt.Statistic(x)
		require.NoError(t, err)
		terms, err := tt.Terms(x)
		require.NoError(t, err)
		for range 10 {
			order := r.Perm(p)
			parts, err := tt.Ordered(x, order)
			require.NoError(t, err)
			sum := 0.0
			for _, v := range parts {
				sum += v
			}
			ref.Relative(t, s, sum, 1e-10, "sum of parts")
			ref.Relative(t, terms[order[0]].Z*terms[order[0]].Z, parts[0], 1e-9, "first part is the unconditional term")
			ref.Absolute(t, terms[order[p-1]].ZGiven*terms[order[p-1]].ZGiven, parts[p-1], 1e-9*s, "last part is given all others")
		}
	}
}

// Phase I and II limits are exceeded at their rate, by individuals, subgroups and their terms.
func TestLimitsKeepTheirRate(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	const runs, alpha, p = 1500, 0.05, 3
	rate := func(name string, want float64, n int, f func() float64, slack float64) {
		t.Run(name, func(t *testing.T) {
			sum, squares := 0.0, 0.0
			for range n {
				v := f()
				sum += v
				squares += v * v
			}
			mean := sum / float64(n)
			se := math.Sqrt((squares/float64(n) - mean*mean) / float64(n))
			require.InDelta(t, want, mean, 4*se+slack)
		})
	}
	individuals := func(e multivariate.Estimator, phase int) func() float64 {
		const m = 20
		return func() float64 {
			x := sample(r, m+1, p)
			b, err := multivariate.Individuals(x[:m], multivariate.Options{Estimator: e})
			require.NoError(t, err)
			tt, err := b.T2()
			require.NoError(t, err)
			if phase == 2 {
				limit, err := b.PhaseTwoLimit(alpha)
				require.NoError(t, err)
				s, err := tt.Statistic(x[m])
				require.NoError(t, err)
				if s > limit {
					return 1
				}
				return 0
			}
			limit, err := b.PhaseOneLimit(alpha)
			require.NoError(t, err)
			out := 0.0
			for _, row := range x[:m] {
				s, err := tt.Statistic(row)
				require.NoError(t, err)
				if s > limit {
					out += 1. / m
				}
			}
			return out
		}
	}
	rate("individuals phase I", alpha, runs/2, individuals(multivariate.Ordinary, 1), 0)
	rate("individuals phase II", alpha, runs, individuals(multivariate.Ordinary, 2), 0)
	rate("successive phase I, approximate", alpha, runs/2, individuals(multivariate.Successive, 1), 0.006)
	rate("successive phase II, approximate", alpha, runs, individuals(multivariate.Successive, 2), 0.006)
	subgroups := func(phase int) func() float64 {
		const m, n = 6, 4
		return func() float64 {
			x := sample(r, (m+1)*n, p)
			var groups [][][]float64
			for i := range m {
				groups = append(groups, x[i*n:(i+1)*n])
			}
			b, err := multivariate.Subgroups(groups, multivariate.Options{})
			require.NoError(t, err)
			tt, err := b.T2()
			require.NoError(t, err)
			i := 0
			limit, err := b.PhaseOneLimit(alpha)
			if phase == 2 {
				i = m
				limit, err = b.PhaseTwoLimit(alpha)
			}
			require.NoError(t, err)
			mean := make([]float64, p)
			for _, row := range x[i*n : (i+1)*n] {
				for j, v := range row {
					mean[j] += v / n
				}
			}
			s, err := tt.Statistic(mean)
			require.NoError(t, err)
			if n*s > limit {
				return 1
			}
			return 0
		}
	}
	rate("subgroups phase I", alpha, runs, subgroups(1), 0)
	rate("subgroups phase II", alpha, runs, subgroups(2), 0)
	rate("terms", alpha, runs, func() float64 {
		x := sample(r, 16, p)
		b, err := multivariate.Individuals(x[:15], multivariate.Options{})
		require.NoError(t, err)
		tt, err := b.T2()
		require.NoError(t, err)
		terms, err := tt.Terms(x[15])
		require.NoError(t, err)
		alone, err := b.TermLimit(0, alpha)
		require.NoError(t, err)
		given, err := b.TermLimit(p-1, alpha)
		require.NoError(t, err)
		out := 0.0
		if terms[0].Z*terms[0].Z > alone {
			out += 0.5
		}
		if terms[2].ZGiven*terms[2].ZGiven > given {
			out += 0.5
		}
		return out
	}, 0)
	rate("squared prediction error, approximate", alpha, 4000, func() float64 {
		z := []float64{3 * r.NormFloat64(), 2 * r.NormFloat64(), r.NormFloat64()}
		q := z[0]*z[0] + z[1]*z[1] + z[2]*z[2]
		l, err := multivariate.BoxLimit([]float64{9, 4, 1}, alpha)
		require.NoError(t, err)
		if q > l {
			return 1
		}
		return 0
	}, 0.003)
}

// A term off by itself and a relation that breaks are told apart.
func TestExplain(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	names := []string{"radius", "twist", "saddle", "coma"}
	x := make([][]float64, 120)
	for i := range x {
		a, b := r.NormFloat64(), r.NormFloat64()
		x[i] = []float64{1000 + 2*a, 5 + 2*a + 0.2*r.NormFloat64(), b, r.NormFloat64()}
	}
	b, err := multivariate.Individuals(x, multivariate.Options{Names: names})
	require.NoError(t, err)
	tt, err := b.T2()
	require.NoError(t, err)

	e, err := b.Explain(tt, []float64{1000, 5, 0, 0}, 0.0027)
	require.NoError(t, err)
	require.False(t, e.Signal)
	require.Empty(t, e.Drivers)
	require.Equal(t, names, e.Rest)

	e, err = b.Explain(tt, []float64{1000, 5, 6, 0}, 0.0027)
	require.NoError(t, err)
	require.True(t, e.Signal)
	require.Len(t, e.Drivers, 1)
	require.Equal(t, "saddle", e.Drivers[0].Name)
	require.Empty(t, e.Drivers[0].Given)
	require.Contains(t, e.Drivers[0].String(), "standard deviations above its mean")
	require.Equal(t, []string{"radius", "twist", "coma"}, e.Rest)
	require.Less(t, e.RestT2, e.RestLimit)

	// each of two within its own limits, but not together; beside it a term off by itself
	e, err = b.Explain(tt, []float64{1002, 3, 0, -7}, 0.0027)
	require.NoError(t, err)
	require.Len(t, e.Drivers, 2)
	require.Equal(t, "coma", e.Drivers[0].Name)
	require.Less(t, e.Drivers[0].Z, -5.0)
	relation := []string{e.Drivers[1].Name, e.Drivers[1].Given[0]}
	slices.Sort(relation)
	require.Equal(t, []string{"radius", "twist"}, relation)
	require.Contains(t, e.Drivers[1].String(), "would lead to expect")
	require.Equal(t, []string{"saddle"}, e.Rest)
	require.Greater(t, e.Drivers[1].T2, e.Drivers[1].Limit)

	// a relation of three: the last term is the sum of two
	for i := range x {
		a, b := r.NormFloat64(), r.NormFloat64()
		x[i] = []float64{a, b, a + b + 0.05*r.NormFloat64(), r.NormFloat64()}
	}
	b, err = multivariate.Individuals(x, multivariate.Options{})
	require.NoError(t, err)
	tt, err = b.T2()
	require.NoError(t, err)
	e, err = b.Explain(tt, []float64{0.5, 0.5, 0.2, 0}, 0.0027)
	require.NoError(t, err)
	require.Len(t, e.Drivers, 1)
	require.Len(t, e.Drivers[0].Given, 2)
	require.Equal(t, []string{"term 4"}, e.Rest)
}

func TestSmallBaselinesWarn(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	b, err := multivariate.Individuals(sample(r, 40, 3), multivariate.Options{})
	require.NoError(t, err)
	require.Len(t, b.Warnings, 1)
	need := multivariate.Enough(3)
	require.Equal(t, need, b.Warnings[0].Enough)
	known, err := multivariate.KnownLimit(3, 0.0027)
	require.NoError(t, err)
	at, err := multivariate.PhaseTwoLimit(3, need, 0.0027)
	require.NoError(t, err)
	before, err := multivariate.PhaseTwoLimit(3, need-1, 0.0027)
	require.NoError(t, err)
	require.LessOrEqual(t, at, 1.1*known)
	require.Greater(t, before, 1.1*known)
	b, err = multivariate.Individuals(sample(r, need, 3), multivariate.Options{})
	require.NoError(t, err)
	require.Empty(t, b.Warnings)
}

// A baseline survives storage.
func TestBaselineIsPlainData(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 16))
	x := sample(r, 40, 3)
	b, err := multivariate.Individuals(x, multivariate.Options{})
	require.NoError(t, err)
	stored, err := json.Marshal(b)
	require.NoError(t, err)
	var c multivariate.Baseline
	require.NoError(t, json.Unmarshal(stored, &c))
	u, err := b.T2()
	require.NoError(t, err)
	v, err := c.T2()
	require.NoError(t, err)
	require.Equal(t, u, v)
}

// Successive differences hardly see a step in the baseline that ordinary covariance takes in: the step is found.
func TestSuccessiveDifferencesFindAStep(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 18))
	x := sample(r, 60, 2)
	for i := 30; i < 60; i++ {
		x[i][0] += 5
		x[i][1] -= 50
	}
	found := map[multivariate.Estimator]int{}
	for _, e := range []multivariate.Estimator{multivariate.Ordinary, multivariate.Successive} {
		b, err := multivariate.Individuals(x, multivariate.Options{Estimator: e})
		require.NoError(t, err)
		tt, err := b.T2()
		require.NoError(t, err)
		limit, err := b.PhaseOneLimit(0.01)
		require.NoError(t, err)
		for _, row := range x {
			if s, err := tt.Statistic(row); err == nil && s > limit {
				found[e]++
			}
		}
	}
	require.Less(t, found[multivariate.Ordinary], 5)
	require.Greater(t, found[multivariate.Successive], 15)
}

func TestComponentsSplitTheObservation(t *testing.T) {
	r := rand.New(rand.NewPCG(19, 20))
	x := sample(r, 80, 5)
	b, err := multivariate.Individuals(x, multivariate.Options{})
	require.NoError(t, err)
	tt, err := b.T2()
	require.NoError(t, err)
	c, err := b.Components(multivariate.ComponentsOptions{Share: 0.8})
	require.NoError(t, err)
	require.GreaterOrEqual(t, c.Share, 0.8)
	limit, err := c.Limit(0.05)
	require.NoError(t, err)
	above := 0
	for _, row := range x {
		p, err := c.Predict(row)
		require.NoError(t, err)
		// with all but one component the rest of T2 lies along the last
		all, err := b.Components(multivariate.ComponentsOptions{Keep: 4})
		require.NoError(t, err)
		q, err := all.Predict(row)
		require.NoError(t, err)
		s, err := tt.Statistic(row)
		require.NoError(t, err)
		ref.Relative(t, s, q.T2+q.Q/all.Values[4], 1e-9, "T2 of all components")
		sum := 0.0
		for _, v := range p.Residuals {
			sum += v * v
		}
		ref.Relative(t, p.Q, sum, 1e-12, "Q")
		if p.Q > limit {
			above++
		}
	}
	require.InDelta(t, 4, above, 5)
}
