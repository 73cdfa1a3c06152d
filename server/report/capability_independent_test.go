package report_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/spc/fit"
	"sagwatch/store"
)

// inventedPanels are 1800 panels of three moulds in 24 shifts: radii, sums of twelve uniform numbers, and deviations of an extreme value
// distribution, with an effect of the shift on both. The uniform numbers are those of x <- (1103515245 x + 12345) mod 2^31, u = (x +
// 1/2) / 2^31, so that any program can make the same panels.
func inventedPanels(seed uint64, effect float64) func(add func(*store.Obs) error) error {
	next := func() float64 {
		seed = (1103515245*seed + 12345) % (1 << 31)
		return (float64(seed) + 0.5) / (1 << 31)
	}
	twelve := func() float64 {
		t := 0.0
		for range 12 {
			t += next()
		}
		return t - 6
	}
	shift := 0.0
	early := capabilityFrom.Add(6 * time.Hour)
	return panelsOf(1800, 3, 0, func(i int, o *store.Obs) {
		if i%75 == 0 {
			shift = effect * twelve()
		}
		o.Key.LineAt = early.Add(time.Duration(i/75)*8*time.Hour + time.Duration(i%75)*6*time.Minute)
		o.Values.Set(spc.RadiusMM, 1107.4+0.1*float64(i%3-1)+shift+0.5*twelve())
		o.Values.Set(spc.MaxDeviationUM, 135-26*math.Log(-math.Log(next()))+40*shift)
	})
}

