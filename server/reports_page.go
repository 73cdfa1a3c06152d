package server

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/server/report"
	"sagwatch/store"
	"sagwatch/web/ui"
)

const (
	reportsShown = 50
	// largestFile is how large a file may be that is checked.
	largestFile = 32 << 20
	// shiftsOffered is how many shifts back a hand-over can be chosen.
	shiftsOffered = 21
)

// reportSource is where reports gather from, with the definitions as they are now.
func (s *Server) reportSource() *report.Source {
	return &report.Source{Store: s.store, Site: s.site, Catalogue: s.catalogue.Load(), Version: s.cfg.Version, Series: s.watch.Series, Lags: s.watch.Lags}
}

// showReports handles GET /reports?before=.
func (s *Server) showReports(w http.ResponseWriter, r *http.Request) error {
	return s.renderReports(w, r, http.StatusOK, present.ReportsData{})
}

func (s *Server) renderReports(w http.ResponseWriter, r *http.Request, status int, d present.ReportsData) error {
	ctx := r.Context()
	before := int64(0)
	if b := r.URL.Query().Get("before"); b != "" {
		var err error
		if before, err = strconv.ParseInt(b, 10, 64); err != nil || before < 1 {
			return badInput("before", "before=%.20q is not the number of a report.", b)
		}
		d.Newer = "/reports"
	}
	var err error
	if d.Rows, err = s.store.Reports(ctx, s.site, before, reportsShown+1); err != nil {
		return err
	}
	if len(d.Rows) > reportsShown {
		d.Rows = d.Rows[:reportsShown]
		d.Older = fmt.Sprintf("/reports?before=%d", d.Rows[reportsShown-1].ID)
	}
	list, err := s.store.ReportSchedules(ctx, s.site)
	if err != nil {
		return err
	}
	v, site := s.view(r), s.catalogue.Load().Site(s.site)
	for _, x := range list {
		f := present.ScheduleFacts{ReportSchedule: x, Says: scheduleWords(x), Failed: s.reports.Failed(x.ID) != ""}
		if x.Retired.IsZero() {
			next, err := report.Next(site, s.zone(), x, s.cfg.Now())
			if err != nil {
				return err
			}
			f.Next = next.Format("Monday 2 January 15:04")
		}
		d.Schedules = append(d.Schedules, f)
	}
	d.MayIssue, d.Presses = who(ctx).May(mayReports), s.pressNames()
	for _, p := range s.catalogue.Load().Products() {
		if !p.Retired {
			d.Products = append(d.Products, p.ID)
		}
	}
	return s.render(w, r, status, present.Reports(v, s.frame(r, "Reports", ui.AtReports), d).Page())
}

func (s *Server) pressNames() (out []string) {
	for _, p := range s.catalogue.Load().Presses() {
		if !p.Retired {
			out = append(out, p.ID)
		}
	}
	return out
}

// scheduleWords says what a schedule issues: "hand-over of press A, every shift".
func scheduleWords(x store.ReportSchedule) string {
	var q struct{ Press, Product string }
	_ = json.Unmarshal(x.Query, &q) // what cannot be read names no press
	of := "every press"
	if q.Press != "" {
		of = "press " + q.Press
	}
	if q.Product != "" {
		of += ", product " + q.Product
	}
	return x.Kind + " of " + of + ", every " + x.Every
}

// reportID reads the number of a report from the address.
func reportID(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(chi.URLParam(r, "id"), 10, 64)
	if err != nil || id < 1 {
		return 0, notFound("There is no report %.40q: reports have whole numbers.", chi.URLParam(r, "id"))
	}
	return id, nil
}

// issuedReport reads a report and its document; the document is nil where this release cannot make it.
func (s *Server) issuedReport(r *http.Request) (rep store.Report, d *report.Document, err error) {
	if rep, err = s.issued(r); err != nil {
		return rep, nil, err
	}
	d, err = s.documents.of(r.Context(), &rep, func(ctx context.Context) ([]byte, error) {
		inputs, _, err := s.files(ctx, &rep)
		return inputs, err
	})
	var cannot *unmakeable
	if errors.As(err, &cannot) {
		s.log.Warn("an issued report cannot be made again", "report", rep.ID, "kind", rep.Kind, "error", err)
		return rep, nil, nil
	}
	return rep, d, err
}

