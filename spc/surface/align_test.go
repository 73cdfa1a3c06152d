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

var allFreedoms = []spc.Freedom{spc.ShiftX, spc.ShiftY, spc.ShiftZ, spc.TiltX, spc.TiltY}

// grid is an 8 x 6 layout over 480 x 360 mm.
func grid() [][2]float64 {
	var out [][2]float64
	for j := range 6 {
		for i := range 8 {
			out = append(out, [2]float64{-240 + 480*float64(i)/7, 180 - 360*float64(j)/5})
		}
	}
	return out
}

// seated puts the contour's points, lifted by d along the normal, where a seat says: turned about x, then y as the
// product Rx Ry, then shifted.
func seated(s *surface.Surface, places [][2]float64, seat surface.Seat, d []float64) [][3]float64 {
	out := make([][3]float64, len(places))
	sx, cx := math.Sincos(seat.TiltX)
	sy, cy := math.Sincos(seat.TiltY)
	for i, p := range places {
		z, _ := s.Height(p[0], p[1])
		n, _ := s.Normal(p[0], p[1])
		q := [3]float64{p[0], p[1], z}
		if d != nil {
			q = [3]float64{p[0] + d[i]*n[0], p[1] + d[i]*n[1], z + d[i]*n[2]}
		}
		x, y, z := cy*q[0]+sy*q[2], q[1], -sy*q[0]+cy*q[2]
		out[i] = [3]float64{x + seat.X, cx*y - sx*z + seat.Y, sx*y + cx*z + seat.Z}
	}
	return out
}

func TestAlignmentRecoversThePlantedSeat(t *testing.T) {
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		a, err := surface.NewAlignment(s, grid(), allFreedoms)
		require.NoError(t, err)
		seat := surface.Seat{Z: 1.3, TiltX: 2e-3, TiltY: -3e-3}
		if s.Kind() != spc.ContourSphere {
			require.Contains(t, a.Free(), spc.ShiftY)
			seat.Y = -1.1
		}
		if s.Kind() == spc.ContourPolynomial {
			require.Empty(t, a.Dropped())
			seat.X = 0.8
		}
		var out surface.Aligned
		require.NoError(t, a.Align(&out, seated(s, grid(), seat, nil), nil))
		for _, d := range out.Deviations {
			require.InDelta(t, 0, d, 1e-10)
		}
		// A shift of a nearly spherical contour is known a thousand times less well than the deviations.
		require.InDelta(t, seat.X, out.Seat.X, 1e-7)
		require.InDelta(t, seat.Y, out.Seat.Y, 1e-7)
		require.InDelta(t, seat.Z, out.Seat.Z, 1e-9)
		require.InDelta(t, seat.TiltX, out.Seat.TiltX, 1e-10)
		require.InDelta(t, seat.TiltY, out.Seat.TiltY, 1e-10)
		require.LessOrEqual(t, out.Iterations, 8)
	})
}

func TestSphereDropsTheShiftsThatAreTilts(t *testing.T) {
	s := compile(t, contours["sphere"], spc.Concave)
	for _, c := range []struct{ allowed, free, dropped []spc.Freedom }{
		{allFreedoms, []spc.Freedom{spc.ShiftZ, spc.TiltX, spc.TiltY}, []spc.Freedom{spc.ShiftX, spc.ShiftY}},
		{[]spc.Freedom{spc.ShiftX, spc.ShiftZ, spc.TiltX}, []spc.Freedom{spc.ShiftX, spc.ShiftZ, spc.TiltX}, nil},
		{[]spc.Freedom{spc.TiltY, spc.ShiftX}, []spc.Freedom{spc.TiltY}, []spc.Freedom{spc.ShiftX}},
		{[]spc.Freedom{spc.TiltX, spc.ShiftY}, []spc.Freedom{spc.TiltX}, []spc.Freedom{spc.ShiftY}},
		{nil, []spc.Freedom{spc.ShiftZ, spc.TiltX, spc.TiltY}, nil},
	} {
		a, err := surface.NewAlignment(s, grid(), c.allowed)
		require.NoError(t, err)
		require.Equal(t, c.free, a.Free())
		require.Equal(t, c.dropped, a.Dropped())
	}
}

