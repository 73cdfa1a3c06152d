package present

import (
	"time"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// Stored says what is stored of a measurement, above a form that changes it; now is in plant time, holds are those that keep its panel from being good.
func Stored(r *store.Row, now time.Time, holds ...store.PanelHold) []ui.Fact {
	zone := now.Location()
	out := []ui.Fact{{Name: "Panel", Value: ui.Text(r.Panel)}}
	if r.Press != "" {
		press := r.Press
		if r.Mould != "" {
			press += ", mould " + r.Mould
		}
		out = append(out, ui.Fact{Name: "Press, mould", Value: ui.Text(press)})
	}
	gauged := r.MeasuredAt.In(zone)
	words := ui.Moment(gauged, now)
	if words == ui.Clock(gauged) {
		words = ui.ClockSeconds(gauged)
	}
	out = append(out, ui.Fact{Name: "Gauged", Value: ui.Text(words + " on " + r.Gauge)}, ui.Fact{Name: "Sent by", Value: ui.Text(r.Source)})
	if v, ok := r.Result.Values.Get(spc.RadiusMM); ok {
		out = append(out, ui.Fact{Name: "Radius", Value: ui.Text(ui.WithUnit(ui.Number(v, 2), "mm"))})
	}
	out = append(out, countFacts(r.Counts)...)
	return append(out, ui.Fact{Name: "Verdict", Value: ui.Cell{State: VerdictHeld(r.Result.Verdict, holds)}})
}

// VoidMeans says what will change when a measurement is void; rows are all of its panel.
func VoidMeans(r *store.Row, rows []store.Row, kindOf func(string, time.Time) spc.GaugeKind, now time.Time) string {
	if r.Purpose == spc.MasterCheck {
		return "The master check counts no more: the next one is due by the check before it, and its point leaves the charts of " + r.Gauge + "."
	}
	if r.Purpose == spc.Study {
		return "It was measured for a study; neither verdict nor chart of the line rests on it."
	}
	var other, next *store.Row
	for i := range rows {
		o := &rows[i]
		if o.ID == r.ID || o.State != store.Current || o.Purpose != spc.Production && o.Purpose != spc.Recheck {
			continue
		}
		if kindOf(o.Gauge, o.MeasuredAt) == kindOf(r.Gauge, r.MeasuredAt) && (other == nil || o.MeasuredAt.After(other.MeasuredAt)) {
			other = o
		}
		if o.Gauge == r.Gauge && o.Purpose == spc.Production && (next == nil || o.MeasuredAt.Before(next.MeasuredAt)) {
			next = o
		}
	}
	words := "The panel has no other measurement of this kind: it will not be judged by " + r.Gauge + "."
	if other != nil {
		words = "The panel's verdict then rests on the measurement of " + ui.Moment(other.MeasuredAt.In(now.Location()), now) + " on " + other.Gauge + "."
	}
	if r.Counted && next != nil {
		words += " In the charts that of " + ui.Moment(next.MeasuredAt.In(now.Location()), now) + " takes its place."
	} else if r.Counted {
		words += " Its point leaves the charts."
	}
	return words
}
