package gallery

import (
	"fmt"
	"time"

	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func lines() []Entry {
	return []Entry{
		{"line", "Line, all steady", lineOf(lineSteady).Page()},
		{"line-signal", "Line, one signal open", lineOf(lineSignal).Page()},
		{"line-loading", "Line while history comes in", lineOf(lineLoading).Page()},
		{"line-empty", "Line, nothing measured yet", lineOf(lineEmpty).Page()},
		{"line-one", "Line, one cycle only", lineOf(lineOne).Page()},
		{"line-long", "Line, long names and many moulds", lineOf(lineLong).Page()},
	}
}

type lineState int

const (
	lineSteady lineState = iota
	lineSignal
	lineLoading
	lineEmpty
	lineOne
	lineLong
)

func lineOf(s lineState) page.Line {
	f := live(frame("Line", ui.AtLine, "/"))
	f.Demo = banner
	m := page.Line{Frame: f}
	m.Statement = ui.Statement{Where: []ui.Run{{Text: "Line"}, {Text: "presses A and B"}, {Text: "product P25"}}}
	switch s {
	case lineSignal:
		m.Statement.Say = ui.Say("Mould 7 on press A lies ").Why("1.0"+ui.NoBreak+"mm", "signal#points").And(" below its centre since 11:38. The other moulds, press B and the gauges are steady.")
		m.Statement.Doubts = []ui.Sentence{ui.Say("Two panels in a row lie beyond the lower limit; the limits were frozen at 03:20. Nobody has acknowledged it yet; it has been open for 16 minutes.")}
		m.Statement.Acts = []ui.Act{{Text: "Open the signal", Href: "signal", First: true}}
		m.Signals = []ui.Entry{
			{At: "13:25", State: ui.Is(ui.Bad, "open"), Text: ui.Sentence{}.Link("A, mould 7: radius beyond lower limit", "signal").And(". First panel A-0147586.")},
			{At: "08:47", State: ui.Is(ui.Good, "closed"), Text: ui.Sentence{}.Link("B, mould 4: radius, nine on one side", "signal-closed").And(". Closed by R. Tamm.")},
		}
	case lineEmpty:
		m.Statement.Say = ui.Say("Nothing has been measured yet.")
		m.Statement.Doubts = []ui.Sentence{ui.Say("Two presses and two gauges are defined. The first panel that a gauge sends shows here within a second.")}
		m.Quiet = "No signal: no panel has been charted."
	case lineLoading:
		m.Statement.Say = ui.Say("History is being taken in; charts and states are not final yet.")
		m.Loading = &page.Loading{Words: "Taking in history: 3" + ui.NoBreak + "120 of 5" + ui.NoBreak + "760 panels", Done: 3120, Of: 5760, After: "About ten seconds more. Panels that the gauges send meanwhile wait their turn; none is lost."}
		m.Quiet = "No signal in what has been taken in so far."
	case lineOne:
		m.Statement.Say = ui.Say("Eleven panels are gauged; there are no limits yet.")
		m.Statement.Doubts = []ui.Sentence{ui.Say("Limits are worked out from the first 200 cycles; until then nothing is judged by the charts. Each panel is judged by its specification all the same.")}
		m.Quiet = "No signal: no chart has limits yet."
	default:
		m.Statement.Say = ui.Say("Both presses have been steady since Tuesday 06:00, and the gauges are in order.")
		m.Statement.Doubts = []ui.Sentence{ui.Say("4812 cycles on two presses, all charts quiet. A quiet chart says nothing about panels in the lehr: they are not measured yet.")}
		m.Quiet = "No signal since Tuesday 06:00. 4812 cycles on two presses, all charts quiet."
	}
	for i, id := range []string{"A", "B"} {
		m.Presses = append(m.Presses, pressOf(s, id, uint64(i+1)))
	}
	m.Shift = shiftOf(s)
	m.Gauges = page.Gauges{Head: "CG-1 needs its master panel in nine minutes", Rows: gaugeRows(), Empty: "No gauge is defined."}
	if s == lineLong {
		m.Frame.Plant, m.Frame.Person = longName, "Dr.-Ing. Wilhelmina van der Oudenaarde-Szczepańska"
		m.Presses[0].Name = "Press " + longName
		m.Presses[0].State = ui.Is(ui.Bad, "twelve signals open")
	}
	return m
}

func pressOf(s lineState, id string, seed uint64) page.Press {
	p := page.Press{ID: id, Name: "Press " + id, State: ui.Is(ui.Good, "steady"), Product: "product P25", Limits: "Limits frozen on 21 Feb",
		Caption: "Each mould less the cycle mean, means of five panels, mm. One scale; the white band is 0.94 mm either side of the mould's own centre. Last eight hours."}
	moulds, n := 11, 90
	switch s {
	case lineEmpty:
		p.State, p.Limits, p.NoChart, p.Caption = ui.Is(ui.None, "nothing yet"), "", "No panel of this press has been measured.", ""
		return p
	case lineOne:
		n = 1
		p.State, p.Limits = ui.Is(ui.None, "no limits yet"), "no limits yet, 1 of 200 cycles"
	case lineLoading:
		p.State = ui.Is(ui.None, "not judged while history comes in")
	case lineLong:
		moulds = 24
	}
	odd := s == lineSignal && id == "A" || s == lineLong
	if odd {
		p.State = ui.Is(ui.Bad, "one signal open")
	}
	ring := plot.Ring{ID: "ring-" + id, Title: "Press " + id + ", its table of " + ui.InWords(int64(moulds)) + " moulds", Desc: "No mould has a signal.", Words: []string{fmt.Sprintf("%d moulds", moulds), "110 s round"}}
	end := now.Add(-94 * time.Minute)
	for i := range moulds {
		name := fmt.Sprint(i + 1)
		out := odd && i == 6
		spark := &plot.Sparkline{ID: fmt.Sprintf("spark-%s-%d", id, i+1), Title: "Press " + id + ", mould " + name, Desc: "Means of five panels less the cycle mean, last eight hours.",
			From: end.Add(-8 * time.Hour), To: end, Lower: -.94, Centre: 0, Upper: .94, HasLimits: s != lineOne, HalfSpan: 1.6}
		spark.Points = series(seed*100+uint64(i), min(n, 50), end, 9*time.Minute, 0, .3, "mm")
		for k := range spark.Points {
			spark.Points[k].Href = ""
		}
		d := page.Mould{Name: name, Full: "Press " + id + ", mould " + name, Href: "chart", Spark: spark, Out: out}
		if out {
			spark.Points = beyond(spark.Points, 2, -1.4, "")
			spark.ChangeAt = end.Add(-24 * time.Minute)
			d.Href, d.Words = "signal", "below limit since 11:38"
			ring.Desc = "Mould 7 has a signal."
		}
		if s == lineLong {
			d.Full = "Press " + id + ", mould " + longName + " " + name
		}
		if len(spark.Points) > 0 {
			d.Last = ui.Signed(spark.Points[len(spark.Points)-1].Value, 2)
		}
		p.Moulds = append(p.Moulds, d)
		ring.Moulds = append(ring.Moulds, plot.RingMould{Name: name, Signal: out, Href: d.Href})
	}
	p.Ring = &ring
	pts := series(seed*7, n*2, end, 2*time.Minute+40*time.Second, 1108.1, .21, "mm")
	for k := range pts {
		pts[k].Href = "panel"
	}
	pane := plot.Pane{Title: "All moulds together", What: "mean of each press cycle, radius in mm", Points: pts, Decimals: 2, Height: 64}
	if s != lineOne {
		pane.Limits = []plot.LimitSpan{{From: end.Add(-8 * time.Hour), To: end, Lower: 1107.48, Centre: 1108.09, Upper: 1108.71, HasLower: true, HasCentre: true, HasUpper: true}}
	}
	p.Cycles = &plot.Chart{ID: "cycles-" + id, Title: "Press " + id + ", cycle means of radius, last eight hours", Desc: "Between 1107.6 and 1108.6 mm, all within their limits.", From: end.Add(-8 * time.Hour), To: end, Zone: plantTime, Width: 1090, Panes: []plot.Pane{pane}}
	return p
}

func shiftOf(s lineState) page.Shift {
	t := page.Shift{Head: "The shift so far: 4354 gauged, ten of them do not conform", Since: "Panels pressed since 06:00, as of 13:41.", Shares: "Of those gauged, 0.32 % do not conform on A and 0.14 % on B.", Cols: []string{"Press A", "Press B"},
		Rows: []page.ShiftRow{{Name: "Gauged", Counts: []string{"2178", "2176"}, Sum: true, Href: "panels"}, {Name: "Conforms", Counts: []string{"2160", "2165"}}, {Name: "Undecided", Counts: []string{"10", "8"}},
			{Name: "Does not conform", Counts: []string{"7", "3"}}, {Name: "Not judged", Counts: []string{"1", "0"}}}}
	if s == lineEmpty {
		t = page.Shift{Head: "The shift so far: none gauged", Since: "Panels pressed since 06:00, as of 13:41."}
	}
	return t
}

func gaugeRows() []page.GaugeRow {
	return []page.GaugeRow{
		{Name: "CG-1", Href: "gauge", Last: "13:40, A-0147681", Master: "09:50, +1.1 µm", State: ui.Is(ui.Held, "check due 13:50")},
		{Name: "CG-2", Href: "gauge", Last: "13:40, B-0098114", Master: "12:58, −0.4 µm", State: ui.Is(ui.Good, "in order")},
		{Name: "PG-1", Href: "gauge-dimensions", Last: "13:21, A-0147564", Master: "never", State: ui.Is(ui.None, "no master")},
	}
}
