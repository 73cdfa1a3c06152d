package ingest

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"sagwatch/server/plant"
	"sagwatch/spc"
)

// futureAllowed is how far a gauge's clock may run ahead.
const futureAllowed = 5 * time.Minute

// Checked is a measurement with the definitions it is judged by.
type Checked struct {
	spc.Measurement
	GaugeDef                       *spc.Gauge
	ProductDef                     *spc.Product // nil only for masters of dimensions gauges
	PressDef                       *spc.Press   // nil for masters
	GaugeRev, ProductRev, PressRev int
	LineAt                         time.Time
	LineEstimated                  bool
}

// Check validates a message against the definitions in force when it was measured. Times are cut to microseconds, the
// database's resolution, before anything is compared.
func Check(m *Message, c *plant.Catalogue, now time.Time) (*Checked, *Problem) {
	out := &Checked{Measurement: spc.Measurement{Sequence: spc.NoSequence, Cycle: spc.NoCycle, Purpose: spc.Production}}
	var p *Problem
	if out.Gauge, p = text("gauge", m.Gauge, true); p != nil {
		return nil, p
	}
	if out.Panel, p = text("panel", m.Panel, true); p != nil {
		return nil, p
	}
	if out.MeasuredAt, p = moment("measured_at", m.MeasuredAt, true); p != nil {
		return nil, p
	}
	if ahead := out.MeasuredAt.Sub(now); ahead > futureAllowed {
		return nil, refuse("measured_at", "measured_at %s lies %s in the future; set the gauge computer's clock and send it again",
			out.MeasuredAt.Format(time.RFC3339), ahead.Round(time.Second))
	}
	if m.Purpose != nil {
		out.Purpose = spc.Purpose(*m.Purpose)
		if !slices.Contains([]spc.Purpose{spc.Production, spc.Recheck, spc.Study, spc.MasterCheck}, out.Purpose) {
			return nil, refuse("purpose", "purpose %q is not known; use production, recheck, study or master", *m.Purpose)
		}
	}
	at := out.MeasuredAt
	out.GaugeDef, out.GaugeRev = c.Gauge(out.Gauge, at)
	if out.GaugeDef == nil || out.GaugeDef.Retired {
		return nil, refuse("gauge", "gauge %q is not defined%s", out.Gauge, known("gauges", c.Gauges(), func(g *spc.Gauge) (string, bool) { return g.ID, g.Retired }))
	}
	if p = out.identity(m); p != nil {
		return nil, p
	}
	if p = out.names(m, c, at); p != nil {
		return nil, p
	}
	if p = out.times(m); p != nil {
		return nil, p
	}
	if p = out.values(m); p != nil {
		return nil, p
	}
	return out, nil
}

func (out *Checked) identity(m *Message) (p *Problem) {
	if out.Series, p = text("series", m.Series, false); p != nil {
		return p
	}
	if m.Sequence != nil {
		if *m.Sequence < 0 || *m.Sequence > spc.EverySequence-1 {
			return refuse("sequence", "sequence %d is outside 0 to 2^53-1", *m.Sequence)
		}
		out.Sequence = *m.Sequence
	}
	if m.Cycle != nil {
		if *m.Cycle < 0 || *m.Cycle > spc.EverySequence-1 {
			return refuse("cycle", "cycle %d is outside 0 to 2^53-1", *m.Cycle)
		}
		out.Cycle = *m.Cycle
	}
	return nil
}

