package server

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"sagwatch/server/ingest"
	"sagwatch/spc"
	"sagwatch/store"
)

// heldPress is the holds of one press, by which answers to gauges are given without asking the database each time.
type heldPress struct {
	holds   []store.Hold
	settled map[int64]map[string]bool // of open holds: panels that were let go
}

// loadHolds reads the holds anew.
func (s *Server) loadHolds(ctx context.Context) error {
	list, err := s.store.Holds(ctx, s.site, store.HoldFilter{})
	if err != nil {
		return err
	}
	settled, err := s.store.SettledPanels(ctx, s.site)
	if err != nil {
		return err
	}
	by := map[string]*heldPress{}
	for _, h := range list {
		p := by[h.Press]
		if p == nil {
			p = &heldPress{settled: settled}
			by[h.Press] = p
		}
		p.holds = append(p.holds, h)
	}
	s.held.Store(&by)
	return nil
}

// holdsChanged reads the holds anew and logs when it cannot: the next notice or the next minute tries again.
func (s *Server) holdsChanged(ctx context.Context) {
	if err := s.loadHolds(ctx); err != nil && ctx.Err() == nil {
		s.log.Error("holds not read again", "error", err)
	}
}

// barring finds the holds that keep the panel of a measurement that was taken in from being good. A panel that is measured for the first
// time is told by the holds at hand; of one that was measured before, and of a range that is closed, the database is asked.
func (s *Server) barring(ctx context.Context, row *store.Row, status string) ([]store.PanelHold, error) {
	by := s.held.Load()
	if by == nil || row.Press == "" || row.Purpose != spc.Production && row.Purpose != spc.Recheck {
		return nil, nil
	}
	p := (*by)[row.Press]
	if p == nil {
		return nil, nil
	}
	ask := status != store.Stored || !row.Counted
	var out []store.PanelHold
	for i := range p.holds {
		h := &p.holds[i]
		if ask || !h.Tells(row) {
			continue
		}
		if !h.Closed.IsZero() {
			ask = true // its decisions are not at hand
			break
		}
		if !p.settled[h.ID][row.Panel] {
			out = append(out, store.PanelHold{Hold: *h})
		}
	}
	if !ask {
		return out, nil
	}
	id := store.PanelID{Press: row.Press, Panel: row.Panel}
	of, err := s.store.HoldsOf(ctx, s.site, []store.PanelID{id})
	return barringOf(of[id]), err
}

// barringOf keeps the holds that keep a panel from being good.
func barringOf(hs []store.PanelHold) (out []store.PanelHold) {
	for _, h := range hs {
		if h.Bars() {
			out = append(out, h)
		}
	}
	return out
}

// answerHeld adds to an answer that the panel is on hold.
func (s *Server) answerHeld(ctx context.Context, res *ingest.Result, row *store.Row) error {
	if row == nil || res.Status == "refused" {
		return nil
	}
	hs, err := s.barring(ctx, row, res.Status)
	if err != nil || len(hs) == 0 {
		return err
	}
	res.OnHold, res.Holds = true, heldNotes(hs)
	res.Reasons = slices.Clone(res.Reasons) // the row's own are stored without
	for _, n := range res.Holds {
		res.Reasons = append(res.Reasons, n.Words())
	}
	return nil
}

// heldNotes writes holds as the machine interface shows them beside a verdict.
func heldNotes(hs []store.PanelHold) []ingest.HoldNote {
	var out []ingest.HoldNote
	for _, h := range hs {
		n := ingest.HoldNote{ID: h.Hold.ID, Reason: h.Hold.Reason, By: h.Hold.By, Since: h.Hold.At}
		if h.Decision != nil {
			n.Decision = h.Decision.Decision
		}
		out = append(out, n)
	}
	return out
}

