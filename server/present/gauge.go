package present

import (
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// GaugePageFacts is what the technician's page is made of.
type GaugePageFacts struct {
	Now     time.Time // plant time
	Lengths ui.Lengths
	GaugeFacts
	Product   *spc.Product // of Shown; nil for none
	Shown     *store.Row   // the panel that the page is about; nil before the first
	Readings  int          // how many times this gauge has measured that panel, Shown included
	Places    *spc.Result  // with deviations; nil for a gauge without places
	Plan      *judge.Plan
	Before    []store.Row                         // newest first, without Shown
	Asked     string                              // the serial that was scanned
	Found     bool                                // it was measured on this gauge
	Newer     bool                                // Shown is not the latest of the gauge
	Held      map[store.PanelID][]store.PanelHold // of the panels shown: holds that keep them from being good
	MayKeyIn  bool
	MayOthers bool // correct what is stored
}

// Gauge draws up the technician's page, but for its frame.
func Gauge(f GaugePageFacts) page.Gauge {
	id := f.Def.ID
	m := page.Gauge{ID: id, Largest: beforeHead(f), Scan: page.Scan{Action: "/gauge/" + url.PathEscape(id), Label: "Scan or type the next serial, then Enter", Example: "serial"}}
	if f.Last != nil && f.Last.Purpose != spc.MasterCheck {
		m.Scan.Example = shapeOf(f.Last.Panel)
	}
	if f.Asked != "" && !f.Found {
		m.Scan.Value = f.Asked
		m.Scan.Problem = "Panel " + f.Asked + " has not been measured on " + id + ". Measure it, or key its readings in."
	}
	if f.MayKeyIn {
		href := m.Scan.Action + "/key-in"
		if f.Asked != "" && !f.Found {
			href += "?panel=" + url.QueryEscape(f.Asked)
		}
		m.Scan.Acts = append(m.Scan.Acts, ui.Act{Text: "Key in readings", Href: href, Key: "F2", First: true})
	}
	if f.Asked != "" {
		m.Scan.Acts = append(m.Scan.Acts, ui.Act{Text: "Show the latest panel", Href: m.Scan.Action, Key: "F4"})
	}
	if f.wants(f.Now) || f.state(f.Now).Kind == ui.Bad {
		m.Due = masterDue(f)
		m.DueSay = masterDo(f)
	}
	if f.Doubtful > 0 {
		say := ui.Sentence{}.Link(Capital(ui.Plural(int64(f.Doubtful), "measurement of this gauge is", "measurements of this gauge are"))+" in doubt: decide.", DoubtHref(id))
		m.Doubt = &say
	}
	if f.Shown == nil {
		m.Slab = ui.Verdict{Kind: ui.None, Word: "No panel yet", Order: "Scan a serial, or let the gauge measure.", Because: id + " has sent nothing yet."}
		m.Empty = "No panel on this gauge yet."
		return m
	}
	if f.Newer {
		m.Empty = "What came before this one stands under Panels."
	}
	m.Slab = slab(f)
	m.Bar = bar(f)
	m.Map = gaugeMap(f)
	m.Items, m.Facts = items(f), facts(f)
	for i := range f.Before {
		m.Before = append(m.Before, beforeRow(f, &f.Before[i]))
	}
	return m
}

// shapeOf shows how serials look: letters stay, digits become noughts.
func shapeOf(serial string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return '0'
		}
		return r
	}, serial)
}

// masterDo says which master to measure, and how.
func masterDo(f GaugePageFacts) string {
	var panels []string
	for _, m := range f.Def.Masters {
		if m.ValidTo == nil || m.ValidTo.After(f.Now) {
			panels = append(panels, m.Panel)
		}
	}
	if len(panels) == 0 {
		return "No master has a certificate that is still valid: tell the engineer."
	}
	return "Wipe the pads, seat master " + orList(panels) + " and measure it as a master check before the next panel."
}

