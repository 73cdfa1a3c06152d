package judge_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/judge"
	"sagwatch/spc/surface"
)

func TestDecideAtTheEdges(t *testing.T) {
	for _, c := range []struct {
		value, u     float64
		lower, upper *float64
		want         spc.Verdict
	}{
		{5, 0, ptr(0), ptr(10), spc.Conforms},
		{8, 2, ptr(0), ptr(10), spc.Conforms},
		{8.5, 2, ptr(0), ptr(10), spc.Undecided},
		{10, 0, ptr(0), ptr(10), spc.Conforms},
		{12, 2, ptr(0), ptr(10), spc.Undecided},
		{12.5, 2, ptr(0), ptr(10), spc.DoesNotConform},
		{2, 2, ptr(0), ptr(10), spc.Conforms},
		{-2, 2, ptr(0), ptr(10), spc.Undecided},
		{-2.5, 2, ptr(0), ptr(10), spc.DoesNotConform},
		{5, 6, ptr(0), ptr(10), spc.Undecided}, // the doubt is wider than the tolerance
		{-100, 2, nil, ptr(10), spc.Conforms},
		{100, 2, ptr(0), nil, spc.Conforms},
		{1, 2, ptr(0), nil, spc.Undecided},
		{1, 2, nil, nil, spc.NotJudged},
		{math.NaN(), 2, ptr(0), nil, spc.NotJudged},
		{1, math.NaN(), ptr(0), nil, spc.NotJudged},
	} {
		require.Equal(t, c.want, judge.Decide(c.value, c.u, c.lower, c.upper), "%g +- %g", c.value, c.u)
	}
}

// The zones of ISO 14253-1 by testdata/reference/uncertainty/decision_rules.json: the conformance zone shrinks by U at
// each side, the zone of nonconformance begins U outside. Inputs from memory of the standard, results computed.
func TestDecideAgreesWithTheReferenceZones(t *testing.T) {
	var file struct {
		GuardBands []struct {
			Q        float64 `json:"U_over_tol"`
			Fraction float64 `json:"conformance_fraction_of_tolerance"`
		} `json:"guard_bands"`
		Conformance []struct {
			Lower, Upper *float64
			Y, U         float64
			Computed     float64
		} `json:"conformance_probability"`
	}
	ref.JSON(t, &file, "uncertainty", "decision_rules.json")
	require.Len(t, file.GuardBands, 4)
	for _, g := range file.GuardBands {
		const n = 20000
		counts := map[spc.Verdict]int{}
		for i := range n {
			// From one tolerance below the lower limit to one above the upper, limits 0 and 1.
			counts[judge.Decide(-1+3*(float64(i)+0.5)/n, g.Q, ptr(0), ptr(1))]++
		}
		require.InDelta(t, g.Fraction, 3*float64(counts[spc.Conforms])/n, 3.0/n)
		require.InDelta(t, 2*(1-g.Q), 3*float64(counts[spc.DoesNotConform])/n, 3.0/n)
		require.InDelta(t, 4*g.Q, 3*float64(counts[spc.Undecided])/n, 3.0/n)
	}
	// A value is proven inside with k = 1.6449 only where the probability of conformity is at least 95 %.
	require.NotEmpty(t, file.Conformance)
	for _, c := range file.Conformance {
		got := judge.Decide(c.Y, 1.6448536*c.U, c.Lower, c.Upper)
		if c.Lower == nil || c.Upper == nil {
			require.Equal(t, c.Computed >= 0.95, got == spc.Conforms)
		} else if got == spc.Conforms {
			require.GreaterOrEqual(t, c.Computed, 0.90)
		}
	}
}

