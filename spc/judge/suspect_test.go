package judge_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/surface"
)

func cleanAxial(t testing.TB) (spc.Gauge, []float64) {
	g := gauge(spc.Axial)
	s := newSurface(t, contours["sphere"], spc.Concave)
	return g, measure(t, g, s, s, surface.Seat{Z: 0.2, TiltX: 2e-4}, nil)
}

func TestABlisterNeverVanishes(t *testing.T) {
	g, clean := cleanAxial(t)
	p := plan(t, g, product(contours["sphere"]))
	rnd := rand.New(rand.NewPCG(3, 3))
	w := judge.NewWork()
	var res spc.Result
	for place := range clean {
		for _, um := range []float64{150, -150, 450, -700} {
			readings := noisy(rnd, 0.003, clean)
			readings[place] += um * 1e-3
			p.Judge(w, readings, noon, &res)
			require.Equal(t, []int{place + 1}, res.SuspectPlaces)
			require.Empty(t, res.FaultyProbes)
			require.Equal(t, float64(place+1), value(t, &res, spc.MaxDeviationPlace))
			require.Equal(t, math.Signbit(um), math.Signbit(value(t, &res, spc.MaxDeviationSignedUM)))
			// It pulls the seating by its leverage, at most a sixth.
			require.Greater(t, value(t, &res, spc.MaxDeviationUM), 0.8*math.Abs(um)-10)
			if math.Abs(um) > 500 {
				require.Equal(t, spc.DoesNotConform, res.Verdict)
			} else {
				require.Contains(t, []spc.Verdict{spc.DoesNotConform, spc.Undecided}, res.Verdict)
			}
			require.NotEmpty(t, res.Reasons)
			require.Contains(t, strings.Join(res.Reasons, "\n"), fmt.Sprintf("place %d (%s) stands alone", place+1, p.Words(place)))
		}
	}
}

func TestEqualBlistersDoNotHideEachOther(t *testing.T) {
	g, clean := cleanAxial(t)
	p := plan(t, g, product(contours["sphere"]))
	rnd := rand.New(rand.NewPCG(4, 4))
	w := judge.NewWork()
	var res spc.Result
	for range 300 {
		readings := noisy(rnd, 0.003, clean)
		var want []int
		for k, i := range rnd.Perm(48)[:3] {
			readings[i] += []float64{0.15, -0.15, 0.15}[k]
			want = append(want, i+1)
		}
		p.Judge(w, readings, noon, &res)
		require.ElementsMatch(t, want, res.SuspectPlaces)
		require.IsIncreasing(t, res.SuspectPlaces)
		require.Equal(t, spc.Undecided, res.Verdict)
	}
}

func TestSmallOutliersAreNotSuspect(t *testing.T) {
	g, clean := cleanAxial(t)
	p := plan(t, g, product(contours["sphere"]))
	require.InDelta(t, 38.1, p.SuspectAmountUM, 1e-12)
	w := judge.NewWork()
	var res spc.Result
	for place := range clean {
		for um, suspect := range map[float64]bool{30: false, 45: true} {
			readings := append([]float64(nil), clean...)
			readings[place] += um * 1e-3
			p.Judge(w, readings, noon, &res)
			require.Equal(t, suspect, len(res.SuspectPlaces) == 1, "place %d, %g um", place+1, um)
		}
	}
}

func TestFalseSuspectsComeAtTheStatedRate(t *testing.T) {
	const rate, panels = 0.02, 15000
	g, clean := cleanAxial(t)
	prod := product(contours["sphere"])
	prod.SuspectRate, prod.SuspectShare = rate, 1e-9
	for name, missing := range map[string]int{"all good": 0, "8 missing": 8} {
		t.Run(name, func(t *testing.T) {
			p := plan(t, g, prod)
			rnd := rand.New(rand.NewPCG(5, 5))
			w := judge.NewWork()
			var res spc.Result
			found := 0
			for range panels {
				readings := noisy(rnd, 0.003, clean)
				for i := range missing {
					readings[(5*i+2)%48] = math.NaN()
				}
				p.Judge(w, readings, noon, &res)
				if len(res.SuspectPlaces) > 0 {
					found++
				}
			}
			// Never above the rate, by two standard errors of the simulation; not far below: nine tenths go to the first look.
			share, se := float64(found)/panels, math.Sqrt(rate*(1-rate)/panels)
			t.Logf("%.4f of sound panels, stated %.4f, standard error %.4f", share, rate, se)
			require.LessOrEqual(t, share, rate+2*se)
			require.GreaterOrEqual(t, share, 0.9*rate-4*se)
		})
	}
}

func TestTurningTheReadingsOfASymmetricLayout(t *testing.T) {
	// Six rings of eight places: turning the panel by an eighth keeps what has no direction.
	g := spc.Gauge{ID: "CG-2", Kind: spc.Axial, Unit: spc.Millimetre, ProbeUUM: ptr(3)}
	for r := range 6 {
		for k := range 8 {
			s, c := math.Sincos(2 * math.Pi * float64(k) / 8)
			g.Places = append(g.Places, spc.Place{X: 40 * float64(r+1) * c, Y: 40 * float64(r+1) * s})
		}
	}
	s := newSurface(t, contours["sphere"], spc.Concave)
	readings := noisy(rand.New(rand.NewPCG(6, 6)), 0.03, measure(t, g, s, s, surface.Seat{}, nil))
	p := plan(t, g, product(contours["sphere"]))
	w := judge.NewWork()
	var a, b spc.Result
	p.Judge(w, readings, noon, &a)
	turned := make([]float64, 48)
	for i, r := range readings {
		turned[i-i%8+(i%8+3)%8] = r
	}
	p.Judge(w, turned, noon, &b)
	pair := func(r *spc.Result) float64 {
		return math.Hypot(value(t, r, spc.TwofoldUM), value(t, r, spc.TwistUM))
	}
	require.InDelta(t, pair(&a), pair(&b), 1e-6)
	for _, c := range []spc.Computed{spc.RadiusMM, spc.RMSUM, spc.FormUM, spc.ContourRMSUM, spc.ContourPVUM, spc.MaxDeviationUM, spc.BowUM, spc.Bow4UM} {
		require.InDelta(t, value(t, &a, c), value(t, &b, c), 1e-6, c.String())
	}
	require.Greater(t, math.Abs(value(t, &a, spc.TwistUM)-value(t, &b, spc.TwistUM)), 0.1)
}