func masterDue(f GaugePageFacts) *ui.State {
	s := f.state(f.Now)
	at := f.due().In(f.Now.Location())
	switch {
	case s.Kind == ui.Bad:
		s.Word = "Master panel beyond the allowed error: do not judge panels here"
	case f.Master == nil:
		s.Word = "Master panel due: this gauge was never checked"
	case !at.After(f.Now):
		s.Word = "Master panel due since " + ui.Moment(at, f.Now)
	case at.Sub(f.Now) < time.Minute:
		s.Word = "Master panel due now"
	default:
		// In figures: read at two metres.
		s.Word = "Master panel due in " + strconv.Itoa(int(at.Sub(f.Now).Round(time.Minute)/time.Minute)) + " minutes"
		s.Word = strings.Replace(s.Word, "in 1 minutes", "in 1 minute", 1)
	}
	return &s
}

// slab is the verdict with the next action and the reason.
func slab(f GaugePageFacts) ui.Verdict {
	r := f.Shown
	v := ui.Verdict{Kind: ui.None, Word: "Not judged", Order: order(f), Because: because(f)}
	switch r.Result.Verdict {
	case spc.Conforms:
		v.Kind, v.Word = ui.Good, "Conforms"
	case spc.DoesNotConform:
		v.Kind, v.Word = ui.Bad, "Does not conform"
	case spc.Undecided:
		v.Kind, v.Word = ui.Unsure, "Undecided"
	}
	heldSlab(f, &v)
	return v
}

// order is the next action.
func order(f GaugePageFacts) string {
	r := f.Shown
	master := r.Purpose == spc.MasterCheck
	lift := "Lift the panel"
	if master {
		lift = "Lift the master"
	}
	switch r.Result.Verdict {
	case spc.Conforms:
		if master {
			return "The gauge is in order. Go on measuring."
		}
		return "Pass the panel on and wait for the next one."
	case spc.DoesNotConform:
		if master {
			return "Stop measuring on this gauge and tell the engineer."
		}
		return "Set the panel aside and tell the supervisor."
	case spc.Undecided:
		switch {
		case f.Def.Kind == spc.Dimensions:
			return "Measure the panel again."
		case f.Readings > 1 && !master:
			return "Set the panel aside and tell the supervisor: measured " + times(f.Readings) + ", and still undecided."
		}
		if places := wiped(r); len(places) > 0 {
			return lift + ", wipe " + placesWords(places) + " and the pads, seat it again and measure again."
		}
		return lift + ", wipe the pads, seat it again and measure again."
	}
	if n := len(r.Result.FaultyProbes); n > 0 {
		return "Check the probes of " + placesWords(r.Result.FaultyProbes) + ", then measure again."
	}
	return "Set the panel aside and tell the engineer."
}

func times(n int) string {
	if n == 2 {
		return "twice"
	}
	return ui.InWords(int64(n)) + " times"
}

// wiped lists the places that are worth wiping: the suspect ones, else the largest where it is too close to its limit.
func wiped(r *store.Row) []int {
	if len(r.Result.SuspectPlaces) > 0 {
		return r.Result.SuspectPlaces
	}
	for _, it := range r.Result.Items {
		if it.Name == spc.MaxDeviationUM.String() && it.Verdict == spc.Undecided {
			if place, ok := r.Result.Values.Get(spc.MaxDeviationPlace); ok {
				return []int{int(place)}
			}
		}
	}
	return nil
}

// placesNamed is how many places an order names.
const placesNamed = 6

func placesWords(places []int) string {
	if len(places) == 1 {
		return "place " + strconv.Itoa(places[0])
	}
	if len(places) > placesNamed {
		return ui.InWords(int64(len(places))) + " places"
	}
	names := make([]string, len(places))
	for i, p := range places {
		names[i] = strconv.Itoa(p)
	}
	return "places " + list(names)
}