// Every type of figure against NumPy 1.24.2 and SciPy 1.10.1 on the same panels (COMPUTED): moments, stats.norm, chi2, nct (limits of Ppk
// by optimize.brentq), beta, anderson, shapiro, gumbel_r.fit, weibull_min.fit with floc = 0,
// numpy.quantile; folded normal by optimize.minimize of its own likelihood; intervals by whole shifts by resampling with
// numpy.random, 20 000 and 4000 times; components by R 4.2.2, lme4 1.1-31.
func TestCapabilityFiguresByIndependentProgram(t *testing.T) {
	lower, upper, most, target := 1105.5, 1109.6, 330.0, 1107.5
	product := spc.Product{Limits: map[string]spc.Interval{"radius_mm": {Lower: &lower, Upper: &upper}, "max_deviation_um": {Upper: &most}}}
	product.Contour = &spc.Contour{Kind: spc.ContourSphere, R: target}
	c := capabilityPlant(t, 3, product)
	ask := func(seed uint64, effect float64, family fit.Family) (*report.Capability, map[string]*report.Figure) {
		q := report.CapabilityQuery{}
		if family != "" {
			q.Models = map[string]report.CapabilityModel{"max_deviation_um": {Family: family, Reason: "compared"}}
		}
		_, w, f := worked(t, c, q, 10, inventedPanels(seed, effect))
		return w, f
	}
	type want struct {
		id           string
		value        float64
		lower, upper float64 // NaN: not compared
		tol          float64 // of the value, relative
	}
	nan := math.NaN()
	same := func(f map[string]*report.Figure, list ...want) {
		t.Helper()
		for _, c := range list {
			g := f[c.id]
			require.NotNil(t, g, c.id)
			require.InEpsilon(t, c.value, float64(g.Value), c.tol, c.id)
			for _, end := range []struct{ want, got float64 }{{c.lower, float64(g.Lower)}, {c.upper, float64(g.Upper)}} {
				if !math.IsNaN(end.want) {
					require.InEpsilon(t, end.want, end.got, max(c.tol, 1e-8), "interval of %s", c.id)
				}
			}
		}
	}

	w, f := ask(1, 0, "")
	same(f,
		want{"mean.radius_mm", 1107.39995297443, nan, nan, 1e-13},
		want{"sd.radius_mm", 0.504402306403432, nan, nan, 1e-11},
		want{"pp.radius_mm", 1.35473871681065, 1.31046655243314, 1.39899112978591, 1e-11},
		want{"ppk.radius_mm", 1.25558041687059, 1.21173310535685, 1.30572022853796, 1e-10},
		want{"outside.radius_mm", 89.1491805085643, nan, nan, 1e-9},
		want{"cpm.radius_mm", 1.32885117707248, 1.28546818382939, 1.37221483456199, 1e-11},
		want{"sd-within.radius_mm", 0.495575660886545, nan, nan, 1e-11},
		want{"cp.radius_mm", 1.37886782436185, 1.33289069084261, 1.42482403508542, 1e-11},
		want{"cpk.radius_mm", 1.27794342646197, 1.23261346823033, 1.32978210636359, 1e-10},
		want{"x0.135.radius_mm", 1105.8871664489, nan, nan, 1e-12},
		want{"x50.radius_mm", 1107.39995297443, nan, nan, 1e-12},
		want{"x99.865.radius_mm", 1108.9127395000, nan, nan, 1e-12},
		want{"anderson-darling.radius_mm", 0.311674646571409, nan, nan, 1e-7},
		want{"anderson-darling-p.radius_mm", 0.551575162068895, nan, nan, 1e-6},
		want{"shapiro-wilk-p.radius_mm", 0.705549070988037, nan, nan, 1e-8}, // R 4.2.2, shapiro.test: SciPy 1.10.1 works W out in single precision
		want{"ppk.radius_mm.mould:1", 1.21213991011369, nan, nan, 1e-10},
		want{"ppk.radius_mm.mould:2", 1.27827477566862, nan, nan, 1e-10},
		want{"ppk.radius_mm.mould:3", 1.33348149596234, nan, nan, 1e-10},
		want{"ppk.radius_mm.levelled", 1.27568330137052, nan, nan, 1e-10},
		want{"x0.135.max_deviation_um", 83.8535195881529, nan, nan, 1e-8},
		want{"x50.max_deviation_um", 145.232412747031, nan, nan, 1e-8},
		want{"x99.865.max_deviation_um", 315.112392594661, nan, nan, 1e-8},
		want{"ppk.max_deviation_um", 1.08763603232524, nan, nan, 1e-8},
		want{"outside.max_deviation_um", 781.46691774321, nan, nan, 1e-7},
		want{"anderson-darling.max_deviation_um", 0.24399554764899, nan, nan, 1e-6},
	)
	require.Zero(t, f["observed.radius_mm"].Value)
	require.InEpsilon(t, 2047.27893430303, float64(f["observed.radius_mm"].Upper), 1e-10)
	require.Contains(t, f["ppk.radius_mm"].Method, "97.5 % and the upper ones at 98.75 %", "why the upper end lies beyond that of one side")
	for _, o := range w.Worked {
		require.False(t, o.Blocked, "shifts do not differ")
	}

	for family, x := range map[fit.Family][3]float64{
		fit.FoldedNormal: {46.9029882022975, 150.863983807909, 254.825024380151},
		fit.Weibull:      {33.8704746974471, 150.840664976669, 258.760223861318},
		report.Empirical: {85.6397728039107, 145.84941485271, 327.764151659865},
	} {
		_, f := ask(1, 0, family)
		tol := 2e-6 // how near SciPy's search comes to the maximum
		if family == report.Empirical {
			tol = 1e-10
		}
		for i, p := range []string{"x0.135", "x50", "x99.865"} {
			same(f, want{p + ".max_deviation_um", x[i], nan, nan, tol})
		}
		if family == report.Empirical {
			same(f, want{"ppk.max_deviation_um", 1.01229063889697, nan, nan, 1e-9})
		}
	}

	// By whole shifts, which differ. An end from 2000 resamples scatters by about 6 % of the figure's standard error.
	w, f = ask(2, 0.3, "")
	for _, c := range []struct {
		id                 string
		lower, upper, se   float64
		independent, scale float64
	}{
		{"ppk.radius_mm", 1.04713639331348, 1.18065268299162, 0.0343083112491208, nan, 0.3},
		{"pp.radius_mm", 1.10057108820389, 1.2229690365833, 0.0314190865666543, nan, 0.3},
		{"cpm.radius_mm", 1.09560910486364, 1.21093610353591, 0.0296041616077225, nan, 0.3},
		{"outside.radius_mm", 306.913502227629, 1069.48998406015, 196.879048863742, nan, 0.3},
		{"ppk.max_deviation_um", 0.970041396486191, 1.09952719291183, 0.0325487436890058, nan, 0.6},
		{"ppk-if-independent.max_deviation_um", 0.988639289343798, 1.06917505881833, 0.0203, nan, 0.6},
	} {
		g := f[c.id]
		require.NotNil(t, g, c.id)
		require.InDelta(t, c.lower, float64(g.Lower), c.scale*c.se, c.id)
		require.InDelta(t, c.upper, float64(g.Upper), c.scale*c.se, c.id)
	}
	for _, id := range []string{"ppk-if-independent.radius_mm", "ppk-if-independent.radius_mm.levelled", "ppk-if-independent.max_deviation_um.levelled"} {
		require.True(t, f[id] != nil && f[id].Lower.Has() && f[id].Upper.Has(), "the interval of independent values stands beside: %s", id)
	}
	require.Contains(t, f["cpm.radius_mm"].Method, "whole shifts, 2000 times")
	require.Contains(t, f["ppk.max_deviation_um"].Method, " times", "how many resamples is said")
	for _, o := range w.Worked {
		require.True(t, o.Blocked)
		if o.Name == "radius_mm" {
			require.InEpsilon(t, 9.03736420022267, o.F, 1e-10)
			require.InEpsilon(t, 0.293631170693, o.Parts.Components[1].SD, 1e-6)
			require.InEpsilon(t, 0.109974597305, o.Parts.Components[0].SD, 1e-5)
			require.InEpsilon(t, 0.511829102699, o.Parts.Components[3].SD, 1e-7)
		}
	}
}

