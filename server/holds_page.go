package server

import (
	"encoding/csv"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"sagwatch/server/present"
	"sagwatch/store"
	"sagwatch/web/ui"
)

const (
	// holdsShown is how many closed holds one page of the list has, heldShown how many panels the page of a hold.
	holdsShown = 25
	heldShown  = 50
	// holdLogged is how many decisions the log of a page shows.
	holdLogged = 40
)

// showHolds handles GET /holds?before=: open holds, then the closed ones, newest first.
func (s *Server) showHolds(w http.ResponseWriter, r *http.Request) error {
	ctx, q := r.Context(), r.URL.Query()
	all, err := s.store.Holds(ctx, s.site, store.HoldFilter{})
	if err != nil {
		return err
	}
	before, _ := strconv.ParseInt(q.Get("before"), 10, 64)
	d := present.HoldsData{MayHold: who(ctx).May(mayHold)}
	for _, h := range all {
		open := h.Closed.IsZero()
		if !open && (before > 0 && h.ID >= before) {
			continue
		}
		if !open && len(d.Closed) == holdsShown {
			d.Older = "/holds?before=" + strconv.FormatInt(d.Closed[holdsShown-1].ID, 10)
			continue
		}
		p, err := s.store.HoldProgress(ctx, s.site, h.ID, h.HoldPredicate)
		if err != nil {
			return err
		}
		if one := (present.HoldOnList{Hold: h, Progress: p}); open {
			d.Open = append(d.Open, one)
		} else {
			d.Closed = append(d.Closed, one)
		}
	}
	if before > 0 {
		d.Newer = "/holds"
	}
	f := s.frame(r, "Holds", ui.AtHolds)
	f.Live = "/live"
	return s.render(w, r, http.StatusOK, present.Holds(s.view(r), f, d).Page())
}

// showNewHold handles GET /holds/new?press=&from=&to=&moulds=&lanes=&serials=&signal=&reason=: filled in by whoever leads here.
func (s *Server) showNewHold(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayHold); err != nil {
		return err
	}
	return s.newHoldForm(w, r, http.StatusOK, nil)
}

func (s *Server) newHoldForm(w http.ResponseWriter, r *http.Request, status int, wrong map[string]string) error {
	d := present.NewHold{Press: r.FormValue("press"), From: r.FormValue("from"), To: r.FormValue("to"), Moulds: r.FormValue("moulds"), Lanes: r.FormValue("lanes"), Serials: r.FormValue("serials"),
		Reason: r.FormValue("reason"), Signal: r.FormValue("signal"), Wrong: wrong}
	for _, p := range s.catalogue.Load().Presses() {
		if !p.Retired {
			d.Presses = append(d.Presses, p.ID)
		}
	}
	f := s.frame(r, "Put panels on hold", ui.AtHolds)
	f.Caution = glassCaution
	return s.render(w, r, status, present.HoldNew(f, d).Page())
}

// words splits what was typed or scanned at spaces, commas and line ends.
func words(text string) []string {
	return strings.FieldsFunc(text, func(c rune) bool { return c == ' ' || c == ',' || c == ';' || c == '\n' || c == '\r' || c == '\t' })
}

// doNewHold handles POST /holds/new.
func (s *Server) doNewHold(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayHold); err != nil {
		return err
	}
	r.Body = http.MaxBytesReader(w, r.Body, formBytes)
	if err := r.ParseForm(); err != nil {
		return badInput("", "The form could not be read; nothing is on hold.")
	}
	wrong := map[string]string{}
	h := store.Hold{Reason: r.PostFormValue("reason"), Signal: r.PostFormValue("signal"), By: source(r.Context())}
	h.Press, h.Moulds, h.Lanes = r.PostFormValue("press"), words(r.PostFormValue("moulds")), words(r.PostFormValue("lanes"))
	for _, name := range []string{"from", "to"} {
		text := strings.TrimSpace(r.PostFormValue(name))
		if text == "" {
			continue
		}
		t, ok := s.typed(text)
		switch {
		case !ok:
			wrong[name] = "“" + cut(text, 40) + "” " + howToType
		case name == "from":
			h.From = t
		default:
			h.To = t
		}
	}
	list := words(r.PostFormValue("serials"))
	if len(list) == 3 && (list[1] == "to" || list[1] == "-") {
		h.First, h.Last = list[0], list[2]
	} else {
		h.Serials = list
	}
	if len(wrong) == 0 {
		made, bad, err := s.makeHold(r.Context(), h)
		if err != nil {
			return err
		}
		if len(bad) == 0 {
			http.Redirect(w, r, present.HoldHref(made.ID)+"?said=made", http.StatusSeeOther)
			return nil
		}
		field := map[string]string{"first": "serials", "streams": "moulds"}
		for _, t := range bad {
			name := t.Field
			if field[name] != "" {
				name = field[name]
			}
			wrong[name] = t.Say
		}
	}
	return s.newHoldForm(w, r, http.StatusUnprocessableEntity, wrong)
}

