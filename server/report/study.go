package report

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// StudyInputs are all that a gauge study is worked out from: the plan and every reading, those that were undone marked.
type StudyInputs struct {
	Head
	Study    StudyFacts   `json:"study"`
	Readings []StudyValue `json:"readings"`
	// Places of the gauge in mm and the number of freedoms that its seating takes up; none for a gauge without places.
	Places   [][2]float64 `json:"places,omitempty"`
	Freedoms int          `json:"freedoms,omitempty"`
	// Changed are the measurements that were corrected or voided after their readings were taken, Mended the lines that took a correction
	// after the result was adopted.
	Changed []StudyChanged `json:"changed,omitempty"`
	Mended  []int          `json:"mended,omitempty"`
}

// StudyFacts are a study as it was planned.
type StudyFacts struct {
	ID    int64           `json:"id"`
	Kind  string          `json:"kind"`
	Title string          `json:"title"`
	Gauge string          `json:"gauge"`
	State string          `json:"state"`
	By    string          `json:"by"`
	Plan  store.StudyPlan `json:"plan"`
}

// StudyValue is one reading.
type StudyValue struct {
	store.StudyLine
	Measurement int64              `json:"measurement,omitempty"` // 0: keyed in
	MeasuredAt  int64              `json:"measured_at"`           // microseconds since 1970, UTC
	Values      map[string]float64 `json:"values,omitempty"`
	Deviations  []Number           `json:"deviations_um,omitempty"`
	Category    *int               `json:"category,omitempty"`
	By          string             `json:"by"`
	Withdrawn   bool               `json:"withdrawn,omitempty"`
}

func init() {
	makers[store.StudyReport] = func(inputs []byte) (*Document, error) {
		var in StudyInputs
		if err := json.Unmarshal(inputs, &in); err != nil {
			return nil, err
		}
		return StudyDocument(&in)
	}
}

// mostStudyReadings bounds a study, those that were undone included.
const mostStudyReadings = 20_000

// StudyOf makes the inputs from a study and its readings.
func StudyOf(h Head, v *store.Study, readings []store.StudyReading, gauge *spc.Gauge, places [][2]float64) *StudyInputs {
	in := &StudyInputs{Head: h, Places: places, Study: StudyFacts{ID: v.ID, Kind: v.Kind, Title: v.Title, Gauge: v.Gauge, State: v.State, By: v.By, Plan: v.Plan}}
	in.Kind, in.Product = store.StudyReport, v.Product
	in.From, in.To = time.Time{}, time.Time{} // those of the readings; zero where there is none
	in.Title = "Gauge study " + fmt.Sprint(v.ID) + ": " + v.Title
	in.Query = json.RawMessage(fmt.Sprintf(`{"study":%d}`, v.ID))
	in.Definitions = []string{fmt.Sprintf("gauge %s revision %d", v.Gauge, v.Plan.GaugeRevision)}
	if v.Product != "" {
		in.Definitions = append(in.Definitions, fmt.Sprintf("product %s revision %d", v.Product, v.Plan.ProductRevision))
	}
	if gauge != nil && len(places) > 0 {
		in.Freedoms = len(gauge.Seating)
	}
	for _, r := range readings {
		if r.Line < 1 || r.Line > len(v.Plan.Lines) {
			continue
		}
		s := StudyValue{StudyLine: v.Plan.Lines[r.Line-1], Measurement: r.Measurement, MeasuredAt: r.MeasuredAt.UnixMicro(), Values: r.Characteristics, Category: r.Category,
			By: r.By, Withdrawn: !r.WithdrawnAt.IsZero()}
		for _, d := range r.Deviations {
			s.Deviations = append(s.Deviations, Number(d))
		}
		if r.MeasuredAt.After(in.To) {
			in.To = r.MeasuredAt
		}
		if in.From.IsZero() || r.MeasuredAt.Before(in.From) {
			in.From = r.MeasuredAt
		}
		in.Readings = append(in.Readings, s)
	}
	return in
}

