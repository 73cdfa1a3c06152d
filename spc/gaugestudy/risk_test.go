package gaugestudy_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/gaugestudy"
)

func TestGlobalRiskAgainstSimulation(t *testing.T) {
	const n = 200_000
	for name, c := range map[string]struct {
		p      gaugestudy.Process
		u      float64
		t, acc gaugestudy.Tolerance
	}{
		"two sides":       {gaugestudy.Process{Mean: 1, SD: 3}, 1, gaugestudy.Between(-6, 6), gaugestudy.Between(-6, 6)},
		"two, guard band": {gaugestudy.Process{Mean: 1, SD: 3}, 1, gaugestudy.Between(-6, 6), gaugestudy.Between(-5, 5)},
		"upper":           {gaugestudy.Process{Mean: 1, SD: 3}, 1.5, gaugestudy.AtMost(5), gaugestudy.AtMost(4.5)},
		"lower, widened":  {gaugestudy.Process{Mean: 1, SD: 3}, 0.5, gaugestudy.AtLeast(-3), gaugestudy.AtLeast(-3.5)},
	} {
		t.Run(name, func(t *testing.T) {
			g, err := gaugestudy.GlobalRisk(c.p, c.u, c.t, c.acc)
			require.NoError(t, err)
			within := func(l gaugestudy.Tolerance, v float64) bool {
				return (l.Lower == nil || v >= *l.Lower) && (l.Upper == nil || v <= *l.Upper)
			}
			r := rand.New(rand.NewPCG(20, 21))
			consumer, producer, bad, accepted := 0.0, 0.0, 0.0, 0.0
			for range n {
				x := c.p.Mean + c.p.SD*r.NormFloat64()
				y := x + c.u*r.NormFloat64()
				good, pass := within(c.t, x), within(c.acc, y)
				if !good {
					bad++
				}
				if pass {
					accepted++
				}
				if pass && !good {
					consumer++
				}
				if good && !pass {
					producer++
				}
			}
			for _, v := range [][2]float64{{g.Consumer, consumer}, {g.Producer, producer}, {g.Bad, bad}, {g.Accepted, accepted}} {
				require.InDelta(t, v[0], v[1]/n, 4*math.Sqrt(v[0]*(1-v[0])/n))
			}
			require.InEpsilon(t, g.Consumer/g.Accepted, g.BadAccepted, 1e-12)
			require.InEpsilon(t, g.Producer/(1-g.Accepted), g.GoodRefused, 1e-9)
			// What is bad is accepted or refused; what is accepted is bad or good.
			require.InDelta(t, g.Accepted, g.Consumer+(1-g.Bad)-g.Producer, 1e-12)
		})
	}
}

func TestGuardBandReachesTheWantedRisk(t *testing.T) {
	p, u := gaugestudy.Process{Mean: 0.5, SD: 2}, 0.6
	for _, tol := range []gaugestudy.Tolerance{gaugestudy.Between(-4, 4), gaugestudy.AtMost(3), gaugestudy.AtLeast(-3)} {
		last := math.Inf(-1)
		for _, wanted := range []float64{1e-2, 1e-3, 1e-4, 1e-6} {
			g, r, err := gaugestudy.GuardBand(p, u, tol, wanted)
			require.NoError(t, err)
			require.InEpsilon(t, wanted, r.Consumer, 1e-9)
			require.Greater(t, g, last, "less risk needs a wider band")
			last = g
		}
	}
	// Shift and scale change nothing but the unit.
	a, _, err := gaugestudy.GuardBand(p, u, gaugestudy.Between(-4, 4), 1e-3)
	require.NoError(t, err)
	b, _, err := gaugestudy.GuardBand(gaugestudy.Process{Mean: 100 + 25.4*0.5, SD: 25.4 * 2}, 25.4*0.6, gaugestudy.Between(100-25.4*4, 100+25.4*4), 1e-3)
	require.NoError(t, err)
	require.InEpsilon(t, 25.4*a, b, 1e-9)
}