func TestAlignmentIsStationaryAndLeveragesSumToTheFreedoms(t *testing.T) {
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		rnd := rand.New(rand.NewPCG(3, 4))
		places := grid()
		d := make([]float64, len(places))
		for i := range d {
			d[i] = 0.1 * rnd.NormFloat64()
		}
		a, err := surface.NewAlignment(s, places, allFreedoms)
		require.NoError(t, err)
		pts := seated(s, places, surface.Seat{Z: 0.4, TiltX: 1e-3}, d)
		var out, moved surface.Aligned
		require.NoError(t, a.Align(&out, pts, nil))
		sum, lev := 0.0, 0.0
		for i, v := range out.Deviations {
			sum += v * v
			lev += out.Leverages[i]
			require.InDelta(t, 0.5, out.Leverages[i], 0.5)
		}
		require.InDelta(t, float64(len(a.Free())), lev, 1e-9)
		// The sum of squares rises whichever way the seat is nudged.
		for _, nudge := range []surface.Seat{{Z: 1e-3}, {Z: -1e-3}, {TiltX: 1e-5}, {TiltX: -1e-5}, {TiltY: 1e-5}, {TiltY: -1e-5}} {
			total := 0.0
			for _, p := range pts {
				q := unseat(out.Seat, p)
				q = unseat(nudge, q)
				v, _, ok := s.Distance(q)
				require.True(t, ok)
				total += v * v
			}
			require.Greater(t, total, sum)
		}
		// Moving all points by a seat changes no deviation, but for the turn about z that two tilts make together.
		a, err = surface.NewAlignment(s, places, nil)
		require.NoError(t, err)
		require.NoError(t, a.Align(&out, pts, nil))
		require.NoError(t, a.Align(&moved, move(surface.Seat{Z: -2, TiltX: -2e-3}, pts), nil))
		for i := range out.Deviations {
			require.InDelta(t, out.Deviations[i], moved.Deviations[i], 1e-5)
		}
	})
}

func move(seat surface.Seat, pts [][3]float64) [][3]float64 {
	out := make([][3]float64, len(pts))
	sx, cx := math.Sincos(seat.TiltX)
	sy, cy := math.Sincos(seat.TiltY)
	for i, q := range pts {
		x, y, z := cy*q[0]+sy*q[2], q[1], -sy*q[0]+cy*q[2]
		out[i] = [3]float64{x + seat.X, cx*y - sx*z + seat.Y, sx*y + cx*z + seat.Z}
	}
	return out
}

func unseat(seat surface.Seat, p [3]float64) [3]float64 {
	sx, cx := math.Sincos(seat.TiltX)
	sy, cy := math.Sincos(seat.TiltY)
	x, y, z := p[0]-seat.X, p[1]-seat.Y, p[2]-seat.Z
	y, z = cx*y+sx*z, -sx*y+cx*z
	return [3]float64{cy*x - sy*z, y, sy*x + cy*z}
}

func TestDeviationsAreConverged(t *testing.T) {
	// They are the distances of the points as seated, and no freedom has anything left to take up: the deviations have no
	// part along any derivative, taken here by differences.
	distances := func(t *testing.T, s *surface.Surface, seat surface.Seat, pts [][3]float64) []float64 {
		out := make([]float64, len(pts))
		for i, p := range pts {
			d, _, ok := s.Distance(unseat(seat, p))
			require.True(t, ok)
			out[i] = d
		}
		return out
	}
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		rnd := rand.New(rand.NewPCG(11, 12))
		a, err := surface.NewAlignment(s, grid(), nil)
		require.NoError(t, err)
		var out surface.Aligned
		for _, size := range []float64{0.01, 0.3, 5} {
			for range 20 {
				d := make([]float64, 48)
				for i := range d {
					d[i] = 0.2 * rnd.NormFloat64()
				}
				pts := seated(s, grid(), surface.Seat{Z: size * rnd.NormFloat64(), TiltX: size / 200 * rnd.NormFloat64(), TiltY: size / 200 * rnd.NormFloat64()}, d)
				require.NoError(t, a.Align(&out, pts, nil))
				for i, exact := range distances(t, s, out.Seat, pts) {
					require.InDelta(t, exact, out.Deviations[i], 1e-10)
				}
				for _, e := range []surface.Seat{{Z: 1e-2}, {TiltX: 1e-4}, {TiltY: 1e-4}} {
					up, down := out.Seat, out.Seat
					up.Z, up.TiltX, up.TiltY = up.Z+e.Z, up.TiltX+e.TiltX, up.TiltY+e.TiltY
					down.Z, down.TiltX, down.TiltY = down.Z-e.Z, down.TiltX-e.TiltX, down.TiltY-e.TiltY
					hi, lo := distances(t, s, up, pts), distances(t, s, down, pts)
					var dot, length float64
					for i := range hi {
						dot += (hi[i] - lo[i]) * out.Deviations[i]
						length += (hi[i] - lo[i]) * (hi[i] - lo[i])
					}
					require.InDelta(t, 0, dot/math.Sqrt(length*48), 1e-9) // rms
				}
			}
		}
	})
}

