package present

import (
	"net/url"
	"slices"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// GaugeFacts is one gauge with its last measurement and its last master check; nil where there is none.
type GaugeFacts struct {
	Def          *spc.Gauge
	Last, Master *store.Row
	Shifts       []string       // starts of the site's shifts
	Zone         *time.Location // of the plant; nil is UTC
	Doubtful     int            // measurements that a failed check of the master put in doubt, and nobody has decided on
}

// masterSoon is how long before a master check is due the pages begin to ask for it.
const masterSoon = 30 * time.Minute

// due tells when the next master check is due; zero when none is asked for.
func (g *GaugeFacts) due() time.Time {
	if g.Master == nil {
		return time.Time{}
	}
	zone := g.Zone
	if zone == nil {
		zone = time.UTC
	}
	return plant.MasterDue(g.Def, g.Master.MeasuredAt.In(zone), g.Shifts)
}

// wants tells whether the gauge needs its master panel now or soon.
func (g *GaugeFacts) wants(now time.Time) bool {
	if len(g.Def.Masters) == 0 || g.Def.MasterEveryH <= 0 {
		return false
	}
	return g.Master == nil || g.due().Sub(now) <= masterSoon
}

// state of a gauge by its last master check.
func (g *GaugeFacts) state(now time.Time) ui.State {
	at := g.due().In(now.Location())
	switch {
	case len(g.Def.Masters) == 0:
		return ui.Is(ui.None, "no master")
	case g.Master != nil && g.Master.Result.Verdict == spc.DoesNotConform:
		return ui.Is(ui.Bad, "beyond the allowed error")
	case g.Master == nil && g.Def.MasterEveryH > 0:
		return ui.Is(ui.Held, "check due")
	case g.Master == nil:
		return ui.Is(ui.None, "not checked yet")
	case g.wants(now) && !at.After(now):
		return ui.Is(ui.Held, "check due since "+ui.Moment(at, now))
	case g.wants(now):
		return ui.Is(ui.Held, "check due "+ui.Clock(at))
	case g.Master.Result.Verdict == spc.Undecided:
		return ui.Is(ui.Unsure, "too close to say")
	case g.Master.Result.Verdict == spc.NotJudged:
		return ui.Is(ui.None, "check not judged")
	}
	return ui.Is(ui.Good, "in order")
}

// needs says that a gauge needs its master panel, as a sentence without its end; "" when it does not.
func (g *GaugeFacts) needs(now time.Time) string {
	if !g.wants(now) {
		return ""
	}
	if g.Master == nil {
		return g.Def.ID + " needs its master panel: it was never checked"
	}
	at := g.due().In(now.Location())
	if !at.After(now) {
		return g.Def.ID + " has needed its master panel since " + ui.Moment(at, now)
	}
	if left := at.Sub(now); left >= time.Minute {
		return g.Def.ID + " needs its master panel in " + ui.Lasting(left)
	}
	return g.Def.ID + " needs its master panel now"
}

// row of the table of gauges.
func (g *GaugeFacts) row(now time.Time) page.GaugeRow {
	r := page.GaugeRow{Name: g.Def.ID, Href: "/gauge/" + url.PathEscape(g.Def.ID), Last: "none yet", Master: "never", State: g.state(now)}
	if g.Last != nil {
		r.Last = ui.Moment(g.Last.MeasuredAt.In(now.Location()), now) + ", " + g.Last.Panel
		if g.Last.Purpose == spc.MasterCheck {
			r.Last += ", a master"
		}
	}
	if len(g.Def.Masters) == 0 {
		r.Master = "none"
	} else if g.Master != nil {
		r.Master = ui.Moment(g.Master.MeasuredAt.In(now.Location()), now)
		if e := masterError(g); e != "" {
			r.Master += ", " + e
		}
	}
	if g.Doubtful > 0 {
		r.Master += ", " + ui.Plural(int64(g.Doubtful), "measurement", "measurements") + " in doubt"
	}
	return r
}

// masterError is the largest error of the last master check, or that of its radius.
func masterError(g *GaugeFacts) string {
	v := &g.Master.Result.Values
	if e, ok := v.Get(spc.MasterMaxErrorUM); ok {
		return "error " + ui.WithUnit(ui.Number(e, 1), "um")
	}
	if e, ok := v.Get(spc.MasterRadiusErrorMM); ok {
		return "error of the radius " + ui.WithUnit(ui.Signed(e, 3), "mm")
	}
	return ""
}

func gaugesInOrder(f LineFacts) bool {
	for i := range f.Gauges {
		if s := f.Gauges[i].state(f.Now); s.Kind == ui.Bad || s.Kind == ui.Held || s.Kind == ui.Unsure {
			return false
		}
	}
	return true
}

func gaugesOnLine(f LineFacts) page.Gauges {
	m := page.Gauges{Head: GaugesHead(f.Gauges, f.Now), Empty: "No gauge is defined."}
	for i := range f.Gauges {
		m.Rows = append(m.Rows, f.Gauges[i].row(f.Now))
	}
	return m
}

// GaugesHead says which gauge needs something, or that all are in order.
func GaugesHead(gauges []GaugeFacts, now time.Time) string {
	first, asking := "", 0
	var soonest time.Time
	for i := range gauges {
		g := &gauges[i]
		if s := g.state(now); s.Kind == ui.Bad {
			return g.Def.ID + " is beyond the allowed error on its master panel"
		}
		if words := g.needs(now); words != "" {
			asking++
			if first == "" || g.due().Before(soonest) {
				first, soonest = words, g.due()
			}
		}
	}
	switch {
	case asking == 1:
		return first
	case asking > 1:
		return first + ", and " + ui.Plural(int64(asking-1), "more gauge does too", "more gauges do too")
	case len(gauges) == 0:
		return "No gauge is defined"
	case len(gauges) == 1:
		return "The gauge asks for nothing"
	}
	return "No gauge needs its master panel"
}

// GaugePicker lists the gauges for one who stands before one of them.
func GaugePicker(gauges []GaugeFacts, now time.Time) page.GaugePicker {
	m := page.GaugePicker{Statement: ui.Statement{Say: ui.Say("At which gauge do you stand?")}, Empty: "An engineer defines gauges with the set-up file."}
	if len(gauges) == 0 {
		m.Statement.Say = ui.Say("No gauge is defined.")
		return m
	}
	m.Statement.Doubts = []ui.Sentence{ui.Say(GaugesHead(gauges, now) + ".")}
	for i := range gauges {
		m.Gauges = append(m.Gauges, gauges[i].row(now))
	}
	return m
}

// shiftTable counts the panels pressed in the shift by verdict.
func shiftTable(f LineFacts) page.Shift {
	var sum store.Counts
	t := page.Shift{}
	rows := []page.ShiftRow{{Name: "Gauged", Sum: true}, {Name: "Conforms"}, {Name: "Undecided"}, {Name: "Does not conform"}, {Name: "Not judged"}}
	barred := page.ShiftRow{Name: "Conforms, but on hold", Href: "/holds"}
	held := 0
	var shares []string
	for _, p := range f.Presses {
		n := p.Counts
		sum.Conforms += n.Conforms
		sum.Undecided += n.Undecided
		sum.DoesNotConform += n.DoesNotConform
		sum.NotJudged += n.NotJudged
		t.Cols = append(t.Cols, "Press "+p.Def.ID)
		for i, k := range []int{n.Total(), n.Conforms - p.Barred.Conforms, n.Undecided, n.DoesNotConform, n.NotJudged} {
			rows[i].Counts = append(rows[i].Counts, ui.Count(int64(k)))
		}
		barred.Counts = append(barred.Counts, ui.Count(int64(p.Barred.Conforms)))
		held += p.Barred.Conforms
		if n.Total() > 0 {
			shares = append(shares, ui.Percent(float64(n.DoesNotConform)/float64(n.Total()), 2)+" on "+p.Def.ID)
		}
	}
	since := f.Shift.From.In(f.Now.Location())
	query := url.Values{"from": {ui.ForField(since)}}
	if f.Before {
		query.Set("to", ui.ForField(f.Shift.To.In(f.Now.Location())))
	}
	for i, v := range []spc.Verdict{"", spc.Conforms, spc.Undecided, spc.DoesNotConform, spc.NotJudged} {
		if query.Del("verdict"); v != "" {
			query.Set("verdict", string(v))
		}
		rows[i].Href = "/panels?" + query.Encode()
	}
	if held > 0 { // only what is not on hold counts as conforming
		rows = slices.Insert(rows, 2, barred)
	}
	head := "The shift so far: "
	t.Since = "Panels pressed since " + ui.Moment(since, f.Now) + ", as of " + ui.Clock(f.Now) + "; those in the lehr are not counted yet."
	if f.Before {
		head = "The shift before: "
		t.Since = "Panels pressed from " + ui.Moment(since, f.Now) + " to " + ui.Moment(f.Shift.To.In(f.Now.Location()), f.Now) + ". None of this shift has been gauged yet: they are in the lehr."
	}
	total := int64(sum.Total())
	if total == 0 {
		t.Head, t.Cols = head+"none gauged", nil
		return t
	}
	t.Rows = rows
	t.Shares = "Of those gauged do not conform: " + list(shares) + "."
	t.Head = head + ui.Count(total) + " gauged, "
	switch sum.DoesNotConform {
	case 0:
		t.Head += "none that does not conform"
	case 1:
		t.Head += "one of them does not conform"
	default:
		t.Head += ui.InWords(int64(sum.DoesNotConform)) + " of them do not conform"
	}
	return t
}