func TestPosteriorAndSpecificRisk(t *testing.T) {
	// The posterior integrates back to the global risk: E over y of the specific risk of the accepted.
	p, u, tol := gaugestudy.Process{Mean: 1, SD: 3}, 1.0, gaugestudy.Between(-6, 6)
	g, err := gaugestudy.GlobalRisk(p, u, tol, tol)
	require.NoError(t, err)
	sum, step, sy := 0.0, 0.001, math.Hypot(3, 1)
	for y := -6 + step/2; y < 6; y += step {
		m, sd, err := p.Posterior(y, u)
		require.NoError(t, err)
		c, err := gaugestudy.ConformanceProbability(tol, m, sd)
		require.NoError(t, err)
		z := (y - 1) / sy
		sum += step * math.Exp(-z*z/2) / (sy * math.Sqrt(2*math.Pi)) * (1 - c)
	}
	require.InEpsilon(t, g.Consumer, sum, 1e-5)

	sd, err := gaugestudy.TrueSD(sy, 1)
	require.NoError(t, err)
	require.InDelta(t, 3, sd, 1e-12)
}

func TestSpecificGuardBandConforms(t *testing.T) {
	for _, tol := range []gaugestudy.Tolerance{gaugestudy.Between(0, 5), gaugestudy.Between(0, 4.2), gaugestudy.AtMost(5)} {
		g, err := gaugestudy.SpecificGuardBand(tol, 1, 0.95)
		require.NoError(t, err)
		c, err := gaugestudy.ConformanceProbability(tol, *tol.Upper-g, 1)
		require.NoError(t, err)
		require.InDelta(t, 0.95, c, 1e-12)
	}
}

func TestDecisionZones(t *testing.T) {
	z, err := gaugestudy.DecisionZones(gaugestudy.Between(1101.5, 1113.5), 0.05, 2)
	require.NoError(t, err)
	for y, want := range map[float64]gaugestudy.Conformity{
		1107: gaugestudy.ProvenInside, 1101.55: gaugestudy.Undecided, 1113.45: gaugestudy.Undecided, 1113.55: gaugestudy.Undecided,
		1113.7: gaugestudy.ProvenOutside, 1101.3: gaugestudy.ProvenOutside,
	} {
		require.Equal(t, want, z.Judge(y), "%g", y)
	}
	require.InDelta(t, 1-0.2/12, z.Share, 1e-12)
	blind, err := gaugestudy.DecisionZones(gaugestudy.Between(0, 1), 1, 2)
	require.NoError(t, err)
	require.Nil(t, blind.Acceptance)
	require.Zero(t, blind.Share)
	require.Equal(t, gaugestudy.Undecided, blind.Judge(0.5))
	one, err := gaugestudy.DecisionZones(gaugestudy.AtMost(381), 3, 1.645)
	require.NoError(t, err)
	require.Equal(t, gaugestudy.ProvenInside, one.Judge(0))
	require.Equal(t, -1.0, one.Share)
}

func TestBudgetAgainstSimulation(t *testing.T) {
	// Two inputs of correlation 0.6 and one of its own, each of infinite degrees of freedom.
	inputs := []gaugestudy.Input{{Name: "a", U: 2, Sensitivity: 1}, {Name: "b", U: 1, Sensitivity: -3}, {Name: "c", U: 0.5, Sensitivity: 2}}
	b, err := gaugestudy.Combine(inputs, gaugestudy.BudgetOptions{Correlations: []gaugestudy.Correlation{{A: 0, B: 1, R: 0.6}}})
	require.NoError(t, err)
	require.InDelta(t, math.Sqrt(4+9+1-2*6*0.6), b.U, 1e-12)
	require.Zero(t, b.DF)
	require.InDelta(t, 1.959963984540054, b.K, 1e-12)
	const n = 200_000
	r := rand.New(rand.NewPCG(30, 31))
	inside := 0
	for range n {
		x, y := r.NormFloat64(), r.NormFloat64()
		v := 2*x - 3*(0.6*x+0.8*y) + 2*0.5*r.NormFloat64()
		if math.Abs(v) <= b.Expanded {
			inside++
		}
	}
	covers(t, "expanded uncertainty", inside, n, 0.95)
	require.InDelta(t, 1/math.Sqrt(3), gaugestudy.Rectangular(1), 1e-15)
	require.InDelta(t, 1/math.Sqrt(6), gaugestudy.Triangular(1), 1e-15)
	require.InDelta(t, 1/math.Sqrt2, gaugestudy.UShaped(1), 1e-15)
}
