package sphere_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
	"sagwatch/spc/sphere"
)

// TestSpherometer: closed-form and 25-digit values of testdata/reference, sphere/exact.json.
func TestSpherometer(t *testing.T) {
	var file struct {
		Spherometer struct {
			Exact []struct{ A, H, R ref.Number }
			Rows  []struct {
				R, A, H ref.Number
				UH      ref.Number `json:"u_h"`
				UA      ref.Number `json:"u_a"`
				UR      ref.Number `json:"u_R"`
			}
		}
	}
	ref.JSON(t, &file, "sphere", "exact.json")
	require.Len(t, file.Spherometer.Exact, 7)
	for _, c := range file.Spherometer.Exact {
		r, err := sphere.Spherometer{LegRadius: float64(c.A)}.Radius(float64(c.H))
		require.NoError(t, err)
		ref.Relative(t, float64(c.R), r, 1e-15, "radius")
	}
	require.Len(t, file.Spherometer.Rows, 5)
	for _, c := range file.Spherometer.Rows {
		s := sphere.Spherometer{LegRadius: float64(c.A)}
		h, err := s.Sagitta(float64(c.R))
		require.NoError(t, err)
		ref.Relative(t, float64(c.H), h, 1e-14, "sagitta")
		u, err := s.RadiusU(float64(c.H), float64(c.UH), float64(c.UA), 0)
		require.NoError(t, err)
		ref.Relative(t, float64(c.UR), u, 1e-13, "u(R)")
	}
}

// TestBallFeet builds the geometry anew: balls of radius b touch a surface of radius R, so their centres lie on a
// sphere of R - b (concave) or R + b (convex) and the spindle moves by h from where it touches a flat.
func TestBallFeet(t *testing.T) {
	const R, a, b = 1100.0, 60.0, 3.0
	centres := R - b
	height := R - math.Sqrt(centres*centres-a*a) - b // of the balls' plane above the apex, less b as on a flat
	concave := sphere.Spherometer{LegRadius: a, BallRadius: b}
	r, err := concave.Radius(height)
	require.NoError(t, err)
	ref.Relative(t, R, r, 1e-10, "concave radius")
	centres = R + b
	depth := b - (math.Sqrt(centres*centres-a*a) - R) // the balls' plane sinks below that of a flat
	convex := sphere.Spherometer{LegRadius: a, BallRadius: b, Convex: true}
	r, err = convex.Radius(depth)
	require.NoError(t, err)
	ref.Relative(t, R, r, 1e-10, "convex radius")
	for _, s := range []sphere.Spherometer{concave, convex} {
		h, err := s.Sagitta(R)
		require.NoError(t, err)
		back, err := s.Radius(h)
		require.NoError(t, err)
		ref.Relative(t, R, back, 1e-13, "there and back")
		u, err := s.RadiusU(h, 0.001, 0.01, 0.002)
		require.NoError(t, err)
		const d = 1e-5
		rh := func(dh, da, db float64) float64 {
			r, err := sphere.Spherometer{LegRadius: a + da, BallRadius: b + db, Convex: s.Convex}.Radius(h + dh)
			require.NoError(t, err)
			return r
		}
		want := math.Hypot(math.Hypot((rh(d, 0, 0)-rh(-d, 0, 0))/(2*d)*0.001, (rh(0, d, 0)-rh(0, -d, 0))/(2*d)*0.01),
			(rh(0, 0, d)-rh(0, 0, -d))/(2*d)*0.002)
		ref.Relative(t, want, u, 1e-8, "u(R) against finite differences")
	}
}

func TestSpherometerErrors(t *testing.T) {
	for _, s := range []sphere.Spherometer{{}, {LegRadius: -1}, {LegRadius: math.NaN()}, {LegRadius: 10, BallRadius: -1}} {
		_, err := s.Radius(1)
		require.Error(t, err, "%+v", s)
		_, err = s.Sagitta(100)
		require.Error(t, err, "%+v", s)
	}
	s := sphere.Spherometer{LegRadius: 10}
	for _, h := range []float64{0, -1, 11, math.NaN(), math.Inf(1), 5e-324} {
		_, err := s.Radius(h)
		require.Error(t, err, "h = %g", h)
	}
	for _, r := range []float64{9.9, -100, math.NaN(), math.Inf(1)} {
		_, err := s.Sagitta(r)
		require.Error(t, err, "R = %g", r)
	}
	_, err := s.RadiusU(1, -1, 0, 0)
	require.ErrorContains(t, err, "negative")
}

