package plot_test

import (
	"bytes"
	"math"
	"os"
	"regexp"
	"strconv"
	"testing"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"github.com/stretchr/testify/require"

	"sagwatch/web/assets"
	"sagwatch/web/plot"
)

// sheetOf prints scenes one under the other.
func sheetOf(t *testing.T, compress bool, scenes ...*plot.Scene) []byte {
	t.Helper()
	doc := fpdf.New("P", "mm", "A4", "")
	doc.SetCatalogSort(true) // as reports do: without it fonts are listed in a random order
	doc.SetCompression(compress)
	doc.SetCreationDate(time.Unix(0, 0))
	doc.SetModificationDate(time.Unix(0, 0))
	doc.AddUTF8FontFromBytes(plot.PDFFace, "", assets.PrintRegular)
	doc.AddUTF8FontFromBytes(plot.PDFFace, "B", assets.PrintStrong)
	doc.AddPage()
	y := 10.0
	for _, s := range scenes {
		y += s.PDF(doc, 10, y, 190) + 6
	}
	var b bytes.Buffer
	require.NoError(t, doc.Output(&b))
	return b.Bytes()
}

func printed() []*plot.Scene {
	places := make([]plot.Place, 0, 48)
	for i := range 48 {
		x, y := float64(i%8)*60-210, float64(i/8)*60-150
		places = append(places, plot.Place{X: x, Y: y, DevUM: 40 * math.Sin(x/90) * math.Cos(y/80), N: i + 1})
	}
	m := plot.Map{ID: "m", Title: "Deviation", Desc: "d", Places: places, Numbers: true}
	return []*plot.Scene{long(300, 200).Scene(), m.Scene()}
}

// What a report shows must be the same each time it is made from the same scene.
func TestPDFIsTheSameEachTime(t *testing.T) {
	require.Equal(t, sheetOf(t, true, printed()...), sheetOf(t, true, printed()...))
	if name := os.Getenv("SAGWATCH_SHOTS"); name != "" {
		require.NoError(t, os.WriteFile(name+"/plot.pdf", sheetOf(t, true, printed()...), 0o644))
	}
}

// A hostile scene (NaN, infinite coordinates) must not make an unreadable file.
func TestPDFHoldsNumbersOnly(t *testing.T) {
	s := &plot.Scene{Frame: plot.Frame{Role: "plot", Width: 100, Height: 50}, Marks: []plot.Mark{
		{Kind: plot.Line, X: math.NaN(), Y: math.Inf(1), X2: 3, Y2: -math.MaxFloat64, Role: "lim"},
		{Kind: plot.Area, Role: "band", Paths: [][]plot.XY{{}, {{math.NaN(), 1}, {2, math.Inf(-1)}, {3, 3}}}},
		{Kind: plot.Rect, X2: math.Inf(1), Y2: 1, Role: "wallf"}, {Kind: plot.Words, Text: "µσ−12 345 mm", Role: "sub halo e"}, {Kind: plot.ClipBegin, Paths: [][]plot.XY{{{0, 0}, {1, 0}, {1, 1}}}}}}
	b := sheetOf(t, false, s)
	require.False(t, regexp.MustCompile(`[ \n][+-]?(NaN|Inf)[ \n]`).Match(b))
}

// Pens of print use the colours of the pages.
func TestPDFColoursAreThoseOfThePages(t *testing.T) {
	css, err := assets.FS.ReadFile("tokens.css")
	require.NoError(t, err)
	src, err := os.ReadFile("pdfpens.go")
	require.NoError(t, err)
	for name, token := range map[string]string{"ink": "ink", "ink2": "ink-2", "ink3": "ink-3", "rule": "rule", "pencil": "pencil", "pencilWash": "pencil-wash", "goodText": "good", "goodFill": "good-fill",
		"badText": "bad", "badFill": "bad-fill", "unsureText": "unsure", "unsureFill": "unsure-fill", "heldFill": "held-fill", "lowColour": "low", "lowWash": "low-wash", "highColour": "high", "highWash": "high-wash"} {
		want := regexp.MustCompile(`--` + token + `: #([0-9A-F]{6})`).FindStringSubmatch(string(css)) // the light theme comes first
		got := regexp.MustCompile(`\t` + name + ` +rgb = 0x([0-9A-F]{6})`).FindStringSubmatch(string(src))
		require.NotNil(t, want, token)
		require.NotNil(t, got, name)
		w, _ := strconv.ParseUint(want[1], 16, 32)
		g, _ := strconv.ParseUint(got[1], 16, 32)
		require.Equal(t, w, g, name)
	}
}
