package present

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/surface"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func (d *PanelData) where(place int) string {
	if d.Words == nil || place < 1 || place > len(d.XY) {
		return ""
	}
	return d.Words(place - 1)
}

func highLow(um float64) string {
	if um < 0 {
		return "low"
	}
	return "high"
}

// maps draws the deviations and lists them as the places lie.
func (d *PanelData) maps(v View, m *page.Panel) {
	r := d.Shown
	if len(r.Readings) > 0 {
		unit := ""
		if d.Gauge != nil {
			unit = ui.UnitName(string(d.Gauge.Unit))
		}
		dec := 3
		if d.Gauge != nil && d.Gauge.Resolution > 0 {
			dec = limitDecimals(d.Gauge.Resolution)
		}
		t := placesTable(r.Readings, func(x float64) string { return ui.Number(x, dec) })
		t.Label = "Readings as received"
		m.Received, m.ReceivedSay = &t, "As received, in "+unit
	}
	if d.Places == nil || len(d.Places.DeviationsUM) == 0 {
		return
	}
	dev := d.Places.DeviationsUM
	pm := plot.Map{ID: "deviation", Title: "Deviations of panel " + d.Serial + " from its contour", Numbers: true}
	if d.Product != nil && d.Product.Outline != nil {
		pm.Outline = plot.Outline(*d.Product.Outline)
	}
	for i, xy := range d.XY {
		p := plot.Place{N: i + 1, X: xy[0], Y: xy[1], DevUM: math.NaN()}
		if i < len(dev) {
			p.DevUM = dev[i]
		}
		switch {
		case slices.Contains(d.Places.SuspectPlaces, i+1):
			p.State = plot.Suspect
		case slices.Contains(d.declared(), i+1):
			p.State = plot.Faulty
		case math.IsNaN(p.DevUM):
			p.State = plot.Missing
		}
		pm.Places = append(pm.Places, p)
	}
	m.MapHead = "Deviations from the contour"
	place, ok := d.Places.Values.Get(spc.MaxDeviationPlace)
	signed, has := d.Places.Values.Get(spc.MaxDeviationSignedUM)
	if ok && has {
		pm.WorstPlace = int(place)
		m.MapHead = "Farthest from the contour: " + ui.WithUnit(ui.Number(math.Abs(signed), 0), "um") + " " + highLow(signed) + " at place " + strconv.Itoa(int(place)) + ", " + d.where(int(place))
	}
	pm.Desc = m.MapHead
	m.Map = &pm
	m.Places = placesTable(dev, func(x float64) string { return ui.Signed(x, 0) })
	m.Places.Label = "Deviations, µm"
	m.PlacesSay = "The " + strconv.Itoa(len(dev)) + " readings, as deviations in " + ui.Micro + "m"
	for _, p := range d.Places.SuspectPlaces {
		x := math.NaN()
		if p-1 < len(dev) {
			x = dev[p-1]
		}
		m.Suspect += "Place " + strconv.Itoa(p) + ", " + d.where(p) + ", is suspect: " + ui.WithUnit(ui.Number(math.Abs(x), 0), "um") + " " + highLow(x) + " and out of the shape around it. It counts in every figure. "
	}
	m.Suspect = strings.TrimSpace(m.Suspect)
	if f := d.Places.FaultyProbes; len(f) > 0 {
		var words []string
		for _, p := range f {
			words = append(words, strconv.Itoa(p))
		}
		declared := "no reading, a reading outside the gauge's range, or a place out of use"
		if n := len(d.declared()); n == len(f) {
			declared = "its probe was declared faulty"
		} else if n > 0 {
			declared += "; " + ui.Plural(int64(n), "probe was", "probes were") + " declared faulty"
		}
		m.Faulty = "Left out: place " + list(words) + ", " + declared + "."
	}
}

// declared lists the places whose probes had been declared faulty when it was measured.
func (d *PanelData) declared() []int {
	var out []int
	if d.Gauge != nil {
		for _, f := range d.Gauge.Faulty {
			if !f.From.After(d.Shown.MeasuredAt) {
				out = append(out, f.Place)
			}
		}
	}
	return out
}

