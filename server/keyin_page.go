package server

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"sagwatch/server/ingest"
	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// keyInFacts gathers what a form of readings for a gauge shows; product says on whose contour the places lie.
func (s *Server) keyInFacts(g *spc.Gauge, typed present.Typed) present.KeyInFacts {
	c := s.catalogue.Load()
	f := present.KeyInFacts{Gauge: g, Typed: typed}
	for _, p := range c.Presses() {
		if !p.Retired {
			f.Presses = append(f.Presses, p)
		}
	}
	for _, p := range c.Products() {
		if !p.Retired {
			f.Products = append(f.Products, p)
		}
	}
	if g.Kind == spc.Dimensions {
		return f
	}
	// The layout needs a product only for its contour: any that the gauge can measure does.
	for _, id := range append([]string{typed.Product}, productIDs(f.Products)...) {
		if plan, err := s.ingest.Plan(g.ID, id, s.cfg.Now()); err == nil {
			f.Places = plan.Places()
			break
		}
	}
	return f
}

func productIDs(products []*spc.Product) (ids []string) {
	for _, p := range products {
		if p.Contour != nil {
			ids = append(ids, p.ID)
		}
	}
	return ids
}

// typed reads a form of readings as it was sent.
func typedForm(r *http.Request, g *spc.Gauge, names []string, counts []present.CountField) present.Typed {
	t := present.Typed{Panel: r.PostFormValue("panel"), Press: r.PostFormValue("press"), Product: r.PostFormValue("product"), Mould: r.PostFormValue("mould"),
		Lane: r.PostFormValue("lane"), MeasuredAt: r.PostFormValue("measured_at"), PressedAt: r.PostFormValue("pressed_at"), Purpose: r.PostFormValue("purpose"),
		Block: r.PostFormValue("block"), Reason: r.PostFormValue("reason"), Readings: make([]string, g.Count()), Values: map[string]string{}}
	for i := range t.Readings {
		t.Readings[i] = r.PostFormValue("r" + strconv.Itoa(i+1))
	}
	for _, name := range names {
		t.Values[name] = r.PostFormValue("c." + name)
	}
	t.Counts = present.TypedCounts{Fields: counts, Seen: r.PostFormValue("seen"), Found: make([]string, len(counts)), OtherName: r.PostFormValue("other"), OtherFound: r.PostFormValue("other_found")}
	for i := range counts {
		t.Counts.Found[i] = r.PostFormValue("n" + strconv.Itoa(i+1))
	}
	return t
}

// formBytes bounds a form of readings.
const formBytes = 1 << 20

// showKeyIn handles GET /gauge/{id}/key-in?panel=.
func (s *Server) showKeyIn(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeOf(r)
	if err != nil {
		return err
	}
	if err := require(r, mayMeasure); err != nil {
		return err
	}
	typed := present.NowTyped(s.now(), g.Count())
	typed.Counts.Fields = present.CountFields(g, s.catalogue.Load().Charts())
	typed.Panel = strings.TrimSpace(r.URL.Query().Get("panel"))
	last, err := s.store.LatestPanels(r.Context(), s.site, "", g.ID, 1)
	if err != nil {
		return err
	}
	if len(last) > 0 {
		typed.Press, typed.Product = last[0].Press, last[0].Product
	}
	return s.keyInForm(w, r, http.StatusOK, s.keyInFacts(g, typed), nil)
}

// doKeyIn handles POST /gauge/{id}/key-in: what was typed goes the way of any measurement.
func (s *Server) doKeyIn(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeOf(r)
	if err != nil {
		return err
	}
	if err := require(r, mayMeasure); err != nil {
		return err
	}
	r.Body = http.MaxBytesReader(w, r.Body, formBytes)
	if err := r.ParseForm(); err != nil {
		return badInput("", "The form could not be read; nothing was stored.")
	}
	f := s.keyInFacts(g, present.Typed{})
	names := present.Names(g, f.Products)
	f.Typed = typedForm(r, g, names, present.CountFields(g, s.catalogue.Load().Charts()))
	m := ingest.Message{Gauge: &g.ID}
	if f.Wrong = f.Typed.Into(&m, names, s.now()); len(f.Wrong) > 0 {
		return s.keyInForm(w, r, http.StatusUnprocessableEntity, f, nil)
	}
	res, err := s.ingest.Submit(r.Context(), &m, source(r.Context()))
	if err != nil {
		return s.keyInForm(w, r, troubleOf(err).Status, f, err)
	}
	s.metrics.taken(res.Status, 1)
	if p := res.Problem; p != nil {
		if p.Type == ingest.TypeConflict {
			f.Wrong = []present.Wrong{{Field: "measured_at", Name: "Other readings", Short: "Other readings of this panel stand at this time.",
				Text: " of panel " + f.Typed.Panel + " on " + g.ID + " are stored for this very time already, and stay. What you typed is kept as a conflict, which an engineer resolves under Set-up. Gauged again? Then give the time of that."}}
		} else {
			f.Wrong = []present.Wrong{f.Typed.Refusal(p, names)}
		}
		return s.keyInForm(w, r, p.Status, f, nil)
	}
	q := url.Values{"panel": {res.Panel}, "stored": {"new"}}
	if res.Status == store.Duplicate {
		q.Set("stored", "already")
	}
	http.Redirect(w, r, "/gauge/"+url.PathEscape(g.ID)+"?"+q.Encode(), http.StatusSeeOther)
	return nil
}

