package sphere_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
	"sagwatch/spc/sphere"
)

type referenceCase struct {
	Name     string
	Points   []sphere.Point
	Expected struct {
		Centre         [3]ref.Number
		Radius         ref.Number
		SSR            ref.Number
		RMS            ref.Number
		CofactorRadius ref.Number `json:"cofactor_radius"`
		SDRadius       ref.Number `json:"sd_radius"`
	}
}

func referenceCases(t testing.TB) []referenceCase {
	var file struct{ Cases []referenceCase }
	ref.JSON(t, &file, "sphere", "fits.json")
	require.Len(t, file.Cases, 13)
	return file.Cases
}

// TestReferenceFits compares with fits computed in 60-digit arithmetic on the same binary points (testdata/reference,
// sphere/fits.json). Tolerance 1e-9 mm in centre and radius, with two exceptions that say why.
func TestReferenceFits(t *testing.T) {
	tol := map[string]float64{
		// R = 50 m from 0.6 mm of sagitta: one rounding of a coordinate moves the radius by 1e-8 mm.
		"cap_nearly_flat": 1e-7,
		// Centre coordinates of 2e5 mm are themselves only kept to 3e-11 mm.
		"cap_tilted_large_coordinates": 1e-9,
	}
	for _, c := range referenceCases(t) {
		t.Run(c.Name, func(t *testing.T) {
			f, err := sphere.FitPoints(c.Points)
			require.NoError(t, err)
			limit := 1e-9
			if l, ok := tol[c.Name]; ok {
				limit = l
			}
			for i := range 3 {
				ref.Absolute(t, float64(c.Expected.Centre[i]), f.Centre[i], limit, "centre")
			}
			ref.Absolute(t, float64(c.Expected.Radius), f.Radius, limit, "radius")
			ref.Absolute(t, float64(c.Expected.SSR), f.SSR, 1e-10*float64(c.Expected.SSR)+1e-22, "sum of squares")
			ref.Relative(t, float64(c.Expected.CofactorRadius), f.Cofactor[3][3], 1e-6, "cofactor of the radius")
			ref.Absolute(t, float64(c.Expected.RMS), f.RMS(), 1e-11, "rms")
			if s2, ok := f.S2(); ok {
				ref.Absolute(t, float64(c.Expected.SDRadius), f.RadiusU(math.Sqrt(s2)), 1e-6*float64(c.Expected.SDRadius)+1e-9, "standard deviation of the radius")
			}
			t.Logf("radius off by %.2g, centre z by %.2g, cofactor rel %.2g, %d iterations, %v", f.Radius-float64(c.Expected.Radius), f.Centre[2]-float64(c.Expected.Centre[2]), f.Cofactor[3][3]/float64(c.Expected.CofactorRadius)-1, f.Iterations, f.Stop)
		})
	}
}

// TestExactShapes compares with closed-form answers: regular polyhedra and two cases with known residuals.
func TestExactShapes(t *testing.T) {
	var file struct {
		Exact []struct {
			Name   string
			Points []sphere.Point
			Centre [3]float64
			Radius ref.Number
			SSR    ref.Number
		}
		MustRefuse []struct {
			Name   string
			Points []sphere.Point
		} `json:"must_refuse"`
	}
	ref.JSON(t, &file, "sphere", "exact.json")
	require.Len(t, file.Exact, 8)
	for _, c := range file.Exact {
		t.Run(c.Name, func(t *testing.T) {
			f, err := sphere.FitPoints(c.Points)
			require.NoError(t, err)
			for i := range 3 {
				ref.Absolute(t, c.Centre[i], f.Centre[i], 1e-12, "centre")
			}
			ref.Absolute(t, float64(c.Radius), f.Radius, 1e-13, "radius")
			ref.Absolute(t, float64(c.SSR), f.SSR, 1e-12, "sum of squares")
		})
	}
	want := map[string]sphere.Reason{
		"coplanar_grid": sphere.Coplanar, "three_points": sphere.TooFew, "four_coplanar": sphere.OneCircle,
		"repeated_point": sphere.Repeated, "circle_only": sphere.OneCircle, "collinear": sphere.Collinear,
	}
	require.Len(t, file.MustRefuse, len(want))
	for _, c := range file.MustRefuse {
		t.Run("Err/"+c.Name, func(t *testing.T) { requireRefused(t, c.Points, want[c.Name]) })
	}
}