func TestRadiusVerdictAtTheGuardBand(t *testing.T) {
	c := contours["sphere"]
	g := gauge(spc.Radial)
	s := newSurface(t, c, spc.Concave)
	p := plan(t, g, product(c))
	w := judge.NewWork()
	var res spc.Result
	p.Judge(w, measure(t, g, s, s, surface.Seat{}, nil), noon, &res)
	u := value(t, &res, spc.RadiusUMM)
	for _, v := range []struct {
		radius float64
		want   spc.Verdict
		words  string
	}{
		{1113.5 - 2.1*u, spc.Conforms, ""},
		{1113.5 - 1.9*u, spc.Undecided, "too close to the limit of 1113.5 mm to say"},
		{1113.5 + 1.9*u, spc.Undecided, "too close to the limit of 1113.5 mm to say"},
		{1113.5 + 2.1*u, spc.DoesNotConform, "is above 1113.5 mm by more than its uncertainty 0.08 mm"},
		{1101.5 + 1.9*u, spc.Undecided, "too close to the limit of 1101.5 mm to say"},
		{1101.5 - 2.1*u, spc.DoesNotConform, "is below 1101.5 mm by more than its uncertainty 0.08 mm"},
	} {
		other := newSurface(t, spc.Contour{Kind: spc.ContourSphere, R: v.radius}, spc.Concave)
		p.Judge(w, measure(t, g, s, other, surface.Seat{}, nil), noon, &res)
		require.Equal(t, v.want, res.Verdict, "radius %g: %v", v.radius, res.Reasons)
		require.Contains(t, strings.Join(res.Reasons, ""), v.words)
		require.Equal(t, "radius_mm", res.Items[0].Name)
		require.InDelta(t, v.radius, *res.Items[0].Value, 1e-6)
		require.InDelta(t, u, *res.Items[0].U, 0.02*u)
	}
}

func TestDeviationIsJudgedAtEveryPlace(t *testing.T) {
	g, clean := cleanAxial(t)
	g.PlaceUUM = 6
	g.Resolution = 1 // mm: nothing below it is suspect
	prod := product(contours["sphere"])
	p := plan(t, g, prod)
	w := judge.NewWork()
	var res spc.Result
	const place = 9 // place 10, (-171, 108)
	for _, v := range []struct {
		um    float64
		want  spc.Verdict
		words string
	}{
		{367, spc.Conforms, ""},
		{378, spc.Undecided, "place 10 (top left) is 378 µm high, too close to the limit of 381 µm to say: its uncertainty is 13 µm"},
		{-390, spc.Undecided, "place 10 (top left) is 390 µm low, too close to the limit of 381 µm to say: its uncertainty is 13 µm"},
		{396, spc.DoesNotConform, "place 10 (top left) is 396 µm high, beyond the limit of 381 µm by more than its uncertainty 13 µm"},
	} {
		readings := append([]float64(nil), clean...)
		// Secant on the reading for a deviation of just this amount.
		a, b := 0.0, v.um*1e-3
		at := func(r float64) float64 {
			readings[place] = clean[place] + r
			p.Judge(w, readings, noon, &res)
			return res.DeviationsUM[place] - v.um
		}
		fa, fb := at(a), at(b)
		for range 5 {
			if fb == fa {
				break
			}
			a, b, fa = b, b-fb*(b-a)/(fb-fa), fb
			fb = at(b)
		}
		require.InDelta(t, v.um, res.DeviationsUM[place], 1e-6)
		require.Equal(t, v.want, res.Verdict, res.Reasons)
		if v.words == "" {
			require.Empty(t, res.Reasons)
		} else {
			require.Equal(t, []string{v.words}, res.Reasons)
		}
		it := res.Items[1]
		require.Equal(t, "max_deviation_um", it.Name)
		require.InDelta(t, math.Abs(v.um), *it.Value, 1e-6)
		// u^2 = probe_u^2 (1 - leverage) + place_u^2: with a leverage of 0.05 to 0.2.
		require.Greater(t, *it.U, math.Sqrt(9*0.8+36))
		require.Less(t, *it.U, math.Sqrt(9*0.96+36))
	}
}

