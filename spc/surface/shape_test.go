package surface_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/surface"
)

// half-diagonal to the corner (255, 190) in mm
var h = math.Hypot(255, 190)

// terms are the eleven of the definition, written out apart from the package.
var terms = [surface.Terms]func(u, v float64) float64{
	func(u, v float64) float64 { return 1 },
	func(u, v float64) float64 { return u },
	func(u, v float64) float64 { return v },
	func(u, v float64) float64 { return u*u + v*v },
	func(u, v float64) float64 { return u*u - v*v },
	func(u, v float64) float64 { return 2 * u * v },
	func(u, v float64) float64 { return u*u*u - 3*u*v*v },
	func(u, v float64) float64 { return 3*u*u*v - v*v*v },
	func(u, v float64) float64 { return u * (u*u + v*v) },
	func(u, v float64) float64 { return v * (u*u + v*v) },
	func(u, v float64) float64 { return (u*u + v*v) * (u*u + v*v) },
}

func basis(t testing.TB, places [][2]float64) *surface.Basis {
	t.Helper()
	b, err := surface.NewBasis(places, h)
	require.NoError(t, err)
	return b
}

// scattered is a layout without any symmetry.
func scattered(n int) [][2]float64 {
	rnd := rand.New(rand.NewPCG(5, 6))
	out := make([][2]float64, n)
	for i := range out {
		out[i] = [2]float64{250 * (2*rnd.Float64() - 1), 190 * (2*rnd.Float64() - 1)}
	}
	return out
}

func TestBasisIsOrthogonalInItsOrderWithLeadingCoefficientOne(t *testing.T) {
	for name, places := range map[string][][2]float64{"grid": grid(), "scattered": scattered(48)} {
		t.Run(name, func(t *testing.T) {
			b := basis(t, places)
			require.Equal(t, surface.Terms, b.Rank())
			for j := range surface.Terms {
				for k := range j {
					var dot, jj, kk float64
					for i := range places {
						r := b.At(i)
						dot += r[j] * r[k]
						jj += r[j] * r[j]
						kk += r[k] * r[k]
					}
					require.InDelta(t, 0, dot/math.Sqrt(jj*kk), 1e-13)
				}
				// P_j differs from T_j by earlier terms only: T_j has coefficient 1 on P_j and none on later ones.
				d := make([]float64, len(places))
				for i, p := range places {
					d[i] = terms[j](p[0]/h, p[1]/h)
				}
				var s surface.Shape
				require.NoError(t, b.Fit(&s, nil, d))
				require.InDelta(t, 1, s.Coef[j], 1e-12)
				for k := j + 1; k < surface.Terms; k++ {
					require.InDelta(t, 0, s.Coef[k], 1e-11)
				}
				require.InDelta(t, 0, s.SSR, 1e-20)
			}
		})
	}
}

func TestShapeTermsAreRecoveredWithPlacesMissing(t *testing.T) {
	places := scattered(48)
	b := basis(t, places)
	var want [surface.Terms]float64
	for j := range want {
		want[j] = math.Sin(float64(3*j + 1))
	}
	value := func(i int) (d float64) {
		for j, p := range b.At(i) {
			d += want[j] * p
		}
		return d
	}
	for _, missing := range [][]int{nil, {0}, {3, 17, 30, 44}, {1, 2, 5, 8, 13, 21, 34, 47}} {
		var present []int
		var d []float64
		for i := range places {
			if !contains(missing, i) {
				present = append(present, i)
				d = append(d, value(i))
			}
		}
		var s surface.Shape
		require.NoError(t, b.Fit(&s, present, d))
		lev := 0.0
		for j := range want {
			require.InDelta(t, want[j], s.Coef[j], 1e-10)
		}
		for i := range d {
			require.InDelta(t, 0, s.Residual[i], 1e-11)
			lev += s.Leverage[i]
		}
		require.InDelta(t, surface.Terms, lev, 1e-9)
		require.Equal(t, len(d)-surface.Terms, s.DOF)
	}
}

