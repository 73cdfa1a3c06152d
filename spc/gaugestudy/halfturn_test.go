package gaugestudy_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
)

// grid is 8 x 6 places over 400 x 300 mm; its half turn takes place i to 47 - i.
func grid() [][2]float64 {
	var out [][2]float64
	for j := range 6 {
		for i := range 8 {
			out = append(out, [2]float64{-200 + 400*float64(i)/7, -150 + 60*float64(j)})
		}
	}
	return out
}

// readings puts glass and gauge together for k panels, with noise and a new seating each time.
func readings(r *rand.Rand, places [][2]float64, glass func(panel int, x, y float64) float64, gauge []float64, k int, noise float64) []gaugestudy.Turned {
	var out []gaugestudy.Turned
	for q := range k {
		p := gaugestudy.Turned{}
		for side := range 2 {
			sign := float64(1 - 2*side)
			a, b, c := 20*r.NormFloat64(), 0.05*r.NormFloat64(), 0.05*r.NormFloat64()
			m := make([]float64, len(places))
			for i, at := range places {
				m[i] = glass(q, sign*at[0], sign*at[1]) + gauge[i] + a + b*at[0] + c*at[1] + noise*r.NormFloat64()
			}
			if side == 0 {
				p.Straight = m
			} else {
				p.Turned = m
			}
		}
		out = append(out, p)
	}
	return out
}

func TestHalfTurnSplitsPlantedMapsExactly(t *testing.T) {
	places := grid()
	r := rand.New(rand.NewPCG(1, 1))
	gauge := make([]float64, 48)
	for i := range gauge {
		gauge[i] = 5 * r.NormFloat64()
	}
	bumps := map[[2]float64]float64{places[3]: 30, places[40]: -12}
	glass := func(_ int, x, y float64) float64 {
		v := 0.001*x*y + 2e-6*x*x*x
		for at, b := range bumps {
			if math.Hypot(x-at[0], y-at[1]) < 1e-6 {
				v += b
			}
		}
		return v
	}
	noise := 1e-6
	got, err := gaugestudy.HalfTurn(places, readings(r, places, glass, gauge, 2, noise), gaugestudy.HalfTurnOptions{Remove: gaugestudy.RemoveSeating})
	require.NoError(t, err)
	odd := func(m func(i int) float64, i int) float64 { return (m(i) - m(47-i)) / 2 }
	at := func(i int) float64 { return glass(0, places[i][0], places[i][1]) }
	bias := func(i int) float64 { return gauge[i] }
	wantGauge, wantGlass := make([]float64, 48), make([]float64, 48)
	for i := range places {
		wantGauge[i], wantGlass[i] = odd(bias, i), odd(at, i)
	}
	// What a tilt could explain is not in the maps; take it out of the expectation by the normal equations.
	for _, w := range [][]float64{wantGauge, wantGlass} {
		for c := range 2 { // the two tilts are orthogonal on the grid
			num, den := 0.0, 0.0
			for i, p := range places {
				num += w[i] * p[c]
				den += p[c] * p[c]
			}
			for i, p := range places {
				w[i] -= num / den * p[c]
			}
		}
	}
	require.Equal(t, 24, got.Pairs)
	for i, s := range got.Places {
		require.Equal(t, 47-i, s.Partner)
		require.InDelta(t, wantGauge[i], s.Gauge, 1e-5)
		require.InDelta(t, wantGlass[i], s.Glass, 1e-5)
	}
	require.Less(t, got.Sigma, 1e-5)
	require.Less(t, got.PGauge, 1e-12)
	require.Less(t, got.PGlass, 1e-12)
}

func TestHalfTurnErrorsAndTests(t *testing.T) {
	places := grid()
	r := rand.New(rand.NewPCG(2, 2))
	none := make([]float64, 48)
	flat := func(int, float64, float64) float64 { return 0 }
	own := func(q int, x, y float64) float64 { return 3 * math.Sin(float64(q)+x/40+y/70) }
	const n, alpha = 600, 0.1
	for _, remove := range []gaugestudy.Removed{gaugestudy.RemoveSeating, gaugestudy.RemoveShape} {
		falseGauge, falseGlass, falseChange, sigma, z2 := 0, 0, 0, 0.0, 0.0
		for range n {
			g, err := gaugestudy.HalfTurn(places, readings(r, places, flat, none, 3, 2), gaugestudy.HalfTurnOptions{Remove: remove})
			require.NoError(t, err)
			if g.PGauge < alpha {
				falseGauge++
			}
			if g.PGlass < alpha {
				falseGlass++
			}
			if g.PChanged < alpha {
				falseChange++
			}
			sigma += g.Sigma * g.Sigma / n
			z2 += math.Pow(g.Places[5].T, 2) / n
		}
		covers(t, "no gauge", n-falseGauge, n, 1-alpha)
		covers(t, "no glass", n-falseGlass, n, 1-alpha)
		covers(t, "no change", n-falseChange, n, 1-alpha)
		require.InDelta(t, 4, sigma, 0.15)
		require.InDelta(t, 1, z2, 4*math.Sqrt(2.0/n)+0.05, "the standard error is right")
	}
	// One faulty probe under panels that each have their own glass: the pair is named, and more panels sharpen it.
	gauge := make([]float64, 48)
	gauge[20] = 6
	few, err := gaugestudy.HalfTurn(places, readings(r, places, own, gauge, 1, 1), gaugestudy.HalfTurnOptions{})
	require.NoError(t, err)
	many, err := gaugestudy.HalfTurn(places, readings(r, places, own, gauge, 10, 1), gaugestudy.HalfTurnOptions{})
	require.NoError(t, err)
	require.Less(t, many.Places[20].SE, few.Places[20].SE/2.5)
	require.InDelta(t, 3, many.Places[20].Gauge, 4*many.Places[20].SE+0.35, "half the bias, a little of it taken for tilt")
	require.InDelta(t, -many.Places[20].Gauge, many.Places[27].Gauge, 1e-12)
	require.Less(t, many.Places[20].P, 1e-6)
	require.Greater(t, many.Places[3].P, 1e-3)
	require.Greater(t, many.GlassRMS, many.GaugeRMS)
	require.NotEmpty(t, few.Warnings)
}

