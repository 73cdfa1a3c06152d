package present

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"sagwatch/server/ingest"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// Typed is a measurement as a person typed it into a form: kept as it is when something in it is wrong.
type Typed struct {
	Panel, Press, Product, Mould, Lane string
	MeasuredAt, PressedAt, Purpose     string
	Readings                           []string          // by place
	Values                             map[string]string // characteristics by name
	Block                              string            // all readings as one text
	Reason                             string            // of a correction
	Counts                             TypedCounts
}

// Wrong is one thing to put right in a form.
type Wrong struct {
	Field string // the element's id
	Name  string // the words that lead to the field: "Place 12: “11o7.4”"
	Text  string // the rest of the sentence: " is not a number."
	Short string // the sentence beside the field
}

// momentLayouts are how a time may be typed, in plant time; the first is how it is written.
var momentLayouts = []string{"2006-01-02 15:04:05.999999", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04"}

// TypedMoment writes a time so that nothing of it is lost when it is read back.
func TypedMoment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	if t.Second() == 0 && t.Nanosecond() == 0 {
		return ui.ForField(t)
	}
	return t.Format(momentLayouts[0])
}

// ReadMoment reads a time of the plant's clock.
func ReadMoment(s string, zone *time.Location) (time.Time, error) {
	for _, layout := range momentLayouts {
		t, err := time.ParseInLocation(layout, strings.TrimSpace(s), zone)
		if err != nil {
			continue
		}
		if t.Format(layout) != strings.TrimSpace(s) && t.Format("15:04") != clockIn(s) {
			return t, errors.New("does not exist: the clocks were put forward in that hour")
		}
		return t, nil
	}
	return time.Time{}, errors.New("is not a time; write it as " + "2026-03-04 12:00")
}

// clockIn is the hour and minute of a typed time.
func clockIn(s string) string {
	if s = strings.TrimSpace(s); len(s) >= len("2006-01-02 15:04") {
		return s[11:16]
	}
	return ""
}

// decimal is a number as people write it: one decimal point or comma, no signs between thousands.
var decimal = regexp.MustCompile(`^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?$`)

// ReadNumber reads a number with a decimal point or comma. Nothing, or the word none, is NaN: no reading.
func ReadNumber(s string) (float64, error) {
	s = strings.ReplaceAll(strings.TrimSpace(s), ui.Minus, "-")
	switch strings.ToLower(s) {
	case "", "none", "null", "-":
		return math.NaN(), nil
	}
	if !decimal.MatchString(s) {
		switch {
		case strings.Contains(s, ".") && strings.Contains(s, ","):
			return 0, errors.New("has a point and a comma; write one of them, before the decimals")
		case strings.ContainsAny(s, "oO") && decimal.MatchString(strings.NewReplacer("o", "0", "O", "0").Replace(s)):
			return 0, errors.New("is not a number; a letter o for a nought?")
		case strings.ContainsAny(s, "lI") && decimal.MatchString(strings.NewReplacer("l", "1", "I", "1").Replace(s)):
			return 0, errors.New("is not a number; a letter for the figure 1?")
		}
		return 0, errors.New("is not a number")
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil {
		return 0, errors.New("is too large for a number")
	}
	return v, nil
}

// ReadBlock parts a block of text into readings: cells of a spreadsheet by tabs and lines, where an empty cell is no reading, else
// words parted by spaces or semicolons.
func ReadBlock(s string) []string {
	s = strings.Trim(strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n"), "\n")
	if strings.TrimSpace(s) == "" {
		return nil
	}
	if strings.Contains(s, "\t") {
		return strings.Split(strings.ReplaceAll(s, "\t", "\n"), "\n")
	}
	return strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || r == '\n' || r == ';' || r == '\u00a0' || r == '\u2009' })
}

// Empty tells whether no field of a place was filled in.
func (t Typed) Empty() bool {
	return !slices.ContainsFunc(t.Readings, func(s string) bool { return strings.TrimSpace(s) != "" })
}

