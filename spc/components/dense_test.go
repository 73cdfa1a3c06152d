package components_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/components"
)

// dense is the Gaussian likelihood written out with full matrices, from the formula alone: y ~ N(mu, sum v_k Z_k Z_k' + v_e I).
func dense(y []float64, factors [][]int, v []float64, restricted bool) float64 {
	n := len(y)
	c := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			s := 0.0
			if i == j {
				s = v[len(v)-1]
			}
			for k, f := range factors {
				if f[i] == f[j] {
					s += v[k]
				}
			}
			c.SetSym(i, j, s)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(c) {
		return math.NaN()
	}
	one := mat.NewVecDense(n, nil)
	for i := range n {
		one.SetVec(i, 1)
	}
	var u, z mat.VecDense
	_ = chol.SolveVecTo(&u, one)
	prec := mat.Dot(&u, one)
	d := mat.NewVecDense(n, append([]float64(nil), y...))
	d.AddScaledVec(d, -mat.Dot(&u, d)/prec, one)
	_ = chol.SolveVecTo(&z, d)
	l := chol.LogDet() + mat.Dot(&z, d)
	if restricted {
		l += math.Log(prec)
		n--
	}
	return -(float64(n)*math.Log(2*math.Pi) + l) / 2
}

// top tells that the likelihood has its maximum at the components, by steps up and down in each.
func top(t *testing.T, r *components.Result, y []float64, factors [][]int) {
	t.Helper()
	v := make([]float64, len(r.Components))
	for i, c := range r.Components {
		v[i] = c.Variance
	}
	at := dense(y, factors, v, r.Method == components.REML)
	require.InDelta(t, at, r.LogLikelihood, 1e-8*(1+math.Abs(at)))
	total := r.Total.Variance
	for i := range v {
		old := v[i]
		h := 1e-4 * math.Max(old, 1e-2*total)
		v[i] = old + h
		up := dense(y, factors, v, r.Method == components.REML)
		require.LessOrEqual(t, up, at+1e-9, "component %d up", i)
		if old > 0 {
			v[i] = old - math.Min(h, old/2)
			down := dense(y, factors, v, r.Method == components.REML)
			require.LessOrEqual(t, down, at+1e-9, "component %d down", i)
			if h < old/2 { // central difference: the slope vanishes against the curvature
				require.InDelta(t, 0, (up-down)/(2*h), 1e-4*math.Abs(up+down-2*at)/(h*h)*old+1e-7, "slope of component %d", i)
			}
		}
		v[i] = old
	}
}

// crossedRows draws unbalanced crossed data with components v (A, B, AB, e).
func crossedRows(r *rand.Rand, a, b, most int, v [4]float64, keep float64) (la, lb []int, y []float64) {
	ea, eb := make([]float64, a), make([]float64, b)
	for i := range ea {
		ea[i] = math.Sqrt(v[0]) * r.NormFloat64()
	}
	for i := range eb {
		eb[i] = math.Sqrt(v[1]) * r.NormFloat64()
	}
	for i := range a {
		for j := range b {
			if r.Float64() > keep {
				continue
			}
			ab := math.Sqrt(v[2]) * r.NormFloat64()
			for range 1 + r.IntN(most) {
				la, lb = append(la, i), append(lb, j)
				y = append(y, 1107.5+ea[i]+eb[j]+ab+math.Sqrt(v[3])*r.NormFloat64())
			}
		}
	}
	return la, lb, y
}

func pairs(a, b []int) []int {
	out := make([]int, len(a))
	for i := range a {
		out[i] = a[i]*1000 + b[i]
	}
	return out
}

func TestCrossedLikelihoodIsTheDenseOne(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		a, b  int
		v     [4]float64
		inter bool
	}{
		{4, 9, [4]float64{1, 2, 0, 0.5}, false},
		{9, 4, [4]float64{1, 2, 0, 0.5}, false}, // the larger factor first
		{5, 8, [4]float64{0, 1, 0, 2}, false},
		{5, 7, [4]float64{1, 0.5, 0.8, 0.3}, true},
		{7, 5, [4]float64{0, 0, 0, 1}, true},
	} {
		for seed := range uint64(4) {
			la, lb, y := crossedRows(rand.New(rand.NewPCG(seed, 3)), c.a, c.b, 3, c.v, 0.8)
			cells, err := components.Cells(la, lb, y)
			require.NoError(t, err)
			factors := [][]int{la, lb}
			if c.inter {
				factors = append(factors, pairs(la, lb))
			}
			for _, e := range []components.Method{components.REML, components.ML} {
				r, err := components.FitCrossed(cells, components.Options{Interaction: c.inter, Estimator: e})
				require.NoError(t, err)
				top(t, r, y, factors)
			}
		}
	}
}

func TestNestedLikelihoodIsTheDenseOne(t *testing.T) {
	t.Parallel()
	for seed := range uint64(6) {
		for depth := 1; depth <= 4; depth++ {
			levels, y := nestedRows(rand.New(rand.NewPCG(seed, 5)), []int{5, 3, 2, 2}[:depth], 3, []float64{1, 0.5, 0, 0.7, 1})
			factors := make([][]int, depth)
			for i := range y {
				id := 0
				for k := range depth {
					id = id*10 + levels[i][k] + 1
					factors[k] = append(factors[k], id)
				}
			}
			for _, e := range []components.Method{components.REML, components.ML} {
				r, err := components.FitNested(levels, y, components.Options{Estimator: e})
				require.NoError(t, err)
				top(t, r, y, factors)
			}
		}
	}
}

// nestedRows draws nested data, now and then with parts missing; v by depth, the residual last.
func nestedRows(r *rand.Rand, sizes []int, most int, v []float64) (levels [][]int, y []float64) {
	var grow func(path []int, mean float64)
	grow = func(path []int, mean float64) {
		k := len(path)
		if k == len(sizes) {
			for range 1 + r.IntN(most) {
				levels = append(levels, append([]int(nil), path...))
				y = append(y, mean+math.Sqrt(v[len(v)-1])*r.NormFloat64())
			}
			return
		}
		for i := range sizes[k] {
			if most > 1 && i > 1 && r.Float64() < 0.2 {
				continue
			}
			grow(append(path, i), mean+math.Sqrt(v[k])*r.NormFloat64())
		}
	}
	grow(nil, 50)
	return levels, y
}