// placesTable lists values eight to a row, as the gauge numbers its places.
func placesTable(values []float64, write func(float64) string) ui.Table {
	t := ui.Table{Cols: []ui.Col{{Head: "Places"}}}
	const wide = 8
	for i := range min(wide, len(values)) {
		t.Cols = append(t.Cols, ui.Col{Head: []string{"1st", "2nd", "3rd", "4th", "5th", "6th", "7th", "8th"}[i], Right: true})
	}
	for i := 0; i < len(values); i += wide {
		end := min(i+wide, len(values))
		row := ui.Row{Cells: []ui.Cell{ui.Text(strconv.Itoa(i+1) + " to " + strconv.Itoa(end))}}
		for _, x := range values[i:end] {
			if math.IsNaN(x) {
				row.Cells = append(row.Cells, ui.Text("none"))
				continue
			}
			row.Cells = append(row.Cells, ui.Text(write(x)))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (d *PanelData) among(v View, m *page.Panel) {
	if d.Chart.ID == "" || len(d.Among) == 0 {
		return
	}
	q := d.quantity(v, d.Chart.Characteristic)
	pane := plot.Pane{Title: "Where does it stand?", What: statistic(d.Chart, q), Main: true, Height: 170, Decimals: q.Decimals, Points: Drawing(v, d.Chart, q, d.Among, d.Counted),
		Limits: Bands(v, d.Chart, q, d.Among, d.AmongLog, d.AmongTo), SpecUnit: q.Unit}
	pane.SpecLower, pane.SpecUpper = specification(d.Product, d.Chart.Characteristic, q)
	stream := "mould:" + d.Rows[0].Mould
	m.Among = &plot.Chart{ID: "among", Title: "Mould " + d.Rows[0].Mould + " around panel " + d.Serial, Desc: ui.Plural(int64(len(d.Among)), "panel", "panels") + " from " + v.Moment(d.AmongFrom) + " to " + v.Moment(d.AmongTo),
		From: d.AmongFrom, To: d.AmongTo, Zone: v.Zone, Panes: []plot.Pane{pane}}
	m.AmongNote = "By time pressed. Signals are not marked here; " + "the chart of " + StreamName(stream) + " has them."
}

// sphere is the fit and its residuals.
func (d *PanelData) sphere(v View) *ui.Table {
	values := &d.Shown.Result.Values
	if _, ok := values.Get(spc.RadiusMM); !ok {
		return nil
	}
	t := ui.Table{Label: "The fitted sphere", Cols: []ui.Col{{Head: "Figure"}, {Head: "Value", Right: true}}}
	for _, c := range []spc.Computed{spc.RadiusMM, spc.RadiusUMM, spc.RadiusFitUMM, spc.SeatXMM, spc.SeatYMM, spc.RMSUM, spc.FormUM, spc.ContourRMSUM, spc.ContourPVUM, spc.RadiusXMM, spc.RadiusYMM} {
		x, ok := values.Get(c)
		if !ok {
			continue
		}
		q := d.quantity(v, c.String())
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(itemName(c.String(), q)), {Text: q.Number(x), Href: d.whyOf(c.String()), Why: d.whyOf(c.String()) != ""}}})
	}
	return &t
}

// shape is the shape terms with their doubt.
func (d *PanelData) shape() *ui.Table {
	t := ui.Table{Label: "Shape terms", Cols: []ui.Col{{Head: "Term"}, {Head: "At the corner, " + ui.Micro + "m", Right: true}, {Head: "Doubt", Right: true}}}
	for _, c := range surface.ShapeComputed[surface.Bow:] {
		x, ok := d.Shown.Result.Values.Get(c)
		if !ok {
			continue
		}
		value, doubt := ui.Signed(x, 1), "unknown"
		if u, known := d.doubtOf(c); known {
			dec := ui.DoubtDecimals(d.k() * u)
			value, doubt = ui.Signed(x, dec), ui.PlusMinus+ui.NoBreak+ui.Number(d.k()*u, dec)
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(shapeNames[c.String()]), {Text: value, Href: "#why-shape", Why: true}, ui.Text(doubt)}})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return &t
}

// around is the master checks before and after.
func (d *PanelData) around(v View) *ui.Table {
	if d.Gauge == nil || len(d.Gauge.Masters) == 0 {
		return nil
	}
	t := ui.Table{Label: "Master checks around it", Cols: []ui.Col{{Head: "Master panel"}, {Head: "Radius error, " + ui.LengthUnit(v.Lengths), Right: true}, {Head: "Largest error, " + ui.Micro + "m", Right: true}, {Head: "State"}}}
	for _, o := range []struct {
		check *store.Obs
		when  string
	}{{d.MasterBefore, "before"}, {d.MasterAfter, "after"}} {
		if o.check == nil {
			none := map[string]string{"before": "none in the day before", "after": "not yet"}[o.when]
			t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(Capital(o.when)), {}, {}, {State: ui.Is(ui.None, none)}}})
			continue
		}
		cells := []ui.Cell{ui.Text(o.check.Key.Panel + ", " + v.Moment(o.check.Key.LineAt) + ", " + o.when)}
		radius, largest := "none", "none"
		if x, ok := o.check.Values.Get(spc.MasterRadiusErrorMM); ok {
			dec := 3
			if v.Lengths == ui.InInch {
				x, dec = x/ui.MMPerInch, 5
			}
			radius = ui.Signed(x, dec)
		}
		if x, ok := o.check.Values.Get(spc.MasterMaxErrorUM); ok {
			largest = ui.Number(x, 1)
		}
		state := ui.Is(ui.Good, "in order")
		switch o.check.Verdict {
		case spc.Conforms:
		case spc.DoesNotConform:
			state = ui.Is(ui.Bad, "not in order")
		default:
			state = Verdict(o.check.Verdict)
		}
		t.Rows = append(t.Rows, ui.Row{Cells: append(cells, ui.Text(radius), ui.Text(largest), ui.Cell{State: state})})
	}
	return &t
}

