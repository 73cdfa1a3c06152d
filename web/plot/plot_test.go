package plot_test

import (
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/web/plot"
)

var update = flag.Bool("update", false, "write the golden drawings anew; read the difference before committing it")

// element is a parsed drawing: tests look into it by test id, never at the text.
type element struct {
	XMLName  xml.Name
	Attrs    []xml.Attr `xml:",any,attr"`
	Children []element  `xml:",any"`
	Text     string     `xml:",chardata"`
}

func (e element) attr(name string) string {
	for _, a := range e.Attrs {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func (e element) number(t *testing.T, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(e.attr(name), 64)
	require.NoError(t, err, name)
	return v
}

func (e element) find(match func(element) bool) []element {
	var out []element
	if match(e) {
		out = append(out, e)
	}
	for _, c := range e.Children {
		out = append(out, c.find(match)...)
	}
	return out
}

func (e element) byID(id string) []element {
	return e.find(func(x element) bool { return x.attr("data-testid") == id })
}

func (e element) named(name string) []element {
	return e.find(func(x element) bool { return x.XMLName.Local == name })
}

// says is every text of the drawing.
func (e element) says() []string {
	var out []string
	for _, x := range e.named("text") {
		out = append(out, strings.TrimSpace(x.Text))
	}
	return out
}

var notNumber = regexp.MustCompile(`NaN|Inf|e\+|e-[0-9]`)

// parse checks what holds for every drawing, and returns it.
func parse(t *testing.T, svg string) element {
	t.Helper()
	var root element
	require.NoError(t, xml.Unmarshal([]byte(svg), &root), svg[:min(len(svg), 400)])
	require.Equal(t, "svg", root.XMLName.Local)
	require.Contains(t, []string{"img", "group"}, root.attr("role"))
	require.Equal(t, "title", root.Children[0].XMLName.Local)
	require.Equal(t, "desc", root.Children[1].XMLName.Local)
	require.Empty(t, root.find(func(x element) bool { return x.attr("style") != "" || x.XMLName.Local == "script" }))
	require.Empty(t, root.find(func(x element) bool {
		for _, a := range x.Attrs {
			if strings.HasPrefix(a.Name.Local, "on") || a.Name.Local != "aria-label" && notNumber.MatchString(a.Value) && a.Name.Local != "href" && a.Name.Local != "class" {
				return true
			}
		}
		return false
	}))
	if root.attr("role") == "group" {
		stops := root.find(func(x element) bool { return x.XMLName.Local == "a" && x.attr("tabindex") == "" })
		require.Len(t, stops, 1, "one tab stop a drawing")
	} else {
		require.Empty(t, root.named("a"))
	}
	return root
}

var tallinn = func() *time.Location {
	z, err := time.LoadLocation("Europe/Tallinn")
	if err != nil {
		panic(err)
	}
	return z
}()

func at(hour, minute int) time.Time { return time.Date(2026, 3, 5, hour, minute, 0, 0, tallinn) }

func limits(from, to time.Time, lower, centre, upper float64) plot.LimitSpan {
	return plot.LimitSpan{From: from, To: to, Lower: lower, Centre: centre, Upper: upper, HasLower: true, HasCentre: true, HasUpper: true}
}

// shift is a chart of one pane with a value each five minutes from six to two, three of them signals.
func shift() plot.Chart {
	p := plot.Pane{Title: "Where does it stand?", What: "mean of five, mm", Main: true, Decimals: 2}
	p.Limits = []plot.LimitSpan{limits(at(4, 0), at(9, 0), 1107.2, 1108, 1108.8), limits(at(9, 0), at(16, 0), 1107.1, 1108, 1108.9)}
	p.Limits[0].Provisional, p.Limits[0].Words = true, "provisional from 40 subgroups"
	p.Limits[1].Words = "frozen 09:00, M. Okafor"
	for i := range 96 {
		v, kind, words := 1108+.5*math.Sin(float64(i)), plot.Measured, ""
		if i >= 90 && i < 93 {
			v, kind, words = 1106.9, plot.Signal, "beyond lower limit"
		}
		when := at(6, 5*i)
		p.Points = append(p.Points, plot.Point{At: when, Value: v, Kind: kind, Words: words, Href: fmt.Sprintf("/panels/A/%07d", i),
			Title: fmt.Sprintf("%.2f mm, %s, A-%07d", v, when.Format("15:04"), i)})
	}
	p.Points[20].Kind, p.Points[20].Reason = plot.Hollow, "press warming up"
	return plot.Chart{ID: "A-7", Title: "Mould 7 on press A", Desc: "Eight hours.", From: at(6, 0), To: at(14, 0), Zone: tallinn, Panes: []plot.Pane{p}}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	got = strings.ReplaceAll(got, "><", ">\n<") + "\n"
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	if string(want) != got {
		require.NoError(t, os.WriteFile(path+".actual", []byte(got), 0o644))
	}
	require.Equal(t, string(want), got, "the drawing differs; what was drawn lies beside in %s.actual", path)
}

// small is few enough marks for a person to read.
func smallChart() plot.Chart {
	c := shift()
	c.From, c.To = at(13, 20), at(13, 50)
	c.Events = []plot.Event{{At: at(13, 40), Words: "master check +1.1 µm"}}
	return c
}

func TestGolden(t *testing.T) {
	golden(t, "chart-wide.svg", smallChart().Wide())
	golden(t, "chart-phone.svg", smallChart().Phone())
	golden(t, "map.svg", plot.Map{ID: "m", Title: "One probe left out", Desc: "Nothing to draw between two places.",
		Outline: plot.Outline{WidthMM: 540, HeightMM: 420}, Numbers: true,
		Places: []plot.Place{{N: 1, X: -100, DevUM: -61}, {N: 2, X: 100, DevUM: 212, State: plot.Suspect}, {N: 3, Y: 90, State: plot.Faulty, DevUM: 9}, {N: 4, Y: -90, State: plot.Missing}}}.SVG())
	low, high := 1101.5, 1113.5
	golden(t, "span.svg", plot.Span{Value: 1106.84, U: .05, Lower: &low, Upper: &high, Decimals: 2}.SVG())
}

func TestSameInputSameBytes(t *testing.T) {
	require.Equal(t, shift().Wide(), shift().Wide())
	require.Equal(t, hills().SVG(), hills().SVG())
}

// Free words reach the drawing from many sides; none of them may become markup.
func TestHostileWords(t *testing.T) {
	const evil = `"'><script>alert(1)</script>&<a onload=x` + "\x00\xff\u202e"
	c := shift()
	c.ID, c.Title, c.Desc = evil, evil, evil
	c.Events = []plot.Event{{At: at(10, 0), Words: evil}}
	c.Change = &plot.Change{At: at(13, 0), Earliest: at(12, 50), Latest: at(13, 10), Words: evil}
	p := &c.Panes[0]
	p.Title, p.What, p.SpecUnit = evil, evil, evil
	p.Limits[1].Words = evil
	far := 2000.0
	p.SpecUpper = &far
	for i := range p.Points {
		p.Points[i].Href, p.Points[i].Title, p.Points[i].Words, p.Points[i].Reason = "/x?"+evil, evil, evil, evil
	}
	m := hills()
	m.ID, m.Title, m.Desc, m.Caption = evil, evil, evil, evil
	v := 2.0
	for name, svg := range map[string]string{
		"wide": c.Wide(), "phone": c.Phone(), "map": m.SVG(),
		"sparkline": plot.Sparkline{ID: evil, Title: evil, Desc: evil, From: c.From, To: c.To, Points: p.Points}.SVG(),
		"ring":      plot.Ring{ID: evil, Title: evil, Desc: evil, Moulds: []plot.RingMould{{Name: evil, Href: evil}}, Words: []string{evil}}.SVG(),
		"span":      plot.Span{ID: evil, Title: evil, Desc: evil, Value: 1, Upper: &v}.SVG(),
		"shape":     strings.Replace(plot.Shape(evil), ">", "><title></title><desc></desc>", 1),
	} {
		t.Run(name, func(t *testing.T) {
			require.NotContains(t, svg, "<script")
			require.NotContains(t, svg, "\x00")
			if name != "shape" {
				parse(t, svg)
			}
		})
	}
}

func TestTokensAreWellFormed(t *testing.T) {
	d := xml.NewDecoder(strings.NewReader(plot.Defs()))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
	}
	for _, k := range []plot.ShapeKind{plot.ShapeGood, plot.ShapeBad, plot.ShapeUnsure, plot.ShapeHeld, plot.ShapeNone} {
		require.NoError(t, xml.Unmarshal([]byte(plot.Shape(k)), new(element)))
	}
	require.Equal(t, plot.Shape(plot.ShapeNone), plot.Shape("no such kind"))
}