func TestLeftOutPlaces(t *testing.T) {
	g, clean := cleanAxial(t)
	g.Range = &[2]float64{-1, 60}
	g.Places[3].Unused = true
	g.Faulty = []spc.FaultyProbe{{Place: 11, From: noon}, {Place: 12, From: noon.Add(time.Second)}}
	p := plan(t, g, product(contours["sphere"]))
	w := judge.NewWork()
	var res spc.Result
	readings := append([]float64(nil), clean...)
	readings[3] += 5 // unused: whatever it says
	readings[5], readings[7], readings[8] = math.NaN(), math.Inf(1), 61
	readings[10] += 7
	p.Judge(w, readings, noon, &res)
	require.Equal(t, []int{4, 6, 8, 9, 11}, res.FaultyProbes)
	require.Equal(t, spc.Conforms, res.Verdict, res.Reasons)
	require.InDelta(t, 1107.5, value(t, &res, spc.RadiusMM), 1e-7)
	for i := range readings {
		left := i == 3 || i == 5 || i == 7 || i == 8 || i == 10
		require.Equal(t, left, math.IsNaN(res.DeviationsUM[i]))
		require.Equal(t, left, math.IsNaN(res.ResidualsUM[i]))
	}
	// Before its date the probe of place 11 is believed, and it is a blister.
	p.Judge(w, readings, noon.Add(-time.Second), &res)
	require.Equal(t, []int{4, 6, 8, 9}, res.FaultyProbes)
	require.Equal(t, []int{11}, res.SuspectPlaces)
	require.Equal(t, spc.DoesNotConform, res.Verdict)
}

func TestRefusalsInWords(t *testing.T) {
	g, clean := cleanAxial(t)
	prod := product(contours["sphere"])
	p := plan(t, g, prod)
	w := judge.NewWork()
	var res spc.Result
	refused := func(p *judge.Plan, readings []float64, words string) {
		t.Helper()
		p.Judge(w, readings, noon, &res)
		require.Equal(t, spc.NotJudged, res.Verdict)
		require.Contains(t, res.Refusal, words)
		require.Equal(t, []string{res.Refusal}, res.Reasons)
		require.Equal(t, spc.Values{}, res.Values)
		require.Len(t, res.Items, 2)
		require.Equal(t, res.Refusal, res.Items[0].Why)
	}
	without := func(out ...int) []float64 {
		r := append([]float64(nil), clean...)
		for _, i := range out {
			r[i] = math.NaN()
		}
		return r
	}
	refused(p, clean[:47], "47 readings for 48 places of gauge CG-1")
	refused(p, without(0, 1, 2, 3, 4, 5, 6, 7, 8, 9), "38 good places of 48; product P25 needs 40")
	p.Judge(w, without(0, 1, 2, 3, 4, 5, 6, 7), noon, &res)
	require.Equal(t, spc.Conforms, res.Verdict)

	prod.MinimumGoodPoints = 10
	few := plan(t, g, prod)
	refused(few, without(0, 1, 2, 3, 8, 9, 10, 11, 16, 17, 18, 19), "no good place at the top left; one is needed in each quadrant")
	prod.MinimumGoodPoints = 0
	none := plan(t, g, prod)
	all := make([]float64, 48)
	for i := range all {
		all[i] = math.NaN()
	}
	refused(none, all, "0 good places of 48; a fit needs 4")
	refused(p, make([]float64, 48), "plane")
	far := without()
	far[7] = 1e9
	refused(p, far, "place 8: a reading of 1e+09 mm is beyond a kilometre")
	upside := without()
	for i := range upside {
		upside[i] *= -1
	}
	refused(p, upside, "check the sign")
}

func TestItemsThatNobodyCanJudge(t *testing.T) {
	g, clean := cleanAxial(t)
	prod := product(contours["sphere"])
	prod.Limits = map[string]spc.Interval{"contour_rms_um": {Upper: ptr(50)}}
	var res spc.Result
	w := judge.NewWork()
	plan(t, g, prod).Judge(w, clean, noon, &res)
	require.Equal(t, spc.NotJudged, res.Verdict)
	require.Equal(t, []string{"rms from the contour is not judged: no uncertainty is worked out for it"}, res.Reasons)
	require.NotNil(t, res.Items[0].Value)
	prod.Limits = nil
	plan(t, g, prod).Judge(w, clean, noon, &res)
	require.Equal(t, []string{"nothing is judged: product P25 has no limits for this gauge"}, res.Reasons)
	// Others may: shape terms, seat and corner sag have an uncertainty.
	prod.Limits = map[string]spc.Interval{"twist_um": {Lower: ptr(-20), Upper: ptr(20)}, "corner_sag_mm": {Lower: ptr(46)}, "seat_x_mm": {Upper: ptr(3)}, "radius_x_mm": {Lower: ptr(1100)}}
	plan(t, g, prod).Judge(w, clean, noon, &res)
	require.Equal(t, spc.Conforms, res.Verdict, res.Items)
	require.Len(t, res.Items, 4)
	for _, it := range res.Items {
		require.Equal(t, spc.Conforms, it.Verdict)
		require.Positive(t, *it.U)
	}
}

