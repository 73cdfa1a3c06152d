package present_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/ingest"
	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
)

func tallinn(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Tallinn")
	require.NoError(t, err)
	return zone
}

func TestNumbersAreReadWithPointOrComma(t *testing.T) {
	for typed, want := range map[string]float64{"1107.482": 1107.482, " 1107,482 ": 1107.482, "-0,5": -0.5, "\u22120.5": -0.5, ".5": 0.5, "1e-3": 1e-3, "12": 12} {
		got, err := present.ReadNumber(typed)
		require.NoError(t, err, typed)
		require.Equal(t, want, got, typed)
	}
	for _, typed := range []string{"", " ", "none", "None", "null", "-"} {
		got, err := present.ReadNumber(typed)
		require.NoError(t, err, typed)
		require.True(t, math.IsNaN(got), typed)
	}
	for typed, words := range map[string]string{"11o7.4": "letter o", "1l07": "figure 1", "1.107,4": "a point and a comma", "abc": "not a number", "0x10": "not a number",
		"Inf": "not a number", "NaN": "not a number", "1 107": "not a number", "1e999": "too large", "1..2": "not a number"} {
		_, err := present.ReadNumber(typed)
		require.ErrorContains(t, err, words, typed)
	}
}

func FuzzNumbers(f *testing.F) {
	for _, s := range []string{"1107,4", "none", "1e5", "-", "1.2.3", "\u2212,5"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := present.ReadNumber(s)
		require.False(t, math.IsInf(v, 0), s)
		if err != nil {
			require.NotEmpty(t, err.Error())
		}
	})
}

func TestABlockIsPartedAsASpreadsheetOrAsWords(t *testing.T) {
	require.Equal(t, []string{"1,5", "", "2,5", "3"}, present.ReadBlock("1,5\t\t2,5\r\n3\r\n"))
	require.Equal(t, []string{"1.5", "none", "2.5"}, present.ReadBlock(" 1.5 none;2.5\n"))
	require.Empty(t, present.ReadBlock(" \n "))
}

func TestTimesAreThePlants(t *testing.T) {
	zone := tallinn(t)
	at, err := present.ReadMoment("2026-03-02 08:10:20.25", zone)
	require.NoError(t, err)
	require.Equal(t, "2026-03-02T06:10:20.25Z", at.UTC().Format(time.RFC3339Nano))
	require.Equal(t, "2026-03-02 08:10:20.25", present.TypedMoment(at), "nothing is lost on the way back")
	_, err = present.ReadMoment("2026-03-29 03:30", zone)
	require.ErrorContains(t, err, "clocks were put forward")
	_, err = present.ReadMoment("yesterday", zone)
	require.ErrorContains(t, err, "not a time")
}

// form is what a person typed who made no mistake.
func form() present.Typed {
	return present.Typed{Panel: "A-1", Press: "A", Product: "P25", Mould: "3", MeasuredAt: "2026-03-02 12:00", Purpose: "production", Readings: []string{"1107,5", "", "1107.6"}, Values: map[string]string{}}
}

func TestWhatIsTypedBecomesAMessage(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 1, 0, 0, tallinn(t))
	var m ingest.Message
	require.Empty(t, form().Into(&m, nil, now))
	require.Equal(t, "A-1", *m.Panel)
	require.Equal(t, "2026-03-02T10:00:00Z", *m.MeasuredAt)
	require.Nil(t, m.PressedAt)
	require.Nil(t, m.Lane)
	require.Equal(t, 1107.5, m.Readings[0])
	require.True(t, math.IsNaN(m.Readings[1]))

	master := form()
	master.Purpose = string(spc.MasterCheck)
	require.Empty(t, master.Into(&m, nil, now))
	require.Nil(t, m.Press, "a master is of no press")

	block := form()
	block.Readings, block.Block = []string{"", "", ""}, "1107,5 none 1107,6"
	require.Empty(t, block.Into(&m, nil, now))
	require.Equal(t, 1107.6, m.Readings[2])
}

func TestEveryMistakeIsNamedWithItsField(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 1, 0, 0, tallinn(t))
	for name, c := range map[string]struct {
		spoil func(*present.Typed)
		field string
		words string
	}{
		"no panel":         {func(f *present.Typed) { f.Panel = " " }, "panel", "there is none"},
		"no time":          {func(f *present.Typed) { f.MeasuredAt = "" }, "measured_at", "there is none"},
		"future":           {func(f *present.Typed) { f.MeasuredAt = "2026-03-02 13:00" }, "measured_at", "lies in the future"},
		"pressed wrongly":  {func(f *present.Typed) { f.PressedAt = "noon" }, "pressed_at", "is not a time"},
		"letter in number": {func(f *present.Typed) { f.Readings[2] = "11o7.4" }, "r3", "letter o"},
		"nothing read":     {func(f *present.Typed) { f.Readings = []string{"", "", ""} }, "r1", "No reading"},
		"short block":      {func(f *present.Typed) { f.Readings, f.Block = []string{"", "", ""}, "1 2" }, "block", "has 2 readings; the gauge has 3"},
		"word in block":    {func(f *present.Typed) { f.Readings, f.Block = []string{"", "", ""}, "1 x 2" }, "block", "Place 2"},
	} {
		typed := form()
		c.spoil(&typed)
		wrong := typed.Into(new(ingest.Message), nil, now)
		require.Len(t, wrong, 1, name)
		require.Equal(t, c.field, wrong[0].Field, name)
		require.Contains(t, wrong[0].Name+wrong[0].Text, c.words, name)
		require.NotEmpty(t, wrong[0].Short, name)
		require.False(t, strings.HasSuffix(wrong[0].Text, "?."), name)
	}
}