// Bounded refuses a study with more readings than a report holds.
func (in *StudyInputs) Bounded() error {
	if n := len(in.Readings); n > mostStudyReadings {
		return fmt.Errorf("study %d has %d readings, those undone included; a report holds %d", in.Study.ID, n, mostStudyReadings)
	}
	return nil
}

// standing are the readings that were not undone, by line; nil where there is none.
func (in *StudyInputs) standing() []*StudyValue {
	out := make([]*StudyValue, len(in.Study.Plan.Lines))
	for i := range in.Readings {
		if r := &in.Readings[i]; !r.Withdrawn && r.Line >= 1 && r.Line <= len(out) {
			out[r.Line-1] = r
		}
	}
	return out
}

// StudyDocument lays a study out as a report.
func StudyDocument(in *StudyInputs) (*Document, error) {
	r := AnalyseStudy(in)
	plan := &in.Study.Plan
	d := &Document{Kind: store.StudyReport, Title: in.Title, Statement: r.Statement, Doubts: r.Doubts, Origin: in.Origin(), Figures: r.Figures, Zone: in.Location(),
		Cautions: []string{"A study says how the gauge measured these panels, with these people, on these days; another gauge, product or place needs its own.",
			"The plant's own procedures and the person responsible decide whether a gauge may be used."}}
	taken, keyed := 0, 0
	for _, v := range in.standing() {
		if v != nil {
			taken++
			if v.Measurement == 0 {
				keyed++
			}
		}
	}
	d.Origin.Data = fmt.Sprintf("%d of %d readings of %s by %s on gauge %s, %d of them keyed in; order sheet of seed %d", taken, len(plan.Lines),
		ui.Plural(int64(len(plan.Parts)), "part", "parts"), ui.Plural(int64(len(plan.Appraisers)), "appraiser", "appraisers"), in.Study.Gauge, keyed, plan.Seed)
	for _, p := range r.Parts {
		d.Blocks = append(d.Blocks, p.blocks()...)
	}
	d.Sheets = append([]Sheet{in.readingsSheet(), in.planSheet()}, r.Sheets...)
	if s, ok := in.deviationsSheet(); ok {
		d.Sheets = append(d.Sheets, s)
	}
	return d, nil
}

// documentWidth is that of a drawing in a document, in units.
const documentWidth = 720

func (p StudyPart) blocks() []Block {
	var out []Block
	heading := p.Heading
	add := func(b Block) {
		b.Heading, heading = heading, ""
		out = append(out, b)
	}
	if p.Text != "" {
		add(Block{Text: p.Text})
	}
	if p.Groups != nil {
		add(Block{Drawing: &Drawing{Scene: p.Groups.Scene(documentWidth), Caption: p.Caption}})
	}
	if p.Map != nil {
		add(Block{Drawing: &Drawing{Scene: p.Map.Scene(), Caption: p.Caption}})
	}
	if p.Table != nil {
		add(Block{Table: p.Table})
	}
	if p.Caution != "" {
		add(Block{Caution: p.Caution})
	}
	return out
}

func (in *StudyInputs) readingsSheet() Sheet {
	plan := &in.Study.Plan
	s := Sheet{Name: "Readings", Says: "Every reading in the order in which it was taken; those that were undone are marked and count in no figure.",
		Cols: []SheetCol{{Head: "Line"}, {Head: "Part"}, {Head: "Panel"}, {Head: "Appraiser"}, {Head: "Trial"}, {Head: "Turned"}}}
	for _, c := range plan.Characteristics {
		s.Cols = append(s.Cols, SheetCol{Head: c.Name, Unit: c.Unit})
	}
	s.Cols = append(s.Cols, SheetCol{Head: "Category"}, SheetCol{Head: "Measured at"}, SheetCol{Head: "Measurement"}, SheetCol{Head: "By"}, SheetCol{Head: "Undone"})
	for i := range in.Readings {
		r := &in.Readings[i]
		row := []any{int64(r.Line), int64(r.Part), plan.Parts[r.Part-1].Panel, plan.Appraisers[r.Appraiser-1], int64(r.Trial), r.Turned}
		for _, c := range plan.Characteristics {
			if v, ok := r.Values[c.Name]; ok {
				row = append(row, v)
			} else {
				row = append(row, nil)
			}
		}
		var category, measurement any
		if r.Category != nil && *r.Category < len(plan.Categories) {
			category = plan.Categories[*r.Category]
		}
		if r.Measurement != 0 {
			measurement = r.Measurement
		}
		s.Rows = append(s.Rows, append(row, category, microTime(r.MeasuredAt), measurement, r.By, r.Withdrawn))
	}
	return s
}

