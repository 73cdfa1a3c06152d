package present

import (
	"encoding/hex"
	"fmt"
	"strings"

	"sagwatch/server/plant"
	"sagwatch/server/report"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// ReportHref is the page of a report.
func ReportHref(id int64) string { return fmt.Sprintf("/reports/%d", id) }

// ReportKind is a kind of report in words.
func ReportKind(kind string) string {
	if kind == store.StudyReport {
		return "gauge study"
	}
	return kind
}

// ReportFiles lists the forms in which a report can be had, with the name of each file. XML holds judged characteristics; a report
// without any has none.
func ReportFiles(d *report.Document) []ReportFile {
	files := []ReportFile{{"report.pdf", "PDF"}}
	if d == nil {
		return files
	}
	files = append(files, ReportFile{"report.xlsx", "Spreadsheet (XLSX)"}, ReportFile{"report.zip", "CSV in a ZIP"}, ReportFile{"report.json", "JSON"})
	if len(d.Results) > 0 {
		files = append(files, ReportFile{"report.xml", "XML (ISO 23952)"})
	}
	return files
}

// ReportFile is one form of a report.
type ReportFile struct{ Name, Label string }

// ReportsData is what the list of reports is made of.
type ReportsData struct {
	Rows         []store.Report
	Newer, Older string
	Schedules    []ScheduleFacts
	MayIssue     bool
	Presses      []string
	Products     []string
	Check        page.FileCheck // with its answer, if a file was checked
	Problems     ui.Problems    // of a schedule that was not added
	Kind, Press  string         // as they were typed
	Product      string
}

// ScheduleFacts is one schedule with what comes next.
type ScheduleFacts struct {
	store.ReportSchedule
	Says   string // "hand-over of press A, every shift"
	Next   string // "Mon 06:05"; "" for one that has ended
	Failed bool   // the last try failed; it is tried again
}

// Reports makes the list of reports.
func Reports(v View, f ui.Frame, d ReportsData) page.Reports {
	m := page.Reports{Frame: f, Newer: d.Newer, Older: d.Older, Empty: "Reports are issued on the pages Hand-over, Capability and Gauge studies, or by a schedule (below).", Check: d.Check}
	m.Check.Action = "/reports/check"
	m.Check.Says = "A file is known by its SHA-256 digest: one that was changed by a single byte is another file. Spreadsheets, CSV, JSON and XML are made anew each time and carry the digest of the data, which can be typed here."
	if m.Check.Digest.ID == "" {
		m.Check.Digest = DigestField("")
	}
	for i := range d.Rows {
		r := &d.Rows[i]
		row := page.ReportRow{Number: fmt.Sprint(r.ID), Title: r.Title, Href: ReportHref(r.ID), Kind: ReportKind(r.Kind), Period: "none", Issued: v.Moment(r.IssuedAt), By: r.IssuedBy}
		if !r.From.IsZero() { // a study may have been issued without a reading
			row.Period = v.Moment(r.From) + " to " + v.Moment(r.To)
		}
		m.Rows = append(m.Rows, row)
	}
	st := ui.Statement{Say: ui.Say("No report has been issued yet.")}
	if len(d.Rows) > 0 {
		r := &d.Rows[0]
		st.Say = ui.Sentence{}.And("The latest report is ").Link("report "+fmt.Sprint(r.ID), ReportHref(r.ID)).And(", issued " + dayWords(v, r) + ".")
		st.Doubts = []ui.Sentence{ui.Say("What was issued is kept as it was, with the data behind it: each figure can be defended and each file made again.")}
	}
	if d.Newer != "" {
		st.Say = ui.Say("Earlier reports.")
	}
	m.Statement = st
	m.Schedules = ui.Table{Label: "Schedules", Fold: true, Empty: "No report issues itself.", Cols: []ui.Col{{Head: "Schedule"}, {Head: "Report"}, {Head: "Next"}, {Head: "State"}}}
	for _, s := range d.Schedules {
		state, next := ui.Is(ui.Good, "in force"), s.Next
		switch {
		case !s.Retired.IsZero():
			state, next = ui.Is(ui.None, "ended "+v.Moment(s.Retired)), "none"
		case s.Failed:
			state = ui.Is(ui.Bad, "failed; tried again each minute")
		}
		m.Schedules.Rows = append(m.Schedules.Rows, ui.Row{Cells: []ui.Cell{ui.Text(fmt.Sprint(s.ID)), ui.Text(s.Says + ", by " + s.By), ui.Text(next), {State: state}}})
		if d.MayIssue && s.Retired.IsZero() {
			m.Ends = append(m.Ends, page.ScheduleEnd{Action: fmt.Sprintf("/reports/schedules/%d/end", s.ID), Label: fmt.Sprintf("End schedule %d", s.ID)})
		}
	}
	if !d.MayIssue {
		m.MayNot = "Supervisors and engineers add and end schedules."
		return m
	}
	kind := ui.Input{ID: "kind", Name: "kind", Label: "Report"}
	for _, o := range []struct{ kind, label string }{{store.HandOverReport, "hand-over, every shift"}, {store.CapabilityReport, "capability, every week"}} {
		if report.Schedulable(o.kind) {
			kind.Options = append(kind.Options, ui.Option{Value: o.kind, Label: o.label, Selected: o.kind == d.Kind})
		}
	}
	press := ui.Input{ID: "schedule-press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "", Label: "every press", Selected: d.Press == ""}}}
	for _, p := range d.Presses {
		press.Options = append(press.Options, ui.Option{Value: p, Label: p, Selected: p == d.Press})
	}
	fields := []ui.Input{kind, press}
	if len(kind.Options) > 1 {
		product := ui.Input{ID: "schedule-product", Name: "product", Label: "Product", Help: "For capability; a hand-over has all.", Optional: true, Options: []ui.Option{{Value: "", Label: "every product", Selected: d.Product == ""}}}
		for _, p := range d.Products {
			product.Options = append(product.Options, ui.Option{Value: p, Label: p, Selected: p == d.Product})
		}
		fields = append(fields, product)
	}
	m.Add = &page.ScheduleForm{Action: "/reports/schedules", Problems: d.Problems, Fields: fields,
		Says: "Each period is issued once, five minutes after its end, and kept. Up to eight periods that end while the service is down are made up for."}
	return m
}

func dayWords(v View, r *store.Report) string {
	return v.Moment(r.IssuedAt) + " by " + r.IssuedBy
}

// DigestField is the field for a digest.
func DigestField(value string) ui.Input {
	return ui.Input{ID: "digest", Name: "digest", Label: "Or a digest", Help: "64 signs, 0 to 9 and a to f; it stands in full on the last page of a report.", Optional: true, Max: 200, Value: value}
}

// Checked answers what a file or a digest is: the report found, nil for none; claimed is true when a file only carries its digest.
func Checked(r *store.Report, digest [32]byte, isFile, claimed bool) (ui.State, ui.Sentence) {
	switch {
	case r == nil && isFile:
		return ui.Is(ui.Bad, "not known"), ui.Say("This service did not issue this file, or it was changed since. Its SHA-256 digest is " + hex.EncodeToString(digest[:]) + ".")
	case r == nil:
		return ui.Is(ui.Bad, "not known"), ui.Say("This service issued no report with this digest.")
	}
	link := ui.Sentence{}.Link(fmt.Sprintf("report %d", r.ID), ReportHref(r.ID))[0]
	rest := ", " + r.Title + ", issued by " + r.IssuedBy + " on " + r.IssuedAt.UTC().Format("2 January 2006 at 15:04 UTC") + "."
	switch {
	case claimed:
		return ui.Is(ui.Bad, "changed"), ui.Sentence{{Text: "This file carries the digest of "}, link, {Text: rest + " But it is not the file that was issued: it was changed."}}
	case isFile:
		return ui.Is(ui.Good, "unchanged"), ui.Sentence{{Text: "This service issued it: "}, link, {Text: rest}}
	case digest == r.InputsDigest:
		return ui.Is(ui.Good, "known"), ui.Sentence{{Text: "This is the digest of the data of "}, link, {Text: rest}}
	}
	return ui.Is(ui.Good, "known"), ui.Sentence{{Text: "This is the digest of the PDF of "}, link, {Text: rest}}
}

// ReportData is what the page of one report is made of.
type ReportData struct {
	Report   store.Report
	Document *report.Document // nil when this release cannot make it
	Compared bool             // it was made again
	Same     bool
}

// Report makes the page of one report.
func Report(v View, f ui.Frame, d ReportData) page.Report {
	r := &d.Report
	m := page.Report{Frame: f, Again: ReportHref(r.ID) + "/again", What: []ui.Fact{
		{Name: "Issued", Value: ui.Text(v.Moment(r.IssuedAt) + " by " + r.IssuedBy)},
	}}
	if period, ok := report.PeriodFact(r.Kind, r.From, r.To, v.Moment); ok {
		m.What = append(m.What, ui.Fact{Name: period.Name, Value: ui.Text(period.Value)})
	}
	for i, file := range ReportFiles(d.Document) {
		m.Downloads = append(m.Downloads, ui.Act{Text: file.Label, Href: ReportHref(r.ID) + "/" + file.Name, First: i == 0})
	}
	m.Statement = ui.Statement{Where: []ui.Run{{Text: "Reports", Href: "/reports"}, {Text: fmt.Sprintf("report %d", r.ID)}}, Say: ui.Say(r.Title)}
	if d.Document == nil {
		m.Unavail = "This release cannot make this kind of report again; the PDF that was issued is there all the same."
	} else {
		m.Statement = documentStatement(d.Document, m.Statement.Where)
		m.Body, m.Figures = ReportBody(d.Document)
		if d.Document.Origin.Data != "" {
			m.What = append(m.What, ui.Fact{Name: "Data", Value: ui.Text(d.Document.Origin.Data)})
		}
		if defs := d.Document.Origin.Definitions; len(defs) > 0 {
			m.What = append(m.What, ui.Fact{Name: "Definitions", Value: ui.Text(strings.Join(defs, "; "))})
		}
	}
	if r.Schedule != 0 {
		m.What = append(m.What, ui.Fact{Name: "Schedule", Value: ui.Text(fmt.Sprint(r.Schedule))})
	}
	m.What = append(m.What, ui.Fact{Name: "Software", Value: ui.Text("Sagwatch " + r.Version)},
		ui.Fact{Name: "Digest of the data", Value: ui.Text(grouped(r.InputsDigest))}, ui.Fact{Name: "Digest of the PDF", Value: ui.Text(grouped(r.PDFDigest))})
	if d.Compared && d.Same {
		m.State, m.StateSay = ui.Is(ui.Good, "the same"), "Made again from its stored data, the PDF is the same to the byte."
	} else if d.Compared {
		m.State, m.StateSay = ui.Is(ui.Bad, "not the same"), "Made again from its stored data by this release, the PDF differs from the one that was issued by Sagwatch "+r.Version+". The one that was issued stays as it is."
	}
	return m
}

// grouped writes a digest in groups of eight, which a narrow page can break.
func grouped(d [32]byte) string {
	s := hex.EncodeToString(d[:])
	var parts []string
	for i := 0; i < len(s); i += 8 {
		parts = append(parts, s[i:i+8])
	}
	return strings.Join(parts, " ")
}

func documentStatement(d *report.Document, where []ui.Run) ui.Statement {
	st := ui.Statement{Where: append(where, ui.Run{Text: d.Title}), Say: ui.Say(d.Statement)}
	for _, s := range d.Doubts {
		st.Doubts = append(st.Doubts, ui.Say(s))
	}
	return st
}

// HandOverData is what the page of the hand-over is made of.
type HandOverData struct {
	Document *report.Document
	Press    string
	Presses  []string
	Shift    plant.Shift
	Shifts   []plant.Shift // to choose from, newest first
	MayIssue bool
}

// HandOver makes the page of the hand-over from the document that would be issued.
func HandOver(v View, f ui.Frame, d HandOverData) page.HandOver {
	m := page.HandOver{Frame: f, Statement: documentStatement(d.Document, []ui.Run{{Text: "Hand-over"}}), IssueSays: "Supervisors and engineers issue it."}
	m.Body, m.Figures = ReportBody(d.Document)
	at := d.Shift.From.UTC().Format("2006-01-02T15:04:05Z")
	press := ui.Input{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "", Label: "every press", Selected: d.Press == ""}}}
	for _, p := range d.Presses {
		press.Options = append(press.Options, ui.Option{Value: p, Label: p, Selected: p == d.Press})
	}
	shift := ui.Input{ID: "shift", Name: "shift", Label: "Shift"}
	for _, s := range d.Shifts {
		shift.Options = append(shift.Options, ui.Option{Value: s.From.UTC().Format("2006-01-02T15:04:05Z"), Label: s.Name + " from " + v.Moment(s.From), Selected: s.From.Equal(d.Shift.From)})
	}
	m.Filters = []ui.Input{press, shift}
	if d.MayIssue {
		m.Issue, m.IssueSays = "/hand-over", "It is kept as it stands now, with your name and the data behind it; it cannot be changed later. A schedule (page Reports) issues one at the end of each shift."
		m.Hidden = []ui.Input{{Type: "hidden", Name: "press", Value: d.Press}, {Type: "hidden", Name: "shift", Value: at}}
	}
	return m
}

