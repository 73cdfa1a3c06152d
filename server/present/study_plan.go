package present

import (
	"fmt"
	"math"
	"math/rand/v2"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"sagwatch/spc"
	"sagwatch/spc/gaugestudy"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// studyKind is a kind of study in words.
type studyKind struct {
	kind, name, answers string
	typed               bool // a certified value or a right category stands behind each panel
	several             bool // characteristics
	appraisers          bool
	takes               bool // readings come from what the gauge sends
}

var studyKinds = []studyKind{
	{store.CrossedStudy, "repeatability and reproducibility, crossed", "How much of the tolerance do gauge and people take up? Everybody measures every panel.", false, true, true, true},
	{store.SingleMasterStudy, "single master", "Does the gauge repeat one master, and does it read it right?", true, false, false, true},
	{store.NestedStudy, "repeatability and reproducibility, nested", "As crossed, where panels cannot go from one to the next: everybody measures panels of his own.", false, true, true, true},
	{store.LinearityStudy, "linearity and bias", "Does the gauge read right over its whole range? Three or more masters.", true, false, false, true},
	{store.StabilityStudy, "stability, from master checks", "Has the gauge stayed what it was? From the master checks that are stored already.", false, false, false, false},
	{store.AttributeStudy, "attribute agreement", "Do people who judge by eye agree, and are they right?", true, false, true, false},
	{store.HalfTurnStudy, "half-turn split", "What in the map is the glass, what is the gauge? Each panel as it lies and turned by half a turn.", false, false, false, true},
}

func kindOf(kind string) (studyKind, bool) {
	for _, k := range studyKinds {
		if k.kind == kind {
			return k, true
		}
	}
	return studyKind{}, false
}

// StudyKind is a kind of study in words.
func StudyKind(kind string) string {
	k, _ := kindOf(kind)
	return k.name
}

// StudyFrom is what a plan is made from.
type StudyFrom struct {
	Gauge                          *spc.Gauge
	Product                        *spc.Product // nil for none
	GaugeRevision, ProductRevision int
}

// StudyChoice is the first step of a plan.
func StudyChoice(f ui.Frame, form url.Values, gauges []*spc.Gauge, products []*spc.Product, problems []ui.Problem) page.StudyChoice {
	m := page.StudyChoice{Frame: f, Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "/studies"}}, Say: ui.Say("Plan a gauge study."),
		Doubts: []ui.Sentence{ui.Say("First the kind, the gauge and the product; then panels, people and how often. The order is drawn by lot.")}}}
	if len(problems) > 0 {
		m.Problems = ui.Problems{Head: "Nothing is planned yet", Items: problems}
	}
	kind := ui.Input{ID: "kind", Name: "kind", Label: "Kind of study"}
	for _, k := range studyKinds {
		kind.Options = append(kind.Options, ui.Option{Value: k.kind, Label: k.name, Selected: form.Get("kind") == k.kind})
		m.Kinds = append(m.Kinds, ui.Fact{Name: Capital(k.name), Value: ui.Text(k.answers)})
	}
	gauge := ui.Input{ID: "gauge", Name: "gauge", Label: "Gauge"}
	for _, g := range gauges {
		if !g.Retired {
			gauge.Options = append(gauge.Options, ui.Option{Value: g.ID, Label: g.ID + ", " + string(g.Kind), Selected: form.Get("gauge") == g.ID})
		}
	}
	product := ui.Input{ID: "product", Name: "product", Label: "Product", Help: "Its limits are the tolerance against which the gauge is judged."}
	for _, p := range products {
		if !p.Retired {
			product.Options = append(product.Options, ui.Option{Value: p.ID, Label: p.ID, Selected: form.Get("product") == p.ID})
		}
	}
	m.Fields = []ui.Input{kind, gauge, product}
	return m
}

