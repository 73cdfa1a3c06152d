package judge_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/surface"
)

func TestMasterErrorIsAgainstItsCertificate(t *testing.T) {
	c := contours["sphere"]
	g := gauge(spc.Radial)
	s := newSurface(t, c, spc.Concave)
	p := plan(t, g, product(c))
	w := judge.NewWork()
	var res spc.Result
	certified := make([]float64, 48)
	rnd := rand.New(rand.NewPCG(9, 9))
	d := make([]float64, 48)
	for i := range certified {
		certified[i] = 15 * rnd.NormFloat64()
		d[i] = certified[i] * 1e-3
	}
	m := spc.Master{Panel: "M-2", Product: "P25", RadiusMM: ptr(1107.5), RadiusUMM: ptr(0.01), DeviationsUM: certified, UUM: 1, AllowedUM: 5}
	// Read without error, seated anyhow.
	readings := measure(t, g, s, s, surface.Seat{Z: 0.3, TiltX: -4e-4}, d)
	p.Master(w, &m, readings, noon, &res)
	require.Equal(t, spc.Conforms, res.Verdict, res.Reasons)
	require.InDelta(t, 0, value(t, &res, spc.MasterMaxErrorUM), 0.05)
	require.NotNil(t, res.Items[0].Value)
	// A loose probe: 8 um long at place 13, of which its leverage takes a part.
	readings[12] += 0.008
	p.Master(w, &m, readings, noon, &res)
	require.Equal(t, spc.DoesNotConform, res.Verdict)
	require.InDelta(t, -7.5, res.DeviationsUM[12], 0.4)
	require.InDelta(t, 7.5, value(t, &res, spc.MasterMaxErrorUM), 0.4)
	require.Contains(t, res.Reasons[0], "place 13 (top middle) reads 7.")
	require.Contains(t, res.Reasons[0], "µm too low; 5 µm is allowed")
	// Too few deviations on the certificate.
	m.DeviationsUM = certified[:40]
	p.Master(w, &m, readings, noon, &res)
	require.Equal(t, "the certificate of master M-2 has 40 deviations for 48 places", res.Refusal)
	require.Len(t, res.Items, 1)
}

func TestMasterWithoutDeviationsIsItsCertifiedSphere(t *testing.T) {
	c := contours["sphere"]
	g := gauge(spc.Radial)
	s := newSurface(t, c, spc.Concave)
	made := newSurface(t, spc.Contour{Kind: spc.ContourSphere, R: 1108.1}, spc.Concave)
	p := plan(t, g, product(c))
	var res spc.Result
	ended := noon.Add(-24 * time.Hour)
	m := spc.Master{Panel: "M-3", RadiusMM: ptr(1108.1), AllowedUM: 5, ValidTo: &ended}
	p.Master(judge.NewWork(), &m, measure(t, g, s, made, surface.Seat{Z: 0.1}, nil), noon, &res)
	require.Equal(t, spc.Conforms, res.Verdict)
	require.InDelta(t, 0, value(t, &res, spc.MasterRadiusErrorMM), 1e-7)
	require.InDelta(t, 0, value(t, &res, spc.MasterMaxErrorUM), 1e-6)
	require.Equal(t, []string{"the certificate of master M-3 ended on 2026-03-01"}, res.Reasons)
	// The same reading against the nominal contour is 0.6 mm of radius off.
	m.RadiusMM, m.ValidTo = nil, nil
	p.Master(judge.NewWork(), &m, measure(t, g, s, made, surface.Seat{Z: 0.1}, nil), noon, &res)
	require.Equal(t, spc.DoesNotConform, res.Verdict)
	require.Greater(t, value(t, &res, spc.MasterMaxErrorUM), 10.0)
	_, has := res.Values.Get(spc.MasterRadiusErrorMM)
	require.False(t, has)
}

