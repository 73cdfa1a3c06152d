package report

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"sagwatch/spc/capability"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// longestSerial bounds what is looked for; longer ones are not stored.
const longestSerial = 64

// lot is the period of a lot of panels: from the line time of its first panel to just after that of its last. By line order nothing
// that was pressed between the two can be missing, which the order of serials as text does not warrant. Without a lot it is the
// period that was asked for.
func lot(ctx context.Context, src *Source, q *CapabilityQuery, from, to time.Time) (time.Time, time.Time, error) {
	q.FirstPanel, q.LastPanel = strings.TrimSpace(q.FirstPanel), strings.TrimSpace(q.LastPanel)
	switch {
	case !q.Lot():
		return from, to, nil
	case q.FirstPanel == "":
		return from, to, ask("first_panel", "A lot needs its first panel too, not its last alone.")
	case q.LastPanel == "":
		return from, to, ask("last_panel", "A lot needs its last panel too, not its first alone.")
	}
	begin, _, err := pressed(ctx, src, q, "first_panel", q.FirstPanel)
	if err != nil {
		return from, to, err
	}
	_, end, err := pressed(ctx, src, q, "last_panel", q.LastPanel)
	if err != nil {
		return from, to, err
	}
	if end.Before(begin) {
		return from, to, ask("last_panel", "Panel %s was pressed before panel %s: the first and the last panel of the lot are the wrong way round.", q.LastPanel, q.FirstPanel)
	}
	return begin, end.Add(time.Microsecond), nil // times are stored to the microsecond
}

// pressed is when a panel that counts was pressed; gauges that estimate it may differ.
func pressed(ctx context.Context, src *Source, q *CapabilityQuery, field, serial string) (first, last time.Time, err error) {
	var rows []store.Row
	if len(serial) <= longestSerial && strings.ToValidUTF8(strings.ReplaceAll(serial, "\x00", "\xff"), "") == serial {
		if rows, err = src.Store.Panel(ctx, src.Site, q.Press, serial); err != nil {
			return first, last, err
		}
	}
	rows = slices.DeleteFunc(rows, func(r store.Row) bool { return !r.Counted })
	if len(rows) == 0 {
		return first, last, ask(field, "No production panel %.60q of press %s was measured.", serial, q.Press)
	}
	for _, r := range rows {
		if r.Product != q.Product {
			return first, last, ask(field, "Panel %s is of product %s, not of %s.", serial, r.Product, q.Product)
		}
		if first.IsZero() || r.LineAt.Before(first) {
			first = r.LineAt
		}
		if r.LineAt.After(last) {
			last = r.LineAt
		}
	}
	return first, last, nil
}

// Lot tells whether panels are asked for by their serials.
func (q *CapabilityQuery) Lot() bool { return q.FirstPanel != "" || q.LastPanel != "" }

// lotWords names a lot: "panels A-0117 to A-0240".
func (q *CapabilityQuery) lotWords() string { return "panels " + q.FirstPanel + " to " + q.LastPanel }

// lotFact says which panels a lot is taken to be.
func (c *Capability) lotFact() Fact {
	return Fact{"Lot", fmt.Sprintf("%s: every panel of the product that the press made from the first to the last, both included, by the time at the press and not by the order of serials as text. A panel without a time of pressing stands by the time it was measured, less the lehr's", c.Asked.lotWords())}
}

// mostStudies is how many studies are looked through for a gauge's share.
const mostStudies = 1000

// shares finds what each gauge takes up of the tolerances by its newest study that has a result.
func (g *capabilityGather) shares(ctx context.Context, src *Source) error {
	wanted := 0
	for i := range g.in.Gauges {
		gauge := &g.in.Gauges[i]
		for _, s := range g.panels.of {
			if s.seen[gauge.ID] {
				gauge.Studies = append(gauge.Studies, CapabilityStudy{Of: s.Name, Percent: None, PercentLower: None, PercentUpper: None})
				wanted++
			}
		}
	}
	const page = 100
	for before, looked := int64(0), 0; wanted > 0 && looked < mostStudies; looked += page {
		list, err := src.Store.Studies(ctx, src.Site, before, page)
		if err != nil {
			return err
		}
		for i := range list {
			found, err := g.share(ctx, src, &list[i])
			if err != nil {
				return err
			}
			wanted -= found
		}
		if len(list) < page {
			return nil
		}
		before = list[len(list)-1].ID
	}
	return nil
}