// because gives value, doubt, high or low, place and limit.
func because(f GaugePageFacts) string {
	r := f.Shown
	if len(r.Result.Reasons) > 0 {
		said := make([]string, 0, 2)
		for _, reason := range r.Result.Reasons {
			for _, it := range r.Result.Items { // names of a product's own characteristics are written as they are keyed
				if rest, ok := strings.CutPrefix(reason, it.Name+" "); ok {
					reason = Characteristic(it.Name) + " " + rest
				}
			}
			if said = append(said, readable(reason)); len(said) == 2 {
				break
			}
		}
		return strings.Join(said, " ")
	}
	if r.Purpose == spc.MasterCheck {
		if e := masterError(&GaugeFacts{Def: f.Def, Master: r}); e != "" {
			m, _ := f.Def.Master(r.Panel)
			return Capital(e) + " against its certificate; allowed are " + ui.WithUnit(ui.Number(m.AllowedUM, amountDecimals(m.AllowedUM)), "um") + "."
		}
		return ""
	}
	for _, it := range r.Result.Items {
		if it.Name == spc.MaxDeviationUM.String() && it.Value != nil && it.U != nil && it.Upper != nil {
			return largest(f, it)
		}
	}
	for _, it := range r.Result.Items {
		if it.Value != nil && it.U != nil {
			return Capital(Characteristic(it.Name)) + " " + itemValue(f, it) + "; " + itemLimits(f, it) + "."
		}
	}
	return ""
}

// amountDecimals of a limit or an allowed amount: as many as it was given with, at most three.
func amountDecimals(v float64) int {
	for d := range 3 {
		if p := math.Pow(10, float64(d)); math.Abs(v*p-math.Round(v*p)) < 1e-9 {
			return d
		}
	}
	return 3
}

// largest is the sentence of a panel that conforms: "Largest deviation 97 ± 14 µm low at place 47, bottom right; the limit is 381."
func largest(f GaugePageFacts, it spc.Item) string {
	k := 2.0
	if f.Product != nil && f.Product.K > 0 {
		k = f.Product.K
	}
	decimals := min(ui.DoubtDecimals(k**it.U), 1)
	s := "Largest deviation " + ui.WithUnit(ui.Doubted(*it.Value, k**it.U, decimals), "um")
	if v, ok := f.Shown.Result.Values.Get(spc.MaxDeviationSignedUM); ok {
		if s += " high"; v < 0 {
			s = strings.TrimSuffix(s, "high") + "low"
		}
	}
	if p, ok := f.Shown.Result.Values.Get(spc.MaxDeviationPlace); ok {
		s += " at place " + strconv.Itoa(int(p))
		if f.Plan != nil && int(p) >= 1 && int(p) <= len(f.Plan.Places()) {
			s += ", " + f.Plan.Words(int(p)-1)
		}
	}
	return s + "; the limit is " + ui.WithUnit(ui.Number(*it.Upper, amountDecimals(*it.Upper)), "um") + "."
}

// bar says which panel the verdict is about.
func bar(f GaugePageFacts) []ui.Fact {
	r := f.Shown
	name := "Panel"
	if r.Purpose == spc.MasterCheck {
		name = "Master"
	}
	out := []ui.Fact{{Name: name, Value: ui.Text(r.Panel)}}
	if r.Press != "" {
		press := r.Press
		if r.Mould != "" {
			press += ", mould " + r.Mould
		}
		out = append(out, ui.Fact{Name: "Press", Value: ui.Text(press)})
	}
	out = append(out, ui.Fact{Name: "Product", Value: ui.Text(r.Product)})
	switch {
	case r.Purpose == spc.Study:
		out = append(out, ui.Fact{Name: "For a", Value: ui.Text("study")})
	case f.Readings > 1 && r.Purpose != spc.MasterCheck:
		out = append(out, ui.Fact{Name: "Measured", Value: ui.Text(times(f.Readings))})
	case r.Result.Verdict == spc.Undecided:
		out = append(out, ui.Fact{Name: "Second reading:", Value: ui.Text("not yet")})
	}
	if f.Newer && f.Last != nil {
		out = append(out, ui.Fact{Name: "Not the latest; that is", Value: ui.Text(f.Last.Panel)})
	}
	return out
}

