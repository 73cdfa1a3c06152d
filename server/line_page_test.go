package server_test

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/store"
)

// submit posts a form and returns the status, the address in the end and the text.
func (s *service) submit(c *http.Client, path string, form url.Values) (int, string, string) {
	s.t.Helper()
	res, err := c.PostForm(s.URL+path, form)
	require.NoError(s.t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, res.Request.URL.RequestURI(), string(body)
}

func TestTheBoardFollowsThePlant(t *testing.T) {
	s := start(t)
	tamm := s.browser("tamm")
	status, text := s.page(tamm, "/")
	require.Equal(t, 200, status)
	says(t, text, "Nothing has been measured yet.")

	var lines []string
	for n := range 700 {
		r := 1107.5 + 0.05*float64(n%7)
		if n >= 660 && n%3 == 1 {
			r -= 3
		}
		lines = append(lines, panel(n, r).json())
	}
	s.stream(lines...)
	s.eventually("the shifted mould is on the board", func() bool {
		_, text = s.page(tamm, "/")
		return strings.Contains(text, "Mould 2 on press A lies below its lower limit of radius since")
	})
	says(t, text, `href="/signals/`)
	says(t, text, "product P25")
	says(t, text, "limits provisional since")
	says(t, text, "CG-1 needs its master panel: it was never checked")
	says(t, text, `sse-connect="/live"`)
	says(t, text, `data-testid="chart-cycles-A-wide"`)

	_, text = s.page(tamm, "/gauge")
	says(t, text, `href="/gauge/CG-1"`)
}

func TestTheGaugePageShowsTheLatestOrTheScannedPanel(t *testing.T) {
	s := start(t)
	sorby := s.browser("sorby")
	_, text := s.page(sorby, "/gauge/CG-1")
	says(t, text, "No panel yet")
	s.post(panel(1, 1107.6))
	s.post(panel(2, 1120))
	_, text = s.page(sorby, "/gauge/CG-1")
	says(t, text, "Does not conform")
	says(t, text, "Set the panel aside and tell the supervisor.")
	says(t, text, `sse-connect="/live?gauge=CG-1"`)
	_, text = s.page(sorby, "/gauge/CG-1?panel=A-0000001")
	says(t, text, "Conforms")
	says(t, text, "Not the latest; that is")
	_, text = s.page(sorby, "/gauge/CG-1?panel=A-%3Cb%3E")
	says(t, text, "Panel A-&lt;b&gt; has not been measured on CG-1.")
	status, _ := s.page(sorby, "/gauge/CG-9")
	require.Equal(t, 404, status)
}

// typed is the form of a panel as a person fills it in.
func typed(serial string, at time.Time) url.Values {
	form := url.Values{"panel": {serial}, "press": {"A"}, "product": {"P25"}, "mould": {"2"}, "purpose": {"production"}, "measured_at": {at.Format("2006-01-02 15:04:05")}}
	for i, v := range radial(1107.6, 0, still) {
		form.Set("r"+strconv.Itoa(i+1), strings.Replace(fmt.Sprint(v), ".", ",", 1))
	}
	return form
}

func TestKeyedReadingsGoTheWayOfAnyOther(t *testing.T) {
	s := start(t)
	sorby := s.browser("sorby")
	zone, err := time.LoadLocation("Europe/Tallinn")
	require.NoError(t, err)
	at := time.Now().Add(-time.Hour).In(zone).Truncate(time.Second)
	form := typed("A-77", at)

	status, where, text := s.submit(sorby, "/gauge/CG-1/key-in", form)
	require.Equal(t, 200, status, text)
	require.Equal(t, "/gauge/CG-1?panel=A-77&stored=new", where)
	says(t, text, "The readings of panel A-77 are stored.")
	says(t, text, "Conforms")
	rows, err := s.store.Panel(context.Background(), "north", "A", "A-77")
	require.NoError(t, err)
	require.Len(t, rows, 1)
	require.Equal(t, "sorby", rows[0].Source)
	require.True(t, rows[0].MeasuredAt.Equal(at), "typed in plant time")
	require.Equal(t, radial(1107.6, 0, still)[10], rows[0].Readings[10], "a decimal comma is read")

	_, where, _ = s.submit(sorby, "/gauge/CG-1/key-in", form)
	require.Contains(t, where, "stored=already")
	require.Equal(t, 1, s.stored(), "the same once more changes nothing")

	form.Set("r5", "1107,9")
	status, _, text = s.submit(sorby, "/gauge/CG-1/key-in", form)
	require.Equal(t, 409, status)
	says(t, text, "kept as a conflict")
	says(t, text, `value="1107,9"`)
	open, err := s.store.Conflicts(context.Background(), "north", true)
	require.NoError(t, err)
	require.Len(t, open, 1)
}

func TestWhatIsWrongInAFormIsSaidAndKept(t *testing.T) {
	s := start(t)
	sorby := s.browser("sorby")
	at := time.Now().Add(-time.Hour)
	for name, c := range map[string]struct {
		field, value, words, anchor string
	}{
		"a letter":          {"r12", "11o7.4", "is not a number; a letter o for a nought?", "#r12"},
		"outside the range": {"r31", "28.13", "outside the gauge&#39;s range 1090 to 1125", "#r31"},
		"no panel":          {"panel", "", "Scan or type its serial.", "#panel"},
		"unknown mould":     {"mould", "99", "is not on press", "#mould"},
		"hostile":           {"panel", "<script>\x01", "printable characters", "#panel"},
	} {
		form := typed("A-78", at)
		form.Set(c.field, c.value)
		status, _, text := s.submit(sorby, "/gauge/CG-1/key-in", form)
		require.Equal(t, 422, status, name)
		says(t, text, "The readings are not stored", name)
		says(t, text, c.words, name)
		says(t, text, `href="`+c.anchor+`"`, name)
		says(t, text, `aria-invalid="true"`, name)
		require.NotContains(t, text, "<script>\x01", name)
	}
	require.Zero(t, s.stored())
}

func TestOnlyWhoMayKeysCorrectsAndVoids(t *testing.T) {
	s := start(t)
	_, res := s.post(panel(1, 1107.6))
	id := fmt.Sprint(res["id"])
	lind, sorby := s.browser("lind"), s.browser("sorby")
	for _, path := range []string{"/gauge/CG-1/key-in", "/measurements/" + id + "/correct", "/measurements/" + id + "/void"} {
		status, _ := s.page(lind, path)
		require.Equal(t, 403, status, path)
		status, _, _ = s.submit(lind, path, url.Values{"reason": {"because"}})
		require.Equal(t, 403, status, path)
	}
	status, _, _ := s.submit(sorby, "/measurements/"+id+"/void", url.Values{"reason": {"because"}})
	require.Equal(t, 403, status, "a technician does not void")
	_, text := s.page(lind, "/gauge/CG-1")
	require.NotContains(t, text, "key-in")
	require.NotContains(t, text, "/correct")
	require.Equal(t, 1, s.stored())
}

func TestACorrectionKeepsWhatWasNotTouched(t *testing.T) {
	s := start(t)
	_, res := s.post(panel(1, 1107.6).with("measured_at", "2026-03-02T07:30:10.250123Z"))
	id := int64(res["id"].(float64))
	path := fmt.Sprintf("/measurements/%d/correct", id)
	sorby := s.browser("sorby")
	status, text := s.page(sorby, path)
	require.Equal(t, 200, status)
	says(t, text, `value="2026-03-02 09:30:10.250123"`)
	was, err := s.store.Measurement(context.Background(), "north", id)
	require.NoError(t, err)
	form := url.Values{"panel": {was.Panel}, "press": {"A"}, "product": {"P25"}, "mould": {was.Mould}, "purpose": {"production"}, "measured_at": {"2026-03-02 09:30:10.250123"},
		"pressed_at": {was.PressedAt.Add(2 * time.Hour).Format("2006-01-02 15:04:05")}}
	for i, v := range was.Readings {
		form.Set("r"+strconv.Itoa(i+1), strconv.FormatFloat(v, 'f', -1, 64))
	}
	status, _, text = s.submit(sorby, path, form)
	require.Equal(t, 422, status)
	says(t, text, "Reason: there is none")
	form.Set("reason", "typed again")
	status, _, text = s.submit(sorby, path, form)
	require.Equal(t, 422, status)
	says(t, text, "changes nothing")
	form.Set("mould", "3")
	noFollow(sorby)
	status, _, _ = s.submit(sorby, path, form)
	require.Equal(t, 303, status)
	rows, err := s.store.Panel(context.Background(), "north", "A", was.Panel)
	require.NoError(t, err)
	require.Len(t, rows, 2)
	for _, r := range rows {
		if r.State == store.Current {
			require.Equal(t, "3", r.Mould)
			require.Equal(t, was.Readings, r.Readings)
			require.Equal(t, was.MeasuredAt, r.MeasuredAt)
			require.Equal(t, was.Sequence, r.Sequence)
		}
	}
	status, text = s.page(sorby, path)
	require.Equal(t, 409, status)
	says(t, text, "has been corrected already")
}

func TestVoidingNeedsItsReason(t *testing.T) {
	s := start(t)
	_, res := s.post(panel(1, 1107.6))
	path := fmt.Sprintf("/measurements/%d/void", int64(res["id"].(float64)))
	tamm := noFollow(s.browser("tamm"))
	status, text := s.page(tamm, path)
	require.Equal(t, 200, status)
	says(t, text, "The panel has no other measurement of this kind")
	status, _, text = s.submit(tamm, path, url.Values{"reason": {" "}})
	require.Equal(t, 422, status)
	says(t, text, "the reason is missing")
	status, _, _ = s.submit(tamm, path, url.Values{"reason": {"the wrong glass"}})
	require.Equal(t, 303, status)
	row, err := s.store.Measurement(context.Background(), "north", int64(res["id"].(float64)))
	require.NoError(t, err)
	require.Equal(t, store.Voided, row.State)
	status, _ = s.page(tamm, path)
	require.Equal(t, 409, status)
}

// says looks for words in a page, without printing the whole page when they are not there.
func says(t testing.TB, text, words string, of ...any) {
	t.Helper()
	require.True(t, strings.Contains(text, words), "the page does not say %q %v", words, of)
}

// noFollow makes a browser stop at redirects, so that a form is tested without the page that follows it.
func noFollow(c *http.Client) *http.Client {
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return c
}

// still draws no noise into readings that are given none.
var still = rand.New(rand.NewPCG(1, 1))
