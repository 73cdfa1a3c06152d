package chart_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

// cyclesOf takes the groups of a one-way layout as cycles of streams without levels of their own.
func cyclesOf(groups [][]float64) ([][]chart.StreamValue, []float64) {
	width := 0
	cycles := make([][]chart.StreamValue, len(groups))
	for j, g := range groups {
		width = max(width, len(g))
		for i, v := range g {
			cycles[j] = append(cycles[j], chart.StreamValue{Stream: i, Value: v})
		}
	}
	return cycles, make([]float64, width)
}

// NIST StRD one-way analysis of variance (READ, certified to 15 digits): with groups as cycles and no stream levels,
// n sigma_e^2 is the mean square between and sigma_w^2 that within. SmLs04 to 06 have 7 constant leading digits, which
// cost as many of the digits in double precision; SmLs07 to 09 (13) are beyond it and beyond any measured length.
func TestCyclesAnalysisOfVariance(t *testing.T) {
	for _, c := range []struct {
		set string
		tol float64
	}{
		{"SiRstv", 1e-12}, {"AtmWtAg", 1e-8}, {"SmLs01", 1e-13}, {"SmLs02", 1e-12}, {"SmLs03", 1e-12},
		{"SmLs04", 1e-8}, {"SmLs05", 1e-8}, {"SmLs06", 1e-8},
	} {
		t.Run(c.set, func(t *testing.T) {
			var d struct {
				Groups    [][]float64 `json:"groups"`
				Certified struct {
					Between json.Number `json:"between_ms"`
					Within  json.Number `json:"within_ms"`
				} `json:"certified"`
			}
			ref.JSON(t, &d, "strd", "anova_"+c.set+".json")
			between, err := d.Certified.Between.Float64()
			require.NoError(t, err)
			within, err := d.Certified.Within.Float64()
			require.NoError(t, err)
			cycles, centres := cyclesOf(d.Groups)
			n := float64(len(d.Groups[0]))
			m, err := chart.Cycles(cycles, centres, false)
			require.NoError(t, err)
			relative(t, between, n*m.SigmaEffect*m.SigmaEffect, c.tol, "between")
			relative(t, within, m.SigmaWithin*m.SigmaWithin, c.tol, "within")
			s, err := m.EffectSigma(len(d.Groups[0]))
			require.NoError(t, err)
			relative(t, m.SigmaEffect, s, 1e-9, "a complete cycle has the cycles' own variation")
		})
	}
}

// NIST/SEMATECH e-Handbook 6.6.1.3, lithography (data READ, components MEMORY, recomputed): cassettes as cycles, the
// means of their three wafers as panels. The component of cassettes is var_between, and sigma_w^2 is the mean square of
// wafers over the five sites.
func TestCyclesLithography(t *testing.T) {
	e := handbook(t, "lithography_6_6_1")
	groups := make([][]float64, 30)
	for i, row := range readCSV(t, "handbook", "lithography_6_6_1.csv") {
		cassette, wafer := i/15, i/5%3
		require.Equal(t, fmt.Sprint(cassette+1), row["cassette"])
		require.Equal(t, fmt.Sprint(wafer+1), row["wafer"])
		if groups[cassette] == nil {
			groups[cassette] = make([]float64, 3)
		}
		groups[cassette][wafer] += number(t, row["linewidth"]) / 5
	}
	cycles, centres := cyclesOf(groups)
	m, err := chart.Cycles(cycles, centres, false)
	require.NoError(t, err)
	e.within(t, "var_cassette", m.VarBetween)
	e.within(t, "ms_wafer", 5*m.SigmaWithin*m.SigmaWithin)
	e.within(t, "ms_cassette", 15*m.SigmaEffect*m.SigmaEffect)
	// The cassettes drift: the estimates hold, and the result says that neighbours are alike.
	require.Equal(t, m.Lag1.Significant, containsKind(m.Warnings, refusal.Autocorrelated))
}

func containsKind(list []refusal.Warning, k refusal.WarningKind) bool {
	for _, w := range list {
		if w.Kind == k {
			return true
		}
	}
	return false
}

// press makes cycles of a press whose moulds have levels of their own, with cycle and panel effects of the given standard
// deviations; a panel is missing with probability gaps.
func press(src *rand.Rand, cycles int, levels []float64, between, within, gaps float64) [][]chart.StreamValue {
	out := make([][]chart.StreamValue, cycles)
	for j := range out {
		e := between * src.NormFloat64()
		for len(out[j]) == 0 {
			for i, c := range levels {
				if src.Float64() >= gaps {
					out[j] = append(out[j], chart.StreamValue{Stream: i, Value: c + e + within*src.NormFloat64()})
				}
			}
		}
	}
	return out
}

var levels = []float64{1107.1, 1107.9, 1106.8, 1108.3, 1107.5, 1107.4, 1109.0, 1107.0, 1107.6, 1106.5, 1107.7}