func (in *StudyInputs) planSheet() Sheet {
	plan := &in.Study.Plan
	s := Sheet{Name: "Plan", Says: fmt.Sprintf("The order sheet as it was drawn by lot with seed %d.", plan.Seed),
		Cols: []SheetCol{{Head: "Line"}, {Head: "Part"}, {Head: "Panel"}, {Head: "Appraiser"}, {Head: "Trial"}, {Head: "Turned"}, {Head: "Certified value", Unit: in.unit()}, {Head: "Its standard uncertainty", Unit: in.unit()}, {Head: "Right category"}}}
	for _, l := range plan.Lines {
		p := plan.Parts[l.Part-1]
		row := []any{int64(l.Line), int64(l.Part), p.Panel, plan.Appraisers[l.Appraiser-1], int64(l.Trial), l.Turned, nil, nil, nil}
		if p.Reference != nil {
			row[6], row[7] = *p.Reference, p.ReferenceU
		}
		if p.Truth != nil && *p.Truth < len(plan.Categories) {
			row[8] = plan.Categories[*p.Truth]
		}
		s.Rows = append(s.Rows, row)
	}
	return s
}

// unit is that of the characteristic, where there is one only.
func (in *StudyInputs) unit() string {
	if c := in.Study.Plan.Characteristics; len(c) == 1 {
		return c[0].Unit
	}
	return ""
}

func (in *StudyInputs) deviationsSheet() (Sheet, bool) {
	n := 0
	for i := range in.Readings {
		n = max(n, len(in.Readings[i].Deviations))
	}
	s := Sheet{Name: "Deviations", Says: "Deviation from the contour at each place, by line of the order sheet.", Cols: []SheetCol{{Head: "Line"}, {Head: "Undone"}}}
	for i := range n {
		s.Cols = append(s.Cols, SheetCol{Head: fmt.Sprintf("Place %d", i+1), Unit: "um"})
	}
	for i := range in.Readings {
		r := &in.Readings[i]
		row := []any{int64(r.Line), r.Withdrawn}
		for k := range n {
			if k < len(r.Deviations) && r.Deviations[k].Has() {
				row = append(row, float64(r.Deviations[k]))
			} else {
				row = append(row, nil)
			}
		}
		s.Rows = append(s.Rows, row)
	}
	return s, n > 0
}

// studyNames are computed characteristics in a sentence; the others read well without their unit.
var studyNames = map[string]string{"max_deviation_um": "largest deviation", "form_um": "form error", "rms_um": "rms from the sphere", "contour_rms_um": "rms from the contour",
	"contour_pv_um": "peak to valley from the contour", "twofold_um": "two-fold term", "bow4_um": "fourth-order bow", "master_radius_error_mm": "error of the radius", "master_max_error_um": "largest error"}

// characteristicName is a characteristic in a sentence.
func characteristicName(name string) string {
	if n, ok := studyNames[name]; ok {
		return n
	}
	for _, unit := range []string{"_mm", "_um"} {
		name = strings.TrimSuffix(name, unit)
	}
	return strings.ReplaceAll(name, "_", " ")
}

func floats(ns []Number) []float64 {
	out := make([]float64, len(ns))
	for i, n := range ns {
		out[i] = float64(n)
	}
	return out
}

// fine is how many decimals show x to three significant figures.
func fine(x float64) int {
	x = math.Abs(x)
	if !(x > 0) || math.IsInf(x, 0) {
		return 2
	}
	return min(max(2-int(math.Floor(math.Log10(x))), 0), 9)
}