// names resolves press, product, mould and lane.
func (out *Checked) names(m *Message, c *plant.Catalogue, at time.Time) (p *Problem) {
	master := out.Purpose == spc.MasterCheck
	if out.Press, p = text("press", m.Press, !master); p != nil {
		return p
	}
	if out.Product, p = text("product", m.Product, !master); p != nil {
		return p
	}
	if master {
		def, ok := out.GaugeDef.Master(out.Panel)
		if !ok {
			names := make([]string, len(out.GaugeDef.Masters))
			for i, x := range out.GaugeDef.Masters {
				names[i] = x.Panel
			}
			return refuse("panel", "%q is not a master panel of gauge %s; its masters are: %s", out.Panel, out.Gauge, or(strings.Join(names, ", "), "none"))
		}
		if out.Product != "" && out.Product != def.Product {
			return refuse("product", "master %s is of product %s, not %s; leave product out", out.Panel, def.Product, out.Product)
		}
		out.Product = def.Product
	}
	out.ProductDef, out.ProductRev = c.Product(out.Product, at)
	if out.ProductDef == nil || out.ProductDef.Retired {
		return refuse("product", "product %q is not defined%s", out.Product, known("products", c.Products(), func(x *spc.Product) (string, bool) { return x.ID, x.Retired }))
	}
	if out.ProductDef.Contour == nil && out.GaugeDef.Kind != spc.Dimensions {
		return refuse("product", "product %s has no contour, so gauge %s can't measure its curvature", out.Product, out.Gauge)
	}
	if out.Press != "" {
		out.PressDef, out.PressRev = c.Press(out.Press, at)
		if out.PressDef == nil || out.PressDef.Retired {
			return refuse("press", "press %q is not defined%s", out.Press, known("presses", c.Presses(), func(x *spc.Press) (string, bool) { return x.ID, x.Retired }))
		}
	}
	if out.Mould, p = text("mould", m.Mould, false); p != nil {
		return p
	}
	if out.Mould != "" && (out.PressDef == nil || !slices.Contains(out.PressDef.Moulds, out.Mould)) {
		return refuse("mould", "mould %q is not on press %q%s", out.Mould, out.Press, stations(out.PressDef, false))
	}
	if out.Lane, p = text("lane", m.Lane, false); p != nil {
		return p
	}
	if out.Lane != "" && (out.PressDef == nil || !slices.Contains(out.PressDef.Lanes, out.Lane)) {
		return refuse("lane", "lane %q is not defined for press %q%s", out.Lane, out.Press, stations(out.PressDef, true))
	}
	return nil
}

func stations(p *spc.Press, lanes bool) string {
	if p == nil {
		return ""
	}
	list, what := p.Moulds, "moulds"
	if lanes {
		list, what = p.Lanes, "lanes"
	}
	return fmt.Sprintf("; its %s are %s", what, or(strings.Join(list, ", "), "none"))
}

func (out *Checked) times(m *Message) (p *Problem) {
	if out.PressedAt, p = moment("pressed_at", m.PressedAt, false); p != nil {
		return p
	}
	if out.PressedAt.After(out.MeasuredAt) {
		return refuse("pressed_at", "pressed_at %s is later than measured_at %s; a panel is pressed before it is measured",
			out.PressedAt.Format(time.RFC3339), out.MeasuredAt.Format(time.RFC3339))
	}
	switch {
	case !out.PressedAt.IsZero():
		out.LineAt = out.PressedAt
	case out.PressDef != nil && out.Purpose != spc.MasterCheck:
		out.LineAt, out.LineEstimated = out.MeasuredAt.Add(-out.PressDef.Lehr()), true
	default:
		out.LineAt = out.MeasuredAt
	}
	return nil
}