// share takes from one study what no newer one gave, and counts it.
func (g *capabilityGather) share(ctx context.Context, src *Source, v *store.Study) (found int, err error) {
	at := slices.IndexFunc(g.in.Gauges, func(x CapabilityGauge) bool { return x.ID == v.Gauge })
	if at < 0 || v.Kind != store.CrossedStudy && v.Kind != store.NestedStudy || v.State != store.StudyCollected && v.State != store.StudyAdopted {
		return 0, nil
	}
	var result *StudyResult
	var last time.Time // reading
	for i := range g.in.Gauges[at].Studies {
		s := &g.in.Gauges[at].Studies[i]
		c := slices.IndexFunc(v.Plan.Characteristics, func(c store.StudyCharacteristic) bool { return c.Name == s.Of })
		if s.Study != 0 || c < 0 {
			continue
		}
		if result == nil {
			readings, err := src.Store.StudyReadings(ctx, src.Site, v.ID)
			if err != nil {
				return found, err
			}
			if len(readings) > mostStudyReadings {
				return found, nil
			}
			if result = AnalyseStudy(StudyOf(Head{Site: src.Site}, v, readings, nil, nil)); !result.Complete {
				return found, nil
			}
			for _, r := range readings {
				if r.WithdrawnAt.IsZero() && r.MeasuredAt.After(last) {
					last = r.MeasuredAt
				}
			}
		}
		s.Study, s.State, s.At = v.ID, v.State, last
		s.Lower, s.Upper = v.Plan.Characteristics[c].Lower, v.Plan.Characteristics[c].Upper
		for _, f := range result.Figures {
			if f.ID == "percent_tolerance."+s.Of {
				s.Percent, s.PercentLower, s.PercentUpper = f.Value, f.Lower, f.Upper
			}
		}
		found++
	}
	return found, nil
}

// sameTolerance tells whether a study held a gauge against the limits of the report; a bound of nature at zero is none.
func (s *CapabilityStudy) sameTolerance(spec capability.Spec) bool {
	lower, upper := spec.HasLower && !spec.Bound, spec.HasUpper
	if (s.Lower != nil && !(spec.Bound && *s.Lower == spec.Lower)) != lower || (s.Upper != nil) != upper {
		return false
	}
	return (!lower || *s.Lower == spec.Lower) && (!upper || *s.Upper == spec.Upper)
}

// shareFacts say what a gauge takes up of the tolerances.
func (c *Capability) shareFacts(g *CapabilityGauge) (out []Fact) {
	for i := range g.Studies {
		s := &g.Studies[i]
		of := characteristicName(s.Of)
		fact := Fact{Name: "Gauge " + g.ID + ", share of the " + of}
		k := slices.IndexFunc(c.Of, func(x CapabilityInput) bool { return x.Name == s.Of })
		switch {
		case s.Study == 0:
			fact.Value = "unknown: there is no finished gauge study of the " + of + ", so that what the gauge adds to its spread cannot be told"
		case !s.Percent.Has():
			fact.Value = fmt.Sprintf("unknown: %s had no tolerance of the %s to hold the gauge against", s.words(c), of)
		default:
			tolerance := "of the tolerance"
			if k >= 0 && !s.sameTolerance(c.Of[k].Spec) {
				tolerance = "of another tolerance, " + toleranceWords(&store.StudyCharacteristic{Name: s.Of, Unit: c.Of[k].Unit, Lower: s.Lower, Upper: s.Upper})
			}
			fact.Value = fmt.Sprintf("%s %% %s", ui.Number(float64(s.Percent), 1), tolerance)
			if s.PercentLower.Has() && s.PercentUpper.Has() {
				fact.Value += fmt.Sprintf(" (95 %%: %s to %s %%)", ui.Number(float64(s.PercentLower), 1), ui.Number(float64(s.PercentUpper), 1))
			}
			fact.Value += ", by " + s.words(c)
		}
		out = append(out, fact)
	}
	return out
}

func (s *CapabilityStudy) words(c *Capability) string {
	state := "adopted"
	if s.State != store.StudyAdopted {
		state = "not adopted"
	}
	return fmt.Sprintf("gauge study %d, last reading %s, %s", s.Study, s.At.In(c.Location()).Format("2 January 2006"), state)
}