// showHold handles GET /holds/{id}?show=&after=&at=&decision=&reason=&said=.
func (s *Server) showHold(w http.ResponseWriter, r *http.Request) error {
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	q := r.URL.Query()
	return s.renderHold(w, r, http.StatusOK, present.HoldData{Hold: h, Decision: q.Get("decision"), Reason: q.Get("reason")}, saidOfHold(q))
}

// saidOfHold says what has just been done; what was written stands in the log with its name.
func saidOfHold(q url.Values) string {
	n := cut(q.Get("n"), 70)
	switch q.Get("said") {
	case "made":
		return "These panels are on hold."
	case "decided":
		return "Written for " + n + ". Scan the next serial."
	case "released":
		k, _ := strconv.ParseInt(n, 10, 64)
		return "Released: " + ui.Plural(k, "panel", "panels") + "."
	case "ended":
		return "The range is ended."
	case "closed":
		return "The hold is closed."
	}
	return ""
}

func (s *Server) renderHold(w http.ResponseWriter, r *http.Request, status int, d present.HoldData, said string) error {
	ctx, q, h := r.Context(), r.URL.Query(), &d.Hold
	var err error
	if d.Progress, err = s.store.HoldProgress(ctx, s.site, h.ID, h.HoldPredicate); err != nil {
		return err
	}
	show := q.Get("show")
	if show == "" && d.Progress.Outstanding > 0 {
		show = store.Outstanding
	}
	if show == store.Outstanding || show == store.Lifted || slices.Contains(decisions, show) {
		d.Shown = show
	}
	ask := store.HoldPanelsQuery{Hold: h.HoldPredicate, Of: h.ID, Decision: d.Shown, Limit: heldShown}
	if serial := q.Get("after"); serial != "" {
		at, err := timeParam(q, "at")
		if err != nil {
			return err
		}
		ask.After = &store.HoldCursor{LineAt: at, Panel: serial}
		d.Newer = present.HoldHref(h.ID) + "?show=" + url.QueryEscape(orAll(d.Shown))
	}
	list, next, err := s.store.HoldPanels(ctx, s.site, ask)
	if err != nil {
		return err
	}
	judged, err := s.judgedPanels(ctx, h.Press, list)
	if err != nil {
		return err
	}
	for i := range list {
		j := judged[list[i].Panel]
		d.Panels = append(d.Panels, present.HeldPanel{HoldPanel: list[i], Verdict: j.Verdict, Last: j.Last})
	}
	if next != nil {
		d.Older = present.HoldHref(h.ID) + "?" + url.Values{"show": {orAll(d.Shown)}, "after": {next.Panel}, "at": {next.LineAt.UTC().Format(time.RFC3339Nano)}}.Encode()
	}
	if d.Log, err = s.store.HoldLog(ctx, s.site, h.ID); err != nil {
		return err
	}
	if d.Decisions, err = s.store.HoldDecisions(ctx, s.site, h.ID, "", holdLogged); err != nil {
		return err
	}
	d.InLehr = s.inLehr(&h.HoldPredicate)
	u := who(ctx)
	d.MayDecide, d.MayMeasure = u.May(mayRelease), u.May(mayHold)
	f := s.frame(r, "Hold "+strconv.FormatInt(h.ID, 10), ui.AtHolds)
	f.Caution, f.Said = glassCaution, said
	f.Live = "/live?" + url.Values{"press": {h.Press}}.Encode()
	if r.Method == http.MethodPost {
		f.Here = present.HoldHref(h.ID)
	}
	return s.render(w, r, status, present.Hold(s.view(r), f, d).Page())
}

func orAll(decision string) string {
	if decision == "" {
		return "all"
	}
	return decision
}