func requireRefused(t *testing.T, pts []sphere.Point, want sphere.Reason) {
	t.Helper()
	f, err := sphere.FitPoints(pts)
	var refusal *sphere.RefusalError
	require.ErrorAs(t, err, &refusal)
	require.Equal(t, want, refusal.Reason, err.Error())
	require.Equal(t, len(pts), refusal.N)
	require.Zero(t, f)
}

func TestRefusals(t *testing.T) {
	good := cap48(1100, 0.005, 1)
	with := func(i, j int, v float64) []sphere.Point {
		p := append([]sphere.Point(nil), good...)
		p[i][j] = v
		return p
	}
	// A tilted plane far from the origin, whose coordinates are off the plane by their rounding only.
	var plane, noisy []sphere.Point
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range 48 {
		x, y := float64(i%8)*57.3, float64(i/8)*61.7
		plane = append(plane, sphere.Point{1e5 + x, 2e5 + y, 0.3*x - 0.7*y + 3e4})
		noisy = append(noisy, sphere.Point{x, y, 0.005 * rng.NormFloat64()})
	}
	tests := []struct {
		name string
		pts  []sphere.Point
		want sphere.Reason
	}{
		{"none", nil, sphere.TooFew},
		{"NaN", with(7, 2, math.NaN()), sphere.NotFinite},
		{"infinite", with(47, 0, math.Inf(-1)), sphere.NotFinite},
		{"too large", with(3, 1, 1e200), sphere.OutOfRange},
		{"three places repeated", []sphere.Point{{0, 0, 0}, {1, 0, 0}, {0, 1, 0}, {0, 1, 0}, {1, 0, 0}}, sphere.Repeated},
		{"tilted plane far away", plane, sphere.Coplanar},
		{"plane with scatter", noisy, sphere.Flat},
	}
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) { requireRefused(t, c.pts, c.want) })
	}
}

// TestFlatPlanesAreRefused: scatter about a plane must practically never pass for a sphere (5 standard uncertainties
// with 44 degrees of freedom: about 1 in 100 000).
func TestFlatPlanesAreRefused(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		pts := cap48(math.Inf(1), 0.005, rng.Uint64())
		f, err := sphere.FitPoints(pts)
		require.Error(t, err, "%+v", f)
	}
}

// cap48 is a concave cap, apex at the origin, on an 8 x 6 grid of 400 mm x 300 mm with normal scatter s along z.
func cap48(radius, s float64, seed uint64) []sphere.Point {
	rng := rand.New(rand.NewPCG(seed, 17))
	var pts []sphere.Point
	for i := range 48 {
		x, y := -200+400.0/7*float64(i%8), -150+60*float64(i/8)
		r2 := x*x + y*y
		z := 0.0
		if !math.IsInf(radius, 1) {
			z = r2 / (radius + math.Sqrt(radius*radius-r2))
		}
		pts = append(pts, sphere.Point{x, y, z + s*rng.NormFloat64()})
	}
	return pts
}

