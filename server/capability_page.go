package server

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/server/report"
	"sagwatch/spc/fit"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// capabilityQuestion is what a form or an address asks for.
type capabilityQuestion struct {
	report.CapabilityQuery
	From, To time.Time
	form     url.Values
}

// plantLayout is how times are typed.
const plantLayout = "2006-01-02 15:04"

// askCapability reads the question; what is not given is the usual: the first press, its last product, the seven days before its last
// panel. Every problem is named with its field.
func (s *Server) askCapability(ctx context.Context, form url.Values) (q capabilityQuestion, problems []ui.Problem, err error) {
	q.form = form
	bad := func(field, name, format string, a ...any) {
		problems = append(problems, ui.Problem{Field: field, Name: name, Text: fmt.Sprintf(format, a...)})
	}
	c := s.catalogue.Load()
	if q.Press = form.Get("press"); q.Press == "" {
		for _, p := range c.Presses() {
			if !p.Retired {
				q.Press = p.ID
				break
			}
		}
	}
	last := s.watch.LastAt(q.Press, "")
	if last.Year() < 1900 {
		last = s.now()
	}
	if q.Product = form.Get("product"); q.Product == "" {
		rows, err := s.store.LatestPanels(ctx, s.site, q.Press, "", 1)
		if err != nil {
			return q, nil, err
		}
		if len(rows) > 0 {
			q.Product = rows[0].Product
		} else if ps := c.Products(); len(ps) > 0 {
			q.Product = ps[0].ID
		}
	}
	for _, m := range strings.FieldsFunc(form.Get("moulds"), func(r rune) bool { return r == ',' || r == ' ' }) {
		if m != "all" {
			q.Moulds = append(q.Moulds, m)
		}
	}
	q.FirstPanel, q.LastPanel = strings.TrimSpace(form.Get("first_panel")), strings.TrimSpace(form.Get("last_panel"))
	for _, n := range form["characteristic"] {
		if n != "" {
			q.Characteristics = append(q.Characteristics, n)
		}
	}
	today := time.Date(last.In(s.zone()).Year(), last.In(s.zone()).Month(), last.In(s.zone()).Day(), 0, 0, 0, 0, s.zone())
	q.From, q.To = today.AddDate(0, 0, -6), today.AddDate(0, 0, 1)
	for _, f := range []struct {
		field, name string
		to          *time.Time
	}{{"from", "From", &q.From}, {"to", "To", &q.To}} {
		text := strings.TrimSpace(form.Get(f.field))
		if text == "" {
			continue
		}
		t, ok := s.typedTime(text)
		if !ok {
			bad(f.field, f.name, ": %.40q is no plant time such as 2026-02-01 06:00.", text)
			continue
		}
		*f.to = t
	}
	if text := strings.TrimSpace(form.Get("wanted")); text != "" {
		if q.Wanted, err = strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64); err != nil || !(q.Wanted > 0 && q.Wanted <= 10) {
			bad("wanted", "Wanted index", ": %.20q is no number above 0 and at most 10.", text)
			q.Wanted = 0
		}
	}
	for i, line := range strings.Split(form.Get("exclude"), "\n") {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		span, reason, _ := strings.Cut(line, ",")
		from, to, _ := strings.Cut(span, " to ")
		a, okA := s.typedTime(strings.TrimSpace(from))
		b, okB := s.typedTime(strings.TrimSpace(to))
		if !okA || !okB || strings.TrimSpace(reason) == "" {
			bad("exclude", "Left out", ", line %d: write 2026-02-11 14:00 to 2026-02-12 06:00, and after a comma the reason.", i+1)
			continue
		}
		q.Exclude = append(q.Exclude, report.CapabilityExclusion{From: a.UTC(), To: b.UTC(), Reason: strings.TrimSpace(reason)})
	}
	for name := range form {
		of, ok := strings.CutPrefix(name, "model.")
		if family := form.Get(name); ok && family != "" {
			if q.Models == nil {
				q.Models = map[string]report.CapabilityModel{}
			}
			q.Models[of] = report.CapabilityModel{Family: fit.Family(family), Reason: strings.TrimSpace(form.Get("reason." + of))}
			if q.Models[of].Reason == "" {
				bad("reason."+of, "Reason for the model of the "+plant.Characteristic(of), " is missing.")
			}
		}
	}
	return q, problems, nil
}

