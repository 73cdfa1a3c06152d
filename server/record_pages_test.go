package server_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/store"
)

// form posts a form as a signed-in person and returns where it ended and the page.
func (s *service) form(c *http.Client, path string, fields url.Values) (int, string, string) {
	s.t.Helper()
	res, err := c.PostForm(s.URL+path, fields)
	require.NoError(s.t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, res.Request.URL.RequestURI(), string(body)
}

// shifted fills the press with panels, the last ten of mould 2 far too tight, and waits for the signal on the hand-made chart.
func shifted(t *testing.T) (*service, store.Signal) {
	s := start(t)
	var lines []string
	rng := rand.New(rand.NewPCG(3, 4))
	for n := range 120 {
		r := 1107.5 + 0.2*rng.NormFloat64()
		if n >= 90 && n%3 == 1 {
			r -= 3
		}
		lines = append(lines, panel(n, r).json())
	}
	for _, r := range s.stream(lines...) {
		require.Equal(t, "stored", r["status"], r)
	}
	var found store.Signal
	s.eventually("the signal", func() bool {
		list, err := s.store.Signals(context.Background(), "north", store.SignalFilter{Chart: "A-radius"})
		require.NoError(t, err)
		for _, g := range list {
			if g.Stream == "mould:2" && g.Words == "beyond lower limit" {
				found = g
				return true
			}
		}
		return false
	})
	return s, found
}

func TestChartPage(t *testing.T) {
	s, g := shifted(t)
	c := s.browser("okafor")
	path := "/charts/A-radius?stream=mould%3A2"
	status, page := s.page(c, path)
	require.Equal(t, 200, status)
	require.Contains(t, page, "Mould 2 on press A has been beyond the lower limit")
	require.Contains(t, page, "provisional from 20 panels")
	require.Contains(t, page, "/signals/"+g.ID)
	require.Contains(t, page, "/panels/A/A-0000091")

	// A chosen time is kept in the fields; one that cannot be read is named and nothing is lost.
	_, page = s.page(c, path+"&from=2026-03-02+08:00&to=2026-03-02+08:05")
	require.Contains(t, page, `value="2026-03-02 08:00"`)
	status, page = s.page(c, path+"&from=yesterday")
	require.Equal(t, 200, status)
	require.Contains(t, page, "“yesterday” is not a plant time")
	status, page = s.page(c, path+"&from=2026-02-20&to=2026-03-03")
	require.Equal(t, 200, status)
	require.Contains(t, page, "columns stand for panels")
	status, _ = s.page(c, "/charts/none")
	require.Equal(t, 404, status)
	status, _ = s.page(c, "/charts/A-radius?stream=mould%3A12")
	require.Equal(t, 404, status)

	// The file has the same points, in full precision.
	status, file := s.page(c, "/charts/A-radius.csv?stream=mould%3A2&from=2026-03-02+08:00&to=2026-03-02+09:00")
	require.Equal(t, 200, status)
	rows, err := csv.NewReader(strings.NewReader(file)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 1+40)
	points := s.get("/api/v1/charts/A-radius/points?stream=mould:2&from=2026-03-02T06:00:00Z&to=2026-03-02T07:00:00Z")["points"].([]any)
	require.Len(t, points, 40)
	require.Equal(t, fmt.Sprint(points[0].(map[string]any)["panel"]), rows[1][3])
	status, _ = s.page(c, "/charts/A-radius.csv?from=2025-03-02&to=2026-03-02")
	require.Equal(t, 422, status)
}

func TestLimitsFromThePage(t *testing.T) {
	s, _ := shifted(t)
	ctx := context.Background()
	good := url.Values{"shown": {"mould:2"}, "stream": {"mould:2"}, "how": {"baseline"}, "baseline_from": {"2026-03-02 08:00"}, "baseline_to": {"2026-03-02 08:14"}, "reason": {"steady then"}}

	viewer := s.browser("lind")
	_, page := s.page(viewer, "/charts/A-radius")
	require.NotContains(t, page, "Freeze the limits")
	status, _, _ := s.form(viewer, "/charts/A-radius/limits", good)
	require.Equal(t, 403, status)

	c := s.browser("okafor")
	for name, change := range map[string][2]string{"no reason": {"reason", ""}, "no baseline": {"baseline_to", ""}, "no time": {"baseline_from", "noon"}, "turned round": {"baseline_to", "2026-03-02 07:00"}} {
		t.Run(name, func(t *testing.T) {
			bad := url.Values{}
			for k, v := range good {
				bad[k] = v
			}
			bad.Set(change[0], change[1])
			status, _, page := s.form(c, "/charts/A-radius/limits", bad)
			require.Equal(t, 422, status)
			require.Contains(t, page, "The limits are not changed yet")
			require.Contains(t, page, `id="trouble"`)
		})
	}
	given := url.Values{"shown": {"mould:2"}, "stream": {"mould:2"}, "how": {"given"}, "lower": {"1110"}, "upper": {"1100"}, "reason": {"x"}}
	status, _, page = s.form(c, "/charts/A-radius/limits", given)
	require.Equal(t, 422, status)
	require.Contains(t, page, "must rise in this order")
	none, err := s.store.PostedLimits(ctx, "north", "A-radius")
	require.NoError(t, err)
	require.Empty(t, none, "nothing is half stored")

	status, where, _ := s.form(c, "/charts/A-radius/limits", good)
	require.Equal(t, 200, status)
	require.Equal(t, "/charts/A-radius?stream=mould%3A2", where)
	posted, err := s.store.PostedLimits(ctx, "north", "A-radius")
	require.NoError(t, err)
	require.Len(t, posted, 1)
	require.Equal(t, "okafor", posted[0].By)
	require.Equal(t, origin, posted[0].BaselineFrom.UTC(), "plant time is two hours ahead of UTC")
}

func TestPanelPage(t *testing.T) {
	s := start(t)
	require.Equal(t, 200, first(s.post(panel(1, 1107.4))))
	wrong := panel(1, 1107.4).with("readings", radial(1107.9, 0.003, rand.New(rand.NewPCG(1, 1))))
	require.Equal(t, 409, first(s.post(wrong)))
	c := s.browser("tamm")
	status, page := s.page(c, "/panels/A/A-0000001")
	require.Equal(t, 200, status)
	for _, want := range []string{"Panel A-0000001 conforms", "proven inside", "Farthest from the contour", "ISO 14253-1:2017", "NPL Report DITC 140/89", "waits", "Void this measurement"} {
		require.Contains(t, page, want)
	}
	status, _ = s.page(c, "/panels/A/A-9999999")
	require.Equal(t, 404, status)
	status, page = s.page(c, "/panels?press=A&serial=A-00000&verdict=conforms")
	require.Equal(t, 200, status)
	require.Contains(t, page, `href="/panels/A/A-0000001"`)
	_, page = s.page(c, "/panels?verdict=undecided")
	require.Contains(t, page, "No panel fits.")
	_, page = s.page(c, "/panels?from=soon")
	require.Contains(t, page, "“soon” is not a plant time")
}

func first(status int, _ map[string]any) int { return status }

func TestSignalPage(t *testing.T) {
	s, g := shifted(t)
	path := "/signals/" + g.ID
	viewer := s.browser("lind")
	status, page := s.page(viewer, path)
	require.Equal(t, 200, status)
	require.Contains(t, page, "Mould 2 on press A: radius of curvature beyond the lower limit since")
	require.Contains(t, page, "Caution: crushing, burns and cuts.")
	require.NotContains(t, page, "Acknowledge as")
	status, _, _ = s.form(viewer, path+"/acknowledge", url.Values{"note": {"x"}})
	require.Equal(t, 403, status)

	c := s.browser("tamm")
	status, page = s.page(c, "/signals")
	require.Equal(t, 200, status)
	require.Contains(t, page, path)
	status, where, page := s.form(c, path+"/acknowledge", url.Values{"note": {"looking at the cooling air"}})
	require.Equal(t, 200, status)
	require.Equal(t, path, where)
	require.Contains(t, page, "looking at the cooling air")
	status, _, page = s.form(c, path+"/close", url.Values{"note": {" "}})
	require.Equal(t, 422, status)
	require.Contains(t, page, "The signal is not closed yet")
	status, _, page = s.form(c, path+"/close", url.Values{"cause": {"mould-cooling"}, "action": {"cooling"}, "note": {"valve stuck, replaced"}})
	require.Equal(t, 200, status)
	require.Contains(t, page, "cause: Cooling of one mould blocked or set wrong")
	require.Contains(t, page, "valve stuck, replaced")
	require.NotContains(t, page, "Close as")
	now, err := s.store.Signal(context.Background(), "north", g.ID)
	require.NoError(t, err)
	require.Equal(t, store.SignalClosed, now.State)
	status, _, _ = s.form(c, path+"/acknowledge", nil)
	require.Equal(t, 409, status, "a closed signal cannot be acknowledged")
	status, _ = s.page(c, "/signals/none")
	require.Equal(t, 404, status)
}

func TestConflictFromThePage(t *testing.T) {
	s := start(t)
	require.Equal(t, 200, first(s.post(panel(1, 1107.4))))
	require.Equal(t, 409, first(s.post(panel(1, 1107.4).with("mould", "3"))))
	list, err := s.store.Conflicts(context.Background(), "north", true)
	require.NoError(t, err)
	require.Len(t, list, 1)
	action := fmt.Sprintf("/setup/conflicts/%d", list[0].ID)

	status, page := s.page(s.browser("tamm"), "/setup")
	require.Equal(t, 200, status)
	require.Contains(t, page, "An engineer decides.")
	require.Contains(t, page, "gauge computer")
	require.NotContains(t, page, s.token, "a token is never shown")
	status, _, _ = s.form(s.browser("tamm"), action, url.Values{"resolution": {store.Drop}, "reason": {"x"}})
	require.Equal(t, 403, status)

	c := s.browser("okafor")
	status, _, page = s.form(c, action, url.Values{"reason": {"typed twice"}})
	require.Equal(t, 422, status)
	require.Contains(t, page, "Nothing is decided yet")
	require.Contains(t, page, "typed twice", "what was typed stays")
	status, _, _ = s.form(c, action, url.Values{"resolution": {store.AcceptAsNewSeries}, "reason": {"another panel"}})
	require.Equal(t, 200, status)
	require.Equal(t, 2, s.stored())
	list, err = s.store.Conflicts(context.Background(), "north", true)
	require.NoError(t, err)
	require.Empty(t, list)
}
