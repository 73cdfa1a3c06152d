package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// client speaks to the service as a gauge's computer does.
type client struct {
	url, token string
	http       *http.Client
	seen       func(*answer) // of a stream: each kept measurement's answer; nil: nobody looks
}

func newClient(url, token string) *client {
	return &client{url: url, token: token, http: &http.Client{Transport: &http.Transport{
		DialContext:         (&net.Dialer{Timeout: 5 * time.Second}).DialContext,
		MaxIdleConnsPerHost: 64, IdleConnTimeout: time.Minute, ResponseHeaderTimeout: time.Minute}}}
}

// refusal is an answer that sending again would not change.
type refusal struct {
	status int
	detail string
}

func (r *refusal) Error() string { return fmt.Sprintf("refused (%d): %s", r.status, r.detail) }

// busy is an answer that asks to come again.
type busy struct {
	status int
	after  time.Duration
}

func (b *busy) Error() string { return fmt.Sprintf("the service is not ready (%d)", b.status) }

// do sends one request; the caller closes the body of an answer without error.
func (c *client) do(ctx context.Context, method, path, media string, body io.Reader) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, c.url+path, body)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Authorization", "Bearer "+c.token)
	if media != "" {
		req.Header.Set("Content-Type", media)
	}
	res, err := c.http.Do(req)
	if err != nil || res.StatusCode == http.StatusOK {
		return res, err
	}
	defer res.Body.Close()
	if res.StatusCode == http.StatusTooManyRequests || res.StatusCode >= 500 {
		seconds, err := strconv.Atoi(res.Header.Get("Retry-After"))
		if err != nil {
			seconds = 0
		}
		return nil, &busy{res.StatusCode, time.Duration(seconds) * time.Second}
	}
	var problem struct{ Detail string }
	text, err := io.ReadAll(io.LimitReader(res.Body, 64<<10))
	if err != nil || json.Unmarshal(text, &problem) != nil || problem.Detail == "" {
		problem.Detail = string(text)
	}
	return nil, &refusal{res.StatusCode, problem.Detail}
}

// patience waits ever longer between attempts, at most two seconds unless the service asks for more; false when it is
// time to stop.
type patience struct{ wait time.Duration }

func (p *patience) sleep(ctx context.Context, cause error) bool {
	p.wait = min(max(2*p.wait, 50*time.Millisecond), 2*time.Second)
	wait := p.wait
	var b *busy
	if errors.As(cause, &b) {
		wait = max(wait, b.after)
	}
	select {
	case <-ctx.Done():
		return false
	case <-time.After(wait):
		return true
	}
}

// post sends one measurement until it is answered: kept, there already, or refused for good (*refusal). What fails for
// now (429, 5xx, a broken connection) is sent again, so that nothing is lost and nothing overtakes.
func (c *client) post(ctx context.Context, m *measurement) error {
	line := m.line()
	for p := (patience{}); ; {
		res, err := c.do(ctx, http.MethodPost, "/api/v1/measurements", "application/json", bytes.NewReader(line))
		if err == nil {
			_, err = io.Copy(io.Discard, res.Body)
			if res.Body.Close(); err == nil {
				return nil
			}
		}
		var r *refusal
		if errors.As(err, &r) {
			return err
		}
		if !p.sleep(ctx, err) {
			return context.Cause(ctx)
		}
	}
}

// tally counts answers.
type tally struct {
	stored, duplicates, refused int
	first                       string // what the first refusal said
}

func (t *tally) refuse(detail string) {
	if t.refused++; t.first == "" {
		t.first = detail
	}
}

func (t tally) String() string {
	s := fmt.Sprintf("%d stored, %d there already, %d refused", t.stored, t.duplicates, t.refused)
	if t.refused > 0 {
		s += " (the first: " + t.first + ")"
	}
	return s
}

// answer is one result line of the service.
type answer struct {
	Status   string
	Line     int
	Panel    string
	RadiusMM *float64 `json:"radius_mm"`
	Reasons  []string
	Suspects []int `json:"suspect_places"`
	Problem  *struct {
		Status int
		Detail string
	}
}

// stream sends many measurements in one request, whose length the service is told for its progress bar. After a fault it
// goes on behind the last one that was answered.
func (c *client) stream(ctx context.Context, lines [][]byte) (tally, error) {
	var t tally
	for p := (patience{}); len(lines) > 0; {
		answered, again, err := c.streamOnce(ctx, lines, &t)
		if answered > 0 {
			p.wait = 0
		}
		lines = append(again, lines[answered:]...)
		var r *refusal
		if errors.As(err, &r) {
			return t, err
		}
		if len(lines) > 0 && !p.sleep(ctx, err) {
			return t, context.Cause(ctx)
		}
	}
	return t, nil
}

