package judge_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/sphere"
	"sagwatch/spc/surface"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func ptr(v float64) *float64 { return &v }

var contours = map[string]spc.Contour{
	"sphere":     {Kind: spc.ContourSphere, R: 1107.5},
	"biradial":   {Kind: spc.ContourBiradial, Rx: 1250, Ry: 930},
	"polynomial": {Kind: spc.ContourPolynomial, A: [7]float64{4.2e-4, 3e-10, 5.1e-4, 4e-10, -2e-15, 2.5e-10, 1e-15}},
}

// product is an invented 25-inch panel.
func product(c spc.Contour) spc.Product {
	return spc.Product{ID: "P25", Contour: &c, Side: spc.Concave, CornerMM: &[2]float64{255, 190}, K: 2, MinimumGoodPoints: 40,
		SuspectRate: 1e-4, SuspectShare: 0.1,
		Limits: map[string]spc.Interval{
			"radius_mm":        {Lower: ptr(1101.5), Upper: ptr(1113.5)},
			"max_deviation_um": {Upper: ptr(381)},
		}}
}

// gauge has an 8 x 6 layout over 480 x 360 mm; place 1 is top left.
func gauge(kind spc.GaugeKind) spc.Gauge {
	g := spc.Gauge{ID: "CG-1", Kind: kind, Unit: spc.Millimetre, ProbeUUM: ptr(3), ReadingSign: 1}
	for j := range 6 {
		for i := range 8 {
			g.Places = append(g.Places, spc.Place{X: -240 + 480*float64(i)/7, Y: 180 - 360*float64(j)/5})
		}
	}
	if kind == spc.Radial {
		g.ApexDistanceMM = 1107.5
	}
	return g
}

// rays are the lines along which a gauge's probes read, in the panel frame, worked out apart from the package.
func rays(t testing.TB, g spc.Gauge, s *surface.Surface) (base, dir [][3]float64) {
	t.Helper()
	for _, p := range g.Places {
		z, ok := s.Height(p.X, p.Y)
		require.True(t, ok)
		n, _ := s.Normal(p.X, p.Y)
		switch {
		case g.Kind == spc.Radial:
			d := [3]float64{p.X, p.Y, z - g.ApexDistanceMM}
			l := math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
			base, dir = append(base, [3]float64{0, 0, g.ApexDistanceMM}), append(dir, [3]float64{d[0] / l, d[1] / l, d[2] / l})
		case g.Kind == spc.Deviation && g.DirectionNormal:
			base, dir = append(base, [3]float64{p.X, p.Y, z}), append(dir, n)
		case g.Kind == spc.Deviation:
			base, dir = append(base, [3]float64{p.X, p.Y, z}), append(dir, [3]float64{0, 0, 1})
		default:
			base, dir = append(base, [3]float64{p.X, p.Y, 0}), append(dir, [3]float64{0, 0, 1})
		}
	}
	return base, dir
}

// measure gives the readings in mm of a panel that sits at seat and deviates by d (mm along the normal of the surface
// actual) where each probe meets it. nominal is what the gauge was set up with.
func measure(t testing.TB, g spc.Gauge, nominal, actual *surface.Surface, seat surface.Seat, d []float64) []float64 {
	t.Helper()
	base, dir := rays(t, g, nominal)
	sx, cx := math.Sincos(seat.TiltX)
	sy, cy := math.Sincos(seat.TiltY)
	distance := func(i int, r float64) float64 {
		x, y, z := base[i][0]+r*dir[i][0]-seat.X, base[i][1]+r*dir[i][1]-seat.Y, base[i][2]+r*dir[i][2]-seat.Z
		y, z = cx*y+sx*z, -sx*y+cx*z
		v, _, ok := actual.Distance([3]float64{cy*x - sy*z, y, sy*x + cy*z})
		require.True(t, ok)
		return v
	}
	out := make([]float64, len(base))
	for i := range out {
		want := 0.0
		if d != nil {
			want = d[i]
		}
		// Secant steps from near the surface.
		a := 0.0
		switch g.Kind {
		case spc.Radial:
			a = g.ApexDistanceMM
		case spc.Axial:
			a, _ = nominal.Height(g.Places[i].X, g.Places[i].Y)
		}
		b := a + 0.1
		fa, fb := distance(i, a)-want, distance(i, b)-want
		for range 30 {
			if fb == fa || math.Abs(fb) < 1e-13 {
				break
			}
			a, b, fa = b, b-fb*(b-a)/(fb-fa), fb
			fb = distance(i, b) - want
		}
		require.InDelta(t, 0, fb, 1e-10)
		out[i] = b
	}
	return out
}

