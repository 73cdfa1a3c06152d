package server

import (
	"net/http"
	"strconv"
	"time"

	"sagwatch/server/report"
	"sagwatch/store"
)

// studyJSON is a study as the machine interface shows it.
type studyJSON struct {
	ID       int64     `json:"id"`
	Kind     string    `json:"kind"`
	Title    string    `json:"title"`
	Gauge    string    `json:"gauge"`
	Product  string    `json:"product,omitempty"`
	State    string    `json:"state"`
	By       string    `json:"by"`
	At       time.Time `json:"at"`
	Taken    int       `json:"taken"`
	Readings int       `json:"readings"`
}

func studyOf(v *store.Study) studyJSON {
	return studyJSON{v.ID, v.Kind, v.Title, v.Gauge, v.Product, v.State, v.By, v.At, v.Taken, len(v.Plan.Lines)}
}

// getStudies handles GET /api/v1/studies?before=&limit=.
func (s *Server) getStudies(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	limit, err := limitParam(q, 50, 200)
	if err != nil {
		return err
	}
	before := int64(0)
	if text := q.Get("before"); text != "" {
		if before, err = strconv.ParseInt(text, 10, 64); err != nil || before < 1 {
			return badInput("before", "before=%.20q is not the number of a study.", text)
		}
	}
	list, err := s.store.Studies(r.Context(), s.site, before, limit)
	if err != nil {
		return err
	}
	out := make([]studyJSON, len(list))
	for i := range list {
		out[i] = studyOf(&list[i])
	}
	return writeJSON(w, http.StatusOK, map[string]any{"studies": out})
}

// getStudy handles GET /api/v1/studies/{id}: the plan, every reading, and every figure once it is complete.
func (s *Server) getStudy(w http.ResponseWriter, r *http.Request) error {
	v, readings, err := s.study(r)
	if err != nil {
		return err
	}
	type reading struct {
		store.StudyLine
		Panel           string             `json:"panel"`
		Measurement     int64              `json:"measurement,omitempty"`
		MeasuredAt      time.Time          `json:"measured_at"`
		Characteristics map[string]float64 `json:"characteristics,omitempty"`
		Deviations      []report.Number    `json:"deviations_um,omitempty"`
		Category        *int               `json:"category,omitempty"`
		By              string             `json:"by"`
		Undone          bool               `json:"undone,omitempty"`
	}
	type figure struct {
		ID      string        `json:"id"`
		Name    string        `json:"name"`
		Of      string        `json:"of"`
		Unit    string        `json:"unit"`
		Value   report.Number `json:"value"`
		Lower   report.Number `json:"lower"`
		Upper   report.Number `json:"upper"`
		Formula string        `json:"formula"`
		Inputs  string        `json:"inputs"`
		Source  string        `json:"source"`
	}
	in, err := s.studyInputs(r, &v, readings)
	if err != nil {
		return err
	}
	result := report.AnalyseStudy(in)
	taken, figures := []reading{}, []figure{}
	for _, x := range readings {
		line := v.Plan.Lines[x.Line-1]
		one := reading{StudyLine: line, Panel: v.Plan.Parts[line.Part-1].Panel, Measurement: x.Measurement, MeasuredAt: x.MeasuredAt, Characteristics: x.Characteristics, Category: x.Category,
			By: x.By, Undone: !x.WithdrawnAt.IsZero()}
		for _, d := range x.Deviations {
			one.Deviations = append(one.Deviations, report.Number(d))
		}
		taken = append(taken, one)
	}
	for i := range result.Figures {
		f := &result.Figures[i]
		figures = append(figures, figure{f.ID, f.Name, f.Of, f.Unit, f.Value, f.Lower, f.Upper, f.Formula, f.Inputs, f.Source})
	}
	return writeJSON(w, http.StatusOK, struct {
		studyJSON
		Plan      store.StudyPlan        `json:"plan"`
		Values    []reading              `json:"values"`
		Statement string                 `json:"statement"`
		Doubts    []string               `json:"doubts"`
		Figures   []figure               `json:"figures"`
		Proposals []report.StudyProposal `json:"proposals"`
		Changed   []report.StudyChanged  `json:"changed"`
	}{studyOf(&v), v.Plan, taken, result.Statement, orEmpty(result.Doubts), figures, orEmpty(result.Proposals), orEmpty(in.Changed)})
}
