package present

import (
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// ChartOnList is a chart with what its list says of it.
type ChartOnList struct {
	Chart   spc.Chart
	Product *spc.Product
	Streams []StreamPoint
	Open    int // signals that are open
}

// ChartGroup is the charts of one press and product, or of one gauge.
type ChartGroup struct {
	Press, Gauge, Product string
	Charts                []ChartOnList
}

// Charts makes the list of charts.
func Charts(v View, frame ui.Frame, groups []ChartGroup, openSignals int) page.Charts {
	m := page.Charts{Frame: frame, Empty: "Charts appear when a press and a product are defined: a standard set for each pair, and those that the set-up file adds."}
	charts, streams, odd := 0, 0, 0
	for _, g := range groups {
		name, id := "Gauge "+g.Gauge, "gauge-"+g.Gauge
		if g.Press != "" {
			name, id = "Press "+g.Press, "press-"+g.Press
			if g.Product != "" {
				name, id = name+", product "+g.Product, id+"-"+g.Product
			}
		}
		out := page.ChartGroup{ID: anchorOf(id), Name: name}
		for _, c := range g.Charts {
			row := chartRow(v, c)
			charts++
			streams += len(c.Streams)
			for _, s := range c.Streams {
				if signals(&s.Point) && !c.Chart.Quiet {
					odd++
				}
			}
			out.Rows = append(out.Rows, row)
		}
		m.Groups = append(m.Groups, out)
	}
	st := ui.Statement{Where: []ui.Run{{Text: "Charts"}}}
	switch {
	case charts == 0:
		st.Say = ui.Say("There is no chart yet.")
	case odd == 0:
		st.Say = ui.Say("All charts are quiet: " + ui.Plural(int64(charts), "chart", "charts") + ", " + ui.Plural(int64(streams), "stream", "streams") + ".")
	default:
		st.Say = ui.Say(Capital(ui.Plural(int64(odd), "stream signals", "streams signal")) + " now, of " + ui.Count(int64(streams)) + " on " + ui.Plural(int64(charts), "chart", "charts") + ".")
	}
	if openSignals > 0 {
		st.Doubts = append(st.Doubts, ui.Sentence{}.Link(Capital(ui.Plural(int64(openSignals), "signal is", "signals are"))+" open.", "/signals"))
	}
	m.Statement = st
	return m
}

func chartRow(v View, c ChartOnList) page.ChartRow {
	q := QuantityOfChart(c.Chart, c.Product, v.Lengths)
	name := ChartName(c.Chart, q)
	if !c.Chart.Standard {
		name += " (" + c.Chart.ID + ")"
	}
	row := page.ChartRow{Name: name, Href: ChartHref(c.Chart.ID, "", time.Time{}, time.Time{}), Kind: kindWords(c.Chart.Kind)}
	if !c.Chart.Kind.WorkedOut() {
		row.Href, row.Latest, row.State = "", "", ui.Is(ui.None, "not worked out by this release")
		return row
	}
	if len(c.Streams) == 0 {
		row.Latest, row.Limits, row.State = "nothing yet", "none", ui.Is(ui.None, "no points yet")
		return row
	}
	latest := c.Streams[0]
	var odd []string
	words := ""
	for _, s := range c.Streams {
		if s.Point.At.After(latest.Point.At) {
			latest = s
		}
		if kind, _ := split(s.Stream); signals(&s.Point) && (c.Chart.Kind != spc.Group || kind != "press") {
			odd, words = append(odd, s.Stream), hitWords(s.Point.Hits)
		}
		if len(c.Streams) > 1 {
			_, short := split(s.Stream)
			row.Streams = append(row.Streams, page.Stream{Name: short, Href: ChartHref(c.Chart.ID, s.Stream, time.Time{}, time.Time{})})
		}
	}
	p := latest.Point
	row.Latest = q.Text(p.Value) + " at " + v.Moment(p.At)
	if p.N == 0 {
		row.Latest = "nothing yet"
	}
	switch {
	case p.Source == "" && p.Need > 0:
		row.Limits = "no limits yet, " + ui.Count(int64(p.Have)) + " of " + ui.Count(int64(p.Need))
	case p.Source == "":
		row.Limits = "no limits"
	case len(c.Streams) > 1:
		row.Limits = "each its own, " + string(p.Source)
	default:
		row.Limits = q.Between(p.Limits) + ", " + string(p.Source)
	}
	switch {
	case len(odd) > 0 && c.Chart.Quiet:
		row.State = ui.Is(ui.None, ui.Plural(int64(len(odd)), "stream", "streams")+" outside its limits; opens no signal")
	case len(odd) == 1 && len(c.Streams) > 1:
		row.State = ui.Is(ui.Bad, StreamName(odd[0])+" "+words)
	case len(odd) == 1:
		row.State = ui.Is(ui.Bad, words)
	case len(odd) > 1:
		row.State = ui.Is(ui.Bad, ui.Plural(int64(len(odd)), "stream signals", "streams signal"))
	case c.Open > 0:
		row.State = ui.Is(ui.Held, ui.Plural(int64(c.Open), "signal open", "signals open"))
	case p.Source == "":
		row.State = ui.Is(ui.None, "not judged yet")
	default:
		row.State = ui.Is(ui.Good, "steady")
	}
	return row
}

func kindWords(k spc.ChartKind) string {
	if t, ok := kindTexts[k]; ok {
		return t.list
	}
	return string(k)
}

// anchorOf makes an element's id of a name.
func anchorOf(name string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, name)
}
