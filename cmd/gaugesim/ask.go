package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// signalAnswer is a signal as the service tells it. What it does not say is empty.
type signalAnswer struct {
	ID         string     `json:"id"`
	Gauge      string     `json:"gauge"`
	Chart      string     `json:"chart"`
	Panel      string     `json:"panel"`
	At         time.Time  `json:"at"`
	Streams    []string   `json:"streams"`
	Stream     string     `json:"stream"`
	Kind       string     `json:"kind"`
	Extent     string     `json:"extent"`
	Change     string     `json:"change"`
	BeganAt    *time.Time `json:"began_at"`
	BeganPanel string     `json:"began_panel"`
	EndedAt    *time.Time `json:"ended_at"`
	State      string     `json:"state"`
	Evidence   []struct {
		Stream string    `json:"stream"`
		Panels []string  `json:"panels"`
		At     time.Time `json:"at"`
	} `json:"evidence"`
}

// findings reads all signals of a trial with their panels.
func (c *client) findings(ctx context.Context, t *trial) ([]finding, error) {
	seen := map[string]bool{}
	var out []finding
	for _, of := range []url.Values{{"press": {t.line.press}}, {"gauge": {t.line.gauge.id}}} {
		of.Set("limit", "1000")
		var list struct{ Signals []signalAnswer }
		if err := c.get(ctx, "/api/v1/signals?"+of.Encode(), &list); err != nil {
			return nil, err
		}
		for _, s := range list.Signals {
			if seen[s.ID] {
				continue
			}
			seen[s.ID] = true
			// The list is short for each; the signal alone says all.
			one := s
			if err := c.get(ctx, "/api/v1/signals/"+url.PathEscape(s.ID), &one); err != nil {
				return nil, err
			}
			f := t.finding(&one)
			if !f.withdrawn {
				panels, err := c.atRisk(ctx, s.ID)
				if err != nil {
					return nil, err
				}
				for _, p := range panels {
					if n, ok := t.number(p); ok {
						f.List = append(f.List, n)
					} else {
						f.unlisted++
					}
				}
			}
			out = append(out, f)
		}
	}
	return out, nil
}

// finding puts a signal in the terms of the score.
func (t *trial) finding(s *signalAnswer) finding {
	place := func(panel string, at time.Time, byGauge bool) int {
		if n, ok := t.number(panel); ok {
			return n
		}
		if !byGauge {
			at = at.Add(t.line.lehr)
		}
		return max(0, t.panelAt(at))
	}
	// A gauge's own charts go by when it measured, a press's by when it pressed.
	byGauge := func(panel string) bool { return s.Gauge != "" || panel == t.line.gauge.master }
	chart := strings.TrimPrefix(strings.TrimPrefix(s.Chart, t.line.press+"."+t.line.product+"."), t.line.gauge.id+".")
	f := finding{ID: s.ID, Chart: chart, At: place(s.Panel, s.At, byGauge(s.Panel)), Streams: s.Streams, Kind: s.Kind, Extent: s.Extent, Change: s.Change, Began: -1,
		withdrawn: s.State == "withdrawn"}
	if len(f.Streams) == 0 && s.Stream != "" {
		f.Streams = []string{s.Stream}
	}
	switch {
	case s.BeganPanel != "":
		if n, ok := t.number(s.BeganPanel); ok {
			f.Began = n
		} else if s.BeganAt != nil {
			f.Began = place("", *s.BeganAt, byGauge(s.BeganPanel))
		}
	case s.BeganAt != nil:
		f.Began = place("", *s.BeganAt, byGauge(""))
	}
	if s.EndedAt != nil {
		f.Ended, f.EndedAt = true, place("", *s.EndedAt, byGauge(""))
	}
	for _, e := range s.Evidence {
		for _, p := range e.Panels {
			if n, ok := t.number(p); ok {
				f.Later = append(f.Later, n)
			}
		}
	}
	return f
}

// atRisk lists the serials that a signal puts at risk; none where the service does not say.
func (c *client) atRisk(ctx context.Context, id string) ([]string, error) {
	var out []string
	path := "/api/v1/signals/" + url.PathEscape(id) + "/panels?limit=10000"
	for path != "" {
		next := ""
		err := c.page(ctx, path, func(body io.Reader) error {
			var list struct {
				Panels []json.RawMessage `json:"panels"`
			}
			if err := json.NewDecoder(body).Decode(&list); err != nil {
				return err
			}
			for _, raw := range list.Panels {
				var name string
				if json.Unmarshal(raw, &name) != nil {
					var one struct{ Panel, Serial string }
					if err := json.Unmarshal(raw, &one); err != nil {
						return err
					}
					if name = one.Panel; name == "" {
						name = one.Serial
					}
				}
				if name != "" { // one in the lehr has no serial that the service knows
					out = append(out, name)
				}
			}
			return nil
		}, &next)
		var r *refusal
		if errors.As(err, &r) && (r.status == http.StatusNotFound || r.status == http.StatusMethodNotAllowed) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		path = next
	}
	return out, nil
}

// page reads one answer and finds the next page's path in its Link header; what fails for now is asked for again.
func (c *client) page(ctx context.Context, path string, read func(io.Reader) error, next *string) error {
	for p := (patience{}); ; {
		res, err := c.do(ctx, http.MethodGet, path, "", nil)
		if err == nil {
			link := res.Header.Get("Link")
			err = read(res.Body)
			res.Body.Close()
			if err == nil {
				if a, b := strings.Index(link, "<"), strings.Index(link, ">"); a >= 0 && b > a && strings.Contains(link[b:], `rel="next"`) {
					*next = link[a+1 : b]
				}
			}
			return err
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

// event tells the service what people wrote down.
func (c *client) event(ctx context.Context, e *plantEvent) error {
	body, err := json.Marshal(e)
	if err != nil {
		return err
	}
	for p := (patience{}); ; {
		res, err := c.do(ctx, http.MethodPost, "/api/v1/events", "application/json", strings.NewReader(string(body)))
		if err == nil {
			res.Body.Close()
			return nil
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

// folds reads from the service's metrics how far its charts are: fold -> line time of the last panel, and whether any is
// behind. text is everything of the folds, to see whether anything still moves.
func (c *client) folds(ctx context.Context) (last map[string]float64, behind bool, text string, err error) {
	res, err := c.do(ctx, http.MethodGet, "/metrics", "", nil)
	if err != nil {
		return nil, false, "", err
	}
	defer res.Body.Close()
	last = map[string]float64{}
	var all strings.Builder
	for sc := bufio.NewScanner(res.Body); sc.Scan(); {
		l := sc.Text()
		if !strings.HasPrefix(l, "sagwatch_fold_") {
			continue
		}
		all.WriteString(l)
		all.WriteByte('\n')
		name, rest, ok := strings.Cut(l, `{fold="`)
		fold, value, ok2 := strings.Cut(rest, `"} `)
		if !ok || !ok2 {
			continue
		}
		v, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return nil, false, "", fmt.Errorf("metrics: %q: %w", l, err)
		}
		switch name {
		case "sagwatch_fold_last_panel_timestamp_seconds":
			last[fold] = v
		case "sagwatch_fold_behind":
			behind = behind || v != 0
		}
	}
	return last, behind, all.String(), nil
}
