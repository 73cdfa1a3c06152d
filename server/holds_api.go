package server

import (
	"encoding/csv"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/spc"
	"sagwatch/store"
)

// holdJSON is a hold as the machine interface shows it. Of the three ways to say which panels, one is there.
type holdJSON struct {
	ID       int64         `json:"id"`
	Press    string        `json:"press"`
	Streams  []string      `json:"streams"`
	From     *time.Time    `json:"from"`
	To       *time.Time    `json:"to"`
	Serials  []string      `json:"serials,omitempty"`
	First    string        `json:"first_serial,omitempty"`
	Last     string        `json:"last_serial,omitempty"`
	Signal   *string       `json:"signal"`
	Reason   string        `json:"reason"`
	By       string        `json:"by"`
	At       time.Time     `json:"at"`
	State    string        `json:"state"` // open | closed
	ClosedAt *time.Time    `json:"closed_at"`
	Progress *progressJSON `json:"progress,omitempty"`
}

type progressJSON struct {
	Held        int        `json:"held"`
	Decided     int        `json:"decided"`
	Released    int        `json:"released"`
	Rework      int        `json:"rework"`
	Scrapped    int        `json:"scrapped"`
	Lifted      int        `json:"lifted"`
	Outstanding int        `json:"outstanding"`
	ToMeasure   int        `json:"to_measure"`
	Remeasured  int        `json:"remeasured"`
	InLehr      int        `json:"in_lehr_about"`
	First       *time.Time `json:"first_at"`
	Last        *time.Time `json:"last_at"`
}