func TestCombineRadii(t *testing.T) {
	c, err := sphere.CombineRadii([]float64{1000, 1250}, nil)
	require.NoError(t, err)
	// Curvatures 0.001 and 0.0008: mean 0.0009, standard deviation 0.0002/sqrt 2.
	ref.Relative(t, 1/0.0009, c.Radius, 1e-14, "radius")
	ref.Relative(t, 0.0002/math.Sqrt2, c.CurvatureS, 1e-12, "standard deviation of the curvature")
	ref.Relative(t, 0.0002/math.Sqrt2/(0.0009*0.0009), c.SpreadMM, 1e-12, "spread")
	require.Equal(t, 1000.0, c.Min)
	require.Equal(t, 1250.0, c.Max)
	// A weight of 0 leaves out, equal weights change nothing whatever their size.
	d, err := sphere.CombineRadii([]float64{1000, math.NaN(), 1250}, []float64{7, 0, 7})
	require.NoError(t, err)
	ref.Relative(t, c.Radius, d.Radius, 1e-15, "radius")
	ref.Relative(t, c.CurvatureS, d.CurvatureS, 1e-13, "standard deviation")
	require.Equal(t, 2, d.N)
	one, err := sphere.CombineRadii([]float64{1100}, nil)
	require.NoError(t, err)
	require.Zero(t, one.SpreadMM)
	for _, bad := range []struct{ r, w []float64 }{
		{nil, nil}, {[]float64{1}, []float64{0}}, {[]float64{-5}, nil}, {[]float64{math.Inf(1)}, nil},
		{[]float64{1}, []float64{-1}}, {[]float64{1}, []float64{1, 2}}, {[]float64{1}, []float64{math.NaN()}},
	} {
		_, err := sphere.CombineRadii(bad.r, bad.w)
		require.Error(t, err, "%v", bad)
	}
}

// TestRobust: the point raised by 0.25 mm pulls least squares by 0.8 mm and the robust fit by less than its own scatter.
func TestRobust(t *testing.T) {
	for _, c := range referenceCases(t) {
		if c.Name != "cap_one_outlier" {
			continue
		}
		r, err := sphere.FitRobust(c.Points)
		require.NoError(t, err)
		require.True(t, r.Converged)
		ref.Absolute(t, 1000, r.Radius, 0.25, "robust radius") // three standard uncertainties of a clean fit
		out := 0
		for _, w := range r.Weights {
			if w == 0 {
				out++
			}
		}
		require.Equal(t, 1, out)
		require.Less(t, r.Scale, 0.007)
		// The robust fit is near the least-squares fit of the other points.
		var rest []sphere.Point
		for i, p := range c.Points {
			if r.Weights[i] > 0 {
				rest = append(rest, p)
			}
		}
		f, err := sphere.FitPoints(rest)
		require.NoError(t, err)
		s2, ok := f.S2()
		require.True(t, ok)
		ref.Absolute(t, f.Radius, r.Radius, 0.5*f.RadiusU(math.Sqrt(s2)), "robust against least squares without the outlier")
		return
	}
	t.Fatal("reference case cap_one_outlier is missing")
}

// TestRobustOnExactPoints: no scatter at all must not divide by zero.
func TestRobustOnExactPoints(t *testing.T) {
	r, err := sphere.FitRobust(cap48(1000, 0, 1))
	require.NoError(t, err)
	ref.Absolute(t, 1000, r.Radius, 1e-8, "radius")
}

// The depth of arc of 25 mm over a chord of 500 mm belongs to a radius of 1262.5 mm.
func ExampleSpherometer() {
	s := sphere.Spherometer{LegRadius: 250}
	r, err := s.Radius(25)
	fmt.Println(r, err)
	_, err = s.Radius(0)
	fmt.Println(err)
	// Output:
	// 1262.5 <nil>
	// a sagitta of 0 mm is not between 0 and the leg radius of 250 mm
}

// The corners of a cube lie on a sphere of radius sqrt 3 about its centre.
func ExampleFitPoints() {
	f, err := sphere.FitPoints([]sphere.Point{{-1, -1, -1}, {-1, -1, 1}, {-1, 1, -1}, {-1, 1, 1}, {1, -1, -1}, {1, -1, 1}, {1, 1, -1}, {1, 1, 1}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("R = %.6f mm, %d points, u(R) = %.4f of a point's\n", f.Radius, f.N, f.RadiusU(1))
	_, err = sphere.FitPoints([]sphere.Point{{0, 0, 0}, {1, 0, 0}, {2, 0, 0}, {3, 0, 0}})
	fmt.Println(err)
	// Output:
	// R = 1.732051 mm, 8 points, u(R) = 0.3536 of a point's
	// all 4 points lie on one line: no sphere is determined
}

func ExampleCombineRadii() {
	c, err := sphere.CombineRadii([]float64{1099, 1100, 1101}, nil)
	fmt.Printf("R = %.3f mm, spread %.2f mm %v\n", c.Radius, c.SpreadMM, err)
	// Output: R = 1099.999 mm, spread 1.00 mm <nil>
}

// One of twelve points stands out by a quarter; the other eleven still decide the sphere of radius sqrt 3.
func ExampleFitRobust() {
	var pts []sphere.Point
	for _, x := range []float64{-1, 1} {
		for _, y := range []float64{-1, 1} {
			for _, z := range []float64{-1, 1} {
				pts = append(pts, sphere.Point{x, y, z})
			}
		}
	}
	pts = append(pts, sphere.Point{math.Sqrt(3), 0, 0}, sphere.Point{-math.Sqrt(3), 0, 0}, sphere.Point{0, math.Sqrt(3), 0},
		sphere.Point{0, 0, math.Sqrt(3) + 0.25})
	f, _ := sphere.FitPoints(pts)
	r, _ := sphere.FitRobust(pts)
	fmt.Printf("least squares %.3f, robust %.3f, weight of the outlier %.0f\n", f.Radius, r.Radius, r.Weights[11])
	// Output: least squares 1.749, robust 1.732, weight of the outlier 0
}
