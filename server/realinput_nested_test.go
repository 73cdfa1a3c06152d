package server_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// nestedStudy checks the charts of a nested study against the analysis of variance of its readings, and returns the mean
// squares that follow from the charted points. scale turns the charts' millimetres into the unit of the readings.
func (s *service) nestedStudy(t *testing.T, l layout, cycleMean, spread, individuals, sd string, scale float64) (msCycle, msMould, msReading float64) {
	t.Helper()
	a := l.anova()
	near := func(want, got float64, what string) {
		t.Helper()
		require.InEpsilon(t, want, got, 1e-10, what)
	}

	// The cycle mean is charted as an individual by the variation of the cycles: moulds x readings x sigma_effect^2 is the mean
	// square of cycles, whatever the moulds' levels.
	in := s.inForce(cycleMean)
	near(a.grand, in.Limits.Centre*scale, "centre is the grand mean")
	near(a.msCycle(), a.moulds*a.readings*math.Pow(in.SigmaOverall*scale, 2), "mean square of cycles")
	near(3*in.SigmaOverall, in.Limits.Upper-in.Limits.Centre, "limits of a complete cycle are those of the cycles alone")
	near(3*in.SigmaOverall, in.Limits.Centre-in.Limits.Lower, "limits of a complete cycle are those of the cycles alone")
	require.Equal(t, len(l), in.N)
	require.Len(t, in.Centres, int(a.moulds))
	// Inside the cycle the moulds' own levels are taken off: what is left of the sum of squares has (cycles-1)(moulds-1)
	// degrees of freedom.
	near((a.ssMould-a.ssPlaces)/((a.cycles-1)*(a.moulds-1)), a.readings*math.Pow(in.SigmaWithin*scale, 2), "inside the cycle")

	points := s.points(cycleMean)
	for i, p := range points {
		mean := 0.0
		for _, readings := range l[i] {
			for _, x := range readings {
				mean += x / (a.moulds * a.readings)
			}
		}
		near(mean, p.Value*scale, p.Panel)
		require.Equal(t, int(a.moulds), p.N)
		require.False(t, p.Open)
		msCycle += a.moulds * a.readings * math.Pow(p.Value*scale-a.grand, 2) / (a.cycles - 1)
	}
	require.Equal(t, outside(points, in.Limits.Lower, in.Limits.Upper), marked(points, "beyond-limits"))

	// The spread inside the cycle: centre c4 sigma, upper limit B6 sigma (constants/computed.csv, COMPUTED).
	in = s.inForce(spread)
	c4, b6 := constantsOf(t, int(a.moulds))
	near(c4*in.SigmaWithin, in.Limits.Centre, "centre of the spread")
	near(b6*in.SigmaWithin, in.Limits.Upper, "upper limit of the spread")
	require.False(t, in.Lag1Found)
	points = s.points(spread)
	squares := 0.0
	for _, p := range points {
		squares += a.readings * (a.moulds - 1) * math.Pow(p.Value*scale, 2)
	}
	near(a.ssMould-a.ssPlaces, squares, "sum of squares of the charted spreads")
	require.Equal(t, outside(points, in.Limits.Lower, in.Limits.Upper), marked(points, "beyond-limits"))

	// Single pieces: their means give the sum of squares of moulds inside cycles, levels included.
	points = s.points(individuals)
	for i := range l {
		cycle := points[i*int(a.moulds) : (i+1)*int(a.moulds)]
		mean := 0.0
		for _, p := range cycle {
			mean += p.Value * scale / a.moulds
		}
		for _, p := range cycle {
			msMould += a.readings * math.Pow(p.Value*scale-mean, 2) / (a.cycles * (a.moulds - 1))
		}
	}
	in = s.inForce(individuals)
	require.Equal(t, outside(points, in.Limits.Lower, in.Limits.Upper), marked(points, "beyond-limits"))
	for _, p := range s.points(sd) {
		msReading += math.Pow(p.Value*scale, 2) / (a.cycles * a.moulds)
	}
	near(a.msCycle(), msCycle, "mean square of cycles from the charted points")
	near(a.msMould(), msMould, "mean square of moulds from the charted points")
	near(a.msReading(), msReading, "mean square of readings from the charted points")
	return msCycle, msMould, msReading
}