// whenGiven is nil for the zero time.
func whenGiven(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func (s *Server) holdJSON(h *store.Hold, p *store.HoldProgress) holdJSON {
	out := holdJSON{ID: h.ID, Press: h.Press, Streams: holdStreamNames(&h.HoldPredicate), From: whenGiven(h.From), To: whenGiven(h.To), Serials: h.Serials, First: h.First, Last: h.Last,
		Reason: h.Reason, By: h.By, At: h.At, State: "open", ClosedAt: whenGiven(h.Closed)}
	if !h.Closed.IsZero() {
		out.State = "closed"
	}
	if h.Signal != "" {
		out.Signal = &h.Signal
	}
	if p != nil {
		out.Progress = &progressJSON{Held: p.Held, Decided: p.Decided(), Released: p.Released, Rework: p.Rework, Scrapped: p.Scrapped, Lifted: p.Lifted, Outstanding: p.Outstanding,
			ToMeasure: p.ToMeasure, Remeasured: p.Measured, InLehr: s.inLehr(&h.HoldPredicate), First: whenGiven(p.First), Last: whenGiven(p.Last)}
	}
	return out
}

// lehrSilence is how long after its time in the lehr a panel may be missed before the clock says nothing of what is in there.
const lehrSilence = 30 * time.Minute

// inLehr estimates how many panels of a predicate are pressed and not measured yet: the takts of the last lehr time that lie in its range,
// less what moulds and lanes leave out. It is a count by the clock: which panels they are is known when they are measured.
func (s *Server) inLehr(p *store.HoldPredicate) int {
	if !p.ByTime() {
		return 0
	}
	now := s.cfg.Now()
	def, _ := s.catalogue.Load().Press(p.Press, now)
	if def == nil || def.TaktS <= 0 {
		return 0
	}
	from, to := s.watch.LastAt(p.Press, ""), now
	oldest := now.Add(-time.Duration(def.LehrMinutes * float64(time.Minute)))
	if from.Before(oldest.Add(-lehrSilence)) {
		return 0 // nothing has left the lehr for so long: the press stands, or the gauge is silent, and the clock tells nothing
	}
	if from.Before(oldest) {
		from = oldest
	}
	if p.From.After(from) {
		from = p.From
	}
	if !p.To.IsZero() && p.To.Before(to) {
		to = p.To
	}
	if !to.After(from) {
		return 0
	}
	share := 1.0
	if len(p.Gauges) == 0 && len(p.Moulds)+len(p.Lanes) > 0 {
		moulds, lanes := 0.0, 0.0
		if n := len(def.Moulds); n > 0 {
			moulds = min(1, float64(len(p.Moulds))/float64(n))
		}
		if n := len(def.Lanes); n > 0 {
			lanes = min(1, float64(len(p.Lanes))/float64(n))
		}
		share = moulds + lanes - moulds*lanes
	}
	return int(to.Sub(from).Seconds()/def.TaktS*share + 0.5)
}

func holdID(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(chi.URLParam(r, "id"), 10, 64)
	if err != nil || id < 1 {
		return 0, notFound("There is no hold %.40q: its number is a whole number.", chi.URLParam(r, "id"))
	}
	return id, nil
}

// holdOf finds the hold of an address.
func (s *Server) holdOf(r *http.Request) (store.Hold, error) {
	id, err := holdID(r)
	if err != nil {
		return store.Hold{}, err
	}
	h, err := s.store.Hold(r.Context(), s.site, id)
	if errors.Is(err, store.ErrNotFound) {
		return h, notFound("There is no hold %d.", id)
	}
	return h, err
}

// getHolds handles GET /api/v1/holds?press=&state=&signal=&before=&limit=: newest first.
func (s *Server) getHolds(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	f := store.HoldFilter{Press: q.Get("press"), Signal: q.Get("signal")}
	switch q.Get("state") {
	case "":
	case "open":
		f.OpenOnly = true
	default:
		return badInput("state", "state %.20q is not known; use open, or leave it out for all.", q.Get("state"))
	}
	var err error
	if f.Limit, err = limitParam(q, 50, 500); err != nil {
		return err
	}
	if v := q.Get("before"); v != "" {
		if f.Before, err = strconv.ParseInt(v, 10, 64); err != nil || f.Before < 1 {
			return badInput("before", "before=%.20q is not the number of a hold.", v)
		}
	}
	list, err := s.store.Holds(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	out := make([]holdJSON, len(list))
	for i := range list {
		out[i] = s.holdJSON(&list[i], nil)
	}
	if len(list) == f.Limit {
		q.Set("before", strconv.FormatInt(list[len(list)-1].ID, 10))
		w.Header().Set("Link", "<"+r.URL.Path+"?"+q.Encode()+`>; rel="next"`)
	}
	return writeJSON(w, http.StatusOK, map[string]any{"holds": out})
}

// postHold handles POST /api/v1/holds: {press, streams, from, to | serials | first_serial, last_serial, signal, reason}.
func (s *Server) postHold(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Press   string    `json:"press"`
		Streams []string  `json:"streams"`
		From    time.Time `json:"from"`
		To      time.Time `json:"to"`
		Serials []string  `json:"serials"`
		First   string    `json:"first_serial"`
		Last    string    `json:"last_serial"`
		Signal  string    `json:"signal"`
		Reason  string    `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	h := store.Hold{HoldPredicate: store.HoldPredicate{Press: in.Press, From: in.From, To: in.To, Serials: in.Serials, First: in.First, Last: in.Last},
		Signal: in.Signal, Reason: in.Reason, By: source(r.Context())}
	if err := holdStreams(&h.HoldPredicate, in.Streams); err != nil {
		return err
	}
	h, wrong, err := s.makeHold(r.Context(), h)
	if err != nil {
		return err
	}
	if len(wrong) > 0 {
		return &wrong[0]
	}
	w.Header().Set("Location", "/api/v1/holds/"+strconv.FormatInt(h.ID, 10))
	return s.writeHold(w, r, http.StatusCreated, h.ID)
}

// writeHold answers with a hold as it stands now.
func (s *Server) writeHold(w http.ResponseWriter, r *http.Request, status int, id int64) error {
	ctx := r.Context()
	h, err := s.store.Hold(ctx, s.site, id)
	if err != nil {
		return err
	}
	p, err := s.store.HoldProgress(ctx, s.site, id, h.HoldPredicate)
	if err != nil {
		return err
	}
	log, err := s.store.HoldLog(ctx, s.site, id)
	if err != nil {
		return err
	}
	type entry struct {
		Kind   string     `json:"kind"`
		To     *time.Time `json:"to,omitempty"`
		Lifted int        `json:"lifted,omitempty"`
		Reason string     `json:"reason"`
		By     string     `json:"by"`
		At     time.Time  `json:"at"`
	}
	entries := []entry{}
	for _, e := range log {
		var to *time.Time
		if e.To.Year() > 1 {
			to = &e.To
		}
		entries = append(entries, entry{e.Kind, to, e.Lifted, e.Reason, e.By, e.At})
	}
	return writeJSON(w, status, struct {
		holdJSON
		Log []entry `json:"log"`
	}{s.holdJSON(&h, &p), entries})
}

// getHold handles GET /api/v1/holds/{id}.
func (s *Server) getHold(w http.ResponseWriter, r *http.Request) error {
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	return s.writeHold(w, r, http.StatusOK, h.ID)
}

// heldPanelJSON is a panel of a hold.
type heldPanelJSON struct {
	Panel      string        `json:"panel"`
	LineAt     *time.Time    `json:"line_at"`
	Estimated  bool          `json:"line_estimated,omitempty"`
	Mould      string        `json:"mould,omitempty"`
	Lane       string        `json:"lane,omitempty"`
	Product    string        `json:"product,omitempty"`
	Where      string        `json:"where"` // measured | not-measured
	Verdict    spc.Verdict   `json:"verdict"`
	MeasuredAt *time.Time    `json:"measured_at"`
	OnHold     bool          `json:"on_hold"`
	Decision   *decisionJSON `json:"decision"`
	Remeasured *time.Time    `json:"remeasured_at,omitempty"`
}

type decisionJSON struct {
	Decision string    `json:"decision"`
	Reason   string    `json:"reason"`
	By       string    `json:"by"`
	At       time.Time `json:"at"`
}

// getHoldPanels handles GET /api/v1/holds/{id}/panels?decision=&limit=&after=: JSON or CSV by Accept, next page in Link.
func (s *Server) getHoldPanels(w http.ResponseWriter, r *http.Request) error {
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	q := r.URL.Query()
	ask := store.HoldPanelsQuery{Hold: h.HoldPredicate, Of: h.ID, Decision: q.Get("decision")}
	if d := ask.Decision; d != "" && d != store.Outstanding && d != store.Lifted && !slices.Contains(decisions, d) {
		return badInput("decision", "decision %.20q is not known; use outstanding, lifted, %s.", d, strings.Join(decisions, ", "))
	}
	if ask.Limit, err = limitParam(q, 100, 10_000); err != nil {
		return err
	}
	after, err := uncursor(q.Get("after"))
	if err != nil {
		return err
	}
	if after != nil {
		ask.After = &store.HoldCursor{LineAt: after.Key.LineAt, Panel: after.Key.Panel}
	}
	list, next, err := s.heldList(r, &h, ask)
	if err != nil {
		return err
	}
	if next != nil {
		place, err := cursor(&store.Cursor{Key: spc.OrderKey{LineAt: next.LineAt, Panel: next.Panel}})
		if err != nil {
			return err
		}
		q.Set("after", place)
		w.Header().Set("Link", "<"+r.URL.Path+"?"+q.Encode()+`>; rel="next"`)
	}
	if strings.Contains(r.Header.Get("Accept"), "text/csv") {
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		out := csv.NewWriter(w)
		if err := heldCSV(out, h.Press, list, true); err != nil {
			return nil //nolint:nilerr // the client has gone
		}
		return nil
	}
	return writeJSON(w, http.StatusOK, map[string]any{"hold": h.ID, "press": h.Press, "panels": list})
}

// heldList reads a page of a hold's panels with the verdict of each as it stands.
func (s *Server) heldList(r *http.Request, h *store.Hold, q store.HoldPanelsQuery) ([]heldPanelJSON, *store.HoldCursor, error) {
	list, next, err := s.store.HoldPanels(r.Context(), s.site, q)
	if err != nil {
		return nil, nil, err
	}
	out := make([]heldPanelJSON, 0, len(list))
	for len(list) > 0 { // whole measurements are read, a few hundred panels at a time
		part := list[:min(len(list), 500)]
		list = list[len(part):]
		judged, err := s.judgedPanels(r.Context(), h.Press, part)
		if err != nil {
			return nil, nil, err
		}
		for i := range part {
			out = append(out, heldPanelOf(&part[i], judged[part[i].Panel]))
		}
	}
	return out, next, nil
}

func heldPanelOf(p *store.HoldPanel, j judgedPanel) heldPanelJSON {
	out := heldPanelJSON{Panel: p.Panel, LineAt: whenGiven(p.LineAt), Estimated: p.Estimated, Mould: p.Mould, Lane: p.Lane, Product: p.Product, Where: "measured",
		Verdict: j.Verdict, MeasuredAt: whenGiven(j.Last), OnHold: (&store.PanelHold{Decision: p.Decision}).Bars(), Remeasured: whenGiven(p.Measured)}
	if j.Last.IsZero() {
		out.Where, out.Verdict = "not-measured", spc.NotJudged
	}
	if d := p.Decision; d != nil {
		out.Decision = &decisionJSON{d.Decision, d.Reason, d.By, d.At}
	}
	return out
}

// heldCSV writes panels of a hold as lines of a table.
func heldCSV(out *csv.Writer, press string, list []heldPanelJSON, head bool) error {
	if head {
		_ = out.Write([]string{"press", "panel", "line_at", "line_estimated", "mould", "lane", "product", "where", "verdict", "measured_at", "on_hold", "decision", "decision_reason", "decided_by", "decided_at", "remeasured_at"}) // Error tells
	}
	when := func(t *time.Time) string {
		if t == nil {
			return ""
		}
		return t.UTC().Format(time.RFC3339Nano)
	}
	for _, p := range list {
		line := []string{press, p.Panel, when(p.LineAt), strconv.FormatBool(p.Estimated), p.Mould, p.Lane, p.Product, p.Where, string(p.Verdict), when(p.MeasuredAt), strconv.FormatBool(p.OnHold), "", "", "", "", when(p.Remeasured)}
		if d := p.Decision; d != nil {
			line[11], line[12], line[13], line[14] = d.Decision, d.Reason, d.By, when(&d.At)
		}
		_ = out.Write(line) // Error tells
	}
	out.Flush()
	return out.Error()
}

// postHoldPanels handles POST /api/v1/holds/{id}/panels: {panel | panels, decision, reason}.
func (s *Server) postHoldPanels(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Panel    string   `json:"panel"`
		Panels   []string `json:"panels"`
		Decision string   `json:"decision"`
		Reason   string   `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	if in.Panel != "" {
		in.Panels = append(in.Panels, in.Panel)
	}
	if err := s.decide(r.Context(), h.ID, store.HoldDecision{Decision: in.Decision, Reason: in.Reason, By: source(r.Context())}, in.Panels, momentUTC); err != nil {
		return err
	}
	return s.writeHold(w, r, http.StatusOK, h.ID)
}

// postHoldRelease handles POST /api/v1/holds/{id}/release: {condition, reason}: all that remain and satisfy the condition.
func (s *Server) postHoldRelease(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Condition string `json:"condition"`
		Reason    string `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	released, left, err := s.releaseRest(r.Context(), h.ID, in.Condition, in.Reason, source(r.Context()))
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"hold": h.ID, "released": released, "outstanding": left})
}

// postHoldEnd handles POST /api/v1/holds/{id}/end: {to, reason}.
func (s *Server) postHoldEnd(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		To     time.Time `json:"to"`
		Reason string    `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	if err := s.endHold(r, &h, in.To, in.Reason); err != nil {
		return err
	}
	return s.writeHold(w, r, http.StatusOK, h.ID)
}

// endHold ends an open range.
func (s *Server) endHold(r *http.Request, h *store.Hold, to time.Time, reason string) error {
	reason = strings.TrimSpace(reason)
	switch {
	case !h.Open():
		return &Trouble{Status: http.StatusConflict, Say: "Hold " + strconv.FormatInt(h.ID, 10) + " has an end already; nothing was changed.", Do: "Panels outside its range need a hold of their own."}
	case to.IsZero():
		return badInput("to", "to is missing: the time pressed from which panels are no longer held.")
	case !micro(to).After(h.From):
		return badInput("to", "to is not after the beginning of the hold, %s.", h.From.UTC().Format(time.RFC3339))
	case reason == "":
		return badInput("reason", "reason is missing: why is what is pressed from then on sound?")
	}
	if err := s.store.EndHold(r.Context(), s.site, h.ID, micro(to), reason, source(r.Context())); err != nil {
		return err
	}
	s.holdsChanged(r.Context())
	return nil
}

// postHoldClose handles POST /api/v1/holds/{id}/close: {reason}.
func (s *Server) postHoldClose(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Reason string `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	if err := s.closeHold(r, &h, in.Reason); err != nil {
		return err
	}
	return s.writeHold(w, r, http.StatusOK, h.ID)
}

// closeHold closes a hold, with a reason also when somebody has still to decide on panels.
func (s *Server) closeHold(r *http.Request, h *store.Hold, reason string) error {
	name := "Hold " + strconv.FormatInt(h.ID, 10)
	switch {
	case !h.Closed.IsZero():
		return &Trouble{Status: http.StatusConflict, Say: name + " is closed already."}
	case h.Open():
		return &Trouble{Status: http.StatusConflict, Say: name + " has no end yet, and would hold panels that are pressed after it was closed.", Do: "End it first: say from which time pressed panels are no longer held."}
	}
	err := s.store.CloseHold(r.Context(), s.site, h.ID, strings.TrimSpace(reason), source(r.Context()))
	var left *store.OutstandingError
	if errors.As(err, &left) {
		return badInput("reason", "On %d panels of hold %d nobody has decided. Decide on them, or give the reason why the hold is closed all the same; it is kept with each of them.", left.Panels, h.ID)
	}
	if err != nil {
		return err
	}
	s.holdsChanged(r.Context())
	return nil
}
