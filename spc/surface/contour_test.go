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

// contours are an invented panel of each kind; the polynomial is close to a sphere of 1 m with a flatter short side.
var contours = map[string]spc.Contour{
	"sphere":     {Kind: spc.ContourSphere, R: 1107.5},
	"biradial":   {Kind: spc.ContourBiradial, Rx: 1250, Ry: 930},
	"polynomial": {Kind: spc.ContourPolynomial, A: [7]float64{4.2e-4, 3e-10, 5.1e-4, 4e-10, -2e-15, 2.5e-10, 1e-15}},
}

func compile(t testing.TB, c spc.Contour, side spc.Side) *surface.Surface {
	t.Helper()
	s, err := surface.New(c)
	require.NoError(t, err)
	return s.OnSide(side)
}

func eachContour(t *testing.T, f func(t *testing.T, s *surface.Surface)) {
	for name, c := range contours {
		for _, side := range []spc.Side{spc.Concave, spc.Convex} {
			t.Run(name+"/"+string(side), func(t *testing.T) { f(t, compile(t, c, side)) })
		}
	}
}

func TestNormalAgreesWithFiniteDifferencesOfTheHeight(t *testing.T) {
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		const e = 1e-3
		height := func(x, y float64) float64 {
			z, ok := s.Height(x, y)
			require.True(t, ok)
			return z
		}
		for _, p := range [][2]float64{{0, 0}, {100, 30}, {-200, 150}, {50, -190}} {
			x, y := p[0], p[1]
			n, ok := s.Normal(x, y)
			require.True(t, ok)
			require.InDelta(t, 1, n[0]*n[0]+n[1]*n[1]+n[2]*n[2], 1e-14)
			require.InDelta(t, (height(x+e, y)-height(x-e, y))/(2*e), -n[0]/n[2], 2e-9)
			require.InDelta(t, (height(x, y+e)-height(x, y-e))/(2*e), -n[1]/n[2], 2e-9)
		}
	})
}

func TestCurvatureAgreesWithFiniteDifferencesOfTheHeight(t *testing.T) {
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		const e = 0.5
		for _, p := range [][2]float64{{0, 0}, {100, 30}, {-200, 150}} {
			x, y := p[0], p[1]
			z := func(dx, dy float64) float64 {
				h, _ := s.Height(x+dx*e, y+dy*e)
				return h
			}
			fx, fy := (z(1, 0)-z(-1, 0))/(2*e), (z(0, 1)-z(0, -1))/(2*e)
			fxx, fyy := (z(1, 0)-2*z(0, 0)+z(-1, 0))/(e*e), (z(0, 1)-2*z(0, 0)+z(0, -1))/(e*e)
			fxy := (z(1, 1) - z(1, -1) - z(-1, 1) + z(-1, -1)) / (4 * e * e)
			w := math.Sqrt(1 + fx*fx + fy*fy)
			c, ok := s.Curvature(x, y)
			require.True(t, ok)
			require.InEpsilon(t, fxx/((1+fx*fx)*w), c.X, 1e-5)
			require.InEpsilon(t, fyy/((1+fy*fy)*w), c.Y, 1e-5)
			require.InEpsilon(t, (fxx*fyy-fxy*fxy)/(w*w*w*w), c.Max*c.Min, 1e-5)
			require.InEpsilon(t, ((1+fx*fx)*fyy-2*fx*fy*fxy+(1+fy*fy)*fxx)/(w*w*w), c.Max+c.Min, 1e-5)
			require.GreaterOrEqual(t, c.Max, c.Min)
		}
	})
}

func TestSphereCurvesAlikeEverywhere(t *testing.T) {
	s := compile(t, contours["sphere"], spc.Concave)
	c, ok := s.Curvature(240, -180)
	require.True(t, ok)
	require.InEpsilon(t, 2/1107.5, c.Max+c.Min, 1e-12)
	require.InEpsilon(t, 1/1107.5, c.Min, 1e-6) // the square root of a difference that vanishes
}

func TestBiradialOfEqualRadiiIsTheSphere(t *testing.T) {
	s, b := compile(t, contours["sphere"], spc.Concave), compile(t, spc.Contour{Kind: spc.ContourBiradial, Rx: 1107.5, Ry: 1107.5}, spc.Concave)
	for _, p := range [][2]float64{{0, 0}, {255, 190}, {-10, 80}} {
		zs, _ := s.Height(p[0], p[1])
		zb, _ := b.Height(p[0], p[1])
		require.Equal(t, zs, zb)
		require.InDelta(t, 1107.5-math.Sqrt(1107.5*1107.5-p[0]*p[0]-p[1]*p[1]), zs, 1e-11)
	}
}

func TestBiradialHasItsRadiiAtTheApex(t *testing.T) {
	s := compile(t, contours["biradial"], spc.Concave)
	c, ok := s.Curvature(0, 0)
	require.True(t, ok)
	require.InEpsilon(t, 1250, 1/c.X, 1e-14)
	require.InEpsilon(t, 930, 1/c.Y, 1e-14)
	require.InDelta(t, math.Pi/2, c.Axis, 1e-12, "it bends most along y")
}

func TestDistanceRecoversPointsAlongTheNormal(t *testing.T) {
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		rnd := rand.New(rand.NewPCG(1, 2))
		for range 500 {
			x, y := 255*(2*rnd.Float64()-1), 190*(2*rnd.Float64()-1)
			d := 20 * (2*rnd.Float64() - 1)
			z, _ := s.Height(x, y)
			n, _ := s.Normal(x, y)
			got, foot, ok := s.Distance([3]float64{x + d*n[0], y + d*n[1], z + d*n[2]})
			require.True(t, ok)
			require.InDelta(t, d, got, 1e-11)
			require.InDelta(t, x, foot[0], 1e-4)
			require.InDelta(t, y, foot[1], 1e-4)
		}
	})
}

func TestDistanceRefusesPointsWithoutAFoot(t *testing.T) {
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		for _, p := range [][3]float64{{math.NaN(), 0, 0}, {0, 0, math.Inf(1)}, {1e300, 0, 0}} {
			d, _, ok := s.Distance(p)
			require.False(t, ok)
			require.Zero(t, d)
		}
	})
}

func TestContourRefusals(t *testing.T) {
	for _, c := range []spc.Contour{
		{}, {Kind: "cone"}, {Kind: spc.ContourSphere}, {Kind: spc.ContourSphere, R: -5}, {Kind: spc.ContourSphere, R: math.NaN()},
		{Kind: spc.ContourBiradial, Rx: 1000}, {Kind: spc.ContourBiradial, Rx: 1000, Ry: math.Inf(1)},
		{Kind: spc.ContourPolynomial, A: [7]float64{1: math.NaN()}},
	} {
		_, err := surface.New(c)
		var refusal *surface.RefusalError
		require.ErrorAs(t, err, &refusal)
		require.Equal(t, surface.BadContour, refusal.Reason)
		require.NotEmpty(t, err.Error())
	}
	s := compile(t, contours["sphere"], spc.Concave)
	_, ok := s.Height(1107, 100)
	require.False(t, ok)
}

func ExampleSurface_Height() {
	s, err := surface.New(spc.Contour{Kind: spc.ContourSphere, R: 1107.5})
	if err != nil {
		fmt.Println(err)
		return
	}
	z, _ := s.Height(255, 190)
	fmt.Printf("%.3f mm at the corner\n", z)
	// Output: 46.637 mm at the corner
}