// gaugeMap draws the deviations at the places; nil when there are none.
func gaugeMap(f GaugePageFacts) *plot.Map {
	if f.Places == nil || f.Plan == nil || len(f.Places.DeviationsUM) == 0 {
		return nil
	}
	places := MapPlaces(f.Places, f.Plan, f.Shown.Readings)
	if f.Places.Refusal != "" {
		// Without a fit no place has a deviation: only where readings are missing is known.
		places = slices.DeleteFunc(places, func(p plot.Place) bool {
			return p.State == plot.Missing && p.N <= len(f.Shown.Readings) && !math.IsNaN(f.Shown.Readings[p.N-1])
		})
	}
	if len(places) == 0 {
		return nil
	}
	m := &plot.Map{ID: "map", Places: places, Title: "Deviation from the contour at " + ui.Plural(int64(len(f.Places.DeviationsUM)), "place", "places")}
	if f.Shown.Purpose == spc.MasterCheck {
		m.Title = "Error against the certificate at " + ui.Plural(int64(len(f.Places.DeviationsUM)), "place", "places")
		m.Caption = "errors of the gauge against the master's certificate"
	}
	if f.Places.Refusal != "" {
		m.Title, m.Caption = "Places without a reading", "no fit: only the places without a reading are shown"
	}
	if f.Product != nil && f.Product.Outline != nil {
		m.Outline = plot.Outline{WidthMM: f.Product.Outline.WidthMM, HeightMM: f.Product.Outline.HeightMM, CornerMM: f.Product.Outline.CornerMM}
	}
	if d, ok := f.Places.Values.Get(spc.MaxDeviationSignedUM); ok {
		if p, ok := f.Places.Values.Get(spc.MaxDeviationPlace); ok && f.Shown.Purpose != spc.MasterCheck {
			m.Desc = "The largest is " + ui.WithUnit(ui.Signed(d, 0), "um") + " at place " + strconv.Itoa(int(p)) + "."
			m.WorstPlace = int(p)
		}
	}
	return m
}

// MapPlaces are the places of a measurement with their deviations, as the map draws them: a place that was left out is missing when
// the probe gave nothing, else faulty.
func MapPlaces(res *spc.Result, plan *judge.Plan, readings []float64) []plot.Place {
	xy := plan.Places()
	out := make([]plot.Place, len(xy))
	for i := range xy {
		out[i] = plot.Place{N: i + 1, X: xy[i][0], Y: xy[i][1]}
		if i < len(res.DeviationsUM) {
			out[i].DevUM = res.DeviationsUM[i]
		}
		if math.IsNaN(out[i].DevUM) {
			out[i].DevUM, out[i].State = 0, plot.Missing
		}
	}
	for _, p := range res.FaultyProbes {
		if p < 1 || p > len(out) {
			continue
		}
		if out[p-1].State = plot.Faulty; p > len(readings) || math.IsNaN(readings[p-1]) {
			out[p-1].State = plot.Missing
		}
	}
	for _, p := range res.SuspectPlaces {
		if p >= 1 && p <= len(out) {
			out[p-1].State = plot.Suspect
		}
	}
	return out
}

// items lists what a gauge of dimensions measured.
func items(f GaugePageFacts) (out []ui.Fact) {
	if f.Def.Kind != spc.Dimensions {
		return nil
	}
	for _, it := range f.Shown.Result.Items {
		c := ui.Cell{Text: itemValue(f, it), State: VerdictOf(it.Verdict)}
		out = append(out, ui.Fact{Name: Capital(Characteristic(it.Name)), Value: c})
	}
	return out
}

// itemValue writes a value with its expanded uncertainty: "512.21 ± 0.04 mm".
func itemValue(f GaugePageFacts, it spc.Item) string {
	if it.Value == nil {
		return "none"
	}
	k := 2.0
	if f.Product != nil && f.Product.K > 0 {
		k = f.Product.K
	}
	v, unit, scale := *it.Value, it.Unit, 1.0
	if unit == "mm" && f.Lengths == ui.InInch {
		unit, scale = "in", 1/ui.MMPerInch
	}
	if it.U == nil || *it.U <= 0 {
		return ui.WithUnit(ui.Number(v*scale, 3), unit)
	}
	u := k * *it.U * scale
	return ui.WithUnit(ui.Doubted(v*scale, u, ui.DoubtDecimals(u)), unit)
}