func contains(list []int, v int) bool {
	for _, x := range list {
		if x == v {
			return true
		}
	}
	return false
}

func TestResidualsAreOrthogonalToTheTermsAndStdErrIsTheSpreadOfRepeats(t *testing.T) {
	places := grid()
	b := basis(t, places)
	present := []int{}
	for i := range places {
		if i%6 != 2 {
			present = append(present, i)
		}
	}
	rnd := rand.New(rand.NewPCG(7, 8))
	d := make([]float64, len(present))
	var s surface.Shape
	const repeats = 4000
	var ss [surface.Terms]float64
	for range repeats {
		for i := range d {
			d[i] = rnd.NormFloat64()
		}
		require.NoError(t, b.Fit(&s, present, d))
		for j := range ss {
			ss[j] += s.Coef[j] * s.Coef[j]
		}
	}
	for j := range surface.Terms {
		dot := 0.0
		for i, k := range present {
			dot += s.Residual[i] * b.At(k)[j]
		}
		require.InDelta(t, 0, dot, 1e-11)
	}
	for j, u := range s.StdErr(1) {
		// Five standard errors of a standard deviation from 4000 repeats.
		require.InEpsilon(t, u, math.Sqrt(ss[j]/repeats), 5/math.Sqrt(2*repeats))
	}
}

func TestTurningASymmetricLayoutKeepsTwofoldAndTwistTogether(t *testing.T) {
	// 6 rings of 8 places: a turn by 1/8 maps the layout on itself.
	var places [][2]float64
	for r := range 6 {
		for k := range 8 {
			s, c := math.Sincos(2 * math.Pi * float64(k) / 8)
			places = append(places, [2]float64{40 * float64(r+1) * c, 40 * float64(r+1) * s})
		}
	}
	b := basis(t, places)
	rnd := rand.New(rand.NewPCG(9, 10))
	d := make([]float64, len(places))
	for i := range d {
		d[i] = rnd.NormFloat64()
	}
	var s, turned surface.Shape
	require.NoError(t, b.Fit(&s, nil, d))
	for turn := 1; turn < 8; turn++ {
		e := make([]float64, len(d))
		for i := range d {
			e[i-i%8+(i%8+turn)%8] = d[i]
		}
		require.NoError(t, b.Fit(&turned, nil, e))
		require.InDelta(t, math.Hypot(s.Coef[surface.Twofold], s.Coef[surface.Twist]), math.Hypot(turned.Coef[surface.Twofold], turned.Coef[surface.Twist]), 1e-12)
		require.InDelta(t, s.SSR, turned.SSR, 1e-11)
		require.InDelta(t, s.Coef[surface.Bow], turned.Coef[surface.Bow], 1e-12)
		// Two-fold and twist turn twice as fast as the panel.
		a := 2 * 2 * math.Pi * float64(turn) / 8
		require.InDelta(t, s.Coef[surface.Twofold]*math.Cos(a)-s.Coef[surface.Twist]*math.Sin(a), turned.Coef[surface.Twofold], 1e-12)
	}
}

func TestFewPlacesDetermineFewTerms(t *testing.T) {
	square := [][2]float64{{100, 100}, {-100, 100}, {-100, -100}, {100, -100}}
	b := basis(t, square)
	require.Equal(t, 4, b.Rank())
	for _, j := range []int{surface.Offset, surface.Tilt1, surface.Tilt2, surface.Twist} {
		require.True(t, b.Has(j))
	}
	require.False(t, b.Has(surface.Bow))
	var s surface.Shape
	require.NoError(t, b.Fit(&s, nil, []float64{3, -3, 3, -3}))
	require.InDelta(t, 3, s.Coef[surface.Twist]*2*(100/h)*(100/h), 1e-12)
	require.Zero(t, s.DOF)

	var refusal *surface.RefusalError
	require.ErrorAs(t, b.Fit(&s, []int{0, 1, 2}, []float64{1, 2, 3}), &refusal)
	require.Equal(t, surface.TooFew, refusal.Reason)
	_, err := surface.NewBasis(square, 0)
	require.ErrorAs(t, err, &refusal)
	_, err = surface.NewBasis(nil, h)
	require.ErrorAs(t, err, &refusal)
	// All places of one half missing: enough places, but they do not determine the terms.
	full := basis(t, grid())
	var present []int
	for i := range 16 {
		present = append(present, i)
	}
	require.ErrorAs(t, full.Fit(&s, present, make([]float64, 16)), &refusal)
	require.Equal(t, surface.Undetermined, refusal.Reason)
}