// issued reads a report without its files.
func (s *Server) issued(r *http.Request) (rep store.Report, err error) {
	id, err := reportID(r)
	if err != nil {
		return rep, err
	}
	if rep, err = s.store.Report(r.Context(), s.site, id); errors.Is(err, store.ErrNotFound) {
		return rep, notFound("There is no report %d.", id)
	}
	return rep, err
}

// files reads what a report was made from and its PDF, both as they were issued.
func (s *Server) files(ctx context.Context, rep *store.Report) (inputs, pdf []byte, err error) {
	if inputs, pdf, err = s.store.ReportFiles(ctx, s.site, rep.ID); err != nil {
		return nil, nil, err
	}
	if sha256.Sum256(inputs) != rep.InputsDigest || sha256.Sum256(pdf) != rep.PDFDigest {
		return nil, nil, fmt.Errorf("report %d: what is stored is not what was issued", rep.ID)
	}
	return inputs, pdf, nil
}

// showReport handles GET /reports/{id}.
func (s *Server) showReport(w http.ResponseWriter, r *http.Request) error {
	rep, d, err := s.issuedReport(r)
	if err != nil {
		return err
	}
	return s.renderReport(w, r, present.ReportData{Report: rep, Document: d})
}

func (s *Server) renderReport(w http.ResponseWriter, r *http.Request, d present.ReportData) error {
	f := s.frame(r, fmt.Sprintf("Report %d", d.Report.ID), ui.AtReports)
	f.Plots = true
	if r.Method == http.MethodPost {
		f.Here = present.ReportHref(d.Report.ID)
	}
	return s.render(w, r, http.StatusOK, present.Report(s.view(r), f, d).Page())
}

// doAgain handles POST /reports/{id}/again: the report is made again from its inputs and compared.
func (s *Server) doAgain(w http.ResponseWriter, r *http.Request) error {
	rep, err := s.issued(r)
	if err != nil {
		return err
	}
	inputs, pdf, err := s.files(r.Context(), &rep)
	if err != nil {
		return err
	}
	d, same, err := report.Again(&rep, inputs, pdf) // what is kept serves no check
	if err != nil {
		s.log.Warn("an issued report cannot be made again", "report", rep.ID, "kind", rep.Kind, "error", err)
	}
	return s.renderReport(w, r, present.ReportData{Report: rep, Document: d, Compared: true, Same: same})
}

// saveReport handles GET /reports/{id}/{file}: the PDF as it was issued, the other forms made again.
func (s *Server) saveReport(w http.ResponseWriter, r *http.Request) error {
	name := chi.URLParam(r, "file")
	if name == "report.pdf" { // as it was issued: nothing is worked out again
		rep, err := s.issued(r)
		if err != nil {
			return err
		}
		_, pdf, err := s.files(r.Context(), &rep)
		if err != nil {
			return err
		}
		sendReport(w, rep, name, "application/pdf", pdf)
		return nil
	}
	rep, d, err := s.issuedReport(r)
	if err != nil {
		return err
	}
	known := false
	for _, f := range present.ReportFiles(d) {
		known = known || f.Name == name
	}
	if !known {
		return notFound("Report %d has no file %.40q.", rep.ID, name)
	}
	var body []byte
	media := ""
	switch name {
	case "report.xlsx":
		media = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
		body, err = d.XLSX()
	case "report.zip":
		media = "application/zip"
		body, err = d.CSV()
	case "report.json":
		media = "application/json"
		body, err = d.JSON()
	case "report.xml":
		media = "application/xml"
		body, err = d.XML()
	}
	if err != nil {
		return err
	}
	sendReport(w, rep, name, media, body)
	return nil
}

