package gaugestudy_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/gaugestudy"
)

// covers demands that a share of hits among n be the level, within four standard errors.
func covers(t *testing.T, what string, hits, n int, level float64) {
	t.Helper()
	p, se := float64(hits)/float64(n), math.Sqrt(level*(1-level)/float64(n))
	t.Logf("%s: %.4f, level %.2f, standard error %.4f", what, p, level, se)
	require.InDelta(t, level, p, 4*se, what)
}

// atLeastCovers demands that a conservative interval cover no less than its level, within four standard errors.
func atLeastCovers(t *testing.T, what string, hits, n int, level float64) {
	t.Helper()
	p, se := float64(hits)/float64(n), math.Sqrt(level*(1-level)/float64(n))
	t.Logf("%s: %.4f, level %.2f, standard error %.4f", what, p, level, se)
	require.Greater(t, p, level-4*se, what)
}

type truth struct{ part, appraiser, interaction, repeat float64 }

func (c truth) crossed(r *rand.Rand, p, a, n int) [][][]float64 {
	y := make([][][]float64, p)
	app := make([]float64, a)
	for j := range app {
		app[j] = c.appraiser * r.NormFloat64()
	}
	for i := range y {
		part := c.part * r.NormFloat64()
		for j := range a {
			both := c.interaction * r.NormFloat64()
			var row []float64
			for range n {
				row = append(row, 100+part+app[j]+both+c.repeat*r.NormFloat64())
			}
			y[i] = append(y[i], row)
		}
	}
	return y
}

func TestCrossedIntervalsCover(t *testing.T) {
	const n, level = 1500, 0.9
	never := 1.0
	c := truth{part: 3, appraiser: 1, interaction: 0.7, repeat: 1}
	gauge, repro := math.Sqrt(1+1+0.49), math.Sqrt(1+0.49)
	distinct := math.Sqrt(2) * 3 / gauge
	r := rand.New(rand.NewPCG(1, 2))
	var hitSatterthwaite, hitGauge, hitRepeat, hitRepro, hitPart, hitTotal, hitDistinct, hitPercent int
	sum := 0.0
	for range n {
		s, err := gaugestudy.Crossed(c.crossed(r, 10, 4, 3), gaugestudy.StudyOptions{PoolAbove: &never, Confidence: level, Tolerance: 30})
		require.NoError(t, err)
		count := func(hits *int, i gaugestudy.Interval, v float64) {
			if i.Contains(v) {
				*hits++
			}
		}
		count(&hitGauge, s.Gauge.SDInterval, gauge)
		count(&hitRepeat, s.Repeat.SDInterval, 1)
		count(&hitRepro, s.Reproduce.SDInterval, repro)
		count(&hitPart, s.Part.SDInterval, 3)
		count(&hitTotal, s.Total.SDInterval, math.Hypot(gauge, 3))
		count(&hitDistinct, s.DistinctCI, distinct)
		count(&hitPercent, s.PercentCI, 100*gauge/math.Hypot(gauge, 3))
		y := c.crossed(r, 10, 4, 3)
		w, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{PoolAbove: &never, Confidence: level, Intervals: gaugestudy.Satterthwaite})
		require.NoError(t, err)
		count(&hitSatterthwaite, w.Gauge.SDInterval, gauge)
		sum += s.Gauge.Estimate
		require.InDelta(t, 100*6*s.Gauge.SD/30, s.Gauge.PercentTolerance, 1e-9)
		require.LessOrEqual(t, s.DistinctCI.Lower, s.DistinctCI.Upper)
	}
	covers(t, "repeatability (exact)", hitRepeat, n, level)
	// The modified-large-sample limits are approximate: within three hundredths, never far below.
	for what, hits := range map[string]int{"gauge": hitGauge, "reproducibility": hitRepro, "part": hitPart, "total": hitTotal, "categories": hitDistinct, "percent of study": hitPercent} {
		p := float64(hits) / n
		t.Logf("%s: %.4f", what, p)
		require.InDelta(t, level, p, 0.04, what)
	}
	// Satterthwaite's limits are known to be too narrow with few appraisers, which is why they are not the usual ones.
	t.Logf("gauge by Satterthwaite: %.4f", float64(hitSatterthwaite)/n)
	require.Less(t, hitSatterthwaite, hitGauge)
	require.Greater(t, float64(hitSatterthwaite)/n, level-0.12)
	require.InDelta(t, gauge*gauge, sum/n, 0.15, "the components are recovered without bias")
}