// heldPanels finds, for panels that are shown, the holds that keep them from being good.
func (s *Server) heldPanels(ctx context.Context, rows []store.Row) (map[store.PanelID][]store.PanelHold, error) {
	var ids []store.PanelID
	for i := range rows {
		if rows[i].Press != "" {
			ids = append(ids, store.PanelID{Press: rows[i].Press, Panel: rows[i].Panel})
		}
	}
	of, err := s.store.HoldsOf(ctx, s.site, ids)
	for id, hs := range of {
		if of[id] = barringOf(hs); len(of[id]) == 0 {
			delete(of, id)
		}
	}
	return of, err
}

const (
	holdReason  = 1000   // characters
	holdSerials = 10_000 // that one list may name
	serialBytes = 64
)

// checkHold says what is wrong with a hold that somebody wants to make; field by field, in words for people and machines alike.
func (s *Server) checkHold(ctx context.Context, h *store.Hold) (wrong []Trouble) {
	bad := func(field, format string, a ...any) { wrong = append(wrong, *badInput(field, format, a...)) }
	c := s.catalogue.Load()
	press, _ := c.Press(h.Press, s.cfg.Now())
	switch {
	case h.Press == "":
		bad("press", "press is missing: a hold belongs to one press, since serials are its own.")
	case press == nil:
		bad("press", "press %.64q is not defined.", h.Press)
	}
	if h.Reason = strings.TrimSpace(h.Reason); h.Reason == "" {
		bad("reason", "reason is missing: whoever sorts the panels must know why they are held.")
	} else if len([]rune(h.Reason)) > holdReason {
		bad("reason", "reason has %d characters; at most %d.", len([]rune(h.Reason)), holdReason)
	}
	streams := len(h.Moulds) + len(h.Lanes) + len(h.Gauges)
	kinds := 0
	for _, is := range []bool{h.ByTime(), len(h.Serials) > 0, h.First != "" || h.Last != ""} {
		if is {
			kinds++
		}
	}
	switch {
	case kinds != 1:
		bad("from", "A hold is either by time pressed (from, and to or open), or a list of serials, or a range of serials (first and last): give one of them.")
	case !h.ByTime() && (streams > 0 || !h.To.IsZero()):
		bad("streams", "Moulds, lanes, gauges and an end belong to a hold by time pressed; serials name their panels by themselves.")
	case h.ByTime():
		h.From, h.To = micro(h.From), micro(h.To)
		if !h.To.IsZero() && !h.To.After(h.From) {
			bad("to", "to is not after from: the range would hold no panel.")
		}
		if year := h.From.Year(); year < 1900 || year > 9000 {
			bad("from", "from lies in the year %d: a slip?", year)
		}
	case len(h.Serials) > holdSerials:
		bad("serials", "%d serials; a list may have %d. Use a range of serials or of time.", len(h.Serials), holdSerials)
	case len(h.Serials) > 0:
		for _, x := range h.Serials {
			if x == "" || len(x) > serialBytes {
				bad("serials", "%.70q is no serial: from 1 to %d characters.", x, serialBytes)
				break
			}
		}
	case len(h.First) != len(h.Last) || h.First > h.Last || len(h.First) > serialBytes:
		bad("first", "The range from %.70q to %.70q is none: both ends need the same number of characters (leading noughts too), and the first must come before the last.", h.First, h.Last)
	}
	if press != nil {
		for _, one := range []struct {
			kind         string
			named, known []string
		}{{"mould", h.Moulds, press.Moulds}, {"lane", h.Lanes, press.Lanes}} {
			for _, x := range one.named {
				if !slices.Contains(one.known, x) {
					bad("streams", "%s %.64s is none of press %s; it has %s.", one.kind, x, press.ID, strings.Join(one.known, ", "))
				}
			}
		}
		for _, x := range h.Gauges {
			if g, _ := c.Gauge(x, s.cfg.Now()); g == nil {
				bad("streams", "gauge %.64q is not defined.", x)
			}
		}
	}
	if h.Signal != "" {
		if g, e := s.store.Signal(ctx, s.site, h.Signal); e != nil {
			bad("signal", "There is no signal %.80q.", h.Signal)
		} else if g.Press != "" && h.Press != "" && g.Press != h.Press {
			bad("signal", "Signal %.80s is of press %s, the hold of press %s.", h.Signal, g.Press, h.Press)
		}
	}
	return wrong
}