// streamOnce tells how many lines were answered and which of them must be sent again.
func (c *client) streamOnce(ctx context.Context, lines [][]byte, t *tally) (answered int, again [][]byte, err error) {
	path := "/api/v1/measurements?" + url.Values{"expect": {strconv.Itoa(len(lines))}}.Encode()
	res, err := c.do(ctx, http.MethodPost, path, "application/x-ndjson", bytes.NewReader(bytes.Join(lines, nil)))
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	for dec := json.NewDecoder(res.Body); answered < len(lines); {
		var a answer
		if err := dec.Decode(&a); err != nil {
			return answered, again, err
		}
		switch {
		case a.Status == "stored":
			t.stored++
		case a.Status == "duplicate":
			t.duplicates++
		case a.Problem != nil && (a.Problem.Status == http.StatusTooManyRequests || a.Problem.Status >= 500):
			again = append(again, lines[answered])
		case a.Problem != nil:
			t.refuse(a.Problem.Detail)
		default:
			t.refuse("an answer without a reason")
		}
		if c.seen != nil && (a.Status == "stored" || a.Status == "duplicate") {
			c.seen(&a)
		}
		answered++
	}
	return answered, again, nil
}

// get reads JSON; what fails for now is asked for again.
func (c *client) get(ctx context.Context, path string, into any) error {
	for p := (patience{}); ; {
		res, err := c.do(ctx, http.MethodGet, path, "", nil)
		if err == nil {
			err = json.NewDecoder(res.Body).Decode(into)
			if res.Body.Close(); err == nil {
				return nil
			}
		}
		var r *refusal
		if errors.As(err, &r) {
			return err
		}
		if !p.sleep(ctx, err) {
			return context.Cause(ctx)
		}
	}
}

// stored is one measurement as the service lists it.
type stored struct {
	Gauge      string    `json:"gauge"`
	Panel      string    `json:"panel"`
	Purpose    string    `json:"purpose"`
	MeasuredAt time.Time `json:"measured_at"`
	LineAt     time.Time `json:"line_at"`
}

func (m *stored) key() string { return keyOf(m.Gauge, m.Panel, m.Purpose, m.MeasuredAt) }

// keyOf names what was measured, whichever release of this program worked the readings out. A master comes round under
// the same serial; its time tells.
func keyOf(gauge, panel, purpose string, at time.Time) string {
	switch purpose {
	case "", "production":
		return gauge + " " + panel
	case "master":
		panel = at.UTC().Format(time.RFC3339Nano)
	}
	return gauge + " " + panel + " " + purpose
}

// since lists what a gauge has measured of panels pressed at t or later.
func (c *client) since(ctx context.Context, gauge string, t time.Time) ([]stored, error) {
	q := url.Values{"gauge": {gauge}, "limit": {"10000"}, "from": {t.UTC().Format(time.RFC3339Nano)}}
	var list struct{ Measurements []stored }
	err := c.get(ctx, "/api/v1/measurements?"+q.Encode(), &list)
	return list.Measurements, err
}

// firstFrom finds the earliest measurement of a gauge's press pressed at t or later; false when there is none.
func (c *client) firstFrom(ctx context.Context, press, gauge string, t time.Time) (stored, bool, error) {
	q := url.Values{"press": {press}, "gauge": {gauge}, "limit": {"1"}}
	if !t.IsZero() {
		q.Set("from", t.UTC().Format(time.RFC3339Nano))
	}
	var list struct{ Measurements []stored }
	if err := c.get(ctx, "/api/v1/measurements?"+q.Encode(), &list); err != nil {
		return stored{}, false, err
	}
	if len(list.Measurements) == 0 {
		return stored{}, false, nil
	}
	return list.Measurements[0], true, nil
}

// lastBetween finds when the last measurement in a time was pressed, to a takt or so; false when there is none. The
// service lists forwards only, so what lies behind the last one known is halved until it is short.
func (c *client) lastBetween(ctx context.Context, press, gauge string, from, to time.Time) (time.Time, bool, error) {
	m, ok, err := c.firstFrom(ctx, press, gauge, from)
	if err != nil || !ok {
		return time.Time{}, false, err
	}
	last := m.LineAt
	for to.Sub(last) > 15*time.Second {
		middle := last.Add(to.Sub(last) / 2)
		if m, ok, err = c.firstFrom(ctx, press, gauge, middle); err != nil {
			return time.Time{}, false, err
		}
		if ok {
			last = m.LineAt
		} else {
			to = middle
		}
	}
	return last, true, nil
}