func TestLeverageIsTheDerivativeOfTheDeviationByItsOwnPoint(t *testing.T) {
	// d_i changes by (1 - h_i) of what its point moves along the normal.
	eachContour(t, func(t *testing.T, s *surface.Surface) {
		a, err := surface.NewAlignment(s, grid(), allFreedoms)
		require.NoError(t, err)
		const e = 1e-5
		for _, i := range []int{0, 9, 20, 47} {
			d := make([]float64, 48)
			d[i] = e
			var out surface.Aligned
			require.NoError(t, a.Align(&out, seated(s, grid(), surface.Seat{}, d), nil))
			require.InDelta(t, 1-out.Leverages[i], out.Deviations[i]/e, 1e-5)
		}
	})
}

func TestTargetIsTakenOffBeforeTheAlignment(t *testing.T) {
	s := compile(t, contours["biradial"], spc.Concave)
	a, err := surface.NewAlignment(s, grid(), nil)
	require.NoError(t, err)
	target := make([]float64, 48)
	for i := range target {
		target[i] = 0.2 * math.Sin(float64(i))
	}
	var out surface.Aligned
	require.NoError(t, a.Align(&out, seated(s, grid(), surface.Seat{Z: 0.1, TiltY: 1e-3}, target), target))
	for _, d := range out.Deviations {
		require.InDelta(t, 0, d, 1e-10)
	}
}

func TestAlignmentRefusals(t *testing.T) {
	s := compile(t, contours["sphere"], spc.Concave)
	line := [][2]float64{{-100, 0}, {0, 0}, {50, 0}, {100, 0}}
	var refusal *surface.RefusalError
	_, err := surface.NewAlignment(s, line, nil)
	require.ErrorAs(t, err, &refusal)
	require.Equal(t, surface.Undetermined, refusal.Reason)
	require.Contains(t, err.Error(), "tilt_x")
	_, err = surface.NewAlignment(s, [][2]float64{{0, 0}, {1200, 0}}, nil)
	require.ErrorAs(t, err, &refusal)
	require.Equal(t, 1, refusal.Index)
	_, err = surface.NewAlignment(s, grid(), []spc.Freedom{"roll"})
	require.ErrorContains(t, err, "roll")

	a, err := surface.NewAlignment(s, grid(), nil)
	require.NoError(t, err)
	var out surface.Aligned
	require.ErrorAs(t, a.Align(&out, seated(s, line, surface.Seat{}, nil), nil), &refusal)
	require.Equal(t, surface.Undetermined, refusal.Reason)
	require.ErrorAs(t, a.Align(&out, seated(s, line[:2], surface.Seat{}, nil), nil), &refusal)
	require.Equal(t, surface.TooFew, refusal.Reason)
	pts := seated(s, grid(), surface.Seat{}, nil)
	pts[7] = [3]float64{1e5, 0, 0}
	require.ErrorAs(t, a.Align(&out, pts, nil), &refusal)
	require.Equal(t, 7, refusal.Index)
}

func TestAlignAllocatesNothing(t *testing.T) {
	s := compile(t, contours["polynomial"], spc.Concave)
	a, err := surface.NewAlignment(s, grid(), nil)
	require.NoError(t, err)
	pts := seated(s, grid(), surface.Seat{Z: 1, TiltX: 1e-3}, nil)
	var out surface.Aligned
	require.Zero(t, testing.AllocsPerRun(10, func() { _ = a.Align(&out, pts, nil) }))
}

func ExampleAlignment_Align() {
	s, _ := surface.New(spc.Contour{Kind: spc.ContourSphere, R: 1000})
	places := [][2]float64{{-200, 150}, {200, 150}, {-200, -150}, {200, -150}, {0, 0}}
	a, _ := surface.NewAlignment(s, places, nil)
	pts := make([][3]float64, len(places))
	for i, p := range places {
		z, _ := s.Height(p[0], p[1])
		pts[i] = [3]float64{p[0], p[1], z + 0.5} // seated half a millimetre high
	}
	pts[4][2] += 0.1 // and the middle a tenth higher than that
	var out surface.Aligned
	if err := a.Align(&out, pts, nil); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("z %.3f mm, middle %+.3f mm\n", out.Seat.Z, out.Deviations[4])
	// Output: z 0.521 mm, middle +0.079 mm
}