func TestRadiiAreTheContourPlusTheQuadraticTerms(t *testing.T) {
	for name, places := range map[string][][2]float64{"grid": grid(), "scattered": scattered(48)} {
		t.Run(name, func(t *testing.T) {
			s := compile(t, contours["biradial"], spc.Concave)
			b := basis(t, places)
			// a x^2 + b y^2 + c x y on top of the contour, in mm.
			const qa, qb, qc = 2e-6, -1e-6, 1.5e-6
			d := make([]float64, len(places))
			for i, p := range places {
				d[i] = qa*p[0]*p[0] + qb*p[1]*p[1] + qc*p[0]*p[1]
			}
			var out surface.Shape
			require.NoError(t, b.Fit(&out, nil, d))
			r := b.Radii(s, &out.Coef)
			require.InEpsilon(t, 1/(1/1250.0+2*qa), r.X, 1e-12)
			require.InEpsilon(t, 1/(1/930.0+2*qb), r.Y, 1e-12)
			// Principal curvatures are the eigenvalues of the second derivatives.
			xx, yy := 1/r.X, 1/r.Y
			require.InEpsilon(t, xx+yy, 1/r.Small+1/r.Large, 1e-12)
			require.InEpsilon(t, xx*yy-qc*qc, 1/(r.Small*r.Large), 1e-12)
			sin, cos := math.Sincos(r.SmallAxis)
			require.InEpsilon(t, 1/r.Small, xx*cos*cos+2*qc*sin*cos+yy*sin*sin, 1e-12)
			// The uncertainty is that of repeats.
			rnd := rand.New(rand.NewPCG(11, 12))
			ux, uy := b.RadiiU(&r, &out, 0.003)
			var sx, sy float64
			const repeats = 2000
			e := make([]float64, len(d))
			for range repeats {
				for i := range e {
					e[i] = d[i] + 0.003*rnd.NormFloat64()
				}
				require.NoError(t, b.Fit(&out, nil, e))
				g := b.Radii(s, &out.Coef)
				sx += (g.X - r.X) * (g.X - r.X)
				sy += (g.Y - r.Y) * (g.Y - r.Y)
			}
			require.InEpsilon(t, ux, math.Sqrt(sx/repeats), 5/math.Sqrt(2*repeats))
			require.InEpsilon(t, uy, math.Sqrt(sy/repeats), 5/math.Sqrt(2*repeats))
		})
	}
}

func TestFitAllocatesNothing(t *testing.T) {
	b := basis(t, grid())
	var present []int
	for i := range 40 {
		present = append(present, i+i/5)
	}
	d := make([]float64, 40)
	var s surface.Shape
	require.Zero(t, testing.AllocsPerRun(10, func() { _ = b.Fit(&s, present, d) }))
}

func ExampleBasis_Fit() {
	var places [][2]float64
	for _, y := range []float64{-180, -60, 60, 180} {
		for _, x := range []float64{-240, -120, 0, 120, 240} {
			places = append(places, [2]float64{x, y})
		}
	}
	b, _ := surface.NewBasis(places, 318)
	d := make([]float64, len(places))
	for i, p := range places {
		d[i] = 0.040 * 2 * p[0] * p[1] / (318 * 318) // 40 um of twist
	}
	var s surface.Shape
	if err := b.Fit(&s, nil, d); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("twist %.1f um, bow %.1f um\n", s.Coef[surface.Twist]*1e3, math.Abs(s.Coef[surface.Bow]*1e3))
	// Output: twist 40.0 um, bow 0.0 um
}