func TestRefusalsFindTheirFields(t *testing.T) {
	for field, want := range map[string]string{"readings[30]": "r31", "readings": "r1", "mould": "mould", "characteristics.width": "c2", "": "panel", "sequence": "panel"} {
		w := form().Refusal(&ingest.Problem{Field: field, Detail: "place 31 reads 28 mm; inches?"}, []string{"height", "width"})
		require.Equal(t, want, w.Field, field)
	}
	w := form().Refusal(&ingest.Problem{Field: "readings[30]", Detail: "place 31 reads 28 mm; inches?"}, nil)
	require.Equal(t, "Place 31 reads 28 mm; inches?", w.Name+w.Text)
}

func TestAStoredMeasurementIsTypedWithoutLoss(t *testing.T) {
	zone := tallinn(t)
	r := &store.Row{Measurement: spc.Measurement{Panel: "A-1", Press: "A", Product: "P25", Purpose: spc.Production, MeasuredAt: time.Date(2026, 3, 2, 7, 44, 10, 250_001_000, time.UTC),
		Readings: []float64{1107.48212345678, math.NaN(), 0.1 + 0.2}}}
	typed := present.TypedOf(r, nil, zone)
	require.Equal(t, "", typed.Readings[1])
	var m ingest.Message
	require.Empty(t, typed.Into(&m, nil, r.MeasuredAt.In(zone)))
	require.Equal(t, r.Readings[0], m.Readings[0])
	require.Equal(t, r.Readings[2], m.Readings[2])
	require.Equal(t, r.MeasuredAt.Format(time.RFC3339Nano), *m.MeasuredAt)
}

func TestFindingsAreTypedWithOneNumberOfPanels(t *testing.T) {
	now := time.Date(2026, 3, 4, 12, 0, 0, 0, tallinn(t))
	charts := []*spc.Chart{{Kind: spc.PChart, Characteristic: "blister"}, {Kind: spc.NPChart, Characteristic: "blister"}, {Kind: spc.UChart, Characteristic: "seed"},
		{Kind: spc.PChart, Characteristic: "gone", Retired: true}, {Kind: spc.Individuals, Characteristic: "width"}}
	g := &spc.Gauge{ID: "PG-1", Kind: spc.Dimensions}
	fields := present.CountFields(g, charts)
	require.Equal(t, []present.CountField{{Name: "blister"}, {Name: "seed", Defects: true}}, fields)
	require.Empty(t, present.CountFields(&spc.Gauge{Kind: spc.Radial}, charts))

	typed := present.NowTyped(now, 0)
	typed.Panel = "A-1"
	typed.Counts = present.TypedCounts{Fields: fields, Seen: "50", Found: []string{"2", "7"}, OtherName: "scratch", OtherFound: "0"}
	var m ingest.Message
	require.Empty(t, typed.Into(&m, nil, now))
	require.Equal(t, "2 of 50 panels", present.CountWords(m.Counts["blister"]))
	require.Equal(t, "7 on 50 units", present.CountWords(m.Counts["seed"]))
	require.Equal(t, "0 of 50 panels", present.CountWords(m.Counts["scratch"]))

	r := &store.Row{Measurement: spc.Measurement{Panel: "A-1", MeasuredAt: now, Counts: m.Counts}}
	back := present.TypedOf(r, fields, now.Location())
	require.Equal(t, []string{"2", "7", "0"}, back.Counts.Found)
	require.Equal(t, "50", back.Counts.Seen)
	require.Equal(t, "scratch", back.Counts.Fields[2].Name)
	five := int64(5)
	r.Counts["scratch"] = spc.Count{Nonconforming: &five, Inspected: &five}
	require.Empty(t, present.TypedOf(r, fields, now.Location()).Counts.Fields, "numbers that differ cannot be typed here, and stay")

	for _, c := range []struct {
		seen, found, other, otherFound string
		field, words                   string
	}{
		{"", "2", "", "", "seen", "Say how many"},
		{"0", "", "", "", "seen", "at least"},
		{"1.5", "1", "", "", "seen", "not a count"},
		{"50", "51", "", "", "n1", "more than were looked at"},
		{"50", "-1", "", "", "n1", "not a count"},
		{"50", "", "", "", "n1", "Write 0"},
		{"50", "1", "", "3", "other", "Say what"},
		{"", "", "", "", "seen", "at least one value"},
	} {
		bad := typed
		bad.Counts = present.TypedCounts{Fields: fields, Seen: c.seen, Found: []string{c.found, ""}, OtherName: c.other, OtherFound: c.otherFound}
		wrong := bad.Into(new(ingest.Message), nil, now)
		require.Len(t, wrong, 1, c)
		require.Equal(t, c.field, wrong[0].Field)
		require.Contains(t, wrong[0].Short, c.words)
	}
}
