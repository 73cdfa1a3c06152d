package judge_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/surface"
)

// panels are 64 noisy panels of form error 20 um on the named contour.
func panels(tb testing.TB, contour string, missing, suspects int) (*judge.Plan, [][]float64) {
	g := gauge(spc.Radial)
	g.Range = &[2]float64{1100, 1115}
	s := newSurface(tb, contours[contour], spc.Concave)
	if contour != "sphere" {
		g.Range = nil
	}
	rnd := rand.New(rand.NewPCG(7, 7))
	var out [][]float64
	for range 64 {
		h := math.Hypot(255, 190)
		d := make([]float64, len(g.Places))
		a, b := 0.02*rnd.NormFloat64(), 0.02*rnd.NormFloat64()
		for i, at := range g.Places {
			d[i] = (a*(at.X*at.X-at.Y*at.Y) + 2*b*at.X*at.Y) / (h * h)
		}
		r := noisy(rnd, 0.003, measure(tb, g, s, s, surface.Seat{Z: 0.1 * rnd.NormFloat64(), TiltX: 2e-4 * rnd.NormFloat64(), TiltY: 2e-4 * rnd.NormFloat64()}, d))
		// Missing places anywhere, suspects in different parts of the panel.
		for _, i := range rnd.Perm(48)[:missing] {
			r[i] = math.NaN()
		}
		for k := range suspects {
			i := []int{9, 22, 36}[k]
			for math.IsNaN(r[i]) {
				i++
			}
			r[i] += 0.15
		}
		out = append(out, r)
	}
	prod := product(contours[contour])
	if contour != "sphere" {
		delete(prod.Limits, "radius_mm") // the best sphere of another contour means nothing
	}
	return plan(tb, g, prod), out
}

func benchmark(b *testing.B, contour string, missing, suspects int) {
	p, rs := panels(b, contour, missing, suspects)
	w := judge.NewWork()
	var res spc.Result
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		p.Judge(w, rs[i%len(rs)], noon, &res)
		if len(res.SuspectPlaces) != suspects {
			b.Fatal("wrong number of suspects:", res.SuspectPlaces, res.Refusal)
		}
	}
}

// The whole of a panel's computation, 48 places. The aim is 15 us with all places good, 60 us with 8 missing and 3 suspect.
func BenchmarkPanel(b *testing.B) {
	for _, contour := range []string{"sphere", "polynomial", "biradial"} {
		b.Run(contour+"/all-good", func(b *testing.B) { benchmark(b, contour, 0, 0) })
		b.Run(contour+"/8-missing-3-suspect", func(b *testing.B) { benchmark(b, contour, 8, 3) })
	}
}

func TestJudgeAllocatesNothingWhileAllIsWell(t *testing.T) {
	for name := range contours {
		for _, missing := range []int{0, 8} {
			p, rs := panels(t, name, missing, 0)
			w := judge.NewWork()
			var res spc.Result
			i := 0
			require.Zero(t, testing.AllocsPerRun(64, func() {
				p.Judge(w, rs[i%len(rs)], noon, &res)
				i++
			}), name)
			require.Empty(t, res.Refusal)
		}
	}
}