func newSurface(t testing.TB, c spc.Contour, side spc.Side) *surface.Surface {
	t.Helper()
	s, err := surface.New(c)
	require.NoError(t, err)
	return s.OnSide(side)
}

func plan(t testing.TB, g spc.Gauge, p spc.Product) *judge.Plan {
	t.Helper()
	out, err := judge.Compile(g, p)
	require.NoError(t, err)
	return out
}

func value(t testing.TB, r *spc.Result, c spc.Computed) float64 {
	t.Helper()
	v, ok := r.Values.Get(c)
	require.True(t, ok, "%s is absent: %v", c, r.Reasons)
	return v
}

func noisy(rnd *rand.Rand, sigma float64, readings []float64) []float64 {
	out := make([]float64, len(readings))
	for i, r := range readings {
		out[i] = r + sigma*rnd.NormFloat64()
	}
	return out
}

// kinds are the gauges whose readings become points.
func kinds() map[string]spc.Gauge {
	normal, axial := gauge(spc.Deviation), gauge(spc.Axial)
	normal.DirectionNormal = true
	return map[string]spc.Gauge{"radial": gauge(spc.Radial), "axial": axial, "deviation z": gauge(spc.Deviation), "deviation normal": normal}
}

func TestEveryReadingKindRecoversAPlantedPanelOnEveryContour(t *testing.T) {
	for cname, c := range contours {
		for _, side := range []spc.Side{spc.Concave, spc.Convex} {
			for kname, g := range kinds() {
				t.Run(cname+"/"+string(side)+"/"+kname, func(t *testing.T) {
					prod := product(c)
					prod.Side = side
					s := newSurface(t, c, side)
					var res spc.Result
					w := judge.NewWork()
					p := plan(t, g, prod)
					// A perfect panel, badly seated, has no deviation.
					p.Judge(w, measure(t, g, s, s, surface.Seat{Z: 0.4, TiltX: 1e-3, TiltY: -5e-4}, nil), noon, &res)
					require.Empty(t, res.Refusal)
					require.InDelta(t, 0, value(t, &res, spc.MaxDeviationUM), 1e-6)
					require.Empty(t, res.SuspectPlaces)
					for j := spc.BowUM; j <= spc.Bow4UM; j++ {
						require.InDelta(t, 0, value(t, &res, j), 1e-6)
					}
					cx, ok := s.Curvature(0, 0)
					require.True(t, ok)
					require.InEpsilon(t, math.Abs(1/cx.X), value(t, &res, spc.RadiusXMM), 1e-8)
					require.InEpsilon(t, math.Abs(1/cx.Y), value(t, &res, spc.RadiusYMM), 1e-8)
					if cname == "sphere" {
						require.InDelta(t, 1107.5, value(t, &res, spc.RadiusMM), 1e-7)
						require.InDelta(t, 0, value(t, &res, spc.FormUM), 1e-6)
						sag, _ := s.Height(255, 190)
						require.InDelta(t, math.Abs(sag), value(t, &res, spc.CornerSagMM), 1e-8)
					}
					// A panel with 80 um of twist, seated likewise: on this layout twist disturbs no seating.
					d := make([]float64, len(g.Places))
					h := math.Hypot(255, 190)
					for i, at := range g.Places {
						d[i] = 0.080 * 2 * at.X * at.Y / (h * h)
					}
					p.Judge(w, measure(t, g, s, s, surface.Seat{Z: 0.4, TiltX: 1e-4}, d), noon, &res)
					require.InDelta(t, 80, value(t, &res, spc.TwistUM), 0.02)
					require.InDelta(t, 0, value(t, &res, spc.TwofoldUM), 0.05)
					for i := range d {
						require.InDelta(t, d[i]*1e3, res.DeviationsUM[i], 0.05)
					}
					if g.DirectionNormal {
						p.Judge(w, measure(t, g, s, s, surface.Seat{}, d), noon, &res)
						require.InDelta(t, 80, value(t, &res, spc.TwistUM), 1e-6)
						require.InDelta(t, d[0]*1e3, res.DeviationsUM[0], 1e-6)
						require.InDelta(t, math.Abs(d[0])*1e3, value(t, &res, spc.MaxDeviationUM), 1e-6)
					}
				})
			}
		}
	}
}