// keyInForm writes the form; failed is why nothing could be stored though all was right.
func (s *Server) keyInForm(w http.ResponseWriter, r *http.Request, status int, f present.KeyInFacts, failed error) error {
	id := f.Gauge.ID
	at := "/gauge/" + url.PathEscape(id)
	m := page.KeyIn{Frame: s.frame(r, "Key in readings", ui.AtGauge), Gauge: id, Action: at + "/key-in", Back: at, Problems: f.Problems(), About: f.About(), Places: f.Grid(), Values: f.Values(), Counts: f.Counts(), Block: f.Block(), Save: "Store the readings",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge", Href: "/gauge"}, {Text: id, Href: at}}, Say: ui.Say("Key in what the gauge computer could not send."),
			Doubts: []ui.Sentence{ui.Say("The readings are judged, charted and kept like any other, and carry your name. Without the time pressed it is worked out from the time in the lehr.")}}}
	if len(f.Gauge.Masters) > 0 {
		m.Statement.Doubts[0] = m.Statement.Doubts[0].And(" A master check needs only its panel, its time and the readings.")
	}
	m.Frame.At, m.Frame.Caution = "gauge "+id, glassCaution
	if len(m.Places.Rows) == 0 {
		m.Save = "Store the values"
	}
	kept := ui.Say("Nothing is lost: all you typed stands below.")
	switch {
	case failed != nil:
		t := troubleOf(failed)
		s.logTrouble(r, t)
		m.Statement.Say, m.Statement.Doubts = ui.Say("The readings are not stored."), []ui.Sentence{ui.Say(t.Say), kept}
	case status == http.StatusConflict:
		m.Statement.Say, m.Statement.Doubts = ui.Say("The readings do not count: others are stored for this panel and time."), []ui.Sentence{kept}
	case len(f.Wrong) > 0:
		m.Statement.Say, m.Statement.Doubts = ui.Say("The readings are not stored: there "+isAre(len(f.Wrong))+ui.Plural(int64(len(f.Wrong)), "thing", "things")+" to put right."), []ui.Sentence{kept}
	}
	return s.render(w, r, status, m.Page())
}

func isAre(n int) string {
	if n == 1 {
		return "is "
	}
	return "are "
}

// stands finds the measurement of a page's address, which must be the one that counts now.
func (s *Server) stands(r *http.Request) (store.Row, error) {
	id, err := idParam(r)
	if err != nil {
		return store.Row{}, err
	}
	row, err := s.store.Measurement(r.Context(), s.site, id)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return row, notFound("There is no measurement %d.", id)
	case err != nil:
		return row, err
	case row.State == store.Superseded:
		return row, &Trouble{Status: http.StatusConflict, Say: "This measurement has been corrected already.", Do: "Look at the panel: the correction stands there and can be corrected in turn."}
	case row.State == store.Voided:
		return row, &Trouble{Status: http.StatusConflict, Say: "This measurement is void: it counts nowhere and can't be changed any more."}
	}
	return row, nil
}

// homeOf is where a stored measurement is looked at.
func homeOf(row *store.Row) string {
	if row.Press == "" {
		return "/gauge/" + url.PathEscape(row.Gauge)
	}
	return "/panels/" + url.PathEscape(row.Press) + "/" + url.PathEscape(row.Panel)
}

// showCorrect handles GET /measurements/{id}/correct.
func (s *Server) showCorrect(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayMeasure); err != nil {
		return err
	}
	row, err := s.stands(r)
	if err != nil {
		return err
	}
	f, err := s.correctFacts(&row)
	if err != nil {
		return err
	}
	f.Typed = present.TypedOf(&row, present.CountFields(f.Gauge, s.catalogue.Load().Charts()), s.zone())
	return s.correctForm(w, r, http.StatusOK, f, &row, nil)
}