func TestStatedUncertaintiesAreTheSpreadOfRepeats(t *testing.T) {
	g, clean := cleanAxial(t)
	prod := product(contours["sphere"])
	prod.Limits = map[string]spc.Interval{}
	names := []spc.Computed{spc.RadiusMM, spc.CornerSagMM, spc.SeatXMM, spc.SeatYMM, spc.RadiusXMM, spc.RadiusYMM, spc.BowUM, spc.TwofoldUM, spc.Cubic3UM}
	for _, c := range names {
		prod.Limits[c.String()] = spc.Interval{Upper: ptr(1e5)}
	}
	p := plan(t, g, prod)
	w := judge.NewWork()
	var res spc.Result
	p.Judge(w, clean, noon, &res)
	var truth spc.Values
	u := map[string]float64{}
	truth = res.Values
	for _, it := range res.Items {
		u[it.Name] = *it.U
	}
	rnd := rand.New(rand.NewPCG(8, 8))
	const repeats = 3000
	ss := map[string]float64{}
	for range repeats {
		p.Judge(w, noisy(rnd, 0.003, clean), noon, &res)
		for _, c := range names {
			a, _ := truth.Get(c)
			ss[c.String()] += (value(t, &res, c) - a) * (value(t, &res, c) - a)
		}
	}
	for _, c := range names {
		// Axial noise is a little smaller along the normal (the mean cosine is about 0.98); five standard errors more.
		require.InEpsilon(t, u[c.String()], math.Sqrt(ss[c.String()]/repeats), 0.04+5/math.Sqrt(2*repeats), c.String())
	}
}

func TestResultsAreReusedWithoutTraces(t *testing.T) {
	g, clean := cleanAxial(t)
	p := plan(t, g, product(contours["sphere"]))
	w := judge.NewWork()
	var fresh, reused spc.Result
	bad := append([]float64(nil), clean...)
	bad[4], bad[20] = bad[4]+0.6, math.NaN()
	p.Judge(w, bad, noon, &reused)
	require.NotEmpty(t, reused.SuspectPlaces)
	p.Judge(w, clean[:3], noon, &reused)
	p.Judge(w, clean, noon, &reused)
	p.Judge(judge.NewWork(), clean, noon, &fresh)
	require.Equal(t, fresh.Values, reused.Values)
	require.Equal(t, fresh.DeviationsUM, reused.DeviationsUM)
	require.Equal(t, fresh.Items, reused.Items)
	require.Empty(t, reused.SuspectPlaces)
	require.Empty(t, reused.Reasons)
	require.Empty(t, reused.Refusal)
}