func TestDirectionsMirroredOrInPlaneMeanTheSameGauge(t *testing.T) {
	c := contours["sphere"]
	g := gauge(spc.Radial)
	s := newSurface(t, c, spc.Concave)
	readings := noisy(rand.New(rand.NewPCG(1, 1)), 0.02, measure(t, g, s, s, surface.Seat{Z: 0.1}, nil))
	_, dir := rays(t, g, s)
	down, up := g, g
	down.Places, up.Places = nil, nil
	for _, d := range dir {
		down.Places = append(down.Places, spc.Place{X: d[0], Y: d[1], Z: d[2]})
		up.Places = append(up.Places, spc.Place{X: d[0], Y: d[1], Z: -d[2]})
	}
	var want, got spc.Result
	w := judge.NewWork()
	plan(t, g, product(c)).Judge(w, readings, noon, &want)
	for _, o := range []spc.Gauge{down, up} {
		p := plan(t, o, product(c))
		require.Equal(t, o.Places[0].Z > 0, p.Mirrored)
		p.Judge(w, readings, noon, &got)
		require.InDelta(t, value(t, &want, spc.RadiusMM), value(t, &got, spc.RadiusMM), 1e-9)
		for i := range want.DeviationsUM {
			require.InDelta(t, want.DeviationsUM[i], got.DeviationsUM[i], 1e-7)
		}
		require.InDelta(t, value(t, &want, spc.Cubic2UM), value(t, &got, spc.Cubic2UM), 1e-7)
	}
	up.Places[4].Z *= -1
	_, err := judge.Compile(up, product(c))
	require.ErrorContains(t, err, "place 1: its direction points away from the glass")
}

func TestUnitsAndSignOfReadings(t *testing.T) {
	c := contours["sphere"]
	s := newSurface(t, c, spc.Concave)
	g := gauge(spc.Deviation)
	d := make([]float64, 48)
	for i := range d {
		d[i] = 0.05 * math.Sin(float64(i))
	}
	mm := measure(t, g, s, s, surface.Seat{}, d)
	var want, got spc.Result
	w := judge.NewWork()
	plan(t, g, product(c)).Judge(w, mm, noon, &want)
	for _, v := range []struct {
		unit  spc.Unit
		sign  int
		scale float64
	}{{spc.Micrometre, 1, 1e3}, {spc.Inch, 1, 1 / 25.4}, {spc.Millimetre, -1, -1}, {spc.Inch, -1, -1 / 25.4}} {
		o := g
		o.Unit, o.ReadingSign = v.unit, v.sign
		readings := make([]float64, 48)
		for i := range mm {
			readings[i] = mm[i] * v.scale
		}
		plan(t, o, product(c)).Judge(w, readings, noon, &got)
		require.InDelta(t, value(t, &want, spc.RadiusMM), value(t, &got, spc.RadiusMM), 1e-8)
		require.InDelta(t, value(t, &want, spc.MaxDeviationSignedUM), value(t, &got, spc.MaxDeviationSignedUM), 1e-8)
	}
}

func TestARoundPanelOfAnotherRadius(t *testing.T) {
	c := contours["sphere"]
	s, tight := newSurface(t, c, spc.Concave), newSurface(t, spc.Contour{Kind: spc.ContourSphere, R: 1099.5}, spc.Concave)
	g := gauge(spc.Radial)
	var res spc.Result
	plan(t, g, product(c)).Judge(judge.NewWork(), measure(t, g, s, tight, surface.Seat{Z: 0.2, TiltX: 3e-4}, nil), noon, &res)
	require.InDelta(t, 1099.5, value(t, &res, spc.RadiusMM), 1e-7)
	// To second order a sphere 8 mm tight deviates by 8 (r^2 - mean r^2) / (2 R^2) after seating.
	var mean float64
	for _, at := range g.Places {
		mean += (at.X*at.X + at.Y*at.Y) / 48
	}
	require.InEpsilon(t, 8e3*(240*240+180*180-mean)/(2*1107.5*1107.5), value(t, &res, spc.MaxDeviationUM), 0.06)
	require.Greater(t, value(t, &res, spc.BowUM), 100.0, "the edge stands high")
	// The quadratic terms carry the change of curvature but for the fourth-order remainder.
	require.InDelta(t, 1099.5, value(t, &res, spc.RadiusXMM), 0.6)
	require.InDelta(t, 1099.5, value(t, &res, spc.RadiusYMM), 0.6)
	require.Equal(t, spc.DoesNotConform, res.Verdict)
	require.Len(t, res.Reasons, 1)
	require.Equal(t, "radius 1099.50 mm is below 1101.5 mm by more than its uncertainty 0.08 mm", res.Reasons[0])
}