func TestNestedIntervalsCover(t *testing.T) {
	const n, level = 1500, 0.9
	r := rand.New(rand.NewPCG(3, 4))
	hitGauge, hitPart, sumA, sumP := 0, 0, 0.0, 0.0
	for range n {
		y := make([][][]float64, 6)
		for j := range y {
			a := 1.5 * r.NormFloat64()
			for range 5 {
				p := 2 * r.NormFloat64()
				y[j] = append(y[j], []float64{a + p + r.NormFloat64(), a + p + r.NormFloat64(), a + p + r.NormFloat64()})
			}
		}
		s, err := gaugestudy.Nested(y, gaugestudy.StudyOptions{Confidence: level})
		require.NoError(t, err)
		if s.Gauge.SDInterval.Contains(math.Hypot(1.5, 1)) {
			hitGauge++
		}
		if s.Part.SDInterval.Contains(2) {
			hitPart++
		}
		sumA += s.Appraiser.Estimate
		sumP += s.Part.Estimate
	}
	require.InDelta(t, level, float64(hitGauge)/n, 0.04)
	require.InDelta(t, level, float64(hitPart)/n, 0.04)
	require.InDelta(t, 2.25, sumA/n, 4*2.6/math.Sqrt(n))
	require.InDelta(t, 4, sumP/n, 4*1.5/math.Sqrt(n))
}

func TestCrossedIsInvariant(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	y := truth{part: 2, appraiser: 0.5, interaction: 0.4, repeat: 0.5}.crossed(r, 8, 3, 2)
	base, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{})
	require.NoError(t, err)
	moved, order := make([][][]float64, len(y)), r.Perm(len(y))
	for i, k := range order {
		moved[i] = make([][]float64, 3)
		for j, l := range []int{2, 0, 1} {
			for m := range y[k][l] {
				moved[i][j] = append(moved[i][j], 1e4+25.4*y[k][l][len(y[k][l])-1-m])
			}
		}
	}
	other, err := gaugestudy.Crossed(moved, gaugestudy.StudyOptions{})
	require.NoError(t, err)
	for i := range base.Analysis {
		require.InEpsilon(t, base.Analysis[i].SS*25.4*25.4, other.Analysis[i].SS, 1e-9)
	}
	require.InEpsilon(t, base.Gauge.PercentStudy, other.Gauge.PercentStudy, 1e-9)
	require.InEpsilon(t, base.DistinctCI.Upper, other.DistinctCI.Upper, 1e-8)
	require.InEpsilon(t, 25.4*base.Gauge.SDInterval.Upper, other.Gauge.SDInterval.Upper, 1e-9)
}

func TestPoolingAndOneAppraiser(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	y := truth{part: 2, repeat: 0.5}.crossed(r, 10, 1, 3)
	s, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{})
	require.NoError(t, err)
	require.Zero(t, s.Reproduce.SD)
	require.Equal(t, s.Repeat.SD, s.Gauge.SD)
	require.Len(t, s.Analysis, 2)

	// Satterthwaite and the modified-large-sample limits are both exact for a single mean square.
	w, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{Intervals: gaugestudy.Satterthwaite})
	require.NoError(t, err)
	require.InEpsilon(t, w.Repeat.SDInterval.Upper, s.Repeat.SDInterval.Upper, 1e-9)
	require.InEpsilon(t, w.Repeat.SDInterval.Lower, s.Repeat.SDInterval.Lower, 1e-9)

	half := 0.5
	z := truth{part: 2, appraiser: 1, interaction: 0, repeat: 0.5}.crossed(r, 10, 3, 3)
	for _, pool := range []*float64{nil, &half} {
		s, err := gaugestudy.Crossed(z, gaugestudy.StudyOptions{PoolAbove: pool})
		require.NoError(t, err)
		require.Equal(t, s.Analysis[2].P > *s.Options.PoolAbove, s.Pooled)
	}
	// Appraisers who differ by less than chance: shown as zero, with a warning that says so.
	same := [][][]float64{{{1, 2}, {2, 1}}, {{5, 6}, {6, 5}}, {{9, 8}, {8, 9}}}
	n, err := gaugestudy.Crossed(same, gaugestudy.StudyOptions{})
	require.NoError(t, err)
	require.Less(t, n.Appraiser.Estimate, 0.0)
	require.Zero(t, n.Appraiser.Variance)
	require.Contains(t, n.Warnings[0].String(), "below zero and is shown as zero")
}

