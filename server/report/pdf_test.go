package report_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
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
	for _, want := range []string{"Press B meets 1.33 in February", "page 1 of", "page 2 of", "mould Z", "1.44 (95 %: 1.41 to 1.47)", "ISO 22514-2", "not given: the characteristic has one limit only", "01020300 000000", "M. Okafor", "product P25 revision 4", "µm"} {
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
		{"below 0.01 mm (95 %: 0.00 to 0.03)", report.Figure{Name: "u", Unit: "mm", Value: .004, Lower: 0, Upper: .03, Level: .95, Decimals: 2}},
		{"0.00 mm (95 %: \u22120.02 to 0.03)", report.Figure{Name: "bias", Unit: "mm", Value: .004, Lower: -.02, Upper: .03, Level: .95, Decimals: 2}}, // of either sign
		{"below 0.01 (95 %: at most 0.01)", report.Figure{Name: "u", Unit: "1", Value: .001, Lower: none, Upper: .002, Level: .95, Decimals: 2}},
	} {
		require.Equal(t, c.want, plainSpaces(c.f.Text()))
	}
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