// sendReport answers with one file of a report.
func sendReport(w http.ResponseWriter, rep store.Report, name, media string, body []byte) {
	_, ending, _ := strings.Cut(name, ".")
	w.Header().Set("Content-Type", media)
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="report-%d-%s.%s"`, rep.ID, rep.Kind, ending))
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	_, _ = w.Write(body) // the browser may have gone
}

// claim finds the digest of the data that a PDF of this service carries in its subject.
var claim = regexp.MustCompile(`digest ([0-9a-f]{64})`)

// doCheck handles POST /reports/check: an uploaded PDF, or a digest that was typed.
func (s *Server) doCheck(w http.ResponseWriter, r *http.Request) error {
	tooLarge := &Trouble{Status: http.StatusRequestEntityTooLarge, Say: "The file is larger than 32 MiB: no report of this service is. Nothing was checked."}
	r.Body = http.MaxBytesReader(w, r.Body, largestFile+64<<10)
	parts, err := r.MultipartReader()
	if err != nil {
		return &Trouble{Status: http.StatusBadRequest, Say: "The form cannot be read. Nothing was checked.", Do: "Go back to the page Reports and choose the file again.", Err: err}
	}
	var file []byte
	typed := ""
	for {
		p, err := parts.NextPart()
		if err == io.EOF {
			break
		}
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return tooLarge
		}
		if err != nil {
			return &Trouble{Status: http.StatusBadRequest, Say: "The form broke off. Nothing was checked.", Err: err}
		}
		most := int64(largestFile)
		if p.FormName() != "file" {
			most = 1 << 10
		}
		b, err := io.ReadAll(io.LimitReader(p, most+1))
		if errors.As(err, &big) || err == nil && int64(len(b)) > most {
			return tooLarge
		}
		if err != nil {
			return &Trouble{Status: http.StatusBadRequest, Say: "The form broke off. Nothing was checked.", Err: err}
		}
		switch p.FormName() {
		case "file":
			file = b
		case "digest":
			typed = string(b)
		}
	}
	var d present.ReportsData
	d.Check.Digest = present.DigestField(typed)
	if len(file) > 0 {
		err = s.checkFile(r, &d, file)
	} else {
		err = s.checkDigest(r, &d, typed)
	}
	if err != nil {
		return err
	}
	status := http.StatusOK
	if len(d.Check.Problems.Items) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.renderReports(w, r, status, d)
}

func (s *Server) checkFile(r *http.Request, d *present.ReportsData, file []byte) error {
	digest := sha256.Sum256(file)
	rep, err := s.byDigest(r, digest)
	if err != nil {
		return err
	}
	if rep != nil {
		d.Check.State, d.Check.Say = present.Checked(rep, digest, true, false)
		return nil
	}
	// The subject stands in the file as text in UTF-16.
	if m := claim.FindSubmatch(bytes.ReplaceAll(file, []byte{0}, nil)); m != nil {
		var claimed [32]byte
		if _, err := hex.Decode(claimed[:], m[1]); err == nil {
			if rep, err = s.byDigest(r, claimed); err != nil {
				return err
			}
		}
	}
	d.Check.State, d.Check.Say = present.Checked(rep, digest, true, rep != nil)
	return nil
}

func (s *Server) checkDigest(r *http.Request, d *present.ReportsData, typed string) error {
	digest, problem := readDigest(typed)
	if problem != "" {
		d.Check.Digest.Problem = problem
		d.Check.Problems = ui.Problems{Head: "Nothing was checked", Items: []ui.Problem{{Field: "digest", Name: "The digest", Text: ": " + problem}}}
		return nil
	}
	rep, err := s.byDigest(r, digest)
	if err != nil {
		return err
	}
	d.Check.State, d.Check.Say = present.Checked(rep, digest, false, false)
	return nil
}

// readDigest reads a SHA-256 digest as people copy it: in groups, with colons, in capitals.
func readDigest(typed string) (digest [32]byte, problem string) {
	plain := strings.ToLower(strings.NewReplacer(" ", "", ":", "", "-", "", "\t", "", "\r", "", "\n", "", "\u00a0", "").Replace(typed))
	if plain == "" {
		return digest, "choose a file or type a digest."
	}
	if b, err := hex.DecodeString(plain); err == nil && len(b) == len(digest) {
		copy(digest[:], b)
		return digest, ""
	}
	return digest, fmt.Sprintf("a digest has 64 signs, 0 to 9 and a to f; this one has %d, or others among them.", len([]rune(plain)))
}

// byDigest finds a report by the digest of its PDF or its data; nil for none.
func (s *Server) byDigest(r *http.Request, digest [32]byte) (*store.Report, error) {
	rep, err := s.store.ReportByDigest(r.Context(), s.site, digest)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	return &rep, err
}

// doAddSchedule handles POST /reports/schedules: kind, press, product.
func (s *Server) doAddSchedule(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayReports); err != nil {
		return err
	}
	kind, press, product := r.PostFormValue("kind"), r.PostFormValue("press"), r.PostFormValue("product")
	x, err := s.newSchedule(r, kind, press, product)
	var t *Trouble
	if errors.As(err, &t) && t.Status == http.StatusUnprocessableEntity {
		return s.renderReports(w, r, t.Status, present.ReportsData{Kind: kind, Press: press, Product: product, Problems: ui.Problems{Head: "No schedule was added", Items: []ui.Problem{{Field: t.Field, Name: "The schedule: ", Text: t.Say}}}})
	}
	if err != nil {
		return err
	}
	if _, err := s.store.AddReportSchedule(r.Context(), s.site, x); err != nil {
		return err
	}
	http.Redirect(w, r, "/reports#schedules", http.StatusSeeOther)
	return nil
}

// newSchedule checks what is asked for. It begins now: the period that holds is the first that is issued.
func (s *Server) newSchedule(r *http.Request, kind, press, product string) (x store.ReportSchedule, err error) {
	x = store.ReportSchedule{Kind: kind, Begins: s.cfg.Now().UTC(), By: source(r.Context())}
	if p, _ := s.catalogue.Load().Press(press, s.cfg.Now()); press != "" && (p == nil || p.Retired) {
		return x, badInput("schedule-press", "there is no press %.40q.", press)
	}
	var query any
	switch {
	case kind == store.HandOverReport:
		x.Every, query = report.EveryShift, report.HandOverQuery{Press: press}
	case kind == store.CapabilityReport && report.Schedulable(kind):
		if press == "" || product == "" {
			return x, badInput("schedule-press", "a capability report is about one press and one product; choose both.")
		}
		if p, _ := s.catalogue.Load().Product(product, s.cfg.Now()); p == nil || p.Retired {
			return x, badInput("schedule-product", "there is no product %.40q.", product)
		}
		x.Every, query = report.EveryWeek, report.CapabilityQuery{Press: press, Product: product}
	default:
		return x, badInput("kind", "a report of the kind %.40q cannot be issued by schedule.", kind)
	}
	if x.Query, err = json.Marshal(query); err != nil {
		return x, err
	}
	list, err := s.store.ReportSchedules(r.Context(), s.site)
	if err != nil {
		return x, err
	}
	for _, o := range list {
		if o.Retired.IsZero() && o.Kind == x.Kind && o.Every == x.Every && scheduleWords(o) == scheduleWords(x) {
			return x, badInput("kind", "schedule %d issues the same already.", o.ID)
		}
	}
	return x, nil
}

// doEndSchedule handles POST /reports/schedules/{id}/end.
func (s *Server) doEndSchedule(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayReports); err != nil {
		return err
	}
	id, err := strconv.ParseInt(chi.URLParam(r, "id"), 10, 64)
	if err != nil {
		return notFound("There is no schedule %.40q.", chi.URLParam(r, "id"))
	}
	if err := s.store.RetireReportSchedule(r.Context(), s.site, id); errors.Is(err, store.ErrNotFound) {
		return notFound("There is no schedule %d in force.", id)
	} else if err != nil {
		return err
	}
	http.Redirect(w, r, "/reports#schedules", http.StatusSeeOther)
	return nil
}

// handOverAsked reads which hand-over is wanted. Without a shift it is the present one, or the one before while no panel of this one has
// left the lehr.
func (s *Server) handOverAsked(r *http.Request, form url.Values) (q report.HandOverQuery, shift plant.Shift, err error) {
	c := s.catalogue.Load()
	starts := c.Site(s.site).Shifts
	q.Press = form.Get("press")
	if q.Press != "" {
		if p, _ := c.Press(q.Press, s.cfg.Now()); p == nil {
			return q, shift, notFound("There is no press %.40q.", q.Press)
		}
	}
	now := s.now()
	if form.Get("shift") == "" {
		shift = plant.ShiftAt(starts, now)
		counts, err := s.store.CountsByMould(r.Context(), s.site, shift.From, shift.To)
		if err == nil && len(counts) == 0 {
			before := plant.ShiftAt(starts, shift.From.Add(-time.Second))
			if counts, err = s.store.CountsByMould(r.Context(), s.site, before.From, before.To); err == nil && len(counts) > 0 {
				shift = before
			}
		}
		return q, shift, err
	}
	at, err := timeParam(form, "shift")
	if err != nil {
		return q, shift, err
	}
	if at.After(now) || at.Year() < 1990 {
		return q, shift, badInput("shift", "The shift from %s has not begun, or is no shift of this plant.", at.Format(time.RFC3339))
	}
	return q, plant.ShiftAt(starts, at.In(s.zone())), nil
}

// showHandOver handles GET /hand-over?press=&shift=.
func (s *Server) showHandOver(w http.ResponseWriter, r *http.Request) error {
	q, shift, err := s.handOverAsked(r, r.URL.Query())
	if err != nil {
		return err
	}
	in, err := report.GatherHandOver(r.Context(), s.reportSource(), q, shift, who(r.Context()).Display, s.cfg.Now())
	if err != nil {
		return err
	}
	inputs, err := json.Marshal(in)
	if err != nil {
		return err
	}
	d := present.HandOverData{Press: q.Press, Presses: s.pressNames(), Shift: shift, MayIssue: who(r.Context()).May(mayReports)}
	if d.Document, err = report.Make(in.Kind, inputs); err != nil {
		return err
	}
	starts := s.catalogue.Load().Site(s.site).Shifts
	for at := plant.ShiftAt(starts, s.now()); len(d.Shifts) < shiftsOffered; at = plant.ShiftAt(starts, at.From.Add(-time.Second)) {
		d.Shifts = append(d.Shifts, at)
	}
	if last := d.Shifts[len(d.Shifts)-1]; shift.From.Before(last.From) {
		d.Shifts = append(d.Shifts, shift)
	}
	f := s.frame(r, "Hand-over", ui.AtHandOver)
	f.Plots, f.Live = true, "/live"
	return s.render(w, r, http.StatusOK, present.HandOver(s.view(r), f, d).Page())
}

// doHandOver handles POST /hand-over: press, shift; it issues the report.
func (s *Server) doHandOver(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayReports); err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return &Trouble{Status: http.StatusBadRequest, Say: "The form cannot be read. Nothing was issued.", Err: err}
	}
	q, shift, err := s.handOverAsked(r, r.PostForm)
	if err != nil {
		return err
	}
	in, err := report.GatherHandOver(r.Context(), s.reportSource(), q, shift, who(r.Context()).Display, s.cfg.Now())
	if err != nil {
		return err
	}
	rep, err := report.Issue(r.Context(), s.store, &in.Head, in)
	if err != nil {
		return err
	}
	s.log.Info("report issued", "report", rep.ID, "title", rep.Title, "by", source(r.Context()))
	http.Redirect(w, r, present.ReportHref(rep.ID), http.StatusSeeOther)
	return nil
}