// TestInvariance: shifting, turning and reordering the points moves the fit with them.
func TestInvariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		pts := cap48(800+500*rng.Float64(), 0.005, rng.Uint64())
		f, err := sphere.FitPoints(pts)
		require.NoError(t, err)
		rot, shift := rotation(rng), [3]float64{}
		for j := range shift {
			shift[j] = 1e5 * (2*rng.Float64() - 1)
		}
		move := func(p [3]float64) [3]float64 {
			q := shift
			for j := range 3 {
				for k := range 3 {
					q[j] += rot[j][k] * p[k]
				}
			}
			return q
		}
		moved := make([]sphere.Point, len(pts))
		for i, j := range rng.Perm(len(pts)) {
			moved[i] = move(pts[j])
		}
		g, err := sphere.FitPoints(moved)
		require.NoError(t, err)
		// Rounding of coordinates near 1e5 mm is 1.5e-11 mm; the cap's geometry enlarges it up to 50 times.
		want := move(f.Centre)
		for j := range 3 {
			ref.Absolute(t, want[j], g.Centre[j], 1e-9, "centre")
		}
		ref.Absolute(t, f.Radius, g.Radius, 1e-9, "radius")
		ref.Relative(t, f.SSR, g.SSR, 1e-7, "sum of squares")
		ref.Relative(t, f.Cofactor[3][3], g.Cofactor[3][3], 1e-9, "cofactor of the radius")
	}
}

// rotation is a random proper or improper rotation (Gram-Schmidt on normal columns).
func rotation(rng *rand.Rand) (m [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			m[i][j] = rng.NormFloat64()
		}
		for k := range i {
			d := m[i][0]*m[k][0] + m[i][1]*m[k][1] + m[i][2]*m[k][2]
			for j := range 3 {
				m[i][j] -= d * m[k][j]
			}
		}
		n := math.Sqrt(m[i][0]*m[i][0] + m[i][1]*m[i][1] + m[i][2]*m[i][2])
		for j := range 3 {
			m[i][j] /= n
		}
	}
	return m
}

// TestMinimum: no neighbour of the solution has a smaller sum of squares, also with scatter that is large or grossly
// uneven, where the algebraic start is poor.
func TestMinimum(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	fitted := 0
	for range 300 {
		var pts []sphere.Point
		for range 6 + rng.IntN(30) {
			x, y, z := rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
			r := 100 * (1 + 0.1*rng.NormFloat64()) / math.Sqrt(x*x+y*y+z*z)
			pts = append(pts, sphere.Point{x * r, y * r, math.Abs(z) * r})
		}
		f, err := sphere.FitPoints(pts)
		if err != nil {
			continue
		}
		fitted++
		ssr := func(dx, dy, dz, dr float64) (s float64) {
			g := f
			g.Centre[0] += dx
			g.Centre[1] += dy
			g.Centre[2] += dz
			g.Radius += dr
			for _, p := range pts {
				r := g.Residual(p)
				s += r * r
			}
			return s
		}
		at := ssr(0, 0, 0, 0)
		ref.Relative(t, at, f.SSR, 1e-10, "sum of squares")
		for _, h := range []float64{1e-3, -1e-3} {
			require.Greater(t, ssr(h, 0, 0, 0), at)
			require.Greater(t, ssr(0, h, 0, 0), at)
			require.Greater(t, ssr(0, 0, h, 0), at)
			require.Greater(t, ssr(0, 0, 0, h), at)
		}
	}
	require.Greater(t, fitted, 280)
}

// TestCofactorByPerturbation compares the cofactor with finite differences: moving point i by h along its normal moves the
// solution by h C J_i, so that the sum over i of the squared derivatives is the diagonal of C (for small residuals).
// The derivative of the radius also gives the leverages.
func TestCofactorByPerturbation(t *testing.T) {
	pts := cap48(1100, 0.0005, 9)
	f, err := sphere.FitPoints(pts)
	require.NoError(t, err)
	lev := make([]float64, len(pts))
	f.Leverages(lev, pts)
	const h = 1e-4
	var c [4][4]float64
	for i := range pts {
		shifted := func(h float64) ([]sphere.Point, sphere.Fit) {
			q := append([]sphere.Point(nil), pts...)
			for j := range 3 {
				q[i][j] += h * (f.Centre[j] - pts[i][j]) / f.Radius
			}
			g, err := sphere.FitPoints(q)
			require.NoError(t, err)
			return q, g
		}
		up, fu := shifted(h)
		down, fd := shifted(-h)
		var d [4]float64
		for j := range 3 {
			d[j] = (fu.Centre[j] - fd.Centre[j]) / (2 * h)
		}
		d[3] = (fu.Radius - fd.Radius) / (2 * h)
		for j := range 4 {
			for k := range 4 {
				c[j][k] += d[j] * d[k]
			}
		}
		ref.Absolute(t, 1-lev[i], (fu.Residual(up[i])-fd.Residual(down[i]))/(2*h), 1e-5, "1 - leverage")
	}
	for j := range 4 {
		for k := range 4 {
			ref.Absolute(t, c[j][k], f.Cofactor[j][k], 1e-4*math.Sqrt(f.Cofactor[j][j]*f.Cofactor[k][k]), "cofactor")
			require.Equal(t, f.Cofactor[j][k], f.Cofactor[k][j])
		}
	}
	sum := 0.0
	for _, h := range lev {
		require.GreaterOrEqual(t, h, 1/48.0)
		require.LessOrEqual(t, h, 1.0)
		sum += h
	}
	ref.Absolute(t, 4, sum, 1e-9, "sum of the leverages")
	require.Greater(t, f.CorrelationRZ(), 0.99)
}