// correctFacts is a form for the gauge as it was when it measured.
func (s *Server) correctFacts(row *store.Row) (present.KeyInFacts, error) {
	g, _ := s.catalogue.Load().Gauge(row.Gauge, row.MeasuredAt)
	if g == nil {
		return present.KeyInFacts{}, notFound("The gauge %s of this measurement is not defined.", row.Gauge)
	}
	return s.keyInFacts(g, present.Typed{Product: row.Product}), nil
}

// doCorrect handles POST /measurements/{id}/correct.
func (s *Server) doCorrect(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayMeasure); err != nil {
		return err
	}
	row, err := s.stands(r)
	if err != nil {
		return err
	}
	r.Body = http.MaxBytesReader(w, r.Body, formBytes)
	if err := r.ParseForm(); err != nil {
		return badInput("", "The form could not be read; nothing was stored.")
	}
	f, err := s.correctFacts(&row)
	if err != nil {
		return err
	}
	names := present.Names(f.Gauge, f.Products)
	now := s.now()
	asked := present.TypedOf(&row, present.CountFields(f.Gauge, s.catalogue.Load().Charts()), now.Location())
	f.Typed = typedForm(r, f.Gauge, names, asked.Counts.Fields)
	if row.Readings == nil {
		f.Typed.Readings = nil // a gauge that sent characteristics in place of values
	}
	if f.Wrong = f.Typed.Into(new(ingest.Message), names, now); strings.TrimSpace(f.Typed.Reason) == "" {
		f.Wrong = append(f.Wrong, reasonMissing)
	}
	if len(f.Wrong) > 0 {
		return s.correctForm(w, r, http.StatusUnprocessableEntity, f, &row, nil)
	}
	edit := func(m *ingest.Message) error {
		was, sent := *m, asked
		f.Typed.Into(m, names, now)
		// What was not touched stays as it was to the last digit, also in the hour that the clocks have twice.
		if f.Typed.MeasuredAt == sent.MeasuredAt {
			m.MeasuredAt = was.MeasuredAt
		}
		if f.Typed.PressedAt == sent.PressedAt {
			m.PressedAt = was.PressedAt
		}
		if f.Typed.Purpose == string(spc.MasterCheck) && sent.Purpose == f.Typed.Purpose {
			m.Press, m.Product, m.Mould, m.Lane = was.Press, was.Product, was.Mould, was.Lane
		}
		return nil
	}
	stored, _, err := s.correct(r, row.ID, edit, strings.TrimSpace(f.Typed.Reason))
	if err != nil {
		return s.notCorrected(w, r, f, names, &row, err)
	}
	http.Redirect(w, r, homeOf(stored), http.StatusSeeOther)
	return nil
}

var reasonMissing = present.Wrong{Field: "reason", Name: "Reason: there is none", Text: ".", Short: "Say why: whoever looks at this panel in a year has only this line."}

// notCorrected shows the form again with why the correction was not stored.
func (s *Server) notCorrected(w http.ResponseWriter, r *http.Request, f present.KeyInFacts, names []string, row *store.Row, err error) error {
	var p *ingest.Problem
	var t *Trouble
	switch {
	case errors.As(err, &p):
		f.Wrong = []present.Wrong{f.Typed.Refusal(p, names)}
	case errors.As(err, &t) && t.Field == "fields":
		f.Wrong = []present.Wrong{{Field: "panel", Name: "Nothing is different", Text: ": " + t.Say, Short: t.Say}}
	case errors.Is(err, store.ErrExists):
		f.Wrong = []present.Wrong{{Field: "measured_at", Name: "Another measurement", Text: " of this panel on " + row.Gauge + " stands at this time.", Short: "Another measurement of this panel stands at this time."}}
	default:
		return s.correctForm(w, r, troubleOf(err).Status, f, row, err)
	}
	return s.correctForm(w, r, http.StatusUnprocessableEntity, f, row, nil)
}

