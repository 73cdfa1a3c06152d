package present

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"

	"sagwatch/server/ingest"
	"sagwatch/spc"
	"sagwatch/web/ui"
)

// CountField is one finding that a form asks for.
type CountField struct {
	Name    string
	Defects bool // defects on units, not panels that do not conform
}

// CountFields lists the findings that a form for the gauge asks for: those that charts of counts take, each once.
func CountFields(g *spc.Gauge, charts []*spc.Chart) (out []CountField) {
	if g.Kind != spc.Dimensions {
		return nil
	}
	for _, c := range charts {
		if c.Kind.OfCounts() && !c.Retired && !slices.ContainsFunc(out, func(f CountField) bool { return f.Name == c.Characteristic }) {
			out = append(out, CountField{c.Characteristic, c.Kind == spc.CChart || c.Kind == spc.UChart})
		}
	}
	return out
}

// TypedCounts are findings as a person typed them: one number of panels looked at, and what was found on them.
type TypedCounts struct {
	Fields []CountField // none: the form has no findings, and those stored stay
	Seen   string
	Found  []string // by field
	// Another finding, of panels that do not conform.
	OtherName, OtherFound string
}

// countsOf writes stored counts as they would be typed; false where they were not all of one number of panels.
func countsOf(counts map[string]spc.Count, fields []CountField) (TypedCounts, bool) {
	t := TypedCounts{Found: make([]string, len(fields)), Fields: slices.Clone(fields)}
	names := make([]string, 0, len(counts))
	for name := range counts {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		c := counts[name]
		found, seen, defects := c.Nonconforming, c.Inspected, false
		if found == nil {
			found, seen, defects = c.Defects, c.Units, true
		}
		if found == nil || seen == nil || t.Seen != "" && t.Seen != strconv.FormatInt(*seen, 10) {
			return TypedCounts{}, false
		}
		t.Seen = strconv.FormatInt(*seen, 10)
		i := slices.IndexFunc(t.Fields, func(f CountField) bool { return f.Name == name })
		if i < 0 {
			i = len(t.Fields)
			t.Fields, t.Found = append(t.Fields, CountField{Name: name}), append(t.Found, "")
		}
		t.Fields[i].Defects, t.Found[i] = defects, strconv.FormatInt(*found, 10)
	}
	return t, true
}

// whole reads a count; nothing is false.
func whole(s string) (n int64, some bool, err error) {
	v, err := ReadNumber(s)
	switch {
	case err != nil || math.IsNaN(v):
		return 0, false, err
	case v != math.Trunc(v) || v < 0 || v > 1e9:
		return 0, false, errors.New("is not a count; write a whole number")
	}
	return int64(v), true, nil
}

// into writes the findings over a message and says what cannot be read.
func (t TypedCounts) into(m *ingest.Message) (wrong []Wrong) {
	if len(t.Fields) == 0 {
		return nil
	}
	bad := func(field, name, typed string, err error) {
		wrong = append(wrong, Wrong{Field: field, Name: name + ": “" + typed + "”", Text: " " + ended(err.Error()), Short: Capital("it " + ended(err.Error()))})
	}
	seen, looked, err := whole(t.Seen)
	if err != nil {
		bad("seen", "Panels looked at", t.Seen, err)
	}
	if looked && seen == 0 {
		looked = false
		bad("seen", "Panels looked at", t.Seen, errors.New("is none; findings are of one panel at least"))
	}
	m.Counts = nil
	add := func(field string, f CountField, typed string) {
		n, some, err := whole(typed)
		switch {
		case err != nil:
			bad(field, Capital(f.Name), typed, err)
		case !some:
		case !looked && t.Seen == "":
			wrong = append(wrong, Wrong{Field: "seen", Name: "Panels looked at: there are none", Text: ". Say how many panels were looked at.", Short: "Say how many panels were looked at."})
			looked = true // said once
		case looked && !f.Defects && n > seen && seen > 0:
			bad(field, Capital(f.Name), typed, errors.New("is more than were looked at"))
		case looked:
			if m.Counts == nil {
				m.Counts = map[string]spc.Count{}
			}
			m.Counts[f.Name] = spc.Count{Nonconforming: &n, Inspected: &seen}
			if f.Defects {
				m.Counts[f.Name] = spc.Count{Defects: &n, Units: &seen}
			}
		}
	}
	for i, f := range t.Fields {
		if i < len(t.Found) {
			add(countID(i), f, t.Found[i])
		}
	}
	other := strings.TrimSpace(t.OtherName)
	switch {
	case other != "":
		add("other_found", CountField{Name: other}, t.OtherFound)
	case strings.TrimSpace(t.OtherFound) != "":
		wrong = append(wrong, Wrong{Field: "other", Name: "Another finding: it has no name", Text: ". Say what was found.", Short: "Say what was found."})
	}
	if len(wrong) == 0 && looked && m.Counts == nil {
		wrong = append(wrong, Wrong{Field: countID(0), Name: "No finding is filled in", Text: ". Write 0 for a finding that was looked for and not found.", Short: "Write 0 where none was found."})
	}
	return wrong
}

// Counts makes the fields of findings.
func (f KeyInFacts) Counts() []ui.Input {
	t := f.Typed.Counts
	if len(t.Fields) == 0 {
		return nil
	}
	out := []ui.Input{{ID: "seen", Name: "seen", Label: "Panels looked at", Number: true, Optional: true, Value: t.Seen, Help: "All that were looked at, good ones too."}}
	for i, c := range t.Fields {
		in := ui.Input{ID: countID(i), Name: countID(i), Label: Capital(c.Name), Number: true, Optional: true, Unit: "panels"}
		if c.Defects {
			in.Unit = "found"
		}
		if i < len(t.Found) {
			in.Value = t.Found[i]
		}
		out = append(out, in)
	}
	out = append(out, ui.Input{ID: "other", Name: "other", Label: "Another finding", Optional: true, Max: 64, Value: t.OtherName},
		ui.Input{ID: "other_found", Name: "other_found", Label: "With it", Number: true, Optional: true, Unit: "panels", Value: t.OtherFound})
	for i := range out {
		out[i].Problem = f.problem(out[i].ID)
	}
	return out
}

// countID is the element id and name of the field of the i-th finding.
func countID(i int) string { return "n" + strconv.Itoa(i+1) }

// CountWords writes one count: "2 of 50 panels", "7 on 20 units".
func CountWords(c spc.Count) string {
	switch {
	case c.Nonconforming != nil && c.Inspected != nil:
		return ui.Count(*c.Nonconforming) + " of " + ui.Plural(*c.Inspected, "panel", "panels")
	case c.Defects != nil && c.Units != nil:
		return ui.Count(*c.Defects) + " on " + ui.Plural(*c.Units, "unit", "units")
	}
	return ""
}

// countFacts lists the findings of a measurement by name.
func countFacts(counts map[string]spc.Count) (out []ui.Fact) {
	for name, c := range counts {
		out = append(out, ui.Fact{Name: Capital(name), Value: ui.Text(CountWords(c))})
	}
	slices.SortFunc(out, func(a, b ui.Fact) int { return strings.Compare(a.Name, b.Name) })
	return out
}
