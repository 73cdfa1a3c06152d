package report_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/web/plot"
)

// invented is a document with every kind of part, of several pages.
func invented() *report.Document {
	zone := time.FixedZone("UTC+2", 7200)
	from := time.Date(2026, 2, 1, 0, 0, 0, 0, zone)
	d := &report.Document{Kind: "capability", Title: "Capability of press B, P25, largest deviation from the contour, 1 to 28 February 2026", Zone: zone,
		Statement: "Press B meets 1.33 in February: Ppk 1.44 with every shift (95 %: 1.41 to 1.47). Mould 9 cannot prove it.",
		Doubts:    []string{"About 88 panels in a million lie beyond 381 µm (72 to 106); 1 of 11 088 measured did. All intervals are 95 %, by block resampling of shifts."},
		Cautions:  []string{"Control limits are not specification limits: a panel inside control limits can still be bad."},
		Origin: report.Origin{Site: "TW", Plant: "Tarnbeck Works", Press: "B", Product: "P25", IssuedBy: "M. Okafor", IssuedAt: from.AddDate(0, 1, 0), From: from, To: from.AddDate(0, 0, 28), Data: "11 088 panels of 11 moulds in 84 shifts; gauge CG-2",
			Definitions: []string{"product P25 revision 4", "press B revision 1"}, Version: "v0.4", InputsDigest: [32]byte{1, 2, 3, 250}}}
	c := plot.Chart{ID: "c", Title: "Mean of each shift", From: from, To: from.AddDate(0, 0, 28), Zone: zone}
	pane := plot.Pane{Title: "Largest deviation, mean of each shift, µm", Main: true, Decimals: 1}
	for i := range 84 {
		pane.Points = append(pane.Points, plot.Point{At: from.Add(time.Duration(i) * 8 * time.Hour), Value: 150 + 8*math.Sin(float64(i))})
	}
	c.Panes = []plot.Pane{pane}
	table := &report.Table{Caption: "Ppk with every shift, by mould", Cols: []report.Col{{Head: "Mould"}, {Head: "Panels", Right: true}, {Head: "Ppk", Right: true}, {Head: "95 % interval", Right: true}, {Head: "What it means"}}}
	for i := range 60 {
		table.Rows = append(table.Rows, []report.Cell{{Text: "mould " + string(rune('A'+i%26))}, {Text: "1 008"}, {Text: "1.44", Figure: "ppk"}, {Text: "1.31 to 1.57"}, {Text: "meets 1.33 only as far as the interval allows to say, which is said here in so many words", Strong: i == 8}})
	}
	d.Blocks = []report.Block{{Heading: "First, was it stable? Yes, for 82 of 84 shifts", Text: "An index of an unstable process predicts nothing; this report would say so at the top.", Drawing: &report.Drawing{Scene: c.Scene(), Caption: "Whole shifts, by the time of pressing."}},
		{Heading: "Mould 9 holds the press back", Table: table}, {Facts: []report.Fact{{Name: "Gauge's own share", Value: "3.4 % of the limit (repeatability and reproducibility, 19 January)"}}, Caution: "Panels of the two excluded shifts were shipped: they count in Ppk."}}
	for range 12 {
		d.Figures = append(d.Figures, report.Figure{ID: "ppk", Name: "Ppk", Of: "largest deviation, all moulds", Unit: "1", Value: 1.44, Lower: 1.41, Upper: 1.47, Level: .95, Decimals: 2, Method: "blocks of shifts, 2 000 resamples",
			Formula: "(limit − half point) / (99.865 % point − half point)", Inputs: "limit 381 µm, half point 145.0 µm, 99.865 % point 308.8 µm", Source: "ISO 22514-2, percentile method"})
	}
	d.Figures = append(d.Figures, report.Figure{Name: "Cp", Value: report.None, Lower: report.None, Upper: report.None, Missing: "the characteristic has one limit only"})
	return d
}