// Centres and components come back from 20 000 simulated cycles, complete and with a third of the panels missing
// (seeded; tolerances are 4 standard errors of a variance, sqrt(2/J), or more).
func TestCyclesRecover(t *testing.T) {
	const between, within, j = 0.25, 0.6, 20000
	for _, gaps := range []float64{0, 1. / 3} {
		cycles := press(rand.New(rand.NewPCG(5, 6)), j, levels, between, within, gaps)
		centres, err := chart.StreamCentres(cycles, len(levels))
		require.NoError(t, err)
		for i := range levels {
			require.InDelta(t, levels[i], centres[i], 4*math.Hypot(between, within)/math.Sqrt(j/2), "stream %d", i)
		}
		m, err := chart.Cycles(cycles, centres, true)
		require.NoError(t, err)
		relative(t, within*within, m.SigmaWithin*m.SigmaWithin, 4*math.Sqrt(2/(j*5.0)), "within")
		relative(t, between*between, m.VarBetween, 8*math.Sqrt(2.0/j), "between")
		require.InDelta(t, 1107.527272, m.Centre, 0.02)
		for _, n := range []int{1, 4, 11} {
			s, err := m.EffectSigma(n)
			require.NoError(t, err)
			relative(t, math.Sqrt(between*between+within*within/float64(n)), s, 0.03, "cycle of", n)
		}
		require.Empty(t, m.Warnings)
		if gaps == 0 {
			continue
		}
		// Limits of their own for each completeness give incomplete cycles the same rate of points beyond them: for
		// two sides of 1 sigma, 0.3173, within 4 standard errors.
		for _, n := range []int{5, 7, 9} {
			l, err := m.MeanLimits(n, chart.Width{K: 1})
			require.NoError(t, err)
			spread, err := m.SpreadLimits(n, chart.Width{Probability: 0.2})
			require.NoError(t, err)
			all, beyond, wide := 0, 0, 0
			for _, c := range cycles {
				if pt, err := chart.Cycle(c, centres); err == nil && pt.M == n {
					all++
					if pt.Mean > l.Upper || pt.Mean < l.Lower {
						beyond++
					}
					if pt.Spread > spread.Upper || pt.Spread < spread.Lower {
						wide++
					}
				}
			}
			require.Greater(t, all, 500)
			require.InDelta(t, 0.3173, float64(beyond)/float64(all), 4*math.Sqrt(.3173*.6827/float64(all)))
			require.InDelta(t, 0.2, float64(wide)/float64(all), 4*math.Sqrt(.2*.8/float64(all)))
		}
	}
}

// A mould that is missing takes its level away from the plain mean, but not from the cycle mean.
func TestCycleIncomplete(t *testing.T) {
	centres := []float64{10, 20, 60}
	pt, err := chart.Cycle([]chart.StreamValue{{Stream: 0, Value: 11}, {Stream: 1, Value: 22}}, centres)
	require.NoError(t, err)
	require.Equal(t, 2, pt.M)
	require.InDelta(t, 1.5, pt.Effect, 1e-15)
	require.InDelta(t, 31.5, pt.Mean, 1e-13)
	require.InDelta(t, math.Sqrt(0.5), pt.Spread, 1e-15)
	one, err := chart.Cycle([]chart.StreamValue{{Stream: 2, Value: 61}}, centres)
	require.NoError(t, err)
	require.Equal(t, chart.CyclePoint{M: 1, Effect: 1, Mean: 31}, one)
}

// Degrees of freedom: centres fitted to complete cycles leave (J-1)(m-1), given ones J(m-1). With fitted centres the
// within variance is the residual of a two-way layout, here by hand: residuals ±1/2 in each of four cells.
func TestCyclesFittedCentres(t *testing.T) {
	cycles, _ := cyclesOf([][]float64{{1, 2}, {4, 3}})
	centres, err := chart.StreamCentres(cycles, 2)
	require.NoError(t, err)
	require.Equal(t, []float64{2.5, 2.5}, centres)
	m, err := chart.Cycles(cycles, centres, true)
	require.NoError(t, err)
	require.Equal(t, 1, m.DFWithin)
	require.InDelta(t, 1, m.SigmaWithin, 1e-15)
	m, err = chart.Cycles(cycles, centres, false)
	require.NoError(t, err)
	require.Equal(t, 2, m.DFWithin)
	require.InDelta(t, math.Sqrt(0.5), m.SigmaWithin, 1e-15)
	// Effects -1 and +1: variance 2.
	require.InDelta(t, math.Sqrt2, m.SigmaEffect, 1e-15)
	require.InDelta(t, 2-0.5/2, m.VarBetween, 1e-14)
}

