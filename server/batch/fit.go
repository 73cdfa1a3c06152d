// Package batch does what the command line offers on whole files: fitting and judging without a database, and bringing
// history in.
package batch

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"sagwatch/server/ingest"
	"sagwatch/server/plant"
	"sagwatch/server/setup"
	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/sphere"
)

// Catalogue makes definitions of a set-up file alone, all in force at all times.
func Catalogue(file []byte) (*plant.Catalogue, error) {
	p, err := setup.Read(file)
	if err != nil {
		return nil, err
	}
	none, err := plant.New(nil)
	if err != nil {
		return nil, err
	}
	if err := p.Check(none); err != nil {
		return nil, err
	}
	changes, err := p.Changes("main", none)
	if err != nil {
		return nil, err
	}
	var revisions []plant.Revision
	for _, c := range changes {
		revisions = append(revisions, plant.Revision{Kind: c.Kind, ID: c.ID, Number: 1, Body: c.Body})
	}
	return plant.New(revisions)
}

// ErrRefused says that some of the measurements were refused; each said why on its line.
var ErrRefused = errors.New("some measurements were refused")

// Fit reads measurement objects (one JSON object, a list, {"measurements": [...]} or NDJSON) and writes a result line each:
// the fit and the verdict by the definitions.
func Fit(in io.Reader, out io.Writer, c *plant.Catalogue, now time.Time) error {
	s := ingest.New(ingest.Config{Site: "main", Catalogue: func() *plant.Catalogue { return c }, Now: func() time.Time { return now }})
	return each(in, out, func(raw []byte) ingest.Result {
		var m ingest.Message
		if err := ingest.Decode(raw, &m); err != nil {
			return undecoded(err)
		}
		row, p := s.Prepare(&m, "")
		if p != nil {
			return ingest.Refused(nameOf(&m), p)
		}
		return ingest.Judged("judged", 0, row.Panel, &row.Result)
	})
}

// FitGauge is Fit with one gauge's definition alone: the fit, and no verdict, since no product says what is allowed.
func FitGauge(in io.Reader, out io.Writer, gauge []byte, now time.Time) error {
	g, err := setup.ReadGauge(gauge)
	if err != nil {
		return err
	}
	plan, err := judge.Compile(g, spc.Product{MinimumGoodPoints: 4, K: 2})
	if err != nil {
		return err
	}
	work := judge.NewWork()
	return each(in, out, func(raw []byte) ingest.Result {
		var m ingest.Message
		if err := ingest.Decode(raw, &m); err != nil {
			return undecoded(err)
		}
		if len(m.Readings) != g.Count() {
			return ingest.Refused(nameOf(&m), &ingest.Problem{Type: ingest.TypeRefused, Title: "The measurement is refused", Status: 422, Field: "readings",
				Detail: fmt.Sprintf("readings has %d values, gauge %s has %d places; send null where a probe gave none", len(m.Readings), g.ID, g.Count())})
		}
		at := now
		if m.MeasuredAt != nil {
			if t, err := time.Parse(time.RFC3339Nano, *m.MeasuredAt); err == nil {
				at = t
			}
		}
		var res spc.Result
		plan.Judge(work, m.Readings, at, &res)
		r := ingest.Judged("fitted", 0, nameOf(&m), &res)
		if res.Refusal == "" {
			r.Verdict, r.Reasons = "", nil
		} else {
			r.Reasons = []string{res.Refusal}
		}
		return r
	})
}

func nameOf(m *ingest.Message) string {
	if m.Panel == nil {
		return ""
	}
	return *m.Panel
}

func undecoded(err error) ingest.Result {
	var p *ingest.Problem
	if !errors.As(err, &p) {
		p = ingest.Malformed(err)
	}
	return ingest.Refused("", p)
}