// itemLimits writes the limits: "the limits are 1101.5 and 1113.5".
func itemLimits(f GaugePageFacts, it spc.Item) string {
	scale, more := 1.0, 0
	if it.Unit == "mm" && f.Lengths == ui.InInch {
		scale, more = 1/ui.MMPerInch, 4
	}
	limit := func(v float64) string { return ui.Number(v*scale, max(amountDecimals(v), more)) }
	switch {
	case it.Lower != nil && it.Upper != nil:
		return "the limits are " + limit(*it.Lower) + " and " + limit(*it.Upper)
	case it.Lower != nil:
		return "the lower limit is " + limit(*it.Lower)
	case it.Upper != nil:
		return "the limit is " + limit(*it.Upper)
	}
	return "there is no limit"
}

// facts stand under the map: radius, places read, when, by whom, and where all about the panel stands.
func facts(f GaugePageFacts) (out []ui.Fact) {
	r := f.Shown
	for _, it := range r.Result.Items {
		if it.Name == spc.RadiusMM.String() {
			out = append(out, ui.Fact{Name: "Radius", Value: ui.Cell{Text: itemValue(f, it), State: VerdictOf(it.Verdict)}})
		}
	}
	if len(out) == 0 && f.Def.Kind != spc.Dimensions {
		c := ui.Cell{State: ui.Is(ui.None, "no fit")}
		if v, ok := r.Result.Values.Get(spc.RadiusMM); ok {
			u, _ := r.Result.Values.Get(spc.RadiusUMM)
			c = ui.Text(itemValue(f, spc.Item{Value: &v, U: &u, Unit: "mm"}))
		}
		out = append(out, ui.Fact{Name: "Radius", Value: c})
	}
	if n := len(r.Readings); n > 0 && f.Def.Kind != spc.Dimensions {
		words := fmt.Sprintf("%d of %d read", n-len(r.Result.FaultyProbes), n)
		if s := len(r.Result.SuspectPlaces); s > 0 {
			words += ", " + ui.InWords(int64(s)) + " suspect"
		}
		out = append(out, ui.Fact{Name: "Places", Value: ui.Text(words)})
	}
	at := r.MeasuredAt.In(f.Now.Location())
	gauged := ui.Moment(at, f.Now)
	if gauged == ui.Clock(at) {
		gauged = ui.ClockSeconds(at)
	}
	out = append(out, ui.Fact{Name: "Gauged", Value: ui.Text(gauged)})
	if r.Press != "" {
		out = append(out, ui.Fact{Name: "Panel", Value: ui.Cell{Text: "all about " + r.Panel, Href: "/panels/" + url.PathEscape(r.Press) + "/" + url.PathEscape(r.Panel)}})
	}
	if f.MayOthers {
		out = append(out, ui.Fact{Name: "Wrong?", Value: ui.Cell{Text: "correct this measurement", Href: "/measurements/" + strconv.FormatInt(r.ID, 10) + "/correct"}})
	}
	return out
}

// beforeHead names the figure that the list of the panels before shows.
func beforeHead(f GaugePageFacts) string {
	if f.Def.Kind != spc.Dimensions {
		return "Largest, " + ui.UnitName("um")
	}
	if f.Shown != nil && len(f.Shown.Result.Items) > 0 {
		it := f.Shown.Result.Items[0]
		head := Capital(Characteristic(it.Name))
		if it.Unit != "" {
			head += ", " + ui.UnitName(it.Unit)
		}
		return head
	}
	return "Value"
}

func beforeRow(f GaugePageFacts, r *store.Row) page.LastRow {
	row := page.LastRow{Panel: r.Panel, Mould: r.Mould, State: VerdictHeld(r.Result.Verdict, f.held(r)), Value: "none",
		Href: "/gauge/" + url.PathEscape(f.Def.ID) + "?panel=" + url.QueryEscape(r.Panel)}
	if r.Purpose == spc.MasterCheck {
		row.Mould = "master"
	}
	if f.Def.Kind == spc.Dimensions {
		if f.Shown != nil && len(f.Shown.Result.Items) > 0 {
			for _, it := range r.Result.Items {
				if it.Name == f.Shown.Result.Items[0].Name && it.Value != nil {
					row.Value = ui.Number(*it.Value, 3)
				}
			}
		}
		return row
	}
	c := spc.MaxDeviationUM
	if r.Purpose == spc.MasterCheck {
		c = spc.MasterMaxErrorUM
	}
	if v, ok := r.Result.Values.Get(c); ok {
		row.Value = ui.Number(v, 0)
	}
	return row
}
