package server_test

import (
	"fmt"
	"math/rand/v2"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/spc/gaugestudy"
	"sagwatch/store"
)

// A lot that is packed is judged by its first and last panel; serials L2 to L119 do not sort as text as they were pressed.
func TestCapabilityOfALot(t *testing.T) {
	t.Parallel()
	s := start(t)
	var lines []string
	for i := range 120 {
		lines = append(lines, panel(i, 1107.5+0.3*float64(i*7%13-6)/6).with("panel", fmt.Sprintf("L%d", i)).json())
	}
	s.stream(lines...)
	of := func(v url.Values) url.Values {
		v.Set("press", "A")
		v.Set("product", "P25")
		return v
	}
	lot := of(url.Values{"first_panel": {"L9"}, "last_panel": {"L101"}})
	require.Equal(t, 93.0, s.get("/api/v1/capability?" + lot.Encode())["panels"], "both ends count, and nothing between is lost")
	lot.Set("from", "2026-03-02T06:05:00Z")
	lot.Set("to", "2026-03-02T06:06:00Z")
	require.Equal(t, 93.0, s.get("/api/v1/capability?" + lot.Encode())["panels"], "the lot takes the place of the period")
	for _, wrong := range []struct {
		ask url.Values
		say string
	}{
		{url.Values{"first_panel": {"L9"}, "last_panel": {"L900"}}, "No production panel"},
		{url.Values{"first_panel": {"L9\x00"}, "last_panel": {"L10"}}, "No production panel"},
		{url.Values{"first_panel": {"L10"}, "last_panel": {"L9"}}, "wrong way round"},
		{url.Values{"first_panel": {"L10"}}, "needs its last panel"},
		{url.Values{"last_panel": {"L10"}}, "needs its first panel"},
	} {
		status, _, body := s.send("GET", "/api/v1/capability?"+of(wrong.ask).Encode(), "", "")
		require.Equal(t, 422, status, body)
		require.Contains(t, body, wrong.say)
	}

	engineer := s.browser("okafor")
	lot.Del("from")
	lot.Del("to")
	status, body := s.page(engineer, "/capability?"+lot.Encode())
	require.Equal(t, 200, status)
	require.Contains(t, body, "panels L9 to L101")
	require.Contains(t, body, "not by the order of serials as text")
	require.Contains(t, body, "there is no finished gauge study of the radius")
	status, body = s.page(engineer, "/capability?"+of(url.Values{"first_panel": {"L900"}, "last_panel": {"L10"}}).Encode())
	require.Equal(t, 422, status)
	require.Contains(t, body, "of press A was measured")

	// A gauge study that is finished says what the gauge takes up of the tolerance.
	percent, low, high := s.radiusStudy()
	_, body = s.page(engineer, "/capability?"+lot.Encode())
	share := fmt.Sprintf("%s %% of the tolerance (95 %%: %s to %s %%), by gauge study 1, last reading 4 March 2026, not adopted", percent, low, high)
	require.Contains(t, body, share)
	require.Contains(t, body, "there is no finished gauge study of the largest deviation", "of what it did not study it says nothing")

	status, at, body := s.fill(engineer, "/capability", lot)
	require.Equal(t, 200, status)
	require.True(t, strings.HasPrefix(at, "/reports/"), at)
	require.Contains(t, body, "Capability of press A, P25, panels L9 to L101")
	id, err := strconv.ParseInt(strings.TrimPrefix(at, "/reports/"), 10, 64)
	require.NoError(t, err)
	inputs, _, err := s.store.ReportFiles(t.Context(), "north", id)
	require.NoError(t, err)
	d, err := report.Make(store.CapabilityReport, inputs)
	require.NoError(t, err)
	require.Contains(t, d.Origin.Data, "Panels L9 to L101, both included")
	require.Equal(t, origin.Add(90*time.Second), d.Origin.From.UTC())
	rests := fmt.Sprint(d.Blocks[len(d.Blocks)-1].Facts)
	require.Contains(t, rests, share)
	same, err := report.Check(t.Context(), s.store, "north", id)
	require.NoError(t, err)
	require.True(t, same)
}

// radiusStudy keeps a crossed study of the gauge's radius, read to the end, and gives what the gauge takes up of the tolerance.
func (s *service) radiusStudy() (percent, low, high string) {
	s.t.Helper()
	const parts, appraisers, trials = 10, 3, 2
	lower, upper := 1101.5, 1113.5
	v := store.Study{Kind: store.CrossedStudy, Title: "Radius", Gauge: "CG-1", Product: "P25", By: "test", Plan: store.StudyPlan{Appraisers: []string{"a", "b", "c"}, Trials: trials,
		Characteristics: []store.StudyCharacteristic{{Name: "radius_mm", Unit: "mm", Lower: &lower, Upper: &upper}}}}
	rng := rand.New(rand.NewPCG(11, 12))
	y := make([][][]float64, parts)
	var readings []store.StudyReading
	for p := range parts {
		v.Plan.Parts = append(v.Plan.Parts, store.StudyPart{Panel: fmt.Sprintf("S%d", p)})
		y[p] = make([][]float64, appraisers)
		panel := 1107.5 + rng.NormFloat64()
		for a := range appraisers {
			for k := range trials {
				x := panel + 0.05*float64(a) + 0.1*rng.NormFloat64()
				y[p][a] = append(y[p][a], x)
				line := store.StudyLine{Line: len(readings) + 1, Part: p + 1, Appraiser: a + 1, Trial: k + 1}
				v.Plan.Lines = append(v.Plan.Lines, line)
				readings = append(readings, store.StudyReading{Line: line.Line, MeasuredAt: time.Date(2026, 3, 4, 8, line.Line%60, 0, 0, time.UTC), Characteristics: map[string]float64{"radius_mm": x}, By: "test"})
			}
		}
	}
	// One that is not read to the end gives no share, though it is newer.
	_, err := s.store.AddStudy(s.t.Context(), "north", v, readings)
	require.NoError(s.t, err)
	_, err = s.store.AddStudy(s.t.Context(), "north", v, readings[:5])
	require.NoError(s.t, err)
	want, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{Tolerance: upper - lower})
	require.NoError(s.t, err)
	text := func(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }
	return text(want.Gauge.PercentTolerance), text(want.ToleranceCI.Lower), text(want.ToleranceCI.Upper)
}