// Into writes what was typed over a message and says all that cannot be read. names are the characteristics that the form has.
func (t Typed) Into(m *ingest.Message, names []string, now time.Time) (wrong []Wrong) {
	bad := func(field, name, short, text string) {
		wrong = append(wrong, Wrong{Field: field, Name: name, Text: text, Short: short})
	}
	word := func(s string) *string {
		if s = strings.TrimSpace(s); s == "" {
			return nil
		}
		return &s
	}
	if m.Panel = word(t.Panel); m.Panel == nil {
		bad("panel", "Panel: there is none", "A panel must have its serial.", ". Scan or type its serial.")
	}
	m.Purpose, m.Press, m.Product, m.Mould, m.Lane = word(t.Purpose), word(t.Press), word(t.Product), word(t.Mould), word(t.Lane)
	if t.Purpose == string(spc.MasterCheck) {
		m.Press, m.Product, m.Mould, m.Lane = nil, nil, nil, nil // the gauge's own list says of which product a master is
	}
	moment := func(field, name, typed string, must bool) *string {
		if strings.TrimSpace(typed) == "" {
			if must {
				bad(field, name+": there is none", "Say when it was gauged.", ". Write it as "+ui.ForField(now)+".")
			}
			return nil
		}
		at, err := ReadMoment(typed, now.Location())
		switch {
		case err != nil:
			bad(field, name+": “"+typed+"”", Capital("it "+ended(err.Error())), " "+ended(err.Error()))
		case at.Sub(now) > 5*time.Minute:
			bad(field, name+": “"+typed+"”", "Lies in the future.", " lies in the future; it is "+ui.ForField(now)+" now, plant time.")
		default:
			return word(at.UTC().Format(time.RFC3339Nano))
		}
		return nil
	}
	m.MeasuredAt = moment("measured_at", "Gauged", t.MeasuredAt, true)
	m.PressedAt = moment("pressed_at", "Pressed", t.PressedAt, false)
	wrong = append(wrong, t.Counts.into(m)...)
	if len(t.Readings) > 0 {
		wrong = append(wrong, t.readings(m)...)
	}
	for i, name := range names {
		v, err := ReadNumber(t.Values[name])
		if err != nil {
			bad(valueID(i), Capital(Characteristic(name))+": “"+t.Values[name]+"”", Capital("it "+ended(err.Error())), " "+ended(err.Error()))
			continue
		}
		if delete(m.Characteristics, name); !math.IsNaN(v) {
			if m.Characteristics == nil {
				m.Characteristics = map[string]*float64{}
			}
			m.Characteristics[name] = &v
		}
	}
	if len(wrong) == 0 && len(t.Readings) == 0 && len(m.Characteristics) == 0 && len(m.Counts) == 0 && len(names)+len(t.Counts.Fields) > 0 {
		field := valueID(0)
		if len(names) == 0 {
			field = "seen"
		}
		bad(field, "No value is filled in", "Fill in at least one value.", ". Fill in at least one.")
	}
	return wrong
}

// readings takes them from the fields, or from the block where every field is empty.
func (t Typed) readings(m *ingest.Message) (wrong []Wrong) {
	typed := t.Readings
	field := func(i int) string { return "r" + strconv.Itoa(i+1) }
	if t.Empty() && strings.TrimSpace(t.Block) != "" {
		typed = ReadBlock(t.Block)
		field = func(int) string { return "block" }
		if len(typed) != len(t.Readings) {
			return []Wrong{{Field: "block", Name: fmt.Sprintf("The block has %d readings", len(typed)), Short: fmt.Sprintf("%d readings were read; there are %d places.", len(typed), len(t.Readings)),
				Text: fmt.Sprintf("; the gauge has %d places. Write none for a place without a reading.", len(t.Readings))}}
		}
	}
	values := make(ingest.Readings, len(typed))
	some := false
	for i, s := range typed {
		v, err := ReadNumber(s)
		if err != nil {
			wrong = append(wrong, Wrong{Field: field(i), Name: fmt.Sprintf("Place %d: “%s”", i+1, strings.TrimSpace(s)), Text: " " + ended(err.Error()), Short: Capital("it " + ended(err.Error()))})
			continue
		}
		values[i] = v
		some = some || !math.IsNaN(v)
	}
	m.Readings = values
	if !some && len(m.Counts) > 0 {
		m.Readings = nil
	}
	if !some && len(wrong) == 0 && len(m.Characteristics) == 0 && len(m.Counts) == 0 {
		wrong = append(wrong, Wrong{Field: firstField(t), Name: "No reading is filled in", Text: ". Type them, or paste them into a field.", Short: "Fill in the readings."})
	}
	return wrong
}

