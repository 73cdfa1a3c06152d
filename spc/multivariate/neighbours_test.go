package multivariate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/multivariate"
	"sagwatch/spc/refusal"
)

// one is m observations of p terms of which term 1 (from 0) follows x(t) = phi x(t-1) + noise.
func one(r *rand.Rand, m, p int, phi float64) [][]float64 {
	x := make([][]float64, m)
	before := 0.0
	for i := range x {
		x[i] = make([]float64, p)
		for j := range x[i] {
			x[i][j] = r.NormFloat64()
		}
		before = phi*before + math.Sqrt(1-phi*phi)*x[i][1]
		x[i][1] = before
	}
	return x
}

func correlated(list []refusal.Warning) []refusal.Warning {
	var found []refusal.Warning
	for _, w := range list {
		if w.Kind == refusal.Autocorrelated {
			found = append(found, w)
		}
	}
	return found
}

func TestCorrelatedNeighboursAreNamed(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(21, 22))
	x := one(r, 300, 4, 0.8)
	names := []string{"sag", "cross-curve", "twist", "edge"}
	for _, c := range []struct {
		estimator multivariate.Estimator
		want      string
	}{{multivariate.Ordinary, "come in groups"}, {multivariate.Successive, "signal too often"}} {
		b, err := multivariate.Individuals(x, multivariate.Options{Names: names, Estimator: c.estimator})
		require.NoError(t, err)
		found := correlated(b.Warnings)
		require.Len(t, found, 1)
		require.Contains(t, found[0].String(), "Neighbouring observations of cross-curve are correlated (0.")
		require.Contains(t, found[0].Detail, c.want)
		require.InDelta(t, 0.8, found[0].Value, 0.12)
		require.Equal(t, 300, found[0].N)
	}
	swing, err := multivariate.Individuals(one(r, 300, 4, -0.8), multivariate.Options{Names: names})
	require.NoError(t, err)
	require.Len(t, correlated(swing.Warnings), 1)
	require.Contains(t, correlated(swing.Warnings)[0].Detail, "to and fro")

	// Left-out terms are not told of, and the names stay with their terms.
	wide := make([][]float64, len(x))
	for i, row := range x {
		wide[i] = []float64{row[0], row[2], row[0] + row[2], row[1]}
	}
	b, err := multivariate.Individuals(wide, multivariate.Options{Names: []string{"a", "b", "a and b", "slow"}, Reduce: true})
	require.NoError(t, err)
	require.Equal(t, 3, b.P)
	require.Len(t, correlated(b.Warnings), 1)
	require.Equal(t, "observations of slow", correlated(b.Warnings)[0].What)

	// Subgroups: neighbouring means.
	slow := one(r, 200, 4, 0.8)
	groups := make([][][]float64, len(slow))
	for i, row := range slow {
		for range 3 {
			g := make([]float64, 4)
			for j := range g {
				g[j] = row[j] + r.NormFloat64()
			}
			groups[i] = append(groups[i], g)
		}
	}
	s, err := multivariate.Subgroups(groups, multivariate.Options{Names: names})
	require.NoError(t, err)
	require.Len(t, correlated(s.Warnings), 1)
	require.Contains(t, correlated(s.Warnings)[0].String(), "Neighbouring subgroup means of cross-curve are correlated (0.")
}

// Over all terms together at most 5 of 100 baselines without correlation are warned of.
func TestCorrelatedNeighboursByChance(t *testing.T) {
	t.Parallel()
	const baselines = 2000
	r := rand.New(rand.NewPCG(23, 24))
	warned := 0
	for range baselines {
		b, err := multivariate.Individuals(one(r, 200, 6, 0), multivariate.Options{})
		require.NoError(t, err)
		if len(correlated(b.Warnings)) > 0 {
			warned++
		}
	}
	// 1 - (1 - 0.05/6)^6 = 4.90 %, standard error 0.48; r of a series of 200 is a little less spread than the band says.
	require.InDelta(t, 0.047, float64(warned)/baselines, 0.016)
}