// pdfText is the text of a PDF as a reader's program finds it.
func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Skip("pdftotext (poppler-utils) is not installed")
	}
	name := filepath.Join(t.TempDir(), "r.pdf")
	require.NoError(t, os.WriteFile(name, pdf, 0o600))
	out, err := exec.Command(tool, "-layout", name, "-").Output()
	require.NoError(t, err)
	return string(out)
}

func TestPDF(t *testing.T) {
	first, err := invented().PDF()
	require.NoError(t, err)
	again, err := invented().PDF()
	require.NoError(t, err)
	require.True(t, bytes.Equal(first, again), "the same document gives the same bytes")
	if dir := os.Getenv("SAGWATCH_SHOTS"); dir != "" {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "report.pdf"), first, 0o644))
	}
	text := pdfText(t, first)
	for _, want := range []string{"Press B meets 1.33 in February", "page 1 of", "page 2 of", "mould Z", "1.44 (1.41 to 1.47)", "ISO 22514-2", "not given: the", "limit only", "01020300 000000", "M. Okafor", "product P25 revision 4", "µm"} {
		require.Contains(t, strings.ReplaceAll(text, "\u00a0", " "), strings.ReplaceAll(want, "01020300 000000", "010203fa00000000"))
	}
	require.NotContains(t, text, "{pages}")
	require.NotContains(t, text, "NaN")
}

// A positive number that its decimals round to nought is written as what it is: below the smallest that they can write.
func TestFigureIsNeverNoughtByRounding(t *testing.T) {
	t.Parallel()
	none := report.None
	for _, c := range []struct {
		want string
		f    report.Figure
	}{
		{"below 0.001 ppm (95 %: below 0.001)", report.Figure{Name: "Beyond", Unit: "ppm", Value: 2e-7, Lower: 1e-9, Upper: 4e-5, Level: .95, Decimals: 3}},
		{"below 0.0001", report.Figure{Name: "p", Unit: "1", Value: 3e-9, Lower: none, Upper: none, Decimals: 4}},
		{"0.0001", report.Figure{Name: "p", Unit: "1", Value: 6e-5, Lower: none, Upper: none, Decimals: 4}},
		{"0.0000", report.Figure{Name: "p", Unit: "1", Value: 0, Lower: none, Upper: none, Decimals: 4}},
		{"below 1 (95 %: below 1)", report.Figure{Name: "n", Unit: "1", Value: .2, Lower: 0, Upper: .4, Level: .95}},
		{"below 0.01 mm (95 %: 0 to 0.03)", report.Figure{Name: "u", Unit: "mm", Value: .004, Lower: 0, Upper: .03, Level: .95, Decimals: 2}},
		{"0.00 mm (95 %: \u22120.02 to 0.03)", report.Figure{Name: "bias", Unit: "mm", Value: .004, Lower: -.02, Upper: .03, Level: .95, Decimals: 2}}, // of either sign
		{"0.0016 mm (95 %: 0 or more, without an upper limit)", report.Figure{Name: "sd", Unit: "mm", Value: .0016, Lower: 0, Upper: 1953717301841.1348, Level: .95, Decimals: 4}},
		{"0.024 mm (95 %: 0.0004 to 0.120)", report.Figure{Name: "sd", Unit: "mm", Value: .024, Lower: .0004, Upper: .12, Level: .95, Decimals: 3}},
		{"0.024 mm (95 %: below 0.001 to 0.120)", report.Figure{Name: "sd", Unit: "mm", Value: .024, Lower: 1e-280, Upper: .12, Level: .95, Decimals: 3}},
		{"12 ppm (95 %: 0.020 to 39 726)", report.Figure{Name: "Beyond", Unit: "ppm", Value: 12, Lower: .02, Upper: 39726, Level: .95}},
		{"below 0.01 (95 %: at most 0.01)", report.Figure{Name: "u", Unit: "1", Value: .001, Lower: none, Upper: .002, Level: .95, Decimals: 2}},
	} {
		require.Equal(t, c.want, plainSpaces(c.f.Text()))
	}
}