func (out *Checked) values(m *Message) *Problem {
	g := out.GaugeDef
	if want := g.Count(); want > 0 {
		switch {
		case m.Readings == nil && g.Kind == spc.Dimensions && (len(m.Characteristics) > 0 || len(m.Counts) > 0):
		case m.Readings == nil:
			return refuse("readings", "readings are missing; gauge %s sends %d, null where a probe gave none", out.Gauge, want)
		case len(m.Readings) != want:
			return refuse("readings", "readings has %d values, gauge %s has %d places; send null where a probe gave none", len(m.Readings), out.Gauge, want)
		}
		if p := believable(m.Readings, g, out.ProductDef); p != nil {
			return p
		}
	} else if m.Readings != nil {
		return refuse("readings", "gauge %s is a dimensions gauge without readings; send characteristics or counts", out.Gauge)
	}
	out.Readings = m.Readings
	names := make([]string, 0, len(m.Characteristics))
	for name := range m.Characteristics {
		names = append(names, name)
	}
	sort.Strings(names) // the first fault named must not depend on map order
	for _, name := range names {
		v := m.Characteristics[name]
		i := slices.IndexFunc(out.ProductDef.Characteristics, func(c spc.Characteristic) bool { return c.Name == name })
		if i < 0 {
			all := make([]string, len(out.ProductDef.Characteristics))
			for j, c := range out.ProductDef.Characteristics {
				all[j] = c.Name
			}
			return refuse("characteristics."+name, "product %s has no characteristic %q; it has %s", out.Product, name, or(strings.Join(all, ", "), "none"))
		}
		if v == nil {
			continue
		}
		if p := plausible(name, *v, out.ProductDef.Characteristics[i]); p != nil {
			return p
		}
		if out.Characteristics == nil {
			out.Characteristics = map[string]float64{}
		}
		out.Characteristics[name] = *v
	}
	if p := counts(m.Counts); p != nil {
		return p
	}
	if len(m.Counts) > 0 {
		out.Counts = m.Counts
	}
	if out.Readings == nil && out.Characteristics == nil && out.Counts == nil {
		return refuse("characteristics", "the measurement brings no value; send characteristics or counts")
	}
	return nil
}

// units that a slip would mix up, as factors.
var slips = []struct {
	factor float64
	words  string
}{
	{25.4, "a factor of 25.4: were they sent in inches instead of millimetres?"},
	{1 / 25.4, "a factor of 25.4: were they sent in millimetres instead of inches?"},
	{1000, "a factor of 1000: were they sent in metres, or in millimetres instead of micrometres?"},
	{1e-3, "a factor of 1000: were they sent in micrometres instead of millimetres?"},
}

// believable refuses readings outside the gauge's range, or, where none is stated, that no panel can have.
func believable(r Readings, g *spc.Gauge, p *spc.Product) *Problem {
	low, high, stated := -1e5/g.Unit.MM(), 1e5/g.Unit.MM(), false
	switch {
	case g.Range != nil:
		low, high, stated = g.Range[0], g.Range[1], true
	case g.Kind == spc.Dimensions:
		low, high = -1e12, 1e12
	case g.Kind == spc.Radial && (g.ApexDistanceMM > 0 || p.Contour != nil && p.Contour.Kind == spc.ContourSphere):
		// Without a stated range a distance from the reference centre must lie within a factor of two of the apex distance:
		// far wider than any panel, and narrow enough to see a wrong unit.
		apex := g.ApexDistanceMM
		if apex == 0 {
			apex = p.Contour.R
		}
		low, high = apex/2/g.Unit.MM(), apex*2/g.Unit.MM()
	case g.Kind == spc.Radial || g.Kind == spc.LocalRadius:
		low = 0
	}
	for i, v := range r {
		if math.IsNaN(v) || v >= low && v <= high {
			continue
		}
		field := fmt.Sprintf("readings[%d]", i)
		hint := ""
		for _, s := range slips {
			if allWithin(r, s.factor, low, high) {
				hint = "; all readings would fit after " + s.words
				break
			}
		}
		for _, u := range slips {
			if w := v * u.factor; hint == "" && w >= low && w <= high {
				hint = "; it would fit after " + u.words
			}
		}
		if hint == "" {
			hint = "; send null for a probe that gave no reading"
		}
		negative := ""
		if v < 0 && (g.Kind == spc.Radial || g.Kind == spc.LocalRadius) {
			negative = " (a distance or radius can't be negative)"
		}
		what := "what a panel can have"
		if stated {
			what = "the gauge's range"
		}
		q := refuse(field, "place %d reads %.10g %s%s, outside %s %.10g to %.10g%s", i+1, v, g.Unit, negative, what, low, high, hint)
		q.Value = v
		return q
	}
	return nil
}

