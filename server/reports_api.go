package server

import (
	"encoding/hex"
	"net/http"
	"strconv"
	"time"

	"sagwatch/server/present"
	"sagwatch/server/report"
	"sagwatch/store"
)

// reportJSON is an issued report for machines.
type reportJSON struct {
	ID           int64     `json:"id"`
	Kind         string    `json:"kind"`
	Title        string    `json:"title"`
	Press        string    `json:"press,omitempty"`
	From         time.Time `json:"from,omitzero"`
	To           time.Time `json:"to,omitzero"`
	IssuedBy     string    `json:"issued_by"`
	IssuedAt     time.Time `json:"issued_at"`
	Version      string    `json:"version"`
	Schedule     int64     `json:"schedule,omitempty"`
	InputsDigest string    `json:"inputs_digest"`
	PDFDigest    string    `json:"pdf_digest"`
	Files        []string  `json:"files,omitempty"` // addresses; of one report only
}

func reportOf(r *store.Report, d *report.Document, files bool) reportJSON {
	j := reportJSON{ID: r.ID, Kind: r.Kind, Title: r.Title, Press: r.Press, From: r.From, To: r.To, IssuedBy: r.IssuedBy, IssuedAt: r.IssuedAt, Version: r.Version, Schedule: r.Schedule,
		InputsDigest: hex.EncodeToString(r.InputsDigest[:]), PDFDigest: hex.EncodeToString(r.PDFDigest[:])}
	if files {
		for _, f := range present.ReportFiles(d) {
			j.Files = append(j.Files, "/api/v1/reports/"+strconv.FormatInt(r.ID, 10)+"/"+f.Name)
		}
	}
	return j
}

// getReports handles GET /api/v1/reports?before=&limit=&digest=: newest first; with a digest the one report that has it.
func (s *Server) getReports(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	out := []reportJSON{}
	if typed := q.Get("digest"); typed != "" {
		digest, problem := readDigest(typed)
		if problem != "" {
			return badInput("digest", "digest: %s", problem)
		}
		rep, err := s.byDigest(r, digest)
		if err != nil {
			return err
		}
		if rep != nil {
			out = append(out, reportOf(rep, nil, false))
		}
		return writeJSON(w, http.StatusOK, map[string]any{"reports": out})
	}
	limit, err := limitParam(q, 100, 1000)
	if err != nil {
		return err
	}
	before := int64(0)
	if b := q.Get("before"); b != "" {
		if before, err = strconv.ParseInt(b, 10, 64); err != nil || before < 1 {
			return badInput("before", "before=%.20q is not the number of a report.", b)
		}
	}
	list, err := s.store.Reports(r.Context(), s.site, before, limit)
	if err != nil {
		return err
	}
	for i := range list {
		out = append(out, reportOf(&list[i], nil, false))
	}
	return writeJSON(w, http.StatusOK, map[string]any{"reports": out})
}

// getReport handles GET /api/v1/reports/{id}.
func (s *Server) getReport(w http.ResponseWriter, r *http.Request) error {
	rep, d, err := s.issuedReport(r)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, reportOf(&rep, d, true))
}