func TestPlan(t *testing.T) {
	a, err := gaugestudy.Plan(10, 3, 2, 42)
	require.NoError(t, err)
	b, err := gaugestudy.Plan(10, 3, 2, 42)
	require.NoError(t, err)
	require.Equal(t, a, b)
	c, err := gaugestudy.Plan(10, 3, 2, 43)
	require.NoError(t, err)
	require.NotEqual(t, a, c)
	seen := map[[3]int]bool{}
	for i, run := range a {
		require.Equal(t, i+1, run.Run)
		require.Equal(t, i/30+1, run.Trial, "trial by trial")
		require.Equal(t, a[i/10*10].Appraiser, run.Appraiser, "an appraiser measures all parts in a row")
		seen[[3]int{run.Part, run.Appraiser, run.Trial}] = true
	}
	require.Len(t, seen, 60)
}

func TestSingleMasterAndLinesCover(t *testing.T) {
	const n, level = 250, 0.9
	r := rand.New(rand.NewPCG(10, 11))
	var bias, sd, cg, cgk, slope, band, upper, trend, drift, paired int
	reference := []float64{0, 25, 50, 75, 100}
	for range n {
		x := make([]float64, 15)
		for i := range x {
			x[i] = 10.1 + 0.2*r.NormFloat64()
		}
		m, err := gaugestudy.SingleMaster(x, gaugestudy.SingleMasterOptions{Reference: 10, Tolerance: 12, Confidence: level})
		require.NoError(t, err)
		bias += hit(m.BiasInterval, 0.1)
		sd += hit(m.SDInterval, 0.2)
		cg += hit(m.CgInterval, 2)
		cgk += hit(m.CgkInterval, 1.1/0.6)

		readings := make([][]float64, len(reference))
		for j, v := range reference {
			for range 3 + j%2 {
				readings[j] = append(readings[j], v+1+0.02*v+r.NormFloat64())
			}
		}
		l, err := gaugestudy.Linearity(reference, readings, gaugestudy.LinearityOptions{Confidence: level})
		require.NoError(t, err)
		slope += hit(l.Slope, 0.02)
		band += hit(l.Masters[1].Band, 1.5)

		a, b, hours := make([]float64, 20), make([]float64, 20), make([]float64, 20)
		for i := range a {
			v := 5 * r.NormFloat64()
			a[i], b[i], hours[i] = v+r.NormFloat64(), v+0.5+r.NormFloat64(), float64(4*i)
		}
		agree, err := gaugestudy.LimitsOfAgreement(a, b, gaugestudy.AgreementOptions{Confidence: level})
		require.NoError(t, err)
		upper += hit(agree.UpperInterval, -0.5+1.96*math.Sqrt2)
		if agree.PTrend > 1-level {
			trend++
		}
		p, err := gaugestudy.Paired(a, b, level)
		require.NoError(t, err)
		paired += hit(p.Interval, -0.5)
		errors := make([]float64, 20)
		for i := range errors {
			errors[i] = 0.01*hours[i] + r.NormFloat64()
		}
		s, err := gaugestudy.Stability(hours, errors, chart.IndividualsOptions{}, level)
		require.NoError(t, err)
		drift += hit(s.DriftInterval, 0.01)
	}
	covers(t, "bias", bias, n, level)
	covers(t, "standard deviation", sd, n, level)
	covers(t, "Cg", cg, n, level)
	atLeastCovers(t, "Cgk", cgk, n, level)
	covers(t, "slope of the bias", slope, n, level)
	covers(t, "band of the bias", band, n, level)
	covers(t, "upper limit of agreement", upper, n, level)
	covers(t, "no trend found where there is none", trend, n, level)
	covers(t, "paired difference", paired, n, level)
	covers(t, "drift", drift, n, level)
}

func hit(i gaugestudy.Interval, v float64) int {
	if i.Contains(v) {
		return 1
	}
	return 0
}