// makeHold checks a hold and puts its panels on hold.
func (s *Server) makeHold(ctx context.Context, h store.Hold) (store.Hold, []Trouble, error) {
	if wrong := s.checkHold(ctx, &h); len(wrong) > 0 {
		return h, wrong, nil
	}
	id, err := s.store.AddHold(ctx, s.site, h)
	if err != nil {
		return h, nil, err
	}
	s.holdsChanged(ctx)
	h, err = s.store.Hold(ctx, s.site, id)
	return h, nil, err
}

// holdStreams reads streams such as "mould:7" into a predicate.
func holdStreams(p *store.HoldPredicate, streams []string) error {
	for _, x := range streams {
		kind, name, _ := strings.Cut(x, ":")
		switch {
		case name == "":
			return badInput("streams", "%.80q is no stream; write mould:7, lane:2 or gauge:CG-1.", x)
		case kind == "mould":
			p.Moulds = append(p.Moulds, name)
		case kind == "lane":
			p.Lanes = append(p.Lanes, name)
		case kind == "gauge":
			p.Gauges = append(p.Gauges, name)
		case kind == "press" && name == p.Press:
		default:
			return badInput("streams", "A hold can't be by %.80q; it is by mould:, lane: or gauge:, or of the whole press without any.", x)
		}
	}
	return nil
}

// holdStreamNames writes them again.
func holdStreamNames(p *store.HoldPredicate) []string {
	out := []string{}
	for _, one := range []struct {
		kind string
		list []string
	}{{"mould", p.Moulds}, {"lane", p.Lanes}, {"gauge", p.Gauges}} {
		for _, x := range one.list {
			out = append(out, one.kind+":"+x)
		}
	}
	return out
}

// decisions are what may be decided on a panel.
var decisions = []string{store.Release, store.Remeasure, store.Rework, store.Scrap}

// decide writes one decision for panels of a hold and tells what is wrong in words.
// moment writes a time as whoever asked reads it.
func (s *Server) decide(ctx context.Context, id int64, d store.HoldDecision, panels []string, moment func(time.Time) string) error {
	d.Reason = strings.TrimSpace(d.Reason)
	switch {
	case !slices.Contains(decisions, d.Decision):
		return badInput("decision", "decision %.40q is not known; use %s.", d.Decision, strings.Join(decisions, ", "))
	case d.Reason == "":
		return badInput("reason", "reason is missing: each decision on a panel on hold says why.")
	case len([]rune(d.Reason)) > holdReason:
		return badInput("reason", "reason has %d characters; at most %d.", len([]rune(d.Reason)), holdReason)
	case len(panels) == 0:
		return badInput("panel", "panel is missing: on which panel?")
	case len(panels) > holdSerials:
		return badInput("panels", "%d panels; at most %d at once.", len(panels), holdSerials)
	}
	if _, err := s.store.Decide(ctx, s.site, id, d, panels, false); err != nil {
		return s.decideTrouble(ctx, id, err, moment)
	}
	s.holdsChanged(ctx)
	return nil
}