// then is what was in force, and where the numbers came from.
func (d *PanelData) then(v View) []ui.Fact {
	r := d.Shown
	var out []ui.Fact
	fact := func(name, text string) { out = append(out, ui.Fact{Name: name, Value: ui.Text(text)}) }
	since := func(x Defined) string {
		out := "revision " + strconv.Itoa(x.Number)
		if x.Since.Year() > 1970 {
			out += ", in force since " + v.Moment(x.Since)
		}
		if x.By != "" {
			out += ", by " + x.By
		}
		return out
	}
	if d.Product != nil {
		fact("Limits then", "product "+d.Product.ID+", "+since(d.ProductRev))
	}
	if d.Gauge != nil {
		text := d.Gauge.ID + ", " + since(d.GaugeRev)
		if d.Gauge.ProbeUUM != nil {
			text += "; one reading's standard uncertainty " + ui.WithUnit(ui.Number(*d.Gauge.ProbeUUM, limitDecimals(*d.Gauge.ProbeUUM)), "um")
		}
		fact("Gauge then", text)
	}
	if r.Casting != "" {
		fact("Mould", r.Mould+", casting "+r.Casting)
	}
	sent := r.Source
	if r.Sequence != spc.NoSequence {
		sent += ", sequence " + strconv.FormatInt(r.Sequence, 10)
		if r.Series != "" {
			sent += " of series " + r.Series
		}
	}
	fact("Sent by", sent+", stored "+v.Moment(r.StoredAt))
	fact("Worked out", "by method "+strconv.Itoa(r.Algorithm))
	if len(d.places().Dropped) > 0 {
		var words []string
		for _, f := range d.Places.Dropped {
			words = append(words, string(f))
		}
		fact("Seating", "freedoms that the contour cannot tell apart were left out: "+list(words))
	}
	if r.Revision > 1 {
		fact("Corrected", ui.Plural(int64(r.Revision-1), "time", "times"))
	} else {
		fact("Corrected", "never")
	}
	for _, e := range d.Exclusions {
		fact("Left out of charts", e.Reason+" ("+e.By+")")
	}
	return out
}

// places is the per-place result, empty where there is none.
func (d *PanelData) places() *spc.Result {
	if d.Places == nil {
		return &spc.Result{}
	}
	return d.Places
}

// history lists every measurement, whatever became of it.
func (d *PanelData) history(v View) ui.Table {
	q, dq := d.quantity(v, "radius_mm"), d.quantity(v, "max_deviation_um")
	t := ui.Table{Label: "All measurements of the panel", Fold: true, Cols: []ui.Col{{Head: "Gauged"}, {Head: "Gauge"}, {Head: "For"}, {Head: "Radius, " + q.Unit, Right: true}, {Head: "Largest, " + dq.Unit, Right: true}, {Head: "Verdict"}, {Head: "What became of it"}}}
	for i := len(d.Rows) - 1; i >= 0; i-- {
		r := &d.Rows[i]
		value := func(c spc.Computed, q Quantity) ui.Cell {
			if x, ok := r.Result.Values.Get(c); ok {
				return ui.Text(q.Number(x))
			}
			return ui.Text("none")
		}
		what := ui.Cell{}
		switch r.State {
		case store.Superseded:
			what.State = ui.Is(ui.None, "superseded by a correction")
		case store.Voided:
			what.State = ui.Is(ui.None, "void")
		default:
			what.Text = "stands"
			if r.Counted {
				what.Text = "stands, feeds the charts"
			}
			if r.CorrectionOf != 0 {
				what.Text += ", a correction"
			}
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(v.Moment(r.MeasuredAt)), ui.Text(r.Gauge), ui.Text(string(r.Purpose)), value(spc.RadiusMM, q), value(spc.MaxDeviationUM, dq), {State: VerdictHeld(r.Result.Verdict, d.bars())}, what}})
	}
	return t
}

// log is who did what, latest first.
func (d *PanelData) log(v View) []ui.Entry {
	type happening struct {
		at   time.Time
		text string
	}
	var all []happening
	for i := range d.Rows {
		r := &d.Rows[i]
		all = append(all, happening{r.StoredAt, r.Source + " sent a measurement of gauge " + r.Gauge + ", measured " + v.Moment(r.MeasuredAt) + ": " + d.foundThen(r) + "."})
	}
	for _, c := range d.Changes {
		words := c.By + " corrected a measurement: " + c.Reason
		if c.Kind == "void" {
			words = c.By + " voided a measurement: " + c.Reason
		}
		all = append(all, happening{c.At, words})
	}
	for _, c := range d.Conflicts {
		all = append(all, happening{c.ReceivedAt, c.Source + " sent other content under the same identity; it waits for an engineer."})
	}
	slices.SortStableFunc(all, func(a, b happening) int { return b.at.Compare(a.at) })
	var out []ui.Entry
	for _, h := range all {
		out = append(out, ui.Entry{At: v.Moment(h.at), Text: ui.Say(h.text)})
	}
	return out
}