// StudyCharacteristics lists what a gauge can be studied for on a product, with tolerances.
func StudyCharacteristics(kind string, from StudyFrom) []store.StudyCharacteristic {
	var out []store.StudyCharacteristic
	limited := func(name string) store.StudyCharacteristic {
		c := store.StudyCharacteristic{Name: name, Unit: CharacteristicUnit(name)}
		if from.Product != nil {
			l := from.Product.Limits[name]
			c.Lower, c.Upper = l.Lower, l.Upper
		}
		return c
	}
	switch {
	case kind == store.AttributeStudy || kind == store.HalfTurnStudy:
	case kind == store.StabilityStudy:
		for _, c := range []spc.Computed{spc.MasterRadiusErrorMM, spc.MasterMaxErrorUM} {
			out = append(out, store.StudyCharacteristic{Name: c.String(), Unit: CharacteristicUnit(c.String())})
		}
	case from.Gauge.Kind == spc.Dimensions:
		if from.Product != nil {
			for _, c := range from.Product.Characteristics {
				v := store.StudyCharacteristic{Name: c.Name, Unit: c.Unit, Lower: c.Lower, Upper: c.Upper}
				if c.Unit == "mm" {
					v.Resolution = from.Gauge.Resolution * from.Gauge.Unit.MM()
				}
				out = append(out, v)
			}
		}
		if from.Gauge.Values > 0 {
			c := limited("mean")
			c.Unit = string(from.Gauge.Unit)
			out = append(out, c)
		}
	default:
		names := []string{spc.RadiusMM.String(), spc.MaxDeviationUM.String()}
		if from.Product != nil {
			for name := range from.Product.Limits {
				if _, ok := spc.ComputedByName(name); ok && !slices.Contains(names, name) {
					names = append(names, name)
				}
			}
			slices.Sort(names[2:])
		}
		for _, name := range names {
			out = append(out, limited(name))
		}
	}
	return out
}

// StudyForm is the second step, with what was typed and what is wrong with it.
func StudyForm(f ui.Frame, form url.Values, from StudyFrom, wrong []Wrong) page.StudyForm {
	kind, _ := kindOf(form.Get("kind"))
	problem := KeyInFacts{Wrong: wrong}
	back := url.Values{"kind": {form.Get("kind")}, "gauge": {from.Gauge.ID}, "product": {form.Get("product")}, "choose": {"1"}}
	m := page.StudyForm{Frame: f, Problems: problem.Problems(), Back: "/studies/new?" + back.Encode(), Save: "Draw the order and begin",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "/studies"}, {Text: "plan"}}, Say: ui.Say(Capital(kind.name) + " on " + from.Gauge.ID + ".")}}
	if kind.answers != "" {
		m.Statement.Doubts = []ui.Sentence{ui.Say(kind.answers)}
	}
	for _, name := range []string{"kind", "gauge", "product"} {
		m.Kept = append(m.Kept, ui.Input{Type: "hidden", Name: name, Value: form.Get(name)})
	}
	if all := StudyCharacteristics(kind.kind, from); len(all) > 0 {
		m.Values = &page.StudyValues{Label: "Characteristic", Several: kind.several, Problem: problem.problem("characteristic")}
		if kind.several {
			m.Values.Label, m.Values.Help = "Characteristics", "One measurement gives all of them."
		}
		for i, c := range all {
			label := Capital(Characteristic(c.Name))
			if c.Unit != "" {
				label += ", " + ui.UnitName(c.Unit)
			}
			if t := tolerance(c); t != "" {
				label += " (" + t + ")"
			}
			chosen := slices.Contains(form["characteristic"], c.Name) || len(form["characteristic"]) == 0 && i == 0
			m.Values.Options = append(m.Values.Options, ui.Option{Value: c.Name, Label: label, Selected: chosen})
		}
	}
	field := func(in ui.Input, standard string) {
		in.ID, in.Problem = in.Name, problem.problem(in.Name)
		in.Value = form.Get(in.Name)
		if !form.Has(in.Name) {
			in.Value = standard
		}
		m.Fields = append(m.Fields, in)
	}
	masters := make([]string, 0, len(from.Gauge.Masters))
	for _, g := range from.Gauge.Masters {
		line := g.Panel
		if g.RadiusMM != nil && kind.typed {
			line += " " + strconv.FormatFloat(*g.RadiusMM, 'f', -1, 64)
			if g.RadiusUMM != nil {
				line += " " + strconv.FormatFloat(*g.RadiusUMM, 'f', -1, 64)
			}
		}
		masters = append(masters, line)
	}
	first := ""
	if len(masters) > 0 {
		first = masters[0]
	}
	behind := "The serial, then its certified value, then the standard uncertainty of that (k = 1), with blanks between: M-2 1107.5 0.02."
	switch kind.kind {
	case store.SingleMasterStudy:
		field(ui.Input{Name: "parts", Label: "The master", Help: behind}, first)
		field(ui.Input{Name: "trials", Label: "Readings", Help: "25 or more; 50 are usual. Take the master out and put it in again each time.", Number: true}, "50")
	case store.LinearityStudy:
		field(ui.Input{Name: "parts", Label: "Masters, one a line", Help: "At least three, over the range. " + behind, Area: true}, strings.Join(masters, "\n"))
		field(ui.Input{Name: "trials", Label: "Readings of each master", Help: "Ten or more.", Number: true}, "10")
	case store.StabilityStudy:
		field(ui.Input{Name: "parts", Label: "The master", Help: "Its serial."}, masterSerial(from.Gauge))
		field(ui.Input{Name: "from", Label: "Checks from", Help: "Plant time, such as 2026-03-04 12:00."}, "")
		field(ui.Input{Name: "to", Label: "Checks to"}, "")
	case store.AttributeStudy:
		field(ui.Input{Name: "categories", Label: "Categories", Help: "With commas between: good, bad."}, "good, bad")
		field(ui.Input{Name: "parts", Label: "Panels, one a line", Help: "Ten at least, thirty are better; good ones, bad ones and some between. Behind the serial the right category where it is known: A-0001 good.", Area: true}, "")
		field(ui.Input{Name: "trials", Label: "How often each judges every panel", Help: "Twice or more.", Number: true}, "2")
	case store.HalfTurnStudy:
		field(ui.Input{Name: "parts", Label: "Panels, one a line", Help: "Serials. Two at least, so that one is turned first; six or more tell glass, gauge and drift apart with less doubt.", Area: true}, "")
	case store.NestedStudy:
		field(ui.Input{Name: "parts", Label: "Panels, one a line", Help: "First all of the first appraiser, then all of the second, the same number for each.", Area: true}, "")
		field(ui.Input{Name: "trials", Label: "How often each panel is measured", Help: "Twice or three times.", Number: true}, "2")
	default:
		field(ui.Input{Name: "parts", Label: "Panels, one a line", Help: "Serials. Ten or more that spread as production does; fewer make all intervals wide.", Area: true}, "")
		field(ui.Input{Name: "trials", Label: "How often each measures every panel", Help: "Twice or three times.", Number: true}, "3")
	}
	switch {
	case kind.appraisers:
		field(ui.Input{Name: "appraisers", Label: "Appraisers, one a line", Help: "Three or more say more of reproducibility than more trials.", Area: true}, "")
	case kind.kind != store.StabilityStudy:
		field(ui.Input{Name: "appraisers", Label: "Who measures", Max: 64}, "")
	}
	if kind.kind != store.StabilityStudy {
		field(ui.Input{Name: "seed", Label: "Seed of the order", Help: "Kept with the plan: the same seed draws the same order. Empty: one is drawn.", Optional: true, Number: true}, "")
	}
	field(ui.Input{Name: "title", Label: "Title", Help: "By which the list knows it.", Optional: true, Max: 120}, "")
	return m
}