func TestRadiusUncertaintyIsThePropagatedProbe(t *testing.T) {
	c := contours["sphere"]
	g := gauge(spc.Axial)
	s := newSurface(t, c, spc.Concave)
	clean := measure(t, g, s, s, surface.Seat{}, nil)
	base, _ := rays(t, g, s)
	pts := make([]sphere.Point, len(base))
	for i, b := range base {
		pts[i] = sphere.Point{b[0], b[1], clean[i]}
	}
	fit, err := sphere.FitPoints(pts)
	require.NoError(t, err)
	var res spc.Result
	w := judge.NewWork()
	plan(t, g, product(c)).Judge(w, clean, noon, &res)
	require.InEpsilon(t, 0.003*math.Sqrt(fit.Cofactor[3][3]), value(t, &res, spc.RadiusUMM), 1e-9)
	g.RadiusUMM = 0.2
	plan(t, g, product(c)).Judge(w, clean, noon, &res)
	require.InEpsilon(t, math.Hypot(0.2, 0.003*math.Sqrt(fit.Cofactor[3][3])), value(t, &res, spc.RadiusUMM), 1e-9)
	// Without probe_u the residuals say it, and deviations have no uncertainty.
	g.RadiusUMM, g.ProbeUUM = 0, nil
	plan(t, g, product(c)).Judge(w, noisy(rand.New(rand.NewPCG(2, 2)), 0.004, clean), noon, &res)
	require.Equal(t, value(t, &res, spc.RadiusFitUMM), value(t, &res, spc.RadiusUMM))
	require.Equal(t, spc.Conforms, res.Verdict)
	require.Equal(t, spc.NotJudged, res.Items[1].Verdict)
	require.Equal(t, "the gauge states no probe_u_um", res.Items[1].Why)
	require.Nil(t, res.Items[1].U)
}

func TestEveryShapeTermIsRecoveredThroughEveryReadingKind(t *testing.T) {
	const planted = 0.050 // mm
	for cname, c := range contours {
		s := newSurface(t, c, spc.Concave)
		for kname, g := range kinds() {
			t.Run(cname+"/"+kname, func(t *testing.T) {
				p := plan(t, g, product(c))
				w := judge.NewWork()
				var res spc.Result
				for j := surface.Bow; j < surface.Terms; j++ {
					d := make([]float64, len(g.Places))
					for i := range d {
						d[i] = planted * p.Basis().At(i)[j]
					}
					p.Judge(w, measure(t, g, s, s, surface.Seat{Z: -0.2, TiltX: 2e-4, TiltY: 1e-4}, d), noon, &res)
					require.Empty(t, res.SuspectPlaces)
					for k := surface.Bow; k < surface.Terms; k++ {
						want := 0.0
						if k == j {
							want = planted * 1e3
						}
						// The seating takes up what the terms share with a shift along the normal, a thousandth.
						require.InDelta(t, want, value(t, &res, surface.ShapeComputed[k]), 0.2, "term %d planted, term %d", j, k)
					}
				}
			})
		}
	}
}

func TestDeviationsFromAMasterOfAnotherContour(t *testing.T) {
	// The master is a sphere of 1110 mm, the product one of 1107.5: a panel just like the master reads zero everywhere.
	c := contours["sphere"]
	g := gauge(spc.Deviation)
	g.MasterContour = &spc.Contour{Kind: spc.ContourSphere, R: 1110}
	var res spc.Result
	w := judge.NewWork()
	plan(t, g, product(c)).Judge(w, make([]float64, 48), noon, &res)
	require.InDelta(t, 1110, value(t, &res, spc.RadiusMM), 1e-7)
	require.Greater(t, value(t, &res, spc.MaxDeviationUM), 20.0)
	require.Negative(t, value(t, &res, spc.BowUM), "flatter than the product")
	for words, change := range map[string]func(g *spc.Gauge){
		"reading_sign is 3":       func(g *spc.Gauge) { g.ReadingSign = 3 },
		"master_contour":          func(g *spc.Gauge) { g.MasterContour = &spc.Contour{} },
		"outside the master's":    func(g *spc.Gauge) { g.MasterContour = &spc.Contour{Kind: spc.ContourSphere, R: 260} },
		"place 2: (NaN, 180, 0) ": func(g *spc.Gauge) { g.Places[1].X = math.NaN() },
	} {
		o := g
		o.Places = append([]spc.Place(nil), g.Places...)
		change(&o)
		_, err := judge.Compile(o, product(c))
		require.ErrorContains(t, err, words)
	}
	_, err := judge.Compile(gauge(spc.Deviation), spc.Product{})
	require.ErrorContains(t, err, "deviation readings need master_contour")
}