func TestLocalRadii(t *testing.T) {
	c := contours["sphere"]
	g := gauge(spc.LocalRadius)
	w := judge.NewWork()
	var res spc.Result
	prod := product(c)
	readings := make([]float64, 48)
	for i := range readings {
		readings[i] = 1107.5
	}
	g.ProbeUUM = ptr(100)
	plan(t, g, prod).Judge(w, readings, noon, &res)
	require.InDelta(t, 1107.5, value(t, &res, spc.RadiusMM), 1e-9)
	require.InDelta(t, 0.1/math.Sqrt(48), value(t, &res, spc.RadiusUMM), 1e-9)
	require.InDelta(t, 0, value(t, &res, spc.RadiusFitUMM), 1e-9)
	require.InDelta(t, 46.6365545, value(t, &res, spc.CornerSagMM), 1e-6)
	require.Equal(t, spc.Conforms, res.Verdict)
	require.Equal(t, "a local-radius gauge finds no centre and no deviations", res.Items[1].Why)
	_, has := res.Values.Get(spc.MaxDeviationUM)
	require.False(t, has)

	// Combined in curvature: the harmonic mean, on either side and with balls.
	for i := range readings {
		readings[i] = 1100
		if i%2 == 0 {
			readings[i] = 1115
		}
	}
	harmonic := 2 / (1/1100.0 + 1/1115.0)
	plan(t, g, prod).Judge(w, readings, noon, &res)
	require.InDelta(t, harmonic, value(t, &res, spc.RadiusMM), 1e-9)
	for _, side := range []spc.Side{spc.Concave, spc.Convex} {
		g, prod := g, prod
		prod.Side = side
		g.Sagitta, g.LegRadiusMM, g.BallRadiusMM, g.Unit, g.ProbeUUM = true, 40, 5, spc.Inch, ptr(0.5)
		sag := make([]float64, 48)
		for i, r := range readings {
			// Balls lie on a sphere smaller by their radius inside a concave surface, larger on a convex one.
			q := r - 5
			if side == spc.Convex {
				q = r + 5
			}
			sag[i] = (q - math.Sqrt(q*q-40*40)) / 25.4
		}
		plan(t, g, prod).Judge(w, sag, noon, &res)
		require.InDelta(t, harmonic, value(t, &res, spc.RadiusMM), 1e-6)
		// dR/dh is nearly -2 R^2 / a^2.
		require.InEpsilon(t, 2*1107.5*1107.5/1600*0.0005/math.Sqrt(48), value(t, &res, spc.RadiusUMM), 0.02)
		sag[20] = -0.1
		plan(t, g, prod).Judge(w, sag, noon, &res)
		require.Contains(t, res.Refusal, "place 21: a sagitta of")
	}
	readings[3] = 0
	plan(t, g, prod).Judge(w, readings, noon, &res)
	require.Equal(t, "place 4: a radius of 0 mm cannot be; readings are radii above 0", res.Refusal)

	// A master is judged by its radius.
	for i := range readings {
		readings[i] = 1107.53
	}
	m := spc.Master{Panel: "M-2", RadiusMM: ptr(1107.5), AllowedUM: 50}
	plan(t, g, prod).Master(w, &m, readings, noon, &res)
	require.Equal(t, spc.Conforms, res.Verdict, res.Reasons)
	m.AllowedUM = 20
	plan(t, g, prod).Master(w, &m, readings, noon, &res)
	require.Equal(t, spc.DoesNotConform, res.Verdict)
	require.Contains(t, res.Reasons[0], "radius error 0.03")
}

