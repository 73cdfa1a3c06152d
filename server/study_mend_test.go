package server_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/store"
)

// collected is a study of CG-1 whose readings the gauge has sent: two panels, two appraisers, two trials.
func (s *service) collected(engineer *http.Client) (at string, id int64) {
	s.t.Helper()
	form := url.Values{"kind": {store.CrossedStudy}, "gauge": {"CG-1"}, "product": {"P25"}, "characteristic": {"radius_mm"}, "trials": {"2"}, "parts": {"A-1\nA-2"}, "appraisers": {"Ahn\nTamm"}, "seed": {"5"}}
	status, at, text := s.fill(engineer, "/studies/new", form)
	require.Equal(s.t, 200, status, text)
	id = studyNumber(s.t, at)
	rng := rand.New(rand.NewPCG(3, 3))
	n, begin := 0, time.Now()
	for l := s.nextLine(id); l != nil; l = s.nextLine(id) {
		n++
		panel := fmt.Sprintf("A-%d", l.Part)
		status, answer := s.post(measurement{"gauge": "CG-1", "panel": panel, "measured_at": begin.Add(time.Duration(n) * 50 * time.Millisecond).UTC().Format(time.RFC3339Nano), "press": "A", "product": "P25", "mould": "1",
			"sequence": 2000 + n, "purpose": "study", "readings": radial(1107+float64(l.Part), 0.003, rng)})
		require.Less(s.t, status, 300, answer)
		s.page(engineer, at)
	}
	return at, id
}

// readingsOf are the readings of a study that stand, by line.
func (s *service) readingsOf(id int64) map[int]store.StudyReading {
	s.t.Helper()
	list, err := s.store.StudyReadings(s.t.Context(), "north", id)
	require.NoError(s.t, err)
	out := map[int]store.StudyReading{}
	for _, r := range list {
		if r.WithdrawnAt.IsZero() {
			out[r.Line] = r
		}
	}
	return out
}

