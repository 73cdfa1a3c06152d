package present

import (
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/web/ui"
)

// TestEveryKindHasItsPage: each kind that the fold works out is named, drawn and explained, from the points of a real fold.
func TestEveryKindHasItsPage(t *testing.T) {
	press := spc.Press{ID: "A", TaktS: 10, Moulds: []string{"1", "2", "3", "4"}, FalseSignals: 1}
	var charts []spc.Chart
	names := map[string]string{}
	v := View{Zone: time.UTC, Now: time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC)}
	for _, k := range spc.ChartKinds {
		if !k.WorkedOut() {
			continue
		}
		c := spc.Chart{ID: string(k), Press: "A", Product: "P25", Characteristic: "radius_mm", Kind: k, Baseline: 30, Subgroup: 4}
		if allTerms(k) {
			c.Characteristic = monitor.Shape
		}
		if k.OfCounts() {
			c.Characteristic = "blister"
			if k == spc.CChart || k == spc.UChart {
				c.Characteristic = "seed"
			}
		}
		charts = append(charts, c)
		name := ChartName(c, QuantityOfChart(c, nil, ui.InMM))
		require.Empty(t, names[name], "%s is called like %s", k, names[name])
		names[name] = c.ID
		require.NotEqual(t, string(k), kindWords(k))
		require.NotEmpty(t, statistic(c, QuantityOfChart(c, nil, ui.InMM)))
	}
	m, err := monitor.New(monitor.Config{Site: "main", Press: &press, Charts: charts})
	require.NoError(t, err)
	points := map[string][]monitor.Point{}
	m.Trace("", "", func(p monitor.Point) { points[p.Chart+" "+p.Stream] = append(points[p.Chart+" "+p.Stream], p) })
	r := rand.New(rand.NewPCG(1, 1))
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for i := range 4 * 140 {
		o := monitor.Observation{Press: "A", Product: "P25", Mould: press.Moulds[i%4], Cycle: int64(i / 4), Measurement: int64(i),
			Key: spc.OrderKey{LineAt: at.Add(time.Duration(i) * 10 * time.Second), Panel: "S" + strconv.Itoa(i), Sequence: spc.NoSequence}}
		for _, c := range []spc.Computed{spc.RadiusMM, spc.TwofoldUM, spc.TwistUM, spc.Cubic1UM, spc.Cubic2UM, spc.Cubic3UM, spc.Cubic4UM, spc.Bow4UM} {
			o.Values.Set(c, 1107+r.NormFloat64())
		}
		bad, seen, found, units := r.Int64N(4), int64(50+i/4%3), r.Int64N(5), int64(2)
		if i > 4*130 {
			bad += 20
		}
		o.Counts = map[string]spc.Count{"blister": {Nonconforming: &bad, Inspected: &seen}, "seed": {Defects: &found, Units: &units}}
		if i > 4*130 {
			x, _ := o.Values.Get(spc.RadiusMM)
			o.Values.Set(spc.RadiusMM, x+6)
		}
		require.NoError(t, m.Add(&o))
		if i == 4*20 {
			for _, c := range charts {
				if waiting := m.Waiting(c.ID); overTime(c.Kind) || allTerms(c.Kind) {
					require.Len(t, waiting, 1)
					row := chartRow(v, ChartOnList{Chart: c, Streams: []StreamPoint{{"press:A", waiting[0]}}})
					require.Equal(t, "no limits yet, 20 of 30", row.Limits)
					require.Equal(t, "nothing yet", row.Latest)
					page := Chart(v, ui.Frame{}, ChartData{Chart: c, Press: &press, Stream: "press:A", From: at, To: at.Add(time.Hour), Others: []StreamPoint{{"press:A", waiting[0]}}})
					require.Contains(t, page.Statement.Say.String(), "20 of 30 cycles")
				} else {
					require.Empty(t, waiting)
				}
			}
		}
	}
	for _, c := range charts {
		t.Run(c.ID, func(t *testing.T) {
			list := points[c.ID+" press:A"]
			require.NotEmpty(t, list)
			in, ok := m.InForce(c.ID, "press:A")
			require.True(t, ok)
			d := ChartData{Chart: c, Press: &press, Stream: "press:A", Points: list, Log: []monitor.LimitsInForce{in}, From: at, To: at.Add(2 * time.Hour), LastAt: at.Add(2 * time.Hour)}
			page := Chart(v, ui.Frame{}, d)
			require.NotNil(t, page.Main)
			require.NotContains(t, page.Statement.Say.String(), "shows no")
			if c.Kind == spc.PChart {
				spans := page.Main.Panes[0].Limits
				require.Greater(t, len(spans), 90, "each size has its own limits")
				for i := 1; i < len(spans); i++ {
					require.Equal(t, spans[i-1].To, spans[i].From, "steps leave no gap")
				}
				require.Contains(t, page.Statement.Doubts[0].String(), "inspected")
				require.Equal(t, "Inspected", page.Twin.Cols[2].Head)
			} else if c.Kind != spc.NPChart {
				require.LessOrEqual(t, len(page.Main.Panes[0].Limits), 40, "limits that settle are no staircase")
			}
			said := 0
			for _, l := range page.Main.Panes[len(page.Main.Panes)-1].Limits {
				if l.Words != "" {
					said++
				}
			}
			require.LessOrEqual(t, said, 1)
			var itself []string
			for _, s := range page.Itself {
				itself = append(itself, s.String())
			}
			require.Contains(t, strings.Join(itself, " "), "From a baseline of")
			switch c.Kind { // what signals by beyond-limits at three sigma comes about once in 370 points, however it is worked out
			case spc.Individuals, spc.CycleMean, spc.EWMAChart, spc.CUSUMChart, spc.Group:
				require.NotNil(t, page.Alarms)
				require.Contains(t, page.Alarms.Says[0].String(), "about once in 37", c.Kind)
				require.Len(t, page.Alarms.Delays.Rows, 5)
			}
			unit := map[bool]string{true: "sd", false: "mm"}[c.Kind == spc.CUSUMChart || c.Kind == spc.ChangePoint]
			if !allTerms(c.Kind) && !c.Kind.OfCounts() {
				require.Contains(t, page.Main.Title, ", "+unit)
			}
		})
	}
}