// More panels than a report carries one by one: percentiles and tests are still those of the values, and a fitted model is that of the
// values to a ten-thousandth of a standard deviation.
func TestCapabilityOfManyIsThatOfTheValues(t *testing.T) {
	lower, upper, most := 1101.5, 1113.5, 381.0
	c := capabilityPlant(t, 11, spc.Product{Limits: map[string]spc.Interval{"radius_mm": {Lower: &lower, Upper: &upper}, "max_deviation_um": {Upper: &most}}})
	const n = 30_000
	r := rand.New(rand.NewPCG(8, 9))
	var radius, deviation []float64
	for i := range n {
		radius = append(radius, 1107.4+0.05*float64(i%11-5)+0.5*r.NormFloat64())
		deviation = append(deviation, math.Abs(26*r.NormFloat64()))
	}
	in, w, f := worked(t, c, report.CapabilityQuery{Models: map[string]report.CapabilityModel{
		"radius_mm":        {Family: report.Empirical, Reason: "compared"},
		"max_deviation_um": {Family: fit.FoldedNormal, Reason: "compared"},
	}}, 10, panelsOf(n, 11, 20*time.Second, func(i int, o *store.Obs) {
		o.Values.Set(spc.RadiusMM, radius[i])
		o.Values.Set(spc.MaxDeviationUM, deviation[i])
	}))
	require.Empty(t, in.Raw)
	natural := []float64{fit.OuterTail, 0.5, 1 - fit.OuterTail}
	names := []string{"x0.135", "x50", "x99.865"}
	s, err := fit.Values(radius)
	require.NoError(t, err)
	for i, q := range s.Quantiles(nil, natural, nil) {
		require.InDelta(t, q, float64(f[names[i]+".radius_mm"].Value), 8e-5*0.5)
	}
	for _, in := range in.Of {
		x := radius
		if in.Name == "max_deviation_um" {
			x = deviation
		}
		require.Len(t, in.Exact.Spread, fit.MostTested)
		at := 0
		for _, v := range in.Exact.Spread { // values of panels, in their order
			k := slices.Index(x[at:], v)
			require.GreaterOrEqual(t, k, 0)
			at += k + 1
		}
	}
	s, err = fit.Values(deviation)
	require.NoError(t, err)
	d, err := fit.Fit(s, fit.FoldedNormal)
	require.NoError(t, err)
	for i, q := range []float64{d.Quantile(fit.OuterTail), d.Quantile(0.5), d.QuantileUpper(fit.OuterTail)} {
		require.InDelta(t, q, float64(f[names[i]+".max_deviation_um"].Value), 1e-4*26)
	}
	for _, o := range w.Worked {
		if o.Name == "max_deviation_um" {
			q := s.Quantiles(nil, natural, nil)
			require.InEpsilon(t, (most-q[1])/(q[2]-q[1]), o.Own.CK, 1e-6)
		}
	}
}
