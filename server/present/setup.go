package present

import (
	"encoding/json"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// SetUpData is what the page of the set-up is made from.
type SetUpData struct {
	Site      string
	Catalogue *plant.Catalogue
	Conflicts []ConflictData
	Users     []store.User
	Tokens    []store.Token
	May       bool // the reader may resolve conflicts
}

// ConflictData is a conflict with the measurement that holds the identity.
type ConflictData struct {
	Entry    store.ConflictEntry
	Existing store.Row
	Choice   string
	Reason   string
	Problems ui.Problems
}

// NewSeriesOf is the series under which a conflict's content is accepted beside the first.
func NewSeriesOf(id int64) string { return "conflict-" + strconv.FormatInt(id, 10) }

var kindsOfSetUp = []struct{ kind, id, one, many string }{
	{plant.KindProduct, "products", "product", "products"}, {plant.KindPress, "presses", "press", "presses"},
	{plant.KindGauge, "gauges", "gauge", "gauges"}, {plant.KindChart, "charts", "chart made by hand", "charts made by hand"}, {plant.KindSite, "site", "site", "sites"},
}

// SetUp makes the page of what is defined.
func SetUp(v View, frame ui.Frame, d SetUpData) page.SetUp {
	m := page.SetUp{Frame: frame, How: "Definitions are changed by the set-up file: sagwatch setup export writes it as it is now, sagwatch setup apply FILE --dry-run shows what would change, and --reason says why. Nothing is overwritten: a panel is judged by the definition in force when it was measured."}
	byID := map[[2]string][]plant.Revision{}
	for _, r := range d.Catalogue.Revisions {
		key := [2]string{r.Kind, r.ID}
		byID[key] = append(byID[key], r)
	}
	var counts []string
	for _, k := range kindsOfSetUp {
		g := page.Definitions{ID: k.id, Empty: "None is defined."}
		var ids []string
		for key := range byID {
			if key[0] == k.kind {
				ids = append(ids, key[1])
			}
		}
		sort.Strings(ids)
		in := 0
		for _, id := range ids {
			def := definition(v, k.kind, byID[[2]string{k.kind, id}])
			if !def.Retired {
				in++
			}
			g.Rows = append(g.Rows, def)
		}
		g.Head = Capital(ui.Plural(int64(in), k.one, k.many))
		if in < len(ids) {
			g.Head += ", " + ui.Plural(int64(len(ids)-in), "retired", "retired")
		}
		if k.kind == plant.KindSite {
			g.Head = "The site"
		} else if k.kind != plant.KindChart {
			counts = append(counts, ui.Plural(int64(in), k.one, k.many))
		}
		m.Groups = append(m.Groups, g)
	}
	st := ui.Statement{Where: []ui.Run{{Text: "Set-up"}}, Say: ui.Say(Capital(list(counts)) + " are defined.")}
	if len(d.Catalogue.Revisions) == 0 {
		st.Say = ui.Say("Nothing is defined yet.")
	}
	if n := len(d.Conflicts); n > 0 {
		st.Doubts = append(st.Doubts, ui.Sentence{}.Link(Capital(ui.Plural(int64(n), "measurement was", "measurements were"))+" sent twice with different content", "#conflicts").And(" and wait for an engineer."))
		if n == 1 {
			st.Doubts[len(st.Doubts)-1][1].Text = " and waits for an engineer."
		}
	}
	st.Acts = append(st.Acts, ui.Act{Text: "Causes, plans and actions", Href: "/setup/causes"}, ui.Act{Text: "Where the numbers come from", Href: "/setup/numbers"})
	m.Statement = st
	for _, c := range d.Conflicts {
		m.Conflicts = append(m.Conflicts, conflict(v, c, d.May))
	}
	m.People, m.Tokens = people(d.Users), tokens(v, d.Tokens)
	return m
}

func definition(v View, kind string, revisions []plant.Revision) page.Definition {
	slices.SortStableFunc(revisions, func(a, b plant.Revision) int { return a.Number - b.Number })
	last := revisions[len(revisions)-1]
	out := page.Definition{ID: anchorOf(kind + "-" + last.ID), Name: last.ID, Revision: "revision " + strconv.Itoa(last.Number) + " since " + since(v, last),
		By: last.By + ", " + v.Moment(last.At), Reason: Capital(last.Reason)}
	if out.Reason == "" {
		out.Reason = "No reason given"
	}
	if !strings.HasSuffix(out.Reason, ".") {
		out.Reason += "."
	}
	out.Summary, out.Facts, out.Retired = describe(kind, last.Body)
	for i := len(revisions) - 2; i >= 0; i-- {
		r := revisions[i]
		summary, _, _ := describe(kind, r.Body)
		out.Before = append(out.Before, ui.Entry{At: v.Moment(r.At), Text: ui.Say("revision " + strconv.Itoa(r.Number) + " since " + since(v, r) + ", " + r.By + ": " + r.Reason + " (" + summary + ")")})
	}
	return out
}

func since(v View, r plant.Revision) string {
	if r.EffectiveFrom.Year() <= 1970 {
		return "the beginning"
	}
	return v.Moment(r.EffectiveFrom)
}

// describe says in a line and in facts what a definition holds.
func describe(kind string, body json.RawMessage) (summary string, facts []ui.Fact, retired bool) {
	fact := func(name, text string) {
		if text != "" {
			facts = append(facts, ui.Fact{Name: name, Value: ui.Text(text)})
		}
	}
	n := func(x float64) string { return ui.Number(x, limitDecimals(x)) }
	switch kind {
	case plant.KindProduct:
		var p spc.Product
		if json.Unmarshal(body, &p) != nil {
			break
		}
		var limits []string
		names := make([]string, 0, len(p.Limits))
		for name := range p.Limits {
			names = append(names, name)
		}
		sort.Strings(names)
		for _, name := range names {
			l := p.Limits[name]
			limits = append(limits, Characteristic(name)+" "+interval(l.Lower, l.Upper, ui.UnitName(CharacteristicUnit(name))))
		}
		for _, c := range p.Characteristics {
			text := c.Name + " " + interval(c.Lower, c.Upper, ui.UnitName(c.Unit))
			if c.U != nil {
				text += " (u " + n(*c.U) + ")"
			}
			limits = append(limits, text)
		}
		summary = ContourWords(p.Contour)
		if len(limits) > 0 {
			summary += "; " + strings.Join(limits[:min(2, len(limits))], ", ")
		}
		fact("Contour", ContourWords(p.Contour)+", "+string(p.Side))
		fact("Limits", strings.Join(limits, "; "))
		if p.K > 0 {
			fact("Decision rule", "ISO 14253-1 with k = "+n(p.K))
		}
		if p.CornerMM != nil {
			fact("Corner", n(p.CornerMM[0])+" and "+ui.WithUnit(n(p.CornerMM[1]), "mm")+" from the middle")
		}
		if p.MinimumGoodPoints > 0 {
			fact("Good places needed", strconv.Itoa(p.MinimumGoodPoints))
		}
		retired = p.Retired
	case plant.KindPress:
		var p spc.Press
		if json.Unmarshal(body, &p) != nil {
			break
		}
		summary = ui.Plural(int64(len(p.Moulds)), "mould", "moulds") + ", one panel in " + n(p.TaktS) + " s, " + n(p.LehrMinutes) + " minutes in the lehr"
		fact("Moulds", strings.Join(p.Moulds, ", "))
		var fitted []string
		for _, m := range p.Moulds {
			if c := p.Fitted[m]; c != "" {
				fitted = append(fitted, m+": "+c)
			}
		}
		fact("Castings", strings.Join(fitted, ", "))
		fact("Takt", n(p.TaktS)+" s")
		fact("Lehr", n(p.LehrMinutes)+" minutes"+map[bool]string{true: ", lanes " + strings.Join(p.Lanes, ", ")}[len(p.Lanes) > 0])
		if p.FalseSignals > 0 {
			fact("False signals", n(p.FalseSignals)+" in a shift of eight hours, all standard charts together")
		}
		standard := "wanted"
		if p.StandardCharts != nil && !*p.StandardCharts {
			standard = "not wanted"
		}
		fact("Standard charts", standard)
		retired = p.Retired
	case plant.KindGauge:
		var g spc.Gauge
		if json.Unmarshal(body, &g) != nil {
			break
		}
		summary = string(g.Kind)
		if len(g.Places) > 0 {
			summary += ", " + strconv.Itoa(len(g.Places)) + " places"
		}
		u := "not stated: deviations are not judged"
		if g.ProbeUUM != nil {
			u = ui.WithUnit(n(*g.ProbeUUM), "um")
			summary += ", one reading's standard uncertainty " + u
		}
		if g.Kind == spc.Dimensions {
			u = ""
		}
		fact("Kind", string(g.Kind)+", readings in "+ui.UnitName(string(g.Unit)))
		fact("One reading's standard uncertainty", u)
		if g.PlaceUUM > 0 {
			fact("One place's standard uncertainty", ui.WithUnit(n(g.PlaceUUM), "um"))
		}
		if g.RadiusUMM > 0 {
			fact("Standard uncertainty of the radius", ui.WithUnit(n(g.RadiusUMM), "mm"))
		}
		if g.Range != nil {
			fact("Believable readings", n(g.Range[0])+" to "+ui.WithUnit(n(g.Range[1]), string(g.Unit)))
		}
		if len(g.Places) > 0 {
			fact("Seating", seating(&g))
		}
		for _, mm := range g.Masters {
			text := mm.Panel + " of product " + mm.Product + ", allowed " + ui.WithUnit(n(mm.AllowedUM), "um")
			if mm.RadiusMM != nil {
				text += ", radius " + ui.WithUnit(n(*mm.RadiusMM), "mm")
			}
			if mm.ValidTo != nil {
				text += ", valid to " + mm.ValidTo.Format("2 Jan 2006")
			}
			fact("Master panel", text)
		}
		if g.MasterEveryH > 0 {
			fact("Master check", "every "+n(g.MasterEveryH)+" hours")
		}
		for _, f := range g.Faulty {
			fact("Faulty probe", "place "+strconv.Itoa(f.Place)+" since "+f.From.Format("2 Jan 2006 15:04")+" UTC")
		}
		retired = g.Retired
	case plant.KindChart:
		var c spc.Chart
		if json.Unmarshal(body, &c) != nil {
			break
		}
		summary = Characteristic(c.Characteristic) + ", " + kindWords(c.Kind)
		if c.By != "" {
			summary += " by " + c.By
		}
		if !c.Kind.WorkedOut() {
			summary += "; not worked out by this release"
		}
		fact("Of", strings.TrimSpace(map[bool]string{true: "press " + c.Press, false: "gauge " + c.Gauge}[c.Press != ""]+" "+map[bool]string{true: "product " + c.Product}[c.Product != ""]))
		fact("Rules", RuleWords(c.Rules))
		limits := multiple(c) + " standard deviations"
		if c.Limits.Lower != nil || c.Limits.Upper != nil {
			limits = "given: " + interval(c.Limits.Lower, c.Limits.Upper, ui.UnitName(CharacteristicUnit(c.Characteristic)))
		}
		fact("Limits", limits)
		retired = c.Retired
	case plant.KindSite:
		var s spc.Site
		if json.Unmarshal(body, &s) != nil {
			break
		}
		summary = "time zone " + s.TimeZone
		fact("Time zone", s.TimeZone)
		fact("Shifts begin", strings.Join(s.Shifts, ", "))
	}
	return summary, facts, retired
}

func interval(lower, upper *float64, unit string) string {
	n := func(x float64) string { return ui.Number(x, limitDecimals(x)) }
	switch {
	case lower != nil && upper != nil:
		return n(*lower) + " to " + ui.WithUnit(n(*upper), unit)
	case upper != nil:
		return "at most " + ui.WithUnit(n(*upper), unit)
	case lower != nil:
		return "at least " + ui.WithUnit(n(*lower), unit)
	}
	return "without limit"
}

// conflict shows in what two contents differ, and how it may be resolved.
func conflict(v View, c ConflictData, may bool) page.Conflict {
	a, b := &c.Existing.Measurement, &c.Entry.Row.Measurement
	head := a.Gauge + ", panel " + a.Panel + ", measured " + v.Moment(a.MeasuredAt)
	if a.Sequence != spc.NoSequence {
		head = a.Gauge + ", sequence " + strconv.FormatInt(a.Sequence, 10)
		if a.Series != "" {
			head += " of series " + a.Series
		}
	}
	out := page.Conflict{ID: strconv.FormatInt(c.Entry.ID, 10), Head: head + ": two contents", Differs: differs(v, a, b), Action: "/setup/conflicts/" + strconv.FormatInt(c.Entry.ID, 10), May: may,
		MayNot: "An engineer decides.", Problem: c.Problems}
	out.Differs.Label = "In what they differ"
	out.Differs.Rows = append([]ui.Row{{Cells: ui.Texts("Came", v.Moment(c.Existing.StoredAt)+" from "+c.Existing.Source, v.Moment(c.Entry.ReceivedAt)+" from "+c.Entry.Source)}}, out.Differs.Rows...)
	id := "resolution-" + out.ID
	out.Choice = ui.Input{ID: id, Name: "resolution", Label: "What happens to the second", Radio: true, Options: []ui.Option{
		{Value: store.AcceptAsCorrection, Label: "It corrects the first", Selected: c.Choice == store.AcceptAsCorrection},
		{Value: store.AcceptAsNewSeries, Label: "It is another measurement: stored in the series " + NewSeriesOf(c.Entry.ID), Selected: c.Choice == store.AcceptAsNewSeries},
		{Value: store.Drop, Label: "It is dropped", Selected: c.Choice == store.Drop}}}
	out.Reason = ui.Input{ID: "reason-" + out.ID, Name: "reason", Label: "Reason", Value: c.Reason, Max: 1000}
	for _, p := range c.Problems.Items {
		switch p.Field {
		case out.Choice.ID:
			out.Choice.Problem = p.Name + p.Text
		case out.Reason.ID:
			out.Reason.Problem = p.Name + p.Text
		}
	}
	return out
}

func differs(v View, a, b *spc.Measurement) ui.Table {
	t := ui.Table{Fold: true, Empty: "They differ in nothing that is shown here.", Cols: []ui.Col{{Head: "What"}, {Head: "First, in force"}, {Head: "Second, waiting"}}}
	row := func(what, x, y string) {
		if x != y {
			or := func(s string) string {
				if s == "" {
					return "none"
				}
				return s
			}
			t.Rows = append(t.Rows, ui.Row{Cells: ui.Texts(what, or(x), or(y))})
		}
	}
	whole := func(n int64) string {
		if n < 0 {
			return ""
		}
		return strconv.FormatInt(n, 10)
	}
	row("Panel", a.Panel, b.Panel)
	row("Press", a.Press, b.Press)
	row("Product", a.Product, b.Product)
	row("Mould", a.Mould, b.Mould)
	row("Lane", a.Lane, b.Lane)
	row("Cycle", whole(a.Cycle), whole(b.Cycle))
	row("For", string(a.Purpose), string(b.Purpose))
	row("Measured", ui.ClockSeconds(a.MeasuredAt.In(v.Zone))+" "+ui.Date(a.MeasuredAt.In(v.Zone)), ui.ClockSeconds(b.MeasuredAt.In(v.Zone))+" "+ui.Date(b.MeasuredAt.In(v.Zone)))
	if !a.PressedAt.Equal(b.PressedAt) {
		row("Pressed", a.PressedAt.In(v.Zone).Format("2 Jan 15:04:05.000"), b.PressedAt.In(v.Zone).Format("2 Jan 15:04:05.000"))
	}
	different, first := 0, -1
	for i := range max(len(a.Readings), len(b.Readings)) {
		if x, y := at(a.Readings, i), at(b.Readings, i); x != y && !(math.IsNaN(x) && math.IsNaN(y)) {
			different++
			if first < 0 {
				first = i
			}
		}
	}
	if different > 0 {
		n := func(x float64) string {
			if math.IsNaN(x) {
				return "none"
			}
			return strconv.FormatFloat(x, 'f', -1, 64)
		}
		row(Capital(ui.Plural(int64(different), "reading", "readings"))+", the first at place "+strconv.Itoa(first+1), n(at(a.Readings, first)), n(at(b.Readings, first)))
	}
	names := map[string]bool{}
	for name := range a.Characteristics {
		names[name] = true
	}
	for name := range b.Characteristics {
		names[name] = true
	}
	sorted := make([]string, 0, len(names))
	for name := range names {
		sorted = append(sorted, name)
	}
	sort.Strings(sorted)
	for _, name := range sorted {
		n := func(m map[string]float64) string {
			if x, ok := m[name]; ok {
				return strconv.FormatFloat(x, 'f', -1, 64)
			}
			return ""
		}
		row(Capital(Characteristic(name)), n(a.Characteristics), n(b.Characteristics))
	}
	return t
}

func at(list []float64, i int) float64 {
	if i < len(list) {
		return list[i]
	}
	return math.NaN()
}

func people(users []store.User) ui.Table {
	t := ui.Table{Label: "People", Empty: "Nobody yet: sagwatch user add NAME --role ROLE.", Cols: []ui.Col{{Head: "Name"}, {Head: "Signs in as"}, {Head: "Role"}}}
	for _, u := range users {
		cell := ui.Text(u.Role)
		if u.Disabled {
			cell = ui.Cell{State: ui.Is(ui.None, "may not sign in"), Note: u.Role}
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(u.Display), ui.Text(u.Name), cell}})
	}
	return t
}

func tokens(v View, list []store.Token) ui.Table {
	t := ui.Table{Label: "Tokens of machines", Empty: "None yet: sagwatch token add NAME --scopes ingest.", Cols: []ui.Col{{Head: "Name"}, {Head: "May"}, {Head: "Last used"}, {Head: "Made by", Drop: true}}}
	for _, k := range list {
		used := ui.Text("never")
		if !k.LastUsed.IsZero() {
			used = ui.Text(v.Moment(k.LastUsed))
		}
		if !k.Revoked.IsZero() {
			used = ui.Cell{State: ui.Is(ui.None, "revoked"), Note: v.Moment(k.Revoked)}
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(k.Name), ui.Text(strings.Join(k.Scopes, ", ")), used, ui.Text(k.By + ", " + v.Moment(k.Created))}})
	}
	return t
}