// tolerance is a characteristic's tolerance in words.
func tolerance(c store.StudyCharacteristic) string {
	n := func(x float64) string { return ui.Number(x, limitDecimals(x)) }
	switch {
	case c.Lower != nil && c.Upper != nil:
		return n(*c.Lower) + " to " + n(*c.Upper)
	case c.Upper != nil:
		return "at most " + n(*c.Upper)
	case c.Lower != nil:
		return "at least " + n(*c.Lower)
	}
	return ""
}

// Bounds of a plan.
const (
	mostStudyParts = 100
	mostAppraisers = 30
	mostStudyLines = 2000
)

// ReadStudy reads the second step and draws the order; lines of a study of stability are the caller's.
func ReadStudy(form url.Values, from StudyFrom) (store.Study, []Wrong) {
	kind, _ := kindOf(form.Get("kind"))
	v := store.Study{Kind: kind.kind, Gauge: from.Gauge.ID, Takes: kind.takes, Title: strings.TrimSpace(form.Get("title"))}
	p := &v.Plan
	p.GaugeRevision = from.GaugeRevision
	if from.Product != nil {
		v.Product, p.ProductRevision = from.Product.ID, from.ProductRevision
	}
	var wrong []Wrong
	bad := func(field, name, short string) {
		wrong = append(wrong, Wrong{Field: field, Name: name, Text: ": " + short, Short: short})
	}
	for _, c := range StudyCharacteristics(kind.kind, from) {
		if slices.Contains(form["characteristic"], c.Name) {
			p.Characteristics = append(p.Characteristics, c)
		}
	}
	needs := kind.kind != store.AttributeStudy && kind.kind != store.HalfTurnStudy
	switch n := len(p.Characteristics); {
	case needs && n == 0:
		bad("characteristic", "Characteristic", "Choose what is to be studied.")
	case needs && !kind.several && n > 1:
		bad("characteristic", "Characteristic", "This kind of study has one characteristic.")
	case kind.kind == store.SingleMasterStudy && (p.Characteristics[0].Upper == nil || p.Characteristics[0].Lower == nil && !neverBelowZero[p.Characteristics[0].Name]):
		bad("characteristic", "Characteristic", "Its product has no tolerance for it, and a single master is judged against one.")
	}
	if kind.kind == store.HalfTurnStudy && len(from.Gauge.Places) == 0 {
		bad("parts", "Gauge", from.Gauge.ID+" has no places: a half turn splits maps.")
	}
	p.Categories = lineList(strings.ReplaceAll(form.Get("categories"), ",", "\n"))
	if kind.kind == store.AttributeStudy && (len(p.Categories) < 2 || len(p.Categories) > 10) {
		bad("categories", "Categories", "Give two to ten, with commas between.")
	}
	if kind.kind != store.AttributeStudy {
		p.Categories = nil
	}
	for _, line := range lineList(form.Get("parts")) {
		part, problem := readPart(line, kind, p.Categories)
		if problem == "" && slices.ContainsFunc(p.Parts, func(o store.StudyPart) bool { return o.Panel == part.Panel }) {
			problem = "“" + part.Panel + "” stands twice."
		}
		if problem != "" {
			bad("parts", "Panels", problem)
			break
		}
		p.Parts = append(p.Parts, part)
	}
	p.Appraisers = lineList(form.Get("appraisers"))
	least := map[string]int{store.CrossedStudy: 2, store.NestedStudy: 4, store.LinearityStudy: 3, store.AttributeStudy: 3}[kind.kind]
	switch n := len(p.Parts); {
	case slices.ContainsFunc(wrong, func(w Wrong) bool { return w.Field == "parts" }):
	case n < max(least, 1):
		bad("parts", "Panels", fmt.Sprintf("At least %s.", ui.InWords(int64(max(least, 1)))))
	case n > mostStudyParts:
		bad("parts", "Panels", fmt.Sprintf("At most %d.", mostStudyParts))
	case (kind.kind == store.SingleMasterStudy || kind.kind == store.StabilityStudy) && n > 1:
		bad("parts", "The master", "One only.")
	case kind.kind == store.NestedStudy && len(p.Appraisers) > 0 && n%len(p.Appraisers) != 0:
		bad("parts", "Panels", fmt.Sprintf("%d panels cannot be dealt out evenly to %d appraisers.", n, len(p.Appraisers)))
	}
	switch {
	case kind.kind == store.StabilityStudy:
		p.Appraisers = []string{"master checks"}
	case len(p.Appraisers) == 0:
		bad("appraisers", "Who measures", "Give a name.")
	case kind.kind == store.NestedStudy && len(p.Appraisers) < 2 || kind.kind == store.AttributeStudy && len(p.Appraisers) < 1:
		bad("appraisers", "Appraisers", "At least two.")
	case len(p.Appraisers) > mostAppraisers:
		bad("appraisers", "Appraisers", fmt.Sprintf("At most %d.", mostAppraisers))
	case !kind.appraisers && len(p.Appraisers) > 1:
		bad("appraisers", "Who measures", "One only.")
	}
	switch kind.kind {
	case store.HalfTurnStudy:
		p.Trials = 2
	case store.StabilityStudy:
	default:
		n, err := strconv.Atoi(strings.TrimSpace(form.Get("trials")))
		if err != nil || n < 2 || n > 500 {
			bad("trials", "How often", "A whole number from 2 to 500.")
		}
		p.Trials = n
	}
	if text := strings.TrimSpace(form.Get("seed")); text != "" {
		seed, err := strconv.ParseUint(text, 10, 53)
		if err != nil {
			bad("seed", "Seed", "A whole number below 9 000 000 000 000 000.")
		}
		p.Seed = seed
	} else {
		p.Seed = rand.Uint64N(1_000_000)
	}
	if len(wrong) > 0 || kind.kind == store.StabilityStudy {
		return titled(v), wrong
	}
	lines := len(p.Parts) * p.Trials
	if v.Kind != store.NestedStudy { // there each panel is one appraiser's
		lines *= len(p.Appraisers)
	}
	if lines > mostStudyLines {
		bad("trials", "How often", fmt.Sprintf("That makes %d readings; a study has at most %d.", lines, mostStudyLines))
		return v, wrong
	}
	if err := drawOrder(&v); err != nil {
		bad("parts", "Plan", Capital(err.Error())+".")
	}
	return titled(v), wrong
}