func TestHalfTurnShapeOnAnyLayout(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	var places [][2]float64
	for range 48 {
		places = append(places, [2]float64{400 * (r.Float64() - 0.5), 300 * (r.Float64() - 0.5)})
	}
	_, err := gaugestudy.HalfTurn(places, readings(r, places, func(int, float64, float64) float64 { return 0 }, make([]float64, 48), 2, 1), gaugestudy.HalfTurnOptions{})
	requireReason(t, err, refusal.Mismatch)
	require.Contains(t, err.Error(), "split the shape terms only")

	h := 0.0
	for _, p := range places {
		h = math.Max(h, math.Hypot(p[0], p[1]))
	}
	glass := func(q int, x, y float64) float64 {
		u, v := x/h, y/h
		return 10*(u*u+v*v) + float64(q+1)*(u*u*u-3*u*v*v) - 4*v*(u*u+v*v)
	}
	gauge := make([]float64, 48)
	for i, p := range places {
		u, v := p[0]/h, p[1]/h
		gauge[i] = 5*(u*u-v*v) + 7*(3*u*u*v-v*v*v)
	}
	exact, err := gaugestudy.HalfTurnShape(places, readings(r, places, glass, gauge, 2, 1e-7))
	require.NoError(t, err)
	require.InDelta(t, 1, exact.Terms[0].Glass[0], 1e-5)
	require.InDelta(t, 2, exact.Terms[0].Glass[1], 1e-5)
	require.InDelta(t, 0, exact.Terms[0].Gauge, 1e-5)
	require.InDelta(t, 7, exact.Terms[1].Gauge, 1e-5)
	require.InDelta(t, -4, exact.Terms[3].Glass[0], 1e-5)

	const n = 400
	within, terms := 0, 0
	for range n {
		g, err := gaugestudy.HalfTurnShape(places, readings(r, places, glass, gauge, 2, 0.5))
		require.NoError(t, err)
		require.InDelta(t, 0.5, g.Sigma, 0.2)
		for i, want := range []float64{0, 7, 0, 0} {
			terms++
			if math.Abs(g.Terms[i].Gauge-want) < 1.6629*g.Terms[i].GaugeSE { // t of 82 degrees of freedom at 0.9
				within++
			}
		}
	}
	p := float64(within) / float64(terms)
	require.InDelta(t, 0.9, p, 4*math.Sqrt(0.09/n)) // the terms of one fit are correlated: n, not 4n
}

func TestHalfTurnRefusals(t *testing.T) {
	places := grid()
	m := make([]float64, 48)
	for _, c := range []struct {
		places [][2]float64
		panels []gaugestudy.Turned
		o      gaugestudy.HalfTurnOptions
		want   refusal.Reason
	}{
		{places[:3], nil, gaugestudy.HalfTurnOptions{}, refusal.TooFew},
		{places, nil, gaugestudy.HalfTurnOptions{}, refusal.TooFew},
		{places, []gaugestudy.Turned{{Straight: m, Turned: m[:47]}}, gaugestudy.HalfTurnOptions{}, refusal.Mismatch},
		{places, []gaugestudy.Turned{{Straight: m, Turned: m}}, gaugestudy.HalfTurnOptions{}, refusal.ZeroVariance},
		{places, []gaugestudy.Turned{{Straight: m, Turned: m}}, gaugestudy.HalfTurnOptions{Remove: "all"}, refusal.Mismatch},
		{places, []gaugestudy.Turned{{Straight: m, Turned: m}}, gaugestudy.HalfTurnOptions{WithinMM: 120}, refusal.ZeroVariance},
		{places, []gaugestudy.Turned{{Straight: m, Turned: append([]float64{math.NaN()}, m[1:]...)}}, gaugestudy.HalfTurnOptions{}, refusal.NonFinite},
		{[][2]float64{{1, 0}, {-1, 0}, {2, 0}, {-2, 0}}, []gaugestudy.Turned{{Straight: m[:4], Turned: m[:4]}}, gaugestudy.HalfTurnOptions{}, refusal.TooFew},
		{[][2]float64{{0, 0}, {0.1, 0}, {2, 0}, {-2, 0}}, []gaugestudy.Turned{{Straight: m[:4], Turned: m[:4]}}, gaugestudy.HalfTurnOptions{}, refusal.Mismatch},
	} {
		_, err := gaugestudy.HalfTurn(c.places, c.panels, c.o)
		requireReason(t, err, c.want)
	}
	_, err := gaugestudy.HalfTurnShape(places[:12], []gaugestudy.Turned{{Straight: m[:12], Turned: m[:12]}})
	requireReason(t, err, refusal.TooFew)
	line := make([][2]float64, 48)
	for i := range line {
		line[i] = [2]float64{float64(i), 0}
	}
	_, err = gaugestudy.HalfTurnShape(line, []gaugestudy.Turned{{Straight: m, Turned: m}})
	requireReason(t, err, refusal.NoSolution)
}