func firstField(t Typed) string {
	if strings.TrimSpace(t.Block) != "" {
		return "block"
	}
	return "r1"
}

// Refusal says in the form's terms what intake refused; names are the characteristics that the form has.
func (t Typed) Refusal(p *ingest.Problem, names []string) Wrong {
	// What a machine sends as null a person leaves empty.
	detail := strings.ReplaceAll(strings.ReplaceAll(p.Detail, "send null for a probe that gave no reading", "leave the place empty where the probe gave no reading"),
		"send null where a probe gave none", "leave a place empty where its probe gave none")
	w := Wrong{Field: "panel", Name: "The measurement", Text: ": " + ended(detail), Short: Capital(ended(detail))}
	labels := map[string]string{"panel": "Panel", "press": "Press", "product": "Product", "mould": "Mould", "lane": "Lehr lane", "measured_at": "Gauged", "pressed_at": "Pressed", "purpose": "Purpose", "reason": "Reason"}
	inBlock := t.Empty() && strings.TrimSpace(t.Block) != ""
	var i int
	switch _, err := fmt.Sscanf(p.Field, "readings[%d]", &i); {
	case err == nil:
		w.Field, w.Name = "r"+strconv.Itoa(i+1), "Place "+strconv.Itoa(i+1)
		if rest, ok := strings.CutPrefix(detail, "place "+strconv.Itoa(i+1)); ok {
			w.Text = ended(rest)
		}
		if inBlock {
			w.Field = "block"
		}
	case p.Field == "readings":
		w.Field, w.Name = firstField(t), "Readings"
	case strings.HasPrefix(p.Field, "characteristics"):
		name := strings.TrimPrefix(strings.TrimPrefix(p.Field, "characteristics"), ".")
		w.Field, w.Name = valueID(max(slices.Index(names, name), 0)), "Values"
		if name != "" {
			w.Name = Capital(Characteristic(name))
		}
	case strings.HasPrefix(p.Field, "counts"):
		name := strings.TrimPrefix(p.Field, "counts.")
		w.Field, w.Name = "seen", "Findings"
		if i := slices.IndexFunc(t.Counts.Fields, func(f CountField) bool { return f.Name == name }); i >= 0 {
			w.Field, w.Name = countID(i), Capital(name)
		} else if name == strings.TrimSpace(t.Counts.OtherName) {
			w.Field, w.Name = "other", "Another finding"
		}
	case labels[p.Field] != "":
		w.Field, w.Name = p.Field, labels[p.Field]
	}
	return w
}

// ended closes a sentence that may be a question.
func ended(s string) string {
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// TypedOf writes a stored measurement as it would be typed; readings and times lose nothing. fields are the findings that the form
// asks for beside those stored.
func TypedOf(r *store.Row, fields []CountField, zone *time.Location) Typed {
	t := Typed{Panel: r.Panel, Press: r.Press, Product: r.Product, Mould: r.Mould, Lane: r.Lane, Purpose: string(r.Purpose), Values: map[string]string{},
		MeasuredAt: TypedMoment(r.MeasuredAt.In(zone))}
	if !r.PressedAt.IsZero() {
		t.PressedAt = TypedMoment(r.PressedAt.In(zone))
	}
	// All readings with as many decimals as the longest has.
	decimals := 0
	for _, v := range r.Readings {
		if _, frac, ok := strings.Cut(typedNumber(v), "."); ok {
			decimals = max(decimals, len(frac))
		}
	}
	for _, v := range r.Readings {
		s := typedNumber(v)
		if s != "" {
			s = strconv.FormatFloat(v, 'f', decimals, 64)
		}
		t.Readings = append(t.Readings, s)
	}
	if counts, ok := countsOf(r.Counts, fields); ok {
		t.Counts = counts
	}
	for name, v := range r.Characteristics {
		t.Values[name] = typedNumber(v)
	}
	return t
}

func typedNumber(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// valueID is the element id of the field of the i-th characteristic.
func valueID(i int) string { return "c" + strconv.Itoa(i+1) }