// TestRadiusUBySimulation: the scatter of fitted radii is what RadiusU says, 2 % at 4000 fits being three standard errors.
func TestRadiusUBySimulation(t *testing.T) {
	var sum, sum2, said float64
	const n = 4000
	for i := range n {
		f, err := sphere.FitPoints(cap48(1100, 0.005, uint64(i)))
		require.NoError(t, err)
		d := f.Radius - 1100
		sum += d
		sum2 += d * d
		said = f.RadiusU(0.005)
	}
	sd := math.Sqrt((sum2 - sum*sum/n) / (n - 1))
	// Scatter along z rather than the normal: cos^2 of at most 13 degrees, 1 % on average.
	ref.Relative(t, said, sd, 0.04, "standard deviation of the radius")
	ref.Absolute(t, 0, sum/n, 4*sd/math.Sqrt(n), "bias of the radius")
}

func TestSideAndSigns(t *testing.T) {
	pts := cap48(1100, 0, 1)
	f, err := sphere.FitPoints(pts)
	require.NoError(t, err)
	require.True(t, f.Concave)
	require.Positive(t, f.Residual(sphere.Point{0, 0, 0.01}), "above the surface, towards the centre")
	for i := range pts {
		pts[i][2] = -pts[i][2]
	}
	f, err = sphere.FitPoints(pts)
	require.NoError(t, err)
	require.False(t, f.Concave)
	require.Less(t, f.CorrelationRZ(), -0.99)
	require.Negative(t, f.Residual(sphere.Point{0, 0, 0.01}), "away from the centre")
}

func TestSag(t *testing.T) {
	f, err := sphere.FitPoints(cap48(1000, 0.005, 3))
	require.NoError(t, err)
	f.Radius = 1000
	sag, err := f.Sag(200, 150)
	require.NoError(t, err)
	// Sagitta for R 1000, a 250: sphere/exact.json.
	ref.Absolute(t, 31.75416344814577870518365, sag, 1e-13, "sag")
	u, err := f.SagU(200, 150, 0.005)
	require.NoError(t, err)
	g := f
	g.Radius += 1e-3
	up, err := g.Sag(200, 150)
	require.NoError(t, err)
	ref.Relative(t, (sag-up)/1e-3*f.RadiusU(0.005), u, 1e-5, "uncertainty of the sag against a finite difference")
	_, err = f.Sag(800, 600)
	require.ErrorContains(t, err, "outside the sphere")
	_, err = f.Sag(math.NaN(), 0)
	require.Error(t, err)
}

// TestFitAllocatesNothing: the fit runs for every reading of every panel.
func TestFitAllocatesNothing(t *testing.T) {
	pts := cap48(1100, 0.005, 1)
	dst := make([]float64, len(pts))
	require.Zero(t, testing.AllocsPerRun(100, func() {
		f, err := sphere.FitPoints(pts)
		if err != nil {
			t.Fatal(err)
		}
		f.Residuals(dst, pts)
		f.Leverages(dst, pts)
	}))
}