// NIST/SEMATECH e-Handbook 6.6.1.3 (data READ; the table MEMORY, recomputed here from the readings): cassette = cycle,
// wafer = mould, site = reading.
func (s *service) lithography(t *testing.T) {
	e := example(t, "lithography_6_6_1")
	l := lithography(t)
	require.Len(t, l, 30)
	cassette, wafer, site := s.nestedStudy(t, l, "line", "line-spread", "line-wafers", "line-sites", 1e3)
	a := l.anova()
	e.within(t, "ss_cassette", "MEMORY", a.ssCycle)
	e.within(t, "ss_wafer", "MEMORY", a.ssMould)
	e.within(t, "ss_site", "MEMORY", a.ssReading)
	e.within(t, "ms_cassette", "MEMORY", cassette)
	e.within(t, "ms_wafer", "MEMORY", wafer)
	e.within(t, "ms_site", "MEMORY", site)
	e.within(t, "var_cassette", "MEMORY", (cassette-wafer)/15)
	e.within(t, "var_wafer", "MEMORY", (wafer-site)/5)
	e.within(t, "var_site", "MEMORY", site)

	// Wafers of a cassette are alike, so single wafers are correlated: the chart says so and widens.
	in := s.inForce("line-wafers")
	require.True(t, in.Lag1Found)
	require.Contains(t, strings.Join(in.Notes, " "), "too tight, so they are widened")
	beyond := marked(s.points("line-wafers"), "beyond-limits")
	require.Len(t, beyond, 1)
	signals := s.signalsOf("line-wafers")
	require.Len(t, signals, 1)
	require.Equal(t, "beyond-limits", signals[0].Rule)
	require.Equal(t, beyond[0], signals[0].Panel)
	require.Equal(t, beyond, signals[0].Evidence[0].Panels)

	// The standard deviation of the sites is skewed: limits on logarithms, worked out anew from the readings.
	in = s.inForce("line-sites")
	require.True(t, in.Log)
	require.False(t, in.Lag1Found)
	var logs []float64
	for _, c := range l {
		for _, w := range c {
			one := layout{{w}}.anova()
			logs = append(logs, math.Log(math.Sqrt(one.ssReading/4)/1e3))
		}
	}
	mean, moving := logs[0]/90, 0.0
	for i, x := range logs[1:] {
		mean += x / 90
		moving += math.Abs(x-logs[i]) / 89
	}
	require.InEpsilon(t, math.Exp(mean), in.Limits.Centre, 1e-10)
	require.InEpsilon(t, math.Exp(mean+3*moving/d2), in.Limits.Upper, 1e-10)
	require.InEpsilon(t, math.Exp(mean-3*moving/d2), in.Limits.Lower, 1e-10)
	points := s.points("line-sites")
	require.Len(t, marked(points, "beyond-limits"), 1)
	require.Equal(t, outside(points, in.Limits.Lower, in.Limits.Upper), marked(points, "beyond-limits"))
}

// NIST/SEMATECH e-Handbook 3.5.1.4 (data and nested analysis of variance READ): run = cycle, zone = mould, wafer = reading.
func (s *service) furnace(t *testing.T) {
	e := example(t, "furnace_3_5_1")
	l := furnace(t)
	require.Len(t, l, 21)
	ran, zone, within := s.nestedStudy(t, l, "film", "film-spread", "film-zones", "film-wafers", 1e3)
	a := l.anova()
	e.within(t, "ss_run", "READ", a.ssCycle)
	e.within(t, "ss_zone", "READ", a.ssMould)
	e.within(t, "ss_within", "READ", a.ssReading)
	e.within(t, "ms_run", "READ", ran)
	e.within(t, "ms_zone", "READ", zone)
	e.within(t, "ms_within", "READ", within)
	e.within(t, "f_run", "READ", ran/zone)
	e.within(t, "f_zone", "READ", zone/within)
	e.within(t, "var_run", "READ", (ran-zone)/8)
	e.within(t, "var_zone", "READ", (zone-within)/2)
	e.within(t, "var_within", "READ", within)
}