// ReportBody turns a document's body and appendix into parts of a page.
func ReportBody(d *report.Document) (page.ReportBody, page.Appendix) {
	body := page.ReportBody{Cautions: d.Cautions}
	appendix, anchors := reportAppendix(d)
	for i := range d.Blocks {
		b := &d.Blocks[i]
		p := page.ReportBlock{Heading: b.Heading, Caution: b.Caution}
		for s := range strings.SplitSeq(b.Text, "\n") {
			if s = strings.TrimSpace(s); s != "" {
				p.Text = append(p.Text, s)
			}
		}
		p.Text, p.Listed = numbered(p.Text)
		for _, x := range b.Facts {
			p.Facts = append(p.Facts, ui.Fact{Name: x.Name, Value: ui.Text(x.Value)})
		}
		if b.Table != nil {
			p.Table = reportTable(b, anchors)
		}
		p.Drawing, p.Beside = reportDrawing(b.Drawing), reportDrawing(b.Beside)
		body.Blocks = append(body.Blocks, p)
	}
	return body, appendix
}

func reportDrawing(d *report.Drawing) *page.ReportDrawing {
	if d == nil || d.Scene == nil {
		return nil
	}
	out := &page.ReportDrawing{Drawing: d.Scene, Half: d.Scene.Width < 400, Caption: d.Caption}
	if d.Phone != nil {
		out.Phone = d.Phone
	}
	return out
}