// FuzzFit: whatever the coordinates, a fit is finite and consistent or a typed refusal with words.
func FuzzFit(f *testing.F) {
	add := func(pts []sphere.Point) {
		var b []byte
		for _, p := range pts {
			for _, v := range p {
				b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
			}
		}
		f.Add(b)
	}
	for _, c := range referenceCases(f) {
		add(c.Points)
	}
	add(cap48(math.Inf(1), 0, 1))
	add(cap48(math.Inf(1), 1e-9, 1))
	add([]sphere.Point{{1e-200, 0, 0}, {0, 1e-200, 0}, {0, 0, 1e-200}, {1e-200, 1e-200, 1e-200}})
	add([]sphere.Point{{1e12, 0, 0}, {0, 1e12, 0}, {0, 0, 1e12}, {1e12, 1e12, 1e12}, {math.NaN(), 0, 0}})
	f.Fuzz(func(t *testing.T, b []byte) {
		var pts []sphere.Point
		for len(b) >= 24 && len(pts) < 200 {
			var p sphere.Point
			for j := range p {
				p[j] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*j:]))
			}
			pts = append(pts, p)
			b = b[24:]
		}
		checkFit(t, pts)
	})
}

// TestAwkwardPoints runs the fuzz property over many random small integer points: near coplanar, repeated, symmetric.
func TestAwkwardPoints(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 10000 {
		pts := make([]sphere.Point, 4+rng.IntN(5))
		size := math.Pow(10, float64(rng.IntN(20)-10))
		for i := range pts {
			for j := range 3 {
				pts[i][j] = size * float64(rng.IntN(4))
			}
		}
		checkFit(t, pts)
	}
}

// TestStrangeSizes runs it over caps of all sizes, curvatures, scatters and placements, some with a mad value.
func TestStrangeSizes(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	power := func(lo, hi int) float64 { return math.Pow(10, float64(lo)+rng.Float64()*float64(hi-lo)) }
	for range 4000 {
		n := 4 + rng.IntN(45)
		extent, curvature, scatter, offset := power(-40, 12), power(-8, 2), power(-18, 1), power(-3, 12)
		pts := make([]sphere.Point, n)
		for i := range pts {
			x, y := rng.Float64()-0.5, rng.Float64()-0.5
			z := 0.5*curvature*(x*x+y*y) + scatter*rng.NormFloat64()
			pts[i] = sphere.Point{extent*x + offset, extent * y, extent*z - offset}
		}
		if rng.IntN(4) == 0 {
			pts[rng.IntN(n)][rng.IntN(3)] = math.Float64frombits(rng.Uint64())
		}
		checkFit(t, pts)
	}
}

func checkFit(t *testing.T, pts []sphere.Point) {
	t.Helper()
	fit, err := sphere.FitPoints(pts)
	_, rerr := sphere.FitRobust(pts)
	if err != nil {
		var refusal *sphere.RefusalError
		require.ErrorAs(t, err, &refusal)
		require.NotEmpty(t, err.Error())
		require.Error(t, rerr)
		return
	}
	finite := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
	require.True(t, fit.Radius > 0 && finite(fit.Radius), "%+v", fit)
	require.True(t, fit.SSR >= 0 && finite(fit.SSR), "%+v", fit)
	dst := make([]float64, len(pts))
	for _, v := range fit.Centre {
		require.True(t, finite(v), "%+v", fit)
	}
	for j := range 4 {
		require.Positive(t, fit.Cofactor[j][j])
		for k := range 4 {
			require.True(t, finite(fit.Cofactor[j][k]), "%+v", fit)
		}
	}
	fit.Residuals(dst, pts)
	for _, v := range dst {
		require.True(t, finite(v), "%+v", fit)
	}
	fit.Leverages(dst, pts)
	for _, v := range dst {
		require.True(t, finite(v) && v > 0, "%+v", fit)
	}
	require.True(t, finite(fit.RMS()) && finite(fit.RadiusU(1)) && finite(fit.CorrelationRZ()))
}