func TestDimensions(t *testing.T) {
	prod := spc.Product{ID: "P25", K: 2, Characteristics: []spc.Characteristic{
		{Name: "width", Unit: "mm", Nominal: ptr(512), Lower: ptr(510.984), Upper: ptr(513.016), U: ptr(0.02)},
		{Name: "seal edge", Unit: "mm", Upper: ptr(0.381), U: ptr(0.01)},
		{Name: "skirt", Unit: "mm", Lower: ptr(80)},
	}}
	g := spc.Gauge{ID: "PG-1", Kind: spc.Dimensions}
	var res spc.Result
	for _, c := range []struct {
		width, edge float64
		want        spc.Verdict
		reasons     []string
	}{
		{512.3, 0.2, spc.Conforms, nil},
		{513, 0.2, spc.Undecided, []string{"width 513.00 mm is too close to the limit of 513.016 mm to say: its uncertainty is 0.04 mm"}},
		{510.9, 0.37, spc.DoesNotConform, []string{"width 510.90 mm is below 510.984 mm by more than its uncertainty 0.04 mm",
			"seal edge 0.370 mm is too close to the limit of 0.381 mm to say: its uncertainty is 0.020 mm"}},
	} {
		m := spc.Measurement{Characteristics: map[string]float64{"width": c.width, "seal edge": c.edge, "skirt": 81, "bow": 3}}
		judge.Dimensions(g, prod, &m, &res)
		require.Equal(t, c.want, res.Verdict)
		if c.reasons == nil {
			require.Empty(t, res.Reasons)
		} else {
			require.Equal(t, c.reasons, res.Reasons)
		}
		require.Len(t, res.Items, 4)
		require.Equal(t, "its uncertainty is unknown: the product states no u", res.Items[2].Why)
		require.Equal(t, "product P25 does not define it", res.Items[3].Why)
	}
	judge.Dimensions(g, prod, &spc.Measurement{}, &res)
	require.Equal(t, spc.NotJudged, res.Verdict)
	require.Equal(t, "width is not judged: the measurement brings no value", res.Reasons[0])
}

func TestDimensionsOfReadings(t *testing.T) {
	prod := spc.Product{ID: "P25", Characteristics: []spc.Characteristic{{Name: "mean", Unit: "um", Upper: ptr(13000), U: ptr(2)}},
		Limits: map[string]spc.Interval{"range": {Upper: ptr(1)}}}
	g := spc.Gauge{ID: "PG-2", Kind: spc.Dimensions, Values: 5, Unit: spc.Inch, Range: &[2]float64{0, 1}, ProbeUUM: ptr(1)}
	// 0.5 in +- : mean 12.7 mm, sd 0.0254 sqrt(10/4)... of 0.498 .. 0.502 in.
	m := spc.Measurement{Readings: []float64{0.498, 0.499, 0.5, 0.501, 0.502}, MeasuredAt: noon}
	var res spc.Result
	judge.Dimensions(g, prod, &m, &res)
	require.InDelta(t, 12.7, value(t, &res, spc.MeanValue), 1e-12)
	require.InDelta(t, 0.0254*math.Sqrt(2.5), value(t, &res, spc.SDValue), 1e-12)
	require.InDelta(t, 0.004*25.4, value(t, &res, spc.RangeValue), 1e-12)
	require.Equal(t, spc.Conforms, res.Verdict)
	require.InDelta(t, 12700, *res.Items[0].Value, 1e-8)
	require.Equal(t, "no uncertainty is worked out for it", res.Items[1].Why)
	m.Readings[1], m.Readings[4] = math.NaN(), 7
	judge.Dimensions(g, prod, &m, &res)
	require.Equal(t, []int{2, 5}, res.FaultyProbes)
	require.InDelta(t, 25.4*(0.498+0.5+0.501)/3, value(t, &res, spc.MeanValue), 1e-12)
	m.Readings = m.Readings[:3]
	judge.Dimensions(g, prod, &m, &res)
	require.Equal(t, "3 readings; gauge PG-2 sends 5", res.Refusal)
}

func ExampleDimensions() {
	limit, u := 0.381, 0.01
	p := spc.Product{ID: "P25", K: 2, Characteristics: []spc.Characteristic{{Name: "seal edge", Unit: "mm", Upper: &limit, U: &u}}}
	var res spc.Result
	judge.Dimensions(spc.Gauge{ID: "PG-1", Kind: spc.Dimensions}, p, &spc.Measurement{Characteristics: map[string]float64{"seal edge": 0.37}}, &res)
	fmt.Println(res.Verdict)
	fmt.Println(res.Reasons[0])
	// Output:
	// undecided
	// seal edge 0.370 mm is too close to the limit of 0.381 mm to say: its uncertainty is 0.020 mm
}