// typedTime reads a plant time, with or without its hours.
func (s *Server) typedTime(text string) (time.Time, bool) {
	for _, layout := range []string{plantLayout, "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, text, s.zone()); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// capabilityFields are the element ids of what an AskError names.
var capabilityFields = map[string]string{"characteristics": "characteristic", "models": "exclude"}

// workCapability gathers and works out; what is wrong with the question comes as a problem.
func (s *Server) workCapability(r *http.Request, q capabilityQuestion) (*report.Capability, []ui.Problem, error) {
	c, err := s.asked.Work(r.Context(), s.reportSource(), q.CapabilityQuery, q.From, q.To, who(r.Context()).Display, s.cfg.Now())
	var wrong *report.AskError
	if errors.As(err, &wrong) {
		field := wrong.Field
		if f, ok := capabilityFields[field]; ok {
			field = f
		}
		return nil, []ui.Problem{{Field: field, Name: "The question", Text: ": " + wrong.Say}}, nil
	}
	return c, nil, err
}

// showCapability handles GET /capability: what report.CapabilityQuery says, period by from and to in plant time.
func (s *Server) showCapability(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return badInput("", "The address cannot be read.")
	}
	return s.renderCapability(w, r, r.Form)
}

func (s *Server) renderCapability(w http.ResponseWriter, r *http.Request, form url.Values) error {
	q, problems, err := s.askCapability(r.Context(), form)
	if err != nil {
		return err
	}
	d := present.CapabilityData{Say: "Nothing is worked out yet: there is something to put right in what was asked."}
	switch {
	case q.Press == "" || q.Product == "":
		d.Say = "No press or no product is defined yet, so there is nothing to be capable of."
	case len(problems) == 0:
		if d.Report, problems, err = s.workCapability(r, q); err != nil {
			return err
		}
	}
	status := http.StatusOK
	if len(problems) > 0 {
		status = http.StatusUnprocessableEntity
	}
	d.Ask = s.capabilityForm(q, problems)
	if d.Report != nil && d.Report.Panels > 0 {
		asked := url.Values{}
		for k, v := range form {
			if strings.Join(v, "") != "" {
				asked[k] = v
			}
		}
		// The moment is fixed, so that the files and the report are of what is seen.
		asked.Set("press", q.Press)
		asked.Set("product", q.Product)
		asked.Set("from", q.From.In(s.zone()).Format(plantLayout))
		asked.Set("to", q.To.In(s.zone()).Format(plantLayout))
		for _, f := range []struct{ file, text string }{{"capability.xlsx", "Numbers as a spreadsheet"}, {"capability.zip", "as CSV"}, {"capability.json", "as JSON"}} {
			d.Files = append(d.Files, ui.Act{Text: f.text, Href: "/capability/" + f.file + "?" + asked.Encode()})
		}
		if u := who(r.Context()); u.May(mayEngineer) {
			d.Issue = &page.CapabilityIssue{Action: "/capability", Label: "Issue the report as " + u.Display}
			names := make([]string, 0, len(asked))
			for name := range asked {
				names = append(names, name)
			}
			slices.Sort(names)
			for _, name := range names {
				for _, v := range asked[name] {
					d.Issue.Hidden = append(d.Issue.Hidden, ui.Input{Type: "hidden", Name: name, Value: v})
				}
			}
		} else {
			d.MayNot = "An engineer issues it as a report, which is kept and can be checked."
		}
	}
	f := s.frame(r, "Capability", ui.AtCapability)
	f.Plots = true
	return s.render(w, r, status, present.Capability(f, d).Page())
}

// doCapability handles POST /capability: issues what was asked as a report.
func (s *Server) doCapability(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return badInput("", "The form cannot be read.")
	}
	q, problems, err := s.askCapability(r.Context(), r.PostForm)
	if err != nil {
		return err
	}
	if len(problems) > 0 {
		return s.renderCapability(w, r, r.PostForm)
	}
	in, err := s.asked.Gather(r.Context(), s.reportSource(), q.CapabilityQuery, q.From, q.To, who(r.Context()).Display, s.cfg.Now())
	var wrong *report.AskError
	if errors.As(err, &wrong) {
		return s.renderCapability(w, r, r.PostForm)
	}
	if err != nil {
		return err
	}
	issued, err := report.Issue(r.Context(), s.store, &in.Head, in)
	if err != nil {
		return err
	}
	http.Redirect(w, r, fmt.Sprintf("/reports/%d", issued.ID), http.StatusSeeOther)
	return nil
}