// momentUTC writes a time for machines.
func momentUTC(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// Conditions under which all remaining panels of a hold may be released at once.
const (
	// ifRemeasured: measured again since the panel was put on hold, or since somebody asked for it, and the panel conforms.
	ifRemeasured = "remeasured-conforms"
	// ifConforms: the panel conforms by its latest measurements, from whenever they are.
	ifConforms = "conforms"
)

// releaseRest releases the panels on which nobody has decided and which satisfy a condition; it returns how many, and how many were left.
func (s *Server) releaseRest(ctx context.Context, id int64, condition, reason, by string) (released, left int, err error) {
	if condition != ifRemeasured && condition != ifConforms {
		return 0, 0, badInput("condition", "condition %.40q is not known; use %s or %s.", condition, ifRemeasured, ifConforms)
	}
	reason = strings.TrimSpace(reason)
	if reason == "" {
		return 0, 0, badInput("reason", "reason is missing: a release says why.")
	}
	h, err := s.store.Hold(ctx, s.site, id)
	if err != nil {
		return 0, 0, err
	}
	words := map[string]string{ifRemeasured: "conforms, measured again since it was put on hold", ifConforms: "conforms by its latest measurements"}[condition]
	q := store.HoldPanelsQuery{Hold: h.HoldPredicate, Of: id, Decision: store.Outstanding, Limit: 500}
	for {
		list, next, err := s.store.HoldPanels(ctx, s.site, q)
		if err != nil {
			return released, left, err
		}
		var good []string
		judged, err := s.judgedPanels(ctx, h.Press, list)
		if err != nil {
			return released, left, err
		}
		for i := range list {
			since := h.At
			if d := list[i].Decision; d != nil {
				since = d.At
			}
			j := judged[list[i].Panel]
			if j.Verdict == spc.Conforms && (condition == ifConforms || j.Last.After(since)) {
				good = append(good, list[i].Panel)
			}
		}
		n := 0
		if len(good) > 0 {
			n, err = s.store.Decide(ctx, s.site, id, store.HoldDecision{Decision: store.Release, Reason: reason + " (" + words + ")", By: by}, good, true)
			if err != nil {
				return released, left, s.decideTrouble(ctx, id, err, momentUTC)
			}
		}
		released, left = released+n, left+len(list)-n
		if next == nil {
			break
		}
		q.After = next
	}
	s.holdsChanged(ctx)
	return released, left, nil
}

// judgedPanel is what the measurements of a panel say now.
type judgedPanel struct {
	Verdict spc.Verdict
	Last    time.Time // when it was measured last, by a measurement that stands
	Gauge   string    // by which gauge
}

// judgedPanels works out the verdict of panels of a hold as each stands now.
func (s *Server) judgedPanels(ctx context.Context, press string, list []store.HoldPanel) (map[string]judgedPanel, error) {
	ids := make([]store.PanelID, len(list))
	for i := range list {
		ids[i] = store.PanelID{Press: press, Panel: list[i].Panel}
	}
	rows, err := s.store.PanelRows(ctx, s.site, ids)
	if err != nil {
		return nil, err
	}
	out := map[string]judgedPanel{}
	for id, of := range rows {
		j := judgedPanel{Verdict: PanelVerdict(of, s.kindOf)}
		for _, m := range latestOfKinds(of, s.kindOf) {
			if m.MeasuredAt.After(j.Last) {
				j.Last, j.Gauge = m.MeasuredAt, m.Gauge
			}
		}
		out[id.Panel] = j
	}
	return out, nil
}

// decideTrouble puts in words why a decision was not written.
func (s *Server) decideTrouble(ctx context.Context, id int64, err error, moment func(time.Time) string) error {
	var strange *store.NotHeldError
	if !errors.As(err, &strange) {
		return err
	}
	which := strange.Panels
	words := strings.Join(which[:min(len(which), 5)], ", ")
	if len(which) > 5 {
		words += fmt.Sprintf(" and %d more", len(which)-5)
	}
	t := badInput("panel", "%s: not on hold %d. Nothing was written for any panel.", words, id)
	if h, e := s.store.Hold(ctx, s.site, id); e == nil {
		if rows, e := s.store.Panel(ctx, s.site, h.Press, which[0]); e == nil && len(rows) > 0 {
			t.Do = fmt.Sprintf("%s was pressed at %s on press %s, mould %s, which the hold does not take in.", which[0], moment(rows[0].LineAt), rows[0].Press, orNone(rows[0].Mould))
		} else if e == nil {
			t.Do = fmt.Sprintf("No panel %s of press %s has been measured.", which[0], h.Press)
		}
	}
	t.Status = http.StatusUnprocessableEntity
	return t
}

func orNone(s string) string {
	if s == "" {
		return "not said"
	}
	return s
}