func TestDemingRecoversALine(t *testing.T) {
	const n, level = 600, 0.9
	r := rand.New(rand.NewPCG(12, 13))
	slope, sum := 0, 0.0
	for range n {
		x, y := make([]float64, 60), make([]float64, 60)
		for i := range x {
			v := 10 * r.NormFloat64()
			x[i], y[i] = v+2*r.NormFloat64(), 3+1.2*v+r.NormFloat64()
		}
		d, err := gaugestudy.Deming(x, y, 0.25, level)
		require.NoError(t, err)
		slope += hit(d.SlopeInterval, 1.2)
		sum += d.Slope
	}
	require.InDelta(t, 1.2, sum/n, 4*0.035/math.Sqrt(n)+0.002, "no attenuation")
	require.InDelta(t, level, float64(slope)/n, 0.05)
}

func TestLinearityWarnsAndWeighs(t *testing.T) {
	r := rand.New(rand.NewPCG(14, 15))
	reference := []float64{1, 2, 3, 4, 5, 6}
	readings := make([][]float64, 6)
	for j, v := range reference {
		for range 8 {
			readings[j] = append(readings[j], v+0.2*(v-3)*(v-3)+0.05*v*v*r.NormFloat64())
		}
	}
	plain, err := gaugestudy.Linearity(reference, readings, gaugestudy.LinearityOptions{})
	require.NoError(t, err)
	require.Less(t, plain.PLackOfFit, 0.05)
	require.Less(t, plain.PSpread, 0.05)
	require.Len(t, plain.Warnings, 2)
	weighted, err := gaugestudy.Linearity(reference, readings, gaugestudy.LinearityOptions{Weighted: true})
	require.NoError(t, err)
	require.Less(t, weighted.Slope.Lower, weighted.Slope.Upper)
	require.InDelta(t, 4, weighted.Line.DF, 0)
}

func TestKappaIntervalsCoverAndCategories(t *testing.T) {
	const n, level = 800, 0.9
	r := rand.New(rand.NewPCG(16, 17))
	// Inspectors see the truth (bad with chance 0.3) with chance 0.8 and guess by the base rate otherwise: kappa of two of
	// them is 0.64 by construction.
	cohen, fleiss := 0, 0
	for range n {
		table := [][]int{{0, 0}, {0, 0}}
		var many [][]int
		for range 150 {
			bad := r.Float64() < 0.3
			see := func() int {
				v := bad
				if r.Float64() > 0.8 {
					v = r.Float64() < 0.3
				}
				if v {
					return 1
				}
				return 0
			}
			table[see()][see()]++
			row := []int{0, 0}
			for range 4 {
				row[see()]++
			}
			many = append(many, row)
		}
		c, err := gaugestudy.CohenKappa(table, level)
		require.NoError(t, err)
		cohen += hit(c.Overall.Interval, 0.64)
		require.InDelta(t, c.Overall.Kappa, c.Category[0].Kappa.Kappa, 1e-12, "two categories have one kappa")
		f, err := gaugestudy.FleissKappa(many, level)
		require.NoError(t, err)
		fleiss += hit(f.Overall.Interval, 0.64)
	}
	covers(t, "Cohen", cohen, n, level)
	covers(t, "Fleiss", fleiss, n, level)
}

func TestAttributes(t *testing.T) {
	// Three panels, two inspectors, two trials; the second inspector is wrong once.
	y := [][][]int{{{0, 0}, {1, 1}, {0, 0}, {1, 1}}, {{0, 0}, {1, 0}, {0, 0}, {1, 1}}}
	s, err := gaugestudy.Attributes(y, []int{0, 1, 0, 1}, 2, 0)
	require.NoError(t, err)
	require.Equal(t, 4, s.Appraisers[0].Within.Agreed)
	require.InDelta(t, 1, s.Appraisers[0].Kappa.Kappa, 1e-12)
	require.Equal(t, 3, s.Appraisers[1].Within.Agreed)
	require.Equal(t, 3, s.Appraisers[1].Truth.Agreed)
	require.Equal(t, 3, s.Between.Agreed)
	require.Equal(t, 3, s.AllTruth.Agreed)
	require.InDelta(t, 75, s.Between.Percent, 1e-12)
	require.InDelta(t, 19.412044968324363, s.Between.Interval.Lower, 1e-9, "scipy.stats.beta.ppf(0.025, 3, 2), SciPy 1.10.1")
	require.NotNil(t, s.Fleiss)
}