// reportAppendix explains every figure, and tells for each by its id where on the page that is.
func reportAppendix(d *report.Document) (page.Appendix, map[string]string) {
	var out page.Appendix
	anchors := map[string]string{}
	groups, notes := d.Appendix()
	for i, g := range groups {
		head := g.Head()
		if head == "" {
			head = "All figures"
		}
		t := ui.Table{Label: "Figures: " + head, Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Figure"}, {Head: "Of"}, {Head: "Value (95" + ui.NoBreak + "% interval)"}, {Head: "With"}, {Head: "Note", Right: true}}}
		figures := 0
		for j, x := range g.Rows {
			row := ui.Row{ID: fmt.Sprintf("figure-%d-%d", i+1, j+1), Cells: ui.Texts(x.Name, x.Of, x.Value, x.With, "")}
			for _, id := range x.IDs {
				anchors[id] = "#" + row.ID
				figures++
			}
			if x.Note > 0 {
				row.Cells[4] = ui.Cell{Text: fmt.Sprint(x.Note), Href: fmt.Sprintf("#note-%d", x.Note), Why: true}
			}
			t.Rows = append(t.Rows, row)
		}
		out.Groups = append(out.Groups, page.AppendixGroup{ID: fmt.Sprintf("figures-%d", i+1), Head: head + ": " + ui.Plural(int64(figures), "figure", "figures"), Table: t})
	}
	for i, n := range notes {
		out.Notes = append(out.Notes, page.AppendixNote{ID: fmt.Sprintf("note-%d", i+1), Text: n.Text()})
	}
	return out, anchors
}

// numbered takes the numbers off paragraphs that are numbered from one.
func numbered(text []string) ([]string, bool) {
	out := make([]string, len(text))
	for i, s := range text {
		rest, ok := strings.CutPrefix(s, fmt.Sprintf("%d. ", i+1))
		if !ok {
			return text, false
		}
		out[i] = rest
	}
	return out, len(out) > 0
}

func reportTable(b *report.Block, anchors map[string]string) *ui.Table {
	t := &ui.Table{Label: b.Heading, Caption: b.Table.Caption, Fold: true}
	if t.Label == "" {
		t.Label = b.Table.Caption
	}
	figures := 0
	for _, c := range b.Table.Cols {
		t.Cols = append(t.Cols, ui.Col{Head: c.Head, Right: c.Right})
		if c.Right {
			figures++
		}
	}
	t.Fold = figures*2 < len(t.Cols) || len(t.Cols) <= 4 // a wider table of figures is read across, in a box that scrolls
	if len(t.Cols) > 5 {
		t.Cols[0].Whole = true
	}
	for _, r := range b.Table.Rows {
		row := ui.Row{}
		strong := len(r) > 0
		for _, c := range r {
			cell := ui.Text(c.Text)
			if href, ok := anchors[c.Figure]; ok && c.Figure != "" {
				cell.Href, cell.Why = href, true
			}
			strong = strong && c.Strong
			row.Cells = append(row.Cells, cell)
		}
		row.Sum = strong
		t.Rows = append(t.Rows, row)
	}
	return t
}