// each runs fn over the objects of an input and writes a line each.
func each(in io.Reader, out io.Writer, fn func(raw []byte) ingest.Result) error {
	w := bufio.NewWriter(out)
	enc := json.NewEncoder(w)
	refused := 0
	err := objects(in, "measurements", func(index int, raw []byte) error {
		r := fn(raw)
		if r.Problem != nil {
			refused++
			r.Problem.Index = &index
		}
		return enc.Encode(r)
	})
	if err := errors.Join(err, w.Flush()); err != nil {
		return err
	}
	if refused > 0 {
		return fmt.Errorf("%w: %d", ErrRefused, refused)
	}
	return nil
}

// objects finds the objects of an input: NDJSON, one object, a list, or an object whose member holds the list. An object
// on one line is handed on as it stands, so that one broken line does not sink the rest.
func objects(in io.Reader, member string, fn func(index int, raw []byte) error) error {
	r := bufio.NewReaderSize(in, 1<<20)
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	data = bytes.TrimSpace(data)
	if len(data) == 0 {
		return errors.New("the input is empty")
	}
	if json.Valid(data) {
		var list []json.RawMessage
		if data[0] == '[' {
			if err := json.Unmarshal(data, &list); err != nil {
				return err
			}
		} else {
			var holder map[string]json.RawMessage
			if err := json.Unmarshal(data, &holder); err != nil {
				return fmt.Errorf("the input holds no objects: %w", err)
			}
			if inner, ok := holder[member]; !ok {
				list = []json.RawMessage{data}
			} else if err := json.Unmarshal(inner, &list); err != nil {
				return fmt.Errorf("member %q is not a list: %w", member, err)
			}
		}
		for i, raw := range list {
			if err := fn(i, raw); err != nil {
				return err
			}
		}
		return nil
	}
	index := 0
	for line := range bytes.SplitSeq(data, []byte{'\n'}) {
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		if err := fn(index, line); err != nil {
			return err
		}
		index++
	}
	return nil
}

// PointsResult is the fit of one set of points.
type PointsResult struct {
	Name         string      `json:"name"`
	N            int         `json:"n"`
	CentreMM     *[3]float64 `json:"centre_mm,omitempty"`
	RadiusMM     *float64    `json:"radius_mm,omitempty"`
	SSRMM2       *float64    `json:"ssr_mm2,omitempty"`
	RMSUM        *float64    `json:"rms_um,omitempty"`
	RadiusFitUMM *float64    `json:"radius_fit_u_mm,omitempty"` // absent for four points: nothing is left to tell it from
	Refused      string      `json:"refused,omitempty"`
}

// FitPoints fits {"name", "points": [[x, y, z], ...]} objects (one, a list, NDJSON, or {"cases": [...]}), in mm. No product
// and no quadrant rule is involved. Other members are passed over.
func FitPoints(in io.Reader, out io.Writer) error {
	w := bufio.NewWriter(out)
	enc := json.NewEncoder(w)
	refused := 0
	err := objects(in, "cases", func(index int, raw []byte) error {
		var c struct {
			Name   string         `json:"name"`
			Points []sphere.Point `json:"points"`
		}
		if err := json.Unmarshal(raw, &c); err != nil {
			refused++
			return enc.Encode(PointsResult{Refused: fmt.Sprintf("object %d can't be read: %v", index, err)})
		}
		res := PointsResult{Name: c.Name, N: len(c.Points)}
		f, err := sphere.FitPoints(c.Points)
		if err != nil {
			refused++
			res.Refused = err.Error()
			return enc.Encode(res)
		}
		rms := f.RMS() * 1e3
		res.CentreMM, res.RadiusMM, res.SSRMM2, res.RMSUM = &f.Centre, &f.Radius, &f.SSR, &rms
		if s2, ok := f.S2(); ok {
			u := f.RadiusU(math.Sqrt(s2))
			res.RadiusFitUMM = &u
		}
		return enc.Encode(res)
	})
	if err := errors.Join(err, w.Flush()); err != nil {
		return err
	}
	if refused > 0 {
		return fmt.Errorf("%w: %d sets of points", ErrRefused, refused)
	}
	return nil
}
