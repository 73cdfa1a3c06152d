package report

import (
	"context"
	"strconv"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// HandOverHold is a hold that somebody has still to sort, or that was made or closed in the shift.
type HandOverHold struct {
	ID          int64     `json:"id"`
	Press       string    `json:"press"`
	Reason      string    `json:"reason"`
	By          string    `json:"by"`
	At          time.Time `json:"at"`
	Closed      time.Time `json:"closed,omitzero"`
	Open        bool      `json:"open_end,omitempty"` // panels yet to be pressed are held too
	Held        int       `json:"held"`
	Outstanding int       `json:"outstanding"`
	Released    int       `json:"released"`
	Rework      int       `json:"rework"`
	Scrapped    int       `json:"scrapped"`
	Lifted      int       `json:"lifted"`
}

// holds reads the holds as they stand, and counts the panels of the shift that they keep from being good.
func (in *HandOverInputs) holds(ctx context.Context, src *Source, press string) error {
	list, err := src.Store.Holds(ctx, src.Site, store.HoldFilter{Press: press})
	if err != nil {
		return err
	}
	for i := range list {
		h := &list[i]
		touched := !h.At.Before(in.From) || h.Closed.After(in.From)
		if !h.Closed.IsZero() && !touched && h.Closed.Before(in.From.Add(-closedBack)) {
			continue // closed long ago
		}
		p, err := src.Store.HoldProgress(ctx, src.Site, h.ID, h.HoldPredicate)
		if err != nil {
			return err
		}
		if !h.Closed.IsZero() && !touched && p.Outstanding == 0 {
			continue
		}
		in.Holds = append(in.Holds, HandOverHold{ID: h.ID, Press: h.Press, Reason: h.Reason, By: h.By, At: h.At, Closed: h.Closed, Open: h.Open(), Held: p.Held, Outstanding: p.Outstanding,
			Released: p.Released, Rework: p.Rework, Scrapped: p.Scrapped, Lifted: p.Lifted})
	}
	curved := 0
	for _, g := range src.Catalogue.Gauges() {
		if g.Kind != spc.Dimensions {
			curved++
		}
	}
	for i := range in.Presses {
		p := &in.Presses[i]
		for _, g := range src.Catalogue.Gauges() {
			if curved > 0 && g.Kind == spc.Dimensions {
				continue
			}
			n, err := src.Store.BarredCounts(ctx, src.Site, store.CountQuery{Press: p.ID, Gauge: g.ID, From: in.From, To: in.To})
			if err != nil {
				return err
			}
			p.Barred = plus(p.Barred, n)
		}
	}
	return nil
}

// heldNeeds says what the next shift must know of the holds.
func (h *handOver) heldNeeds() (out []string) {
	for i := range h.Holds {
		x := &h.Holds[i]
		if x.Outstanding == 0 && (!x.Open || !x.Closed.IsZero()) {
			continue
		}
		s := "Hold " + strconv.FormatInt(x.ID, 10) + ", press " + x.Press + " (" + strings.TrimRight(x.Reason, ". ") + "): "
		switch {
		case x.Outstanding == 0:
			s += "nothing waits now; its range is still open, so what is pressed next is held too."
		case !x.Closed.IsZero():
			s += ui.Plural(int64(x.Outstanding), "panel", "panels") + " came after it was closed and " + isAre(x.Outstanding) + " held until somebody decides."
		default:
			s += ui.InWords(int64(x.Outstanding)) + " of " + ui.Plural(int64(x.Held), "panel", "panels") + " wait for a decision."
			if x.Open {
				s += " Its range is still open: what is pressed next is held too."
			}
		}
		out = append(out, s)
	}
	return out
}

// holdsTable lays the holds out with how far their sorting has come.
func (h *handOver) holdsTable() {
	if len(h.Holds) == 0 {
		return
	}
	sheet := Sheet{Name: "Holds", Says: "Holds as they stood when the report was issued.", Cols: []SheetCol{{Head: "Hold"}, {Head: "Press"}, {Head: "Why"}, {Head: "Made by"}, {Head: "Made (UTC)"}, {Head: "Closed (UTC)"}, {Head: "Held"}, {Head: "Outstanding"}, {Head: "Released"}, {Head: "To be reworked"}, {Head: "Scrapped"}, {Head: "Let go by closing"}}}
	t := &Table{Cols: []Col{{Head: "Hold"}, {Head: "Why"}, {Head: "Made"}, {Head: "Held", Right: true}, {Head: "Outstanding", Right: true}, {Head: "Released", Right: true}, {Head: "Rework", Right: true}, {Head: "Scrapped", Right: true}}}
	waiting := 0
	for i := range h.Holds {
		x := &h.Holds[i]
		waiting += x.Outstanding
		n := func(k int) Cell { return Cell{Text: ui.Count(int64(k))} }
		t.Rows = append(t.Rows, []Cell{{Text: strconv.FormatInt(x.ID, 10) + ", press " + x.Press}, {Text: x.Reason}, {Text: h.moment(x.At) + ", " + x.By}, n(x.Held), n(x.Outstanding), n(x.Released), n(x.Rework), n(x.Scrapped)})
		sheet.Rows = append(sheet.Rows, []any{x.ID, x.Press, x.Reason, x.By, x.At, timeOrNil(x.Closed), int64(x.Held), int64(x.Outstanding), int64(x.Released), int64(x.Rework), int64(x.Scrapped), int64(x.Lifted)})
	}
	heading := "No panel on hold waits for a decision"
	if waiting > 0 {
		heading = capital(ui.Plural(int64(waiting), "panel on hold waits", "panels on hold wait")) + " for a decision"
	}
	h.d.Blocks = append(h.d.Blocks, Block{Heading: heading, Text: "A panel on hold is not good, whatever was measured, until somebody with the right to do so has released it. Keep them apart.", Table: t})
	h.d.Sheets = append(h.d.Sheets, sheet)
}

// freeWords says how many do not conform, and how many of the others are on hold.
func freeWords(c, barred *store.Counts) string {
	if barred.Conforms == 0 {
		return badWords(c)
	}
	words := badWords(c)
	if c.DoesNotConform == 0 {
		words = "none proven not to conform"
	}
	return words + ", " + ui.Count(int64(barred.Conforms)) + " measured inside " + isAre(barred.Conforms) + " on hold"
}