func (s *Server) correctForm(w http.ResponseWriter, r *http.Request, status int, f present.KeyInFacts, row *store.Row, failed error) error {
	held, err := s.heldPanels(r.Context(), []store.Row{*row})
	if err != nil {
		return err
	}
	m := page.Correct{Frame: s.frame(r, "Correct a measurement", ui.AtPanels), Action: r.URL.Path, Back: homeOf(row), Problems: f.Problems(), About: f.About(), Places: f.Grid(), Values: f.Values(), Counts: f.Counts(), Save: "Store the correction",
		Was: present.Stored(row, s.now(), held[store.PanelID{Press: row.Press, Panel: row.Panel}]...), Reason: reasonField(f.Typed.Reason, f.Wrong)}
	if row.Readings == nil {
		m.Places = page.Places{}
	}
	when := ui.Moment(row.MeasuredAt.In(s.zone()), s.now())
	m.Statement = ui.Statement{Where: whereOf(row), Say: ui.Say("Correct the measurement of " + when + "."),
		Doubts: []ui.Sentence{ui.Say("The correction takes its place in the order of the press; charts and verdicts are worked out again from there. What was sent first stays to be seen.")}}
	switch {
	case failed != nil:
		t := troubleOf(failed)
		s.logTrouble(r, t)
		m.Statement.Say, m.Statement.Doubts = ui.Say("The correction is not stored."), []ui.Sentence{ui.Say(t.Say)}
	case len(f.Wrong) > 0:
		m.Statement.Say, m.Statement.Doubts = ui.Say("The correction is not stored: there "+isAre(len(f.Wrong))+ui.Plural(int64(len(f.Wrong)), "thing", "things")+" to put right."), []ui.Sentence{ui.Say("What you typed stands below; what is stored still holds.")}
	}
	return s.render(w, r, status, m.Page())
}

func whereOf(row *store.Row) []ui.Run {
	if row.Press == "" {
		return []ui.Run{{Text: "Gauge", Href: "/gauge"}, {Text: row.Gauge, Href: homeOf(row)}, {Text: "master " + row.Panel}}
	}
	return []ui.Run{{Text: "Panels", Href: "/panels"}, {Text: row.Panel, Href: homeOf(row)}}
}

func reasonField(typed string, wrong []present.Wrong) ui.Input {
	in := ui.Input{ID: "reason", Name: "reason", Label: "Reason", Help: "Kept with your name and the time; shown wherever the measurement is shown.", Area: true, Value: typed}
	for _, w := range wrong {
		if w.Field == "reason" {
			in.Problem = w.Short
		}
	}
	return in
}

// showVoid handles GET /measurements/{id}/void.
func (s *Server) showVoid(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayVoid); err != nil {
		return err
	}
	row, err := s.stands(r)
	if err != nil {
		return err
	}
	return s.voidForm(w, r, http.StatusOK, &row, nil)
}

// doVoid handles POST /measurements/{id}/void.
func (s *Server) doVoid(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayVoid); err != nil {
		return err
	}
	row, err := s.stands(r)
	if err != nil {
		return err
	}
	reason := strings.TrimSpace(r.PostFormValue("reason"))
	if reason == "" {
		return s.voidForm(w, r, http.StatusUnprocessableEntity, &row, []present.Wrong{reasonMissing})
	}
	if err := s.store.Void(r.Context(), s.site, row.ID, reason, source(r.Context())); err != nil {
		return err
	}
	http.Redirect(w, r, homeOf(&row), http.StatusSeeOther)
	return nil
}

func (s *Server) voidForm(w http.ResponseWriter, r *http.Request, status int, row *store.Row, wrong []present.Wrong) error {
	rows, err := s.store.Panel(r.Context(), s.site, row.Press, row.Panel)
	if err != nil {
		return err
	}
	held, err := s.heldPanels(r.Context(), []store.Row{*row})
	if err != nil {
		return err
	}
	when := ui.Moment(row.MeasuredAt.In(s.zone()), s.now())
	m := page.Void{Frame: s.frame(r, "Void a measurement", ui.AtPanels), Action: r.URL.Path, Back: homeOf(row), Problems: present.KeyInFacts{Wrong: wrong}.Problems(),
		Was: present.Stored(row, s.now(), held[store.PanelID{Press: row.Press, Panel: row.Panel}]...), Means: present.VoidMeans(row, rows, s.kindOf, s.now()), Reason: reasonField(r.PostFormValue("reason"), wrong), Save: "Void the measurement of " + when,
		Statement: ui.Statement{Where: whereOf(row), Say: ui.Say("Void the measurement of " + when + "."), Doubts: []ui.Sentence{ui.Say("It stays to be seen with your reason, and counts nowhere any more.")}}}
	if len(wrong) > 0 {
		m.Statement.Say = ui.Say("The measurement is not void: the reason is missing.")
	}
	return s.render(w, r, status, m.Page())
}