var neverBelowZero = map[string]bool{spc.MaxDeviationUM.String(): true, spc.FormUM.String(): true, spc.RMSUM.String(): true, spc.ContourRMSUM.String(): true, spc.ContourPVUM.String(): true}

func titled(v store.Study) store.Study {
	if v.Title == "" {
		var names []string
		for _, c := range v.Plan.Characteristics {
			names = append(names, Characteristic(c.Name))
		}
		v.Title = v.Gauge
		if len(names) > 0 {
			v.Title += ", " + list(names)
		}
	}
	return v
}

// drawOrder draws the order sheet by lot.
func drawOrder(v *store.Study) error {
	p := &v.Plan
	parts := len(p.Parts)
	if v.Kind == store.NestedStudy {
		parts /= len(p.Appraisers)
	}
	var runs []gaugestudy.Run
	if parts == 1 { // nothing to draw
		for trial := range p.Trials {
			for a := range p.Appraisers {
				runs = append(runs, gaugestudy.Run{Run: len(runs) + 1, Part: 1, Appraiser: a + 1, Trial: trial + 1})
			}
		}
	} else {
		var err error
		if runs, err = gaugestudy.Plan(parts, len(p.Appraisers), p.Trials, p.Seed); err != nil {
			return err
		}
	}
	// Half of the panels, by lot, are turned for their first reading: a drift between the two readings is then told from the half turn.
	turnedFirst := map[int]bool{}
	if v.Kind == store.HalfTurnStudy {
		for _, part := range rand.New(rand.NewPCG(p.Seed, 2)).Perm(parts)[:parts/2] {
			turnedFirst[part+1] = true
		}
	}
	for i, r := range runs {
		l := store.StudyLine{Line: i + 1, Part: r.Part, Appraiser: r.Appraiser, Trial: r.Trial}
		if v.Kind == store.NestedStudy {
			l.Part += (r.Appraiser - 1) * parts
		}
		l.Turned = v.Kind == store.HalfTurnStudy && (r.Trial == 2) != turnedFirst[r.Part]
		p.Lines = append(p.Lines, l)
	}
	return nil
}

