package server

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"

	"sagwatch/server/present"
	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
)

// studyChanged lists the measurements behind a study that were corrected or voided since, with what their corrections say. A correction
// that leaves what the study reads as it was is none.
func (s *Server) studyChanged(ctx context.Context, v *store.Study, readings []store.StudyReading) ([]report.StudyChanged, error) {
	changes, err := s.store.StudyChanges(ctx, s.site, v.ID)
	if err != nil {
		return nil, err
	}
	kept := map[int64]*store.StudyReading{}
	for i := range readings {
		kept[readings[i].Seq] = &readings[i]
	}
	var out []report.StudyChanged
	for _, c := range changes {
		one := report.StudyChanged{Line: c.Line, Seq: c.Seq, Measurement: c.Measurement, ReplacedBy: c.ReplacedBy, Reason: c.Reason, By: c.By, At: c.At.UnixMicro()}
		if c.ReplacedBy != 0 {
			reading, why, err := s.correction(ctx, v, c)
			if err != nil {
				return nil, err
			}
			if was := kept[c.Seq]; why == "" && was != nil && report.SameReading(was, &reading) {
				continue
			}
			one.NotFit, one.Now = why, reading.Characteristics
			for _, d := range reading.Deviations {
				one.NowDeviations = append(one.NowDeviations, report.Number(d))
			}
		}
		out = append(out, one)
	}
	return out, nil
}

// correction is the reading that a study can take from the correction of a measurement, or why it can take none.
func (s *Server) correction(ctx context.Context, v *store.Study, c store.StudyChange) (out store.StudyReading, why string, err error) {
	row, err := s.store.Measurement(ctx, s.site, c.ReplacedBy)
	if err != nil {
		return out, "", err
	}
	panel := v.Plan.Parts[v.Plan.Lines[c.Line-1].Part-1].Panel
	switch {
	case row.Panel != panel:
		return out, "it is panel " + row.Panel, nil
	case row.Gauge != v.Gauge:
		return out, "it is of gauge " + row.Gauge, nil
	case row.Purpose != spc.Study && row.Purpose != spc.MasterCheck:
		return out, "it was measured for " + string(row.Purpose), nil
	}
	out, why = s.readingOf(v, &row)
	return out, why, nil
}

// doStudyMend handles POST /studies/{id}/mend: take, or again = a reading. Take takes the corrected value of every changed line that has
// one; again opens a line so that it is measured once more.
func (s *Server) doStudyMend(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayMeasure); err != nil {
		return err
	}
	v, readings, err := s.study(r)
	if err != nil {
		return err
	}
	if v.State == store.StudyAdopted {
		if err := require(r, mayEngineer); err != nil {
			return err
		}
	}
	changed, err := s.studyChanged(r.Context(), &v, readings)
	if err != nil {
		return err
	}
	nothing := &Trouble{Status: http.StatusConflict, Say: "No changed measurement of this study waits for that any more; nothing was done.", Do: "Look at the study as it is now."}
	if text := r.PostFormValue("again"); text != "" {
		seq, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return badInput("again", "Which reading is to be measured again was not said; nothing was changed.")
		}
		for _, c := range changed {
			if c.Seq == seq {
				return s.undoStudy(w, r, &v, seq)
			}
		}
		return nothing
	}
	if r.PostFormValue("take") == "" {
		return badInput("take", "What is to be done about the changed measurements was not said; nothing was changed.")
	}
	took := 0
	for _, c := range changed {
		if !c.Takes() {
			continue
		}
		reading, why, err := s.correction(r.Context(), &v, store.StudyChange{Line: c.Line, ReplacedBy: c.ReplacedBy})
		if err != nil {
			return err
		}
		if why != "" {
			continue
		}
		detail, err := json.Marshal(present.Mend{Line: c.Line, Measurement: c.ReplacedBy})
		if err != nil {
			return err
		}
		_, err = s.store.ReplaceStudyReading(r.Context(), s.site, v.ID, c.Seq, reading, store.StudyEntry{Reason: c.Reason, Detail: detail, By: source(r.Context())})
		if errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrExists) || errors.Is(err, store.ErrConflict) {
			continue // another page was faster
		}
		if err != nil {
			return err
		}
		took++
	}
	if took == 0 {
		return nothing
	}
	http.Redirect(w, r, present.StudyHref(v.ID), http.StatusSeeOther)
	return nil
}