func TestCompileRefusesWithWords(t *testing.T) {
	sphere := contours["sphere"]
	for name, c := range map[string]struct {
		change func(g *spc.Gauge, p *spc.Product)
		words  string
	}{
		"kind":       {func(g *spc.Gauge, p *spc.Product) { g.Kind = spc.Dimensions }, "no readings at places"},
		"few places": {func(g *spc.Gauge, p *spc.Product) { g.Places = g.Places[:3] }, "3 places; 4 to 256"},
		"far place":  {func(g *spc.Gauge, p *spc.Product) { g.Places[6].X = 2000 }, "place 7"},
		"line": {func(g *spc.Gauge, p *spc.Product) {
			for i := range g.Places {
				g.Places[i].Y = 0
			}
		}, "tilt_x"},
		"limits turned":  {func(g *spc.Gauge, p *spc.Product) { p.Limits["radius_mm"] = spc.Interval{Lower: ptr(2), Upper: ptr(1)} }, "wrong way round"},
		"limit NaN":      {func(g *spc.Gauge, p *spc.Product) { p.Limits["radius_mm"] = spc.Interval{Upper: ptr(math.NaN())} }, "finite"},
		"deviation from": {func(g *spc.Gauge, p *spc.Product) { p.Limits["max_deviation_um"] = spc.Interval{Lower: ptr(2)} }, "upper limit only"},
		"range":          {func(g *spc.Gauge, p *spc.Product) { g.Range = &[2]float64{5, 1} }, "lower end comes first"},
		"limit unknown":  {func(g *spc.Gauge, p *spc.Product) { p.Limits["bow_mm"] = spc.Interval{} }, `"bow_mm"`},
		"k":              {func(g *spc.Gauge, p *spc.Product) { p.K = -1 }, "k is -1"},
		"rate":           {func(g *spc.Gauge, p *spc.Product) { p.SuspectRate = 2 }, "suspect_rate"},
		"share":          {func(g *spc.Gauge, p *spc.Product) { p.SuspectShare = -1 }, "suspect_share"},
		"probe":          {func(g *spc.Gauge, p *spc.Product) { g.ProbeUUM = ptr(-1) }, "probe_u_um"},
		"contour":        {func(g *spc.Gauge, p *spc.Product) { p.Contour.R = 0 }, "radius must lie"},
		"apex": {func(g *spc.Gauge, p *spc.Product) {
			g.Kind = spc.Radial
			p.Contour = &spc.Contour{Kind: spc.ContourBiradial, Rx: 1000, Ry: 1100}
		}, "apex_distance_mm is needed"},
		"direction length": {func(g *spc.Gauge, p *spc.Product) {
			g.Kind = spc.Radial
			g.Places[2] = spc.Place{X: 0.5, Z: -0.5}
		}, "place 3: its direction has length"},
		"legs": {func(g *spc.Gauge, p *spc.Product) { g.Kind, g.Sagitta = spc.LocalRadius, true }, "leg_radius_mm"},
	} {
		t.Run(name, func(t *testing.T) {
			g, p := gauge(spc.Axial), product(sphere)
			c.change(&g, &p)
			_, err := judge.Compile(g, p)
			require.ErrorContains(t, err, c.words)
		})
	}
}

func TestAGaugeWithoutProductGivesTheFitAlone(t *testing.T) {
	g, clean := cleanAxial(t)
	var res spc.Result
	plan(t, g, spc.Product{}).Judge(judge.NewWork(), clean, noon, &res)
	require.InDelta(t, 1107.5, value(t, &res, spc.RadiusMM), 1e-7)
	require.Equal(t, spc.NotJudged, res.Verdict)
	require.Empty(t, res.Refusal)
	require.Equal(t, []string{"nothing is judged: there is no product"}, res.Reasons)
}

func TestAPlanServesManyAtOnce(t *testing.T) {
	p, rs := panels(t, "polynomial", 4, 1)
	want := make([]spc.Result, len(rs))
	for i, r := range rs {
		p.Judge(judge.NewWork(), r, noon, &want[i])
	}
	for k := range 4 {
		t.Run(fmt.Sprint(k), func(t *testing.T) {
			t.Parallel()
			w := judge.NewWork()
			for i, r := range rs {
				var res spc.Result
				p.Judge(w, r, noon, &res)
				require.Equal(t, want[i].Values, res.Values)
				require.Equal(t, want[i].Reasons, res.Reasons)
				require.Equal(t, want[i].SuspectPlaces, res.SuspectPlaces)
			}
		})
	}
}

func TestWordsOfPlaces(t *testing.T) {
	p := plan(t, gauge(spc.Axial), product(contours["sphere"]))
	for place, words := range map[int]string{1: "top left", 8: "top right", 4: "top middle", 17: "middle left", 20: "middle", 41: "bottom left", 48: "bottom right"} {
		require.Equal(t, words, p.Words(place-1))
	}
}

func ExamplePlan_Judge() {
	g := gauge(spc.Axial)
	probe := 3.0
	g.ProbeUUM = &probe
	p, err := judge.Compile(g, product(spc.Contour{Kind: spc.ContourSphere, R: 1107.5}))
	if err != nil {
		fmt.Println(err)
		return
	}
	pressed, _ := surface.New(spc.Contour{Kind: spc.ContourSphere, R: 1114.92})
	readings := make([]float64, len(g.Places))
	for i, at := range g.Places {
		readings[i], _ = pressed.Height(at.X, at.Y)
	}
	var res spc.Result
	p.Judge(judge.NewWork(), readings, time.Date(2026, 3, 2, 7, 44, 10, 0, time.UTC), &res)
	fmt.Println(res.Verdict)
	fmt.Println(res.Reasons[0])
	// Output:
	// does-not-conform
	// radius 1114.92 mm is above 1113.5 mm by more than its uncertainty 0.08 mm
}
