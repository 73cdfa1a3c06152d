package server_test

import (
	"fmt"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// check is a check of master M-2 on CG-1, so many mm out.
func check(n int, at time.Time, out float64) measurement {
	m := panel(n, 1107.5+out)
	return measurement{"gauge": "CG-1", "panel": "M-2", "measured_at": at.Format(time.RFC3339Nano), "purpose": "master", "sequence": n, "readings": m["readings"]}
}

// A failed check of the master marks what the gauge measured since the last good one, until somebody decides.
func TestAFailedMasterCheckPutsMeasurementsInDoubt(t *testing.T) {
	s := start(t)
	at := func(minutes int) time.Time { return origin.Add(90*time.Minute + time.Duration(minutes)*time.Minute) }
	send := func(m measurement) map[string]any {
		t.Helper()
		status, res := s.post(m)
		require.Equal(t, 200, status, res)
		return res
	}
	measured := func(n, minutes int) measurement {
		return panel(n, 1107.6).with("measured_at", at(minutes).Format(time.RFC3339Nano))
	}
	require.Equal(t, "conforms", send(check(1000, at(0), 0))["verdict"])
	send(measured(1, 10))
	require.Equal(t, "does-not-conform", send(check(1001, at(20), 2))["verdict"])
	send(measured(2, 30))

	doubtful := func() (out []string) {
		for _, m := range s.get("/api/v1/measurements?gauge=CG-1")["measurements"].([]any) {
			if x := m.(map[string]any); x["doubtful"] == true {
				out = append(out, x["panel"].(string))
			}
		}
		return out
	}
	require.Equal(t, []string{"A-0000001", "A-0000002"}, doubtful())
	doubts := s.get("/api/v1/gauges/CG-1/doubts")["doubts"].([]any)
	require.Len(t, doubts, 1)
	d := doubts[0].(map[string]any)
	require.Nil(t, d["to"])
	require.Equal(t, 2.0, d["undecided"])
	require.Equal(t, at(0).Format(time.RFC3339), d["from"])
	risk := s.get("/api/v1/gauges/CG-1/at-risk?began=" + at(15).Format(time.RFC3339))
	require.Equal(t, 2.0, risk["count"])
	require.Equal(t, at(0).Format(time.RFC3339), risk["since"])
	master := s.get("/api/v1/gauges/CG-1/master")
	require.Equal(t, true, master["overdue"])
	require.Equal(t, at(260).Format(time.RFC3339), master["due"], "four hours after the last check")

	sorby := s.browser("sorby")
	_, text := s.page(sorby, "/gauge/CG-1")
	says(t, text, "Two measurements of this gauge are in doubt: decide.")
	says(t, text, "seat master M-2 and measure it as a master check")
	_, text = s.page(sorby, "/panels")
	says(t, text, "doubtful")
	_, text = s.page(sorby, "/panels/A/A-0000001")
	says(t, text, "What CG-1 measured is doubtful")
	_, text = s.page(sorby, "/")
	says(t, text, "two measurements in doubt")

	// A good check ends it; what comes late from before it is in doubt as well.
	send(check(1002, at(40), 0))
	send(measured(3, 45))
	send(measured(4, 35))
	require.Equal(t, []string{"A-0000001", "A-0000002", "A-0000004"}, doubtful())

	post := func(body string) (int, map[string]any) {
		t.Helper()
		status, _, text := s.send("POST", "/api/v1/gauges/CG-1/doubts", "application/json", body)
		return status, object(t, text)
	}
	from := at(0).Format(time.RFC3339)
	status, res := post(fmt.Sprintf(`{"from": %q, "decision": "accept", "reason": " "}`, from))
	require.Equal(t, 422, status, res)
	status, res = post(fmt.Sprintf(`{"from": %q, "decision": "perhaps", "reason": "x"}`, from))
	require.Equal(t, 422, status, res)
	status, res = post(fmt.Sprintf(`{"from": %q, "decision": "accept", "reason": "x"}`, at(1).Format(time.RFC3339)))
	require.Equal(t, 409, status, res)
	status, res = post(fmt.Sprintf(`{"from": %q, "to": %q, "decision": "accept", "reason": "far inside the limits"}`, from, at(20).Format(time.RFC3339)))
	require.Equal(t, 200, status, res)
	require.Equal(t, []string{"A-0000002", "A-0000004"}, doubtful())

	// On the page: without a reason nothing is stored; measured again, a panel is in doubt no longer.
	tamm := s.browser("tamm")
	_, text = s.page(tamm, "/gauge/CG-1/doubt")
	says(t, text, "Two measurements of CG-1 are in doubt until somebody decides.")
	says(t, text, "far inside the limits")
	form := url.Values{"from": {from}, "decision": {"remeasure"}, "reason": {""}}
	status, _, text = s.submit(tamm, "/gauge/CG-1/doubt", form)
	require.Equal(t, 422, status)
	says(t, text, "Say why")
	form.Set("reason", "the error is near the limit")
	status, _, text = s.submit(tamm, "/gauge/CG-1/doubt", form)
	require.Equal(t, 200, status)
	says(t, text, "To be measured again")
	send(panel(2, 1107.6).with("measured_at", at(50).Format(time.RFC3339Nano)).with("sequence", 2000).with("purpose", "recheck"))
	require.NotContains(t, doubtful(), "A-0000002")
}