// saveCapability handles GET /capability/{file}: the figures as a file that is not issued.
func (s *Server) saveCapability(w http.ResponseWriter, r *http.Request) error {
	forms := map[string]struct {
		media string
		write func(*report.Document) ([]byte, error)
	}{
		"capability.xlsx": {"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", (*report.Document).XLSX},
		"capability.zip":  {"application/zip", (*report.Document).CSV},
		"capability.json": {"application/json", (*report.Document).JSON},
	}
	f, ok := forms[chi.URLParam(r, "file")]
	if !ok {
		return notFound("There is no %.40q of a capability.", chi.URLParam(r, "file"))
	}
	q, problems, err := s.askCapability(r.Context(), r.URL.Query())
	if err != nil {
		return err
	}
	var c *report.Capability
	if len(problems) == 0 {
		if c, problems, err = s.workCapability(r, q); err != nil {
			return err
		}
	}
	if len(problems) > 0 {
		return badInput(problems[0].Field, "%s%s", problems[0].Name, problems[0].Text)
	}
	d := c.Document()
	d.Kind = c.Kind
	b, err := f.write(d)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", f.media)
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename=%q`, chi.URLParam(r, "file")))
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b) // the browser may have gone
	return nil
}

// capabilityForm fills the form in as it was asked.
func (s *Server) capabilityForm(q capabilityQuestion, problems []ui.Problem) page.CapabilityAsk {
	c := s.catalogue.Load()
	press := ui.Input{ID: "press", Name: "press", Label: "Press"}
	for _, p := range c.Presses() {
		press.Options = append(press.Options, ui.Option{Value: p.ID, Label: p.ID, Selected: p.ID == q.Press})
	}
	product := ui.Input{ID: "product", Name: "product", Label: "Product"}
	for _, p := range c.Products() {
		product.Options = append(product.Options, ui.Option{Value: p.ID, Label: p.ID, Selected: p.ID == q.Product})
	}
	of := ui.Input{ID: "characteristic", Name: "characteristic", Label: "Characteristic", Options: []ui.Option{{Value: "", Label: "all with a specification", Selected: len(q.Characteristics) == 0}}}
	var names []string
	asked, _ := c.Product(q.Product, q.To)
	if asked != nil {
		names = report.Specified(asked)
	}
	for _, n := range names {
		of.Options = append(of.Options, ui.Option{Value: n, Label: plant.Characteristic(n), Selected: slices.Contains(q.Characteristics, n)})
	}
	typed := func(field string, t time.Time) string {
		if text := q.form.Get(field); text != "" {
			return text
		}
		return t.In(s.zone()).Format(plantLayout)
	}
	wanted := q.form.Get("wanted")
	if wanted == "" {
		wanted = "1.33"
	}
	a := page.CapabilityAsk{Fields: []ui.Input{press, product, of,
		{ID: "moulds", Name: "moulds", Label: "Moulds", Value: q.form.Get("moulds"), Optional: true, Max: 200},
		{ID: "from", Name: "from", Label: "From, plant time", Value: typed("from", q.From), Max: 20},
		{ID: "to", Name: "to", Label: "To, exclusive", Value: typed("to", q.To), Max: 20},
		{ID: "wanted", Name: "wanted", Label: "Wanted index", Value: wanted, Number: true, Max: 6}}}
	exclude := ui.Input{ID: "exclude", Name: "exclude", Label: "Left out of Cp and Cpk", Area: true, Optional: true, Value: q.form.Get("exclude"), Max: 4000,
		Help: "One stretch on each line, with its reason: 2026-02-11 14:00 to 2026-02-12 06:00, lehr zone 3 low. Its panels count in Ppk and in the panels per million."}
	a.More = append(a.More,
		ui.Input{ID: "first_panel", Name: "first_panel", Label: "Lot: panels from serial", Value: q.form.Get("first_panel"), Optional: true, Max: 64,
			Help: "A lot takes the place of the period: every panel of the product that the press made from this one to the last, both included, by the time at the press and not by the order of serials as text."},
		ui.Input{ID: "last_panel", Name: "last_panel", Label: "to serial", Value: q.form.Get("last_panel"), Optional: true, Max: 64},
		exclude)
	for _, n := range names {
		if len(q.Characteristics) > 0 && !slices.Contains(q.Characteristics, n) {
			continue
		}
		usual := "usual: normal"
		switch report.KindOf(asked, n) {
		case fit.Form:
			usual = "usual: the better of folded normal and largest extreme value"
		case fit.Maximum:
			usual = "usual: largest extreme value"
		}
		m := ui.Input{ID: "model." + n, Name: "model." + n, Label: "Model of the " + plant.Characteristic(n), Options: []ui.Option{{Value: "", Label: usual, Selected: q.form.Get("model."+n) == ""}}}
		for _, f := range append(fit.Allowed(report.KindOf(asked, n)), report.Empirical) {
			m.Options = append(m.Options, ui.Option{Value: string(f), Label: report.FamilyWords(f), Selected: q.form.Get("model."+n) == string(f)})
		}
		a.More = append(a.More, m, ui.Input{ID: "reason." + n, Name: "reason." + n, Label: "Reason, where not the usual one", Value: q.form.Get("reason." + n), Optional: true, Max: 300})
	}
	a.Open = len(q.Exclude) > 0 || len(q.Models) > 0 || q.Lot()
	if len(problems) > 0 {
		a.Problems = ui.Problems{Head: "Not worked out: " + ui.Plural(int64(len(problems)), "thing", "things") + " to put right", Items: problems}
		for _, p := range problems {
			for _, list := range [][]ui.Input{a.Fields, a.More} {
				for i := range list {
					if list[i].ID == p.Field {
						list[i].Problem = strings.TrimPrefix(p.Name+p.Text, "The question: ")
						a.Open = a.Open || &list[0] == &a.More[0]
					}
				}
			}
		}
	}
	// Weeks begin on Monday, by the plant's calendar.
	now := s.now()
	day := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, s.zone())
	monday := day.AddDate(0, 0, -(int(day.Weekday())+6)%7)
	month := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, s.zone())
	for _, p := range []struct {
		words    string
		from, to time.Time
	}{{"today", day, day.AddDate(0, 0, 1)}, {"this week", monday, monday.AddDate(0, 0, 7)}, {"last week", monday.AddDate(0, 0, -7), monday}, {"this month", month, month.AddDate(0, 1, 0)}, {"last month", month.AddDate(0, -1, 0), month}} {
		v := url.Values{"press": {q.Press}, "product": {q.Product}, "from": {p.from.Format(plantLayout)}, "to": {p.to.Format(plantLayout)}}
		for _, keep := range []string{"characteristic", "moulds", "wanted"} {
			if x := q.form.Get(keep); x != "" {
				v.Set(keep, x)
			}
		}
		a.Quick = append(a.Quick, ui.Run{Text: p.words, Href: "/capability?" + v.Encode()})
	}
	return a
}