// lineList are the lines of a text without blank ones.
func lineList(text string) (out []string) {
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}

// readPart reads a panel with what stands behind it.
func readPart(line string, kind studyKind, categories []string) (store.StudyPart, string) {
	words := strings.Fields(line)
	part := store.StudyPart{Panel: words[0]}
	if len(part.Panel) > 64 {
		return part, "“" + part.Panel[:64] + "…” is too long for a serial."
	}
	rest := words[1:]
	switch {
	case !kind.typed && len(rest) > 0:
		return part, "“" + line + "”: only a serial is wanted."
	case kind.kind == store.AttributeStudy && len(rest) > 0:
		i := slices.Index(categories, strings.Join(rest, " "))
		if i < 0 {
			return part, "“" + line + "”: “" + strings.Join(rest, " ") + "” is none of the categories."
		}
		part.Truth = &i
	case kind.typed && kind.kind != store.AttributeStudy:
		if len(rest) < 1 || len(rest) > 2 {
			return part, "“" + line + "”: give the serial, its certified value and, where known, the standard uncertainty of that."
		}
		for i, w := range rest {
			x, ok := TypedValue(w)
			if !ok || i == 1 && x < 0 {
				return part, "“" + w + "” behind " + part.Panel + " is not a number that can stand there."
			}
			if i == 0 {
				part.Reference = &x
			} else {
				part.ReferenceU = x
			}
		}
	}
	return part, ""
}

// TypedValue reads a number as people type it, with a point or a comma.
func TypedValue(text string) (float64, bool) {
	text = strings.NewReplacer(ui.Minus, "-", ui.Thin, "", ui.NoBreak, "", " ", "", ",", ".").Replace(text)
	x, err := strconv.ParseFloat(text, 64)
	return x, err == nil && !math.IsNaN(x) && math.Abs(x) < 1e9
}

func masterSerial(g *spc.Gauge) string {
	if len(g.Masters) == 0 {
		return ""
	}
	return g.Masters[0].Panel
}