// doHoldPanels handles POST /holds/{id}/panels: panel (one or several serials), decision, reason.
func (s *Server) doHoldPanels(w http.ResponseWriter, r *http.Request) error {
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	d := present.HoldData{Hold: h, Serial: strings.TrimSpace(r.PostFormValue("panel")), Decision: r.PostFormValue("decision"), Reason: strings.TrimSpace(r.PostFormValue("reason"))}
	may := mayRelease
	if d.Decision == store.Remeasure {
		may = mayHold
	}
	if err := require(r, may); err != nil {
		return err
	}
	err = s.decide(r.Context(), h.ID, store.HoldDecision{Decision: d.Decision, Reason: d.Reason, By: source(r.Context())}, words(d.Serial), s.view(r).Moment)
	var t *Trouble
	if errors.As(err, &t) && t.Status == http.StatusUnprocessableEntity {
		d.Wrong, d.WrongField = strings.TrimSpace(t.Say+" "+t.Do), t.Field
		switch t.Field {
		case "decision":
			d.Wrong = "choose what becomes of it."
		case "reason":
			d.Wrong = "each decision on a panel on hold says why, in at most 1000 characters."
		case "panel":
			if d.Serial == "" {
				d.Wrong = "scan or type one."
			}
		}
		return s.renderHold(w, r, http.StatusUnprocessableEntity, d, "")
	}
	if err != nil {
		return err
	}
	said := words(d.Serial)[0]
	if n := len(words(d.Serial)); n > 1 {
		said = strconv.Itoa(n) + " panels"
	}
	http.Redirect(w, r, present.HoldHref(h.ID)+"?"+url.Values{"decision": {d.Decision}, "reason": {d.Reason}, "said": {"decided"}, "n": {said}}.Encode(), http.StatusSeeOther)
	return nil
}

// onHold runs one act on a whole hold and shows its form again when something is wrong with it.
func (s *Server) onHold(w http.ResponseWriter, r *http.Request, act string, do func(h *store.Hold) (url.Values, error)) error {
	if err := require(r, mayRelease); err != nil {
		return err
	}
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	said, err := do(&h)
	var t *Trouble
	if errors.As(err, &t) && t.Status == http.StatusUnprocessableEntity {
		d := present.HoldData{Hold: h, ActWrong: map[string]string{act: t.Say}, WrongField: t.Field, ActReason: r.PostFormValue("reason"), ActTo: r.PostFormValue("to")}
		return s.renderHold(w, r, http.StatusUnprocessableEntity, d, "")
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, present.HoldHref(h.ID)+"?"+said.Encode(), http.StatusSeeOther)
	return nil
}

// doHoldRelease handles POST /holds/{id}/release: condition, reason.
func (s *Server) doHoldRelease(w http.ResponseWriter, r *http.Request) error {
	return s.onHold(w, r, "release", func(h *store.Hold) (url.Values, error) {
		n, _, err := s.releaseRest(r.Context(), h.ID, r.PostFormValue("condition"), r.PostFormValue("reason"), source(r.Context()))
		return url.Values{"said": {"released"}, "n": {strconv.Itoa(n)}}, err
	})
}

// doHoldEnd handles POST /holds/{id}/end: to, reason.
func (s *Server) doHoldEnd(w http.ResponseWriter, r *http.Request) error {
	return s.onHold(w, r, "end", func(h *store.Hold) (url.Values, error) {
		text := strings.TrimSpace(r.PostFormValue("to"))
		to, ok := s.typed(text)
		if !ok {
			return nil, badInput("to", "“%s” %s", cut(text, 40), howToType)
		}
		return url.Values{"said": {"ended"}}, s.endHold(r, h, to, r.PostFormValue("reason"))
	})
}

// doHoldClose handles POST /holds/{id}/close: reason.
func (s *Server) doHoldClose(w http.ResponseWriter, r *http.Request) error {
	return s.onHold(w, r, "close", func(h *store.Hold) (url.Values, error) {
		return url.Values{"said": {"closed"}}, s.closeHold(r, h, r.PostFormValue("reason"))
	})
}

// saveHold handles GET /holds/{id}/panels.csv: all its panels, however many.
func (s *Server) saveHold(w http.ResponseWriter, r *http.Request) error {
	h, err := s.holdOf(r)
	if err != nil {
		return err
	}
	q := store.HoldPanelsQuery{Hold: h.HoldPredicate, Of: h.ID, Limit: 1000}
	var out *csv.Writer
	for {
		list, next, err := s.heldList(r, &h, q)
		if err != nil && out == nil {
			return err
		}
		if err != nil {
			panic(http.ErrAbortHandler) // a table that breaks off must not look whole
		}
		first := out == nil
		if first {
			w.Header().Set("Content-Type", "text/csv; charset=utf-8")
			w.Header().Set("Content-Disposition", `attachment; filename="hold-`+strconv.FormatInt(h.ID, 10)+`.csv"`)
			out = csv.NewWriter(w)
		}
		if heldCSV(out, h.Press, list, first) != nil || next == nil {
			return nil // all, or the browser has gone
		}
		q.After = next
	}
}