// A table that is longer than a page goes on with its heads, a short one is not broken, and what repeats is written again at the head of
// a page; characters without a glyph are printed as their numbers, and the document says so.
func TestPDFOfTablesAndScripts(t *testing.T) {
	t.Parallel()
	d := invented()
	plainText := pdfText(t, must(d.PDF()))
	require.NotContains(t, plainText, "U+9418", "nothing is said where nothing is lacking")
	long := &report.Table{Caption: "Long", Cols: []report.Col{{Head: "Which figure", Once: true}, {Head: "Number", Right: true}}}
	for i := range 130 {
		long.Rows = append(long.Rows, []report.Cell{{Text: "Ppk of every mould"}, {Text: strconv.Itoa(i)}})
	}
	d.Blocks = []report.Block{{Heading: "Цех 鐘", Text: "Клеймо"}, {Table: long}}
	d.Figures = nil
	pages := strings.Split(pdfText(t, must(d.PDF())), "\f")
	text := strings.Join(pages, "\n")
	require.Contains(t, text, "[U+9418]")
	require.Contains(t, text, "Characters that the printed face lacks")
	seen := 0
	for _, p := range pages {
		if strings.Contains(p, "Number") {
			require.Equal(t, 1, strings.Count(p, "Ppk of every mould"), "once on each page")
			seen++
		}
	}
	require.GreaterOrEqual(t, seen, 3)
	for i := range 130 {
		require.Regexp(t, `(?m)\s`+strconv.Itoa(i)+`$`, text)
	}
}

// The appendix states each formula once, and every figure leads to its own.
func TestAppendixStatesEachFormulaOnce(t *testing.T) {
	t.Parallel()
	d := invented()
	d.Figures = d.Figures[:0]
	for i := range 11 {
		d.Figures = append(d.Figures, report.Figure{ID: "ppk." + strconv.Itoa(i), Name: "Ppk", Of: "radius, mould " + strconv.Itoa(i), Unit: "1", Value: report.Number(1 + i/5), Lower: report.None, Upper: report.None, Decimals: 2, Formula: "F", Inputs: "8 values, L 1 mm, U 2 mm", Source: "S"},
			report.Figure{ID: "cp." + strconv.Itoa(i), Name: "Cp", Of: "radius, mould " + strconv.Itoa(i), Unit: "1", Value: report.Number(i), Lower: report.None, Upper: report.None, Formula: "G", Inputs: "8 values", Source: "S"})
	}
	groups, notes := d.Appendix()
	require.Equal(t, []report.Note{{Formula: "F", Source: "S"}, {Formula: "G", Source: "S"}}, notes)
	require.Len(t, groups, 1)
	require.Equal(t, "radius", groups[0].Of)
	require.Equal(t, "Radius, with L 1 mm, U 2 mm", groups[0].Head(), "limits that all have stand once")
	require.Equal(t, "8 values, L, U", groups[0].Rows[0].With)
	found := map[string]int{}
	for _, r := range groups[0].Rows {
		for _, id := range r.IDs {
			found[id]++
			require.Equal(t, strings.HasPrefix(id, "ppk"), notes[r.Note-1].Formula == "F", id)
		}
	}
	require.Len(t, found, 22)
	require.Equal(t, "mould 0, 1, 2, 3, 4", groups[0].Rows[0].Of, "equal lines are one")
	text := pdfText(t, must(d.PDF()))
	require.Equal(t, 1, strings.Count(text, "Formula: F."))
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

func TestNumbersSurviveJSON(t *testing.T) {
	in := []report.Number{1.5, report.None, report.Number(math.Inf(1)), report.Number(math.Inf(-1))}
	b, err := json.Marshal(in)
	require.NoError(t, err)
	require.JSONEq(t, `[1.5, null, "inf", "-inf"]`, string(b))
	var out []report.Number
	require.NoError(t, json.Unmarshal(b, &out))
	require.True(t, out[0] == 1.5 && !out[1].Has() && math.IsNaN(float64(out[1])) && math.IsInf(float64(out[2]), 1) && math.IsInf(float64(out[3]), -1))
}