// When the panels of a cycle balance each other the cycles vary less than their panels suggest. The limits then stay
// those of the cycles, and the result says so.
func TestCyclesNegativeBetween(t *testing.T) {
	cycles, centres := cyclesOf([][]float64{{-3, 3.1}, {2, -2.1}, {-4, 4}, {5, -5.1}})
	m, err := chart.Cycles(cycles, centres, false)
	require.NoError(t, err)
	require.Negative(t, m.VarBetween)
	require.True(t, containsKind(m.Warnings, refusal.Doubtful))
	s, err := m.EffectSigma(2)
	require.NoError(t, err)
	relative(t, m.SigmaEffect, s, 1e-12)
	one, err := m.EffectSigma(1)
	require.NoError(t, err)
	relative(t, math.Sqrt2*m.SigmaEffect, one, 1e-12)
	three, err := m.EffectSigma(3)
	require.NoError(t, err)
	require.Less(t, three, s)
}

func TestCycleRefusals(t *testing.T) {
	two := func(a, b chart.StreamValue) [][]chart.StreamValue {
		return [][]chart.StreamValue{{{Stream: 0, Value: 1}}, {a, b}}
	}
	for _, c := range []struct {
		name   string
		cycles [][]chart.StreamValue
		want   refusal.Reason
		index  int
	}{
		{"one cycle", [][]chart.StreamValue{{{Stream: 0, Value: 1}}}, refusal.TooFew, -1},
		{"empty cycle", [][]chart.StreamValue{{{Stream: 0, Value: 1}}, {}}, refusal.TooFew, 1},
		{"unknown stream", two(chart.StreamValue{Stream: 0, Value: 1}, chart.StreamValue{Stream: 2, Value: 1}), refusal.Mismatch, 1},
		{"negative stream", two(chart.StreamValue{Stream: -1, Value: 1}, chart.StreamValue{Stream: 1, Value: 1}), refusal.Mismatch, 1},
		{"stream twice", two(chart.StreamValue{Stream: 1, Value: 1}, chart.StreamValue{Stream: 1, Value: 2}), refusal.Mismatch, 1},
		{"not a number", two(chart.StreamValue{Stream: 0, Value: math.NaN()}, chart.StreamValue{Stream: 1, Value: 1}), refusal.NonFinite, 1},
		{"steady", two(chart.StreamValue{Stream: 0, Value: 1}, chart.StreamValue{Stream: 1, Value: 1}), refusal.ZeroVariance, -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := chart.Cycles(c.cycles, []float64{0, 0}, false)
			var refused *refusal.Error
			require.ErrorAs(t, err, &refused)
			require.Equal(t, c.want, refused.Reason)
			require.Equal(t, c.index, refused.Index)
		})
	}
	_, err := chart.StreamCentres([][]chart.StreamValue{{{Stream: 0, Value: 1}}}, 2)
	var refused *refusal.Error
	require.ErrorAs(t, err, &refused)
	require.Equal(t, "needs at least 1 values, has 0: stream 2", refused.Error())
	// Cycles of one panel give no spread inside, and so no limits for it.
	m, err := chart.Cycles([][]chart.StreamValue{{{Stream: 0, Value: 1}}, {{Stream: 0, Value: 2}}}, []float64{0}, false)
	require.NoError(t, err)
	_, err = m.SpreadLimits(2, chart.Width{})
	require.ErrorAs(t, err, &refused)
	require.Equal(t, refusal.OutOfRange, refused.Reason)
	_, err = m.MeanLimits(0, chart.Width{})
	require.ErrorAs(t, err, &refused)
	require.Equal(t, refusal.TooFew, refused.Reason)
}

func BenchmarkCycle(b *testing.B) {
	cycle := press(rand.New(rand.NewPCG(7, 8)), 1, levels, 0.2, 0.5, 0)[0]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := chart.Cycle(cycle, levels); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleCycle() {
	// Mould 3 is missing; its high level does not pull the cycle mean down.
	centres := []float64{1107.0, 1107.4, 1108.8}
	pt, _ := chart.Cycle([]chart.StreamValue{{Stream: 0, Value: 1107.2}, {Stream: 1, Value: 1107.6}}, centres)
	fmt.Printf("cycle mean %.2f mm, %.1f above the centre\n", pt.Mean, pt.Effect)
	// Output: cycle mean 1107.93 mm, 0.2 above the centre
}

func ExampleCycles() {
	centres := []float64{10, 20}
	cycles := [][]chart.StreamValue{
		{{Stream: 0, Value: 10.2}, {Stream: 1, Value: 20.3}},
		{{Stream: 0, Value: 9.6}, {Stream: 1, Value: 19.9}},
		{{Stream: 0, Value: 10.4}, {Stream: 1, Value: 20.0}},
		{{Stream: 0, Value: 9.9}},
	}
	m, _ := chart.Cycles(cycles, centres, false)
	full, _ := m.MeanLimits(2, chart.Width{})
	short, _ := m.MeanLimits(1, chart.Width{})
	fmt.Printf("two moulds: %.2f to %.2f; one: %.2f to %.2f\n", full.Lower, full.Upper, short.Lower, short.Upper)
	// By hand: effects 0.25, -0.25, 0.2, -0.1, so sigma_e^2 = 0.0575; sigma_w^2 = 0.13/3; mean(1/m) = 0.625.
	// Output: two moulds: 14.34 to 15.71; one: 14.21 to 15.84
}