func allWithin(r Readings, factor, low, high float64) bool {
	for _, v := range r {
		if w := v * factor; !math.IsNaN(v) && (w < low || w > high) {
			return false
		}
	}
	return true
}

// plausible refuses a characteristic whose distance from its nominal a unit slip explains.
func plausible(name string, v float64, c spc.Characteristic) *Problem {
	if math.Abs(v) > 1e12 {
		return refuse("characteristics."+name, "%s is %g %s, which nothing in a plant measures", name, v, c.Unit)
	}
	if c.Nominal == nil || *c.Nominal == 0 {
		return nil
	}
	for _, s := range slips {
		if r := v * s.factor / *c.Nominal; r > 0.9 && r < 1.1 {
			q := refuse("characteristics."+name, "%s is %g %s, nominal is %g; it would fit after %s", name, v, c.Unit, *c.Nominal, s.words)
			q.Value = v
			return q
		}
	}
	return nil
}

func counts(all map[string]spc.Count) *Problem {
	names := make([]string, 0, len(all))
	for name := range all {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		c := all[name]
		field := "counts." + name
		if _, p := text(field, &name, true); p != nil {
			return p
		}
		parts, whole := c.Nonconforming, c.Inspected
		what, of := "nonconforming", "inspected"
		if c.Defects != nil || c.Units != nil {
			if parts != nil || whole != nil {
				return refuse(field, "give nonconforming and inspected, or defects and units, not both")
			}
			parts, whole, what, of = c.Defects, c.Units, "defects", "units"
		}
		switch {
		case parts == nil || whole == nil:
			return refuse(field, "%s needs both %s and %s", name, what, of)
		case *parts < 0 || *whole < 1:
			return refuse(field, "%s: %s must be at least 0 and %s at least 1", name, what, of)
		case what == "nonconforming" && *parts > *whole:
			return refuse(field, "%s: %d nonconforming of %d inspected", name, *parts, *whole)
		}
	}
	return nil
}

// text checks a name: 1 to 64 printable characters.
func text(field string, v *string, must bool) (string, *Problem) {
	if v == nil || *v == "" {
		if must {
			return "", refuse(field, "%s is missing", field)
		}
		return "", nil
	}
	bad := strings.ContainsFunc(*v, func(r rune) bool { return !unicode.IsPrint(r) })
	if bad || !utf8.ValidString(*v) || utf8.RuneCountInString(*v) > 64 || strings.TrimSpace(*v) != *v {
		return "", refuse(field, "%s must be 1 to 64 printable characters without spaces at its ends, is %.80q", field, *v)
	}
	return *v, nil
}

func moment(field string, v *string, must bool) (time.Time, *Problem) {
	if v == nil || *v == "" {
		if must {
			return time.Time{}, refuse(field, "%s is missing; send an RFC 3339 time such as 2026-03-02T07:44:10.250Z", field)
		}
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, *v)
	if err != nil {
		return t, refuse(field, "%s %.60q is not an RFC 3339 time; send one such as 2026-03-02T07:44:10.250Z, with its offset", field, *v)
	}
	if t.Year() < 1900 {
		return t, refuse(field, "%s %.60q lies before the year 1900; set the gauge computer's clock", field, *v)
	}
	return t.UTC().Truncate(time.Microsecond), nil
}

func known[T any](what string, all []*T, id func(*T) (string, bool)) string {
	var names []string
	for _, v := range all {
		if name, retired := id(v); !retired {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return "; no " + what + " are defined yet: apply a set-up file first"
	}
	if len(names) > 20 {
		names = append(names[:20], "...")
	}
	return "; " + what + " are " + strings.Join(names, ", ")
}