// A study says which of its runs rest on measurements that were corrected or voided, takes the correction, measures again, and says of
// an adopted result that its data changed; the report says the same.
func TestStudyTellsOfChangedMeasurements(t *testing.T) {
	s := start(t)
	engineer, technician, viewer := s.browser("okafor"), s.browser("sorby"), s.browser("lind")
	at, id := s.collected(engineer)
	before := s.readingsOf(id)
	_, text := s.page(technician, at)
	require.NotContains(t, text, "changed since they were taken")
	correct := func(m int64, fields, reason string) {
		t.Helper()
		status, _, body := s.send("POST", "/api/v1/measurements/"+strconv.FormatInt(m, 10)+"/corrections", "application/json", fmt.Sprintf(`{"fields": %s, "reason": %q}`, fields, reason))
		require.Equal(t, 200, status, body)
	}
	// What does not touch the reading is no change of the study's data.
	correct(before[2].Measurement, `{"mould": "2"}`, "read the wrong mould")
	_, text = s.page(technician, at)
	require.NotContains(t, text, "changed since they were taken")

	readings := measurement{"readings": radial(1109.25, 0.003, rand.New(rand.NewPCG(4, 4)))}.json()
	correct(before[1].Measurement, readings, "probe 7 was stuck")
	status, _, body := s.send("POST", "/api/v1/measurements/"+strconv.FormatInt(before[3].Measurement, 10)+"/void", "application/json", `{"reason": "glass fell off the pads"}`)
	require.Equal(t, 200, status, body)
	status, text = s.page(technician, at)
	require.Equal(t, 200, status)
	for _, words := range []string{"Measurements changed since they were taken", fmt.Sprintf("rests on measurement %d, which was corrected afterwards", before[1].Measurement), "probe 7 was stuck", "1109",
		fmt.Sprintf("rests on measurement %d, which was voided afterwards", before[3].Measurement), "Take the corrected value", "Open the line again"} {
		require.Contains(t, text, words)
	}
	_, text = s.page(viewer, at)
	require.Contains(t, text, "probe 7 was stuck")
	require.NotContains(t, text, "Take the corrected value", "who looks may not")
	require.Len(t, s.get(fmt.Sprintf("/api/v1/studies/%d", id))["changed"], 2)
	status, _, _ = s.fill(viewer, at+"/mend", url.Values{"take": {"1"}})
	require.Equal(t, http.StatusForbidden, status)
	for _, wrong := range []url.Values{nil, {"again": {"x"}}} {
		status, _, _ = s.fill(technician, at+"/mend", wrong)
		require.Equal(t, http.StatusUnprocessableEntity, status)
	}
	status, _, _ = s.fill(technician, at+"/mend", url.Values{"again": {fmt.Sprint(before[4].Seq)}})
	require.Equal(t, http.StatusConflict, status, "only what was changed is measured again here")

	// The void one is measured again; the corrected one is taken over.
	status, _, text = s.fill(technician, at+"/mend", url.Values{"again": {fmt.Sprint(before[3].Seq)}})
	require.Equal(t, 200, status)
	require.Equal(t, 3, s.nextLine(id).Line)
	require.Contains(t, text, "probe 7 was stuck", "the page that collects says so too")
	status, _, _ = s.fill(technician, at+"/mend", url.Values{"take": {"1"}})
	require.Equal(t, 200, status)
	now := s.readingsOf(id)
	require.InDelta(t, 1109.25, now[1].Characteristics["radius_mm"], 0.3)
	require.NotEqual(t, before[1].Measurement, now[1].Measurement)
	require.Equal(t, before[2], now[2])
	status, _, _ = s.fill(technician, at+"/mend", url.Values{"take": {"1"}})
	require.Equal(t, http.StatusConflict, status, "once")
	status, _, text = s.fill(technician, at+"/reading", url.Values{"line": {"3"}, "v.radius_mm": {strconv.FormatFloat(before[3].Characteristics["radius_mm"], 'f', -1, 64)}})
	require.Equal(t, 200, status)
	require.NotContains(t, text, "changed since they were taken")
	require.Contains(t, text, "took the corrected value of line 1")

	// Adopted: then data change.
	status, _, text = s.fill(engineer, at+"/adopt", url.Values{"proposal": {"radius_u_mm"}, "reason": {"measured"}})
	require.Equal(t, 200, status, text)
	readings = measurement{"readings": radial(1108.5, 0.003, rand.New(rand.NewPCG(5, 5)))}.json()
	correct(before[4].Measurement, readings, "the wrong panel lay on the pads")
	_, text = s.page(engineer, at)
	require.Contains(t, text, "The adopted result rests on data that were changed afterwards")
	require.NotContains(t, text, "Open the line again", "an adopted study is not opened again")
	s.fill(engineer, at+"/report", nil)
	issued, err := s.store.Reports(t.Context(), "north", 0, 1)
	require.NoError(t, err)
	inputs, _, err := s.store.ReportFiles(t.Context(), "north", issued[0].ID)
	require.NoError(t, err)
	d, err := report.Make(store.StudyReport, inputs)
	require.NoError(t, err)
	require.Contains(t, strings.Join(d.Doubts, " "), "The adopted result rests on data that were changed afterwards")
	require.Contains(t, strings.Join(d.Doubts, " "), "the wrong panel lay on the pads")
	same, err := report.Check(t.Context(), s.store, "north", issued[0].ID)
	require.NoError(t, err)
	require.True(t, same)
	status, _, _ = s.fill(technician, at+"/mend", url.Values{"take": {"1"}})
	require.Equal(t, http.StatusForbidden, status, "an adopted result is an engineer's")
	status, _, text = s.fill(engineer, at+"/mend", url.Values{"take": {"1"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "Since the result was adopted, one line was put right (4)")
	status, _, text = s.fill(engineer, at+"/adopt", url.Values{"proposal": {"radius_u_mm"}, "value": {"0.077"}, "reason": {"after the correction"}})
	require.Equal(t, 200, status, text)
	require.NotContains(t, text, "Since the result was adopted")
}

// A panel that is measured twice in one round is not taken as the next round's; a scanned panel is told at once; what was keyed in for
// a line that the gauge has filled is not stored and does not stand in the form of the next.
func TestStudyGuidesTheTechnician(t *testing.T) {
	s := start(t)
	engineer, technician := s.browser("okafor"), s.browser("sorby")
	form := url.Values{"kind": {store.CrossedStudy}, "gauge": {"CG-1"}, "product": {"P25"}, "characteristic": {"radius_mm"}, "trials": {"2"}, "parts": {"A-1\nA-2\nA-3"}, "appraisers": {"Ahn"}, "seed": {"5"}}
	status, at, text := s.fill(engineer, "/studies/new", form)
	require.Equal(t, 200, status, text)
	id := studyNumber(t, at)
	v, err := s.store.Study(t.Context(), "north", id)
	require.NoError(t, err)
	panel := func(line int) string { return v.Plan.Parts[v.Plan.Lines[line-1].Part-1].Panel }
	rng, n, begin := rand.New(rand.NewPCG(6, 6)), 0, time.Now()
	measure := func(panel string) string {
		t.Helper()
		n++
		status, answer := s.post(measurement{"gauge": "CG-1", "panel": panel, "measured_at": begin.Add(time.Duration(n) * 50 * time.Millisecond).UTC().Format(time.RFC3339Nano), "press": "A", "product": "P25", "mould": "1",
			"sequence": 3000 + n, "purpose": "study", "readings": radial(1107.5, 0.003, rng)})
		require.Less(t, status, 300, answer)
		_, text := s.page(technician, at)
		return text
	}
	scan := func(panel string) string {
		t.Helper()
		status, text := s.page(technician, at+"?scanned="+url.QueryEscape(" "+panel+" "))
		require.Equal(t, 200, status)
		return text
	}
	require.Contains(t, scan(panel(1)), `class="slab good"`)
	require.Contains(t, scan("A-9"), "Panel A-9 is not in this study. Take "+panel(1))
	require.Contains(t, scan(panel(2)), "Panel "+panel(2)+" comes later. Take "+panel(1))
	require.NotContains(t, scan("<b>"), "<b>&lt;b")
	require.Contains(t, measure(panel(1)), "Round 1 of 2. 1 of 6 are in.")
	require.Contains(t, measure(panel(1)), "Wrong panel")
	require.Contains(t, scan(panel(1)), "was read in this round. Take "+panel(2))
	text = measure(panel(2))
	require.NotContains(t, text, "Wrong panel", "put right with the next reading")
	require.Contains(t, text, `data-line="3"`, "the form is for the line that is next")
	status, _, text = s.fill(technician, at+"/reading", url.Values{"line": {"2"}, "v.radius_mm": {"1107.123"}})
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, text, "What you keyed in, radius “1107.123”, was for another line")
	require.NotContains(t, text, `value="1107.123"`, "it belongs to another panel")
	measure(panel(3))
	require.Equal(t, 4, s.nextLine(id).Line, "the second reading of round 1 is not round 2's")
	require.Len(t, s.readingsOf(id), 3)
}
