package server_test

import (
	"encoding/csv"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func (s *service) sendJSON(method, path, body string) (int, map[string]any) {
	s.t.Helper()
	status, _, text := s.send(method, path, "application/json", body)
	return status, object(s.t, text)
}

// The way from a signal to its closing: the engineer edits a plan, it is begun, worked through by several, and a later edit does not
// touch it; the signal is closed with cause and action, and the Pareto counts it.
func TestFromThePlanToThePareto(t *testing.T) {
	s, g := shifted(t)
	path, api := "/signals/"+g.ID, "/api/v1/signals/"+g.ID
	engineer, supervisor, technician, viewer := s.browser("okafor"), s.browser("tamm"), s.browser("sorby"), s.browser("lind")

	// The list is everybody's to read and the engineer's to change.
	status, text := s.page(viewer, "/setup/causes")
	require.Equal(t, 200, status)
	require.Contains(t, text, "Cooling of one mould blocked or set wrong")
	require.NotContains(t, text, "Add a cause")
	status, text = s.page(viewer, "/setup/causes/mould-cooling")
	require.Equal(t, 200, status)
	require.Contains(t, text, "authorised people only")
	require.NotContains(t, text, "Save the cause")
	edit := url.Values{"name": {"Cooling of a mould"}, "plan": {"Look at the air.\r\n\r\nCall the mould shop."}, "kind": {"glass"}, "extents": {"one-stream"}, "changes": {"step"}, "characteristics": {"radius_mm"}, "reason": {"our own words"}}
	status, _, _ = s.form(supervisor, "/setup/causes/mould-cooling", edit)
	require.Equal(t, 403, status)
	for name, bad := range map[string][2]string{"reason": {"reason", ""}, "plan": {"plan", " \n"}, "extents": {"extents", "one-mould"}, "name": {"name", "Cause not found"}} {
		wrong := url.Values{}
		for k, v := range edit {
			wrong[k] = v
		}
		wrong.Set(bad[0], bad[1])
		status, _, text = s.form(engineer, "/setup/causes/mould-cooling", wrong)
		require.Equal(t, 422, status, name)
		require.Contains(t, text, "Nothing is changed yet", name)
		require.Contains(t, text, `href="#`+bad[0]+`"`, name)
	}
	status, where, text := s.form(engineer, "/setup/causes/mould-cooling", edit)
	require.Equal(t, 200, status)
	require.Equal(t, "/setup/causes", where)
	require.Contains(t, text, "Cooling of a mould")
	revisions := s.get("/api/v1/causes/mould-cooling")["revisions"].([]any)
	require.Len(t, revisions, 1)
	require.Equal(t, "okafor", revisions[0].(map[string]any)["by"])

	// Nobody has begun a plan; what fits stands first.
	_, text = s.page(supervisor, path)
	require.Contains(t, text, "No plan has been begun yet.")
	require.Contains(t, text, "no permission")
	require.Less(t, strings.Index(text, `value="mould-cooling"`), strings.Index(text, `value="probe"`))
	_, text = s.page(viewer, path)
	require.NotContains(t, text, "Begin this plan")
	status, _, _ = s.form(viewer, path+"/plans", url.Values{"cause": {"mould-cooling"}})
	require.Equal(t, 403, status)
	status, _, text = s.form(supervisor, path+"/plans", url.Values{"cause": {"mould-cooling"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "0 of two steps done")
	status, _, _ = s.form(supervisor, path+"/plans", url.Values{"cause": {"mould-cooling"}})
	require.Equal(t, 409, status)
	status, _, _ = s.form(supervisor, path+"/plans", url.Values{"cause": {"nowhere"}})
	require.Equal(t, 422, status)

	// The plan is revised meanwhile: the one that was begun stays as it was.
	edit.Set("plan", "Only one step now.")
	status, _, _ = s.form(engineer, "/setup/causes/mould-cooling", edit)
	require.Equal(t, 200, status)
	status, _, text = s.form(technician, path+"/steps", url.Values{"step": {"mould-cooling 1 done"}, "note": {"valve shut"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "Look at the air.")
	require.NotContains(t, text, "Only one step now.")
	require.Contains(t, text, "sorby: valve shut")
	require.Contains(t, text, "1 of two steps done")
	status, _, _ = s.form(supervisor, path+"/steps", url.Values{"step": {"mould-cooling 1 done"}})
	require.Equal(t, 409, status, "somebody has done so")
	status, _, text = s.form(supervisor, path+"/steps", url.Values{"step": {"mould-cooling 1 back"}, "note": {"another mould"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "step 1 taken back, by tamm: another mould")
	status, _, _ = s.form(viewer, path+"/steps", url.Values{"step": {"mould-cooling 1 done"}})
	require.Equal(t, 403, status)

	// The same by the machine interface.
	status, out := s.sendJSON("POST", api+"/plans/mould-cooling/steps", `{"step": 2}`)
	require.Equal(t, 200, status, out)
	plan := out["plans"].([]any)[0].(map[string]any)
	require.InDelta(t, 1, plan["done"], 0)
	require.InDelta(t, 1, plan["revision"], 0)
	require.Len(t, plan["log"], 3)
	require.Equal(t, "gauge computer", plan["steps"].([]any)[1].(map[string]any)["by"])
	for body, want := range map[string]int{`{"step": 3}`: 422, `{"step": 2}`: 409, `{"step": 1, "done": false}`: 409, `{"pace": 1}`: 400} {
		status, _ = s.sendJSON("POST", api+"/plans/mould-cooling/steps", body)
		require.Equal(t, want, status, body)
	}
	status, _ = s.sendJSON("POST", api+"/plans/gob/steps", `{"step": 1}`)
	require.Equal(t, 404, status)
	status, out = s.sendJSON("POST", api+"/plans", `{"cause": "probe stuck, loose or drifting"}`)
	require.Equal(t, 200, status, out)
	require.Len(t, out["plans"], 2)

	// Closing.
	status, _, text = s.form(supervisor, path+"/close", url.Values{"note": {"it was the valve"}})
	require.Equal(t, 422, status)
	require.Contains(t, text, "The signal is not closed yet")
	require.Contains(t, text, "it was the valve", "what was typed stays")
	require.Contains(t, text, `href="#action"`)
	status, _, text = s.form(supervisor, path+"/close", url.Values{"cause": {"mould-cooling"}, "action": {"cooling"}, "note": {"it was the valve"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "cause: Cooling of a mould")
	require.NotContains(t, text, "Begin this plan")
	status, _, _ = s.form(supervisor, path+"/steps", url.Values{"step": {"mould-cooling 1 done"}})
	require.Equal(t, 409, status)
	log := s.get(api)["log"].([]any)
	last := log[len(log)-1].(map[string]any)
	require.Equal(t, []any{"mould-cooling", "cooling", "Cooling cleaned or set right"}, []any{last["cause_id"], last["action_id"], last["action"]})

	// The Pareto, in every form, and only where it belongs.
	status, text = s.page(viewer, "/pareto?press=A")
	require.Equal(t, 200, status)
	require.Contains(t, text, "Not enough yet: one signal closed")
	require.Contains(t, text, "Cooling of a mould")
	require.Contains(t, text, "No counts of visual defects came")
	_, text = s.page(viewer, "/pareto?mould=1")
	require.Contains(t, text, "No signal was closed in this time")
	status, text = s.page(viewer, "/pareto?from=yesterday")
	require.Equal(t, 422, status)
	require.Contains(t, text, "“yesterday” is not a plant time")
	_, file := s.page(viewer, "/pareto/causes.csv?product=P25&mould=2")
	rows, err := csv.NewReader(strings.NewReader(file)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 2)
	require.Equal(t, []string{"mould-cooling", "Cooling of a mould", "1"}, rows[1][:3])
	causes := s.get("/api/v1/pareto/causes?by=hours")
	require.Equal(t, false, causes["enough"])
	require.Equal(t, "mould-cooling", causes["causes"].([]any)[0].(map[string]any)["cause"])
	status, _, _ = s.send("GET", "/api/v1/pareto/causes?by=weight", "", "")
	require.Equal(t, 422, status)

	// A retired cause is offered no more and stays readable.
	edit.Set("retired", "true")
	status, _, _ = s.form(engineer, "/setup/causes/mould-cooling", edit)
	require.Equal(t, 200, status)
	require.Equal(t, "Cooling of a mould", s.get("/api/v1/pareto/causes")["causes"].([]any)[0].(map[string]any)["name"])
}

// What a machine closes a signal with: an id, a name, or its own words; never nothing.
func TestClosingByMachine(t *testing.T) {
	s, g := shifted(t)
	api := "/api/v1/signals/" + g.ID + "/close"
	for body, want := range map[string]string{`{"note": "x"}`: "use one of heat-all-moulds, mould-cooling", `{"cause": "gob"}`: "The action is missing; use one of cooling", `{"cause": " ", "action": "gob"}`: "The cause is missing"} {
		status, out := s.sendJSON("POST", api, body)
		require.Equal(t, 422, status, body)
		require.Contains(t, out["detail"], want)
	}
	status, out := s.sendJSON("POST", api, `{"cause": "a bird in the works", "action": "Mould CHANGED", "note": "it flew off"}`)
	require.Equal(t, 200, status, out)
	require.Equal(t, "closed", out["state"])
	log := s.get("/api/v1/signals/" + g.ID)["log"].([]any)
	last := log[len(log)-1].(map[string]any)
	require.Equal(t, []any{"other", "a bird in the works", "mould-changed", "Mould changed"}, []any{last["cause_id"], last["cause"], last["action_id"], last["action"]})
	rows := s.get("/api/v1/pareto/causes")["causes"].([]any)
	require.Equal(t, "other", rows[0].(map[string]any)["cause"])
	require.Equal(t, []any{"a bird in the works"}, rows[0].(map[string]any)["words"])
}

// The lists by the machine interface: what comes with the program is revision 0, a change is revision 1, and a new entry is added.
func TestCausesByMachine(t *testing.T) {
	s := start(t)
	all := s.get("/api/v1/causes")["causes"].([]any)
	require.Greater(t, len(all), 10)
	require.InDelta(t, 0, all[0].(map[string]any)["revision"], 0)
	require.InDelta(t, 0, s.get("/api/v1/actions/probe")["revisions"].([]any)[0].(map[string]any)["revision"], 0)
	status, out := s.sendJSON("PUT", "/api/v1/causes/bird?reason=seen", `{"id": "bird", "name": "A bird", "plan": ["Open a window."]}`)
	require.Equal(t, 200, status, out)
	status, _ = s.sendJSON("PUT", "/api/v1/causes/bird?reason=seen", `{"id": "bird", "name": "A bird", "plan": []}`)
	require.Equal(t, 422, status)
	require.Len(t, s.get("/api/v1/causes")["causes"], len(all)+1)
	status, _, _ = s.send("GET", "/api/v1/causes/dragon", "", "")
	require.Equal(t, 404, status)
	status, _, text := s.form(s.browser("okafor"), "/setup/new-action", url.Values{"id": {"window"}, "name": {"Window opened"}, "reason": {"birds"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "Window opened")
	status, _, text = s.form(s.browser("okafor"), "/setup/new-action", url.Values{"id": {"window"}, "name": {"Window shut"}, "reason": {"birds"}})
	require.Equal(t, 422, status)
	require.Contains(t, text, "is taken already")
	status, _ = s.page(s.browser("tamm"), "/setup/new-cause")
	require.Equal(t, 403, status)
}

// Visual findings, ranked by kind: pieces and defects apart.
func TestParetoOfDefects(t *testing.T) {
	s := start(t)
	for n, counts := range []string{`{"blister": {"nonconforming": 2, "inspected": 50}, "scratch": {"nonconforming": 5, "inspected": 50}}`, `{"blister": {"nonconforming": 20, "inspected": 50}, "stone": {"defects": 3, "units": 10}}`} {
		m := panel(n+1, 1107.4).json()
		m = strings.TrimSuffix(m, "}") + `, "counts": ` + counts + "}"
		status, out := s.sendJSON("POST", "/api/v1/measurements", m)
		require.Equal(t, 200, status, out)
	}
	out := s.get("/api/v1/pareto/defects?press=A")
	rows := out["nonconforming"].([]any)
	require.Len(t, rows, 2)
	require.Equal(t, "blister", rows[0].(map[string]any)["defect"])
	require.InDelta(t, 22, rows[0].(map[string]any)["found"], 0)
	require.InDelta(t, 100, rows[0].(map[string]any)["of"], 0)
	require.InDelta(t, 22.0/27, rows[0].(map[string]any)["share"], 1e-15)
	require.InDelta(t, 1, rows[1].(map[string]any)["cumulative_share"], 1e-15)
	require.Len(t, out["defects"], 1)
	_, text := s.page(s.browser("lind"), "/pareto")
	require.Contains(t, text, "of 27 pieces rejected")
	require.Contains(t, text, "Not enough yet: three findings")
	req, err := http.NewRequest("GET", s.URL+"/api/v1/pareto/defects?mould=none", nil)
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+s.token)
	req.Header.Set("Accept", "text/csv")
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	rowsCSV, err := csv.NewReader(res.Body).ReadAll()
	require.NoError(t, err)
	require.Len(t, rowsCSV, 1, "the head alone")
}
