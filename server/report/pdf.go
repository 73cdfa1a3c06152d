package report

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"sagwatch/web/assets"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Measures of the sheet, mm: A4 upright with room for a hole punch.
const (
	sheetWide, sheetHigh = 210.0, 297.0
	marginLeft           = 20.0
	marginRight          = 16.0
	marginTop            = 22.0
	marginBottom         = 20.0
	textWide             = sheetWide - marginLeft - marginRight
)

// Sizes of type in points and the height of their lines in mm.
const (
	sizeSay, lineSay     = 17.0, 7.6
	sizeHead, lineHead   = 12.0, 6.2
	sizeBody, lineBody   = 9.5, 4.7
	sizeTable, lineTable = 8.5, 4.2
	sizeFine, lineFine   = 7.5, 3.6
)

// printer lays a document out on pages.
type printer struct {
	doc *fpdf.Fpdf
	d   *Document
}

// PDF writes the document as vectors and text; the same document gives the same bytes.
func (d *Document) PDF() ([]byte, error) {
	doc := fpdf.New("P", "mm", "A4", "")
	doc.SetCatalogSort(true)
	doc.SetCreationDate(d.Origin.IssuedAt.UTC())
	doc.SetModificationDate(d.Origin.IssuedAt.UTC())
	doc.SetProducer("Sagwatch "+d.Origin.Version, true)
	doc.SetTitle(d.Title, true)
	doc.SetAuthor(d.Origin.IssuedBy, true)
	doc.SetSubject("digest "+hex.EncodeToString(d.Origin.InputsDigest[:]), true)
	doc.SetLang("en-GB")
	doc.AddUTF8FontFromBytes(plot.PDFFace, "", assets.PrintRegular)
	doc.AddUTF8FontFromBytes(plot.PDFFace, "B", assets.PrintStrong)
	doc.SetMargins(marginLeft, marginTop, marginRight)
	doc.SetAutoPageBreak(false, marginBottom)
	doc.SetCellMargin(0)
	doc.AliasNbPages("{pages}")
	p := &printer{doc, d}
	doc.SetHeaderFunc(p.header)
	doc.SetFooterFunc(p.footer)
	doc.AddPage()
	p.opening()
	for i := range d.Blocks {
		p.block(&d.Blocks[i])
	}
	p.appendix()
	p.origin()
	var out bytes.Buffer
	if err := doc.Output(&out); err != nil {
		return nil, fmt.Errorf("PDF of %q: %w", d.Title, err)
	}
	return out.Bytes(), nil
}

// Moment writes a time in the report's zone.
func (d *Document) Moment(t time.Time) string {
	zone := d.Zone
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format("2 January 2006, 15:04 (UTC-07:00)")
}

func (p *printer) face(strong bool, size float64, colour int) {
	style := ""
	if strong {
		style = "B"
	}
	p.doc.SetFont(plot.PDFFace, style, size)
	p.doc.SetTextColor(colour>>16&255, colour>>8&255, colour&255)
}

// Colours of print: ink for what was measured, a second ink for what is beside it.
const (
	inkMain   = 0x1E2226
	inkSecond = 0x54585A
	inkRule   = 0x80817A
	inkBad    = 0xA63C00
)

func (p *printer) rule(y, width float64, colour int) {
	p.doc.SetDrawColor(colour>>16&255, colour>>8&255, colour&255)
	p.doc.SetLineWidth(width)
	p.doc.SetDashPattern(nil, 0)
	p.doc.Line(marginLeft, y, sheetWide-marginRight, y)
}

func (p *printer) header() {
	p.face(false, sizeFine, inkSecond)
	p.doc.SetXY(marginLeft, 10)
	left := p.d.Origin.Plant
	if left == "" {
		left = p.d.Origin.Site
	}
	p.doc.CellFormat(textWide/4, 5, plot.PDFText(left), "", 0, "L", false, 0, "")
	p.doc.CellFormat(textWide*3/4, 5, plot.PDFText(p.cut(p.d.Title, textWide*3/4-2)), "", 0, "R", false, 0, "")
	p.rule(16, .2, inkRule)
	p.doc.SetXY(marginLeft, marginTop)
}

func (p *printer) footer() {
	p.rule(sheetHigh-marginBottom+4, .2, inkRule)
	p.face(false, sizeFine, inkSecond)
	p.doc.SetXY(marginLeft, sheetHigh-marginBottom+5.5)
	digest := hex.EncodeToString(p.d.Origin.InputsDigest[:])
	p.doc.CellFormat(textWide-30, 5, plot.PDFText("Digest of the data "+digest[:16]+" … "+digest[48:]+" · Sagwatch "+p.d.Origin.Version), "", 0, "L", false, 0, "")
	p.doc.CellFormat(30, 5, fmt.Sprintf("page %d of {pages}", p.doc.PageNo()), "", 0, "R", false, 0, "")
}

// cut shortens words to a width in the present face.
func (p *printer) cut(s string, wide float64) string {
	if p.doc.GetStringWidth(s) <= wide {
		return s
	}
	r := []rune(s)
	for len(r) > 1 && p.doc.GetStringWidth(string(r)+"…") > wide {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// room begins a page unless so much height is left.
func (p *printer) room(height float64) {
	if p.doc.GetY()+height > sheetHigh-marginBottom {
		p.doc.AddPage()
	}
}

// lines breaks words into lines of a width in the present face. Words longer than a line are broken where they must be.
func (p *printer) lines(text string, wide float64) []string {
	var out []string
	for para := range strings.SplitSeq(plot.PDFText(text), "\n") {
		line := ""
		for word := range strings.FieldsFuncSeq(para, func(r rune) bool { return r == ' ' || r == '\t' }) {
			for p.doc.GetStringWidth(word) > wide {
				r := []rune(word)
				n := len(r) - 1
				for n > 1 && p.doc.GetStringWidth(string(r[:n])) > wide {
					n--
				}
				if line != "" {
					out = append(out, line)
					line = ""
				}
				out = append(out, string(r[:n]))
				word = string(r[n:])
			}
			switch {
			case line == "":
				line = word
			case p.doc.GetStringWidth(line+" "+word) <= wide:
				line += " " + word
			default:
				out = append(out, line)
				line = word
			}
		}
		out = append(out, line)
	}
	return out
}

// text writes a paragraph and leaves the pen under it.
func (p *printer) text(s string, size, line float64, strong bool, colour int, wide float64) {
	p.face(strong, size, colour)
	for _, l := range p.lines(s, wide) {
		p.room(line)
		p.doc.SetX(marginLeft)
		p.doc.CellFormat(wide, line, l, "", 1, "L", false, 0, "")
		p.face(strong, size, colour) // a new page changes it
	}
}

func (p *printer) gap(mm float64) { p.doc.SetY(p.doc.GetY() + mm) }

func (p *printer) opening() {
	p.text(p.d.Title, sizeBody, lineBody, false, inkSecond, textWide)
	p.gap(2)
	p.text(p.d.Statement, sizeSay, lineSay, true, inkMain, textWide*.94)
	p.gap(2.5)
	for _, s := range p.d.Doubts {
		p.text(s, sizeBody+.5, lineBody+.3, false, inkMain, textWide*.94)
		p.gap(1.5)
	}
	for _, s := range p.d.Cautions {
		p.caution(s)
	}
}

// heading opens a part; it stays with what follows.
func (p *printer) heading(s string) {
	p.gap(5)
	p.room(lineHead + 24)
	p.rule(p.doc.GetY(), .25, inkMain)
	p.gap(1.5)
	p.text(s, sizeHead, lineHead, true, inkMain, textWide)
	p.gap(1)
}

func (p *printer) caution(s string) {
	p.gap(1.5)
	p.face(false, sizeBody, inkMain)
	lines := p.lines(s, textWide-14)
	p.room(float64(len(lines))*lineBody + 4)
	y := p.doc.GetY()
	p.rule(y, .6, 0xE69F00)
	p.doc.SetY(y + 1.5)
	p.face(true, sizeBody, inkMain)
	p.doc.SetX(marginLeft)
	p.doc.CellFormat(14, lineBody, "Mind", "", 0, "L", false, 0, "")
	p.face(false, sizeBody, inkMain)
	for _, l := range lines {
		p.doc.SetX(marginLeft + 14)
		p.doc.CellFormat(textWide-14, lineBody, l, "", 1, "L", false, 0, "")
	}
	p.gap(1)
	p.rule(p.doc.GetY(), .2, 0xE69F00)
	p.gap(1.5)
}

func (p *printer) block(b *Block) {
	if b.Break {
		p.doc.AddPage()
	}
	if b.Heading != "" {
		if b.Drawing != nil && b.Drawing.Scene != nil { // a heading stays with its drawing
			p.room(min(textWide*b.Drawing.Scene.Height/b.Drawing.Scene.Width+3*lineHead+3*lineFine, sheetHigh-marginTop-marginBottom))
		}
		p.heading(b.Heading)
	}
	if b.Text != "" {
		p.text(b.Text, sizeBody, lineBody, false, inkMain, textWide)
		p.gap(1.5)
	}
	if b.Caution != "" {
		p.caution(b.Caution)
	}
	if len(b.Facts) > 0 {
		p.facts(b.Facts)
	}
	if b.Table != nil {
		p.table(b.Table)
	}
	if b.Drawing != nil && b.Drawing.Scene != nil {
		p.drawing(b.Drawing)
	}
}

func (p *printer) facts(facts []Fact) {
	const name = 42.0
	for _, f := range facts {
		p.face(false, sizeBody, inkMain)
		lines := p.lines(f.Value, textWide-name)
		p.room(lineBody * float64(min(len(lines), 3)))
		p.face(false, sizeBody, inkSecond)
		p.doc.SetX(marginLeft)
		p.doc.CellFormat(name, lineBody, plot.PDFText(p.cut(f.Name, name-2)), "", 0, "L", false, 0, "")
		p.face(false, sizeBody, inkMain)
		for _, l := range lines {
			p.room(lineBody)
			p.face(false, sizeBody, inkMain)
			p.doc.SetX(marginLeft + name)
			p.doc.CellFormat(textWide-name, lineBody, l, "", 1, "L", false, 0, "")
		}
		p.gap(.5)
	}
	p.gap(1.5)
}

func (p *printer) drawing(d *Drawing) {
	high := textWide * d.Scene.Height / d.Scene.Width
	wide := textWide
	if most := sheetHigh - marginTop - marginBottom - 12; high > most {
		wide, high = textWide*most/high, most
	}
	p.face(false, sizeFine, inkSecond)
	caption := p.lines(d.Caption, textWide)
	p.room(high + float64(len(caption))*lineFine + 2)
	y := p.doc.GetY()
	d.Scene.PDF(p.doc, marginLeft, y, wide)
	p.doc.SetY(y) // words in a drawing move the place of the text
	p.gap(high + 1)
	if d.Caption != "" {
		p.text(d.Caption, sizeFine, lineFine, false, inkSecond, textWide)
	}
	p.gap(2)
}

// origin says who issued the report, when, from which data, and how to know it again.
func (p *printer) origin() {
	o := &p.d.Origin
	p.heading("What this report is")
	facts := []Fact{{"Issued by", o.IssuedBy}, {"Issued at", p.d.Moment(o.IssuedAt)}}
	if period, ok := PeriodFact(p.d.Kind, o.From, o.To, p.d.Moment); ok {
		facts = append(facts, period)
	}
	if o.Data != "" {
		facts = append(facts, Fact{"Data", o.Data})
	}
	if len(o.Definitions) > 0 {
		facts = append(facts, Fact{"Definitions", strings.Join(o.Definitions, "; ")})
	}
	facts = append(facts, Fact{"Software", "Sagwatch " + o.Version}, Fact{"Digest of the data", hex.EncodeToString(o.InputsDigest[:]) + " (SHA-256 of the stored inputs). The service that issued this report knows it by this digest, and the file by its own."})
	p.facts(facts)
}

// appendix explains each figure.
func (p *printer) appendix() {
	if len(p.d.Figures) == 0 {
		return
	}
	p.heading("Where each figure comes from")
	for i := range p.d.Figures {
		f := &p.d.Figures[i]
		p.room(3 * lineFine)
		name := f.Name
		if f.Of != "" {
			name += ", " + f.Of
		}
		p.text(name+": "+f.Text(), sizeTable, lineTable, true, inkMain, textWide)
		var parts []string
		for _, part := range []struct{ name, text string }{{"Formula", f.Formula}, {"With", f.Inputs}, {"Interval", f.Method}, {"Source", f.Source}} {
			if part.text != "" {
				parts = append(parts, part.name+": "+strings.TrimSuffix(part.text, ".")+".")
			}
		}
		p.text(strings.Join(parts, " "), sizeFine, lineFine, false, inkSecond, textWide)
		p.gap(1)
	}
}

// Text writes the figure with its unit and interval: "1.44 (95 %: 1.41 to 1.47)".
func (f *Figure) Text() string {
	if !f.Value.Has() {
		if f.Missing != "" {
			return "not given: " + f.Missing
		}
		return "not given"
	}
	unit := ui.UnitName(f.Unit)
	if f.Unit == "1" {
		unit = ""
	}
	value := f.Show()
	if f.vanishes(f.Value) && !(f.Lower < 0) && !strings.HasPrefix(value, "below") {
		value = "below " + least(f.Decimals)
	}
	s := ui.WithUnit(value, unit)
	level := ""
	if f.Level > 0 {
		level = ui.Number(100*f.Level, 0) + ui.NoBreak + "%: "
	}
	switch {
	case f.Lower.Has() && f.Upper.Has():
		both := f.Doubt()
		if both == "" {
			both = ui.Number(float64(f.Lower), f.Decimals) + " to " + ui.Number(float64(f.Upper), f.Decimals)
		}
		if f.Lower >= 0 && f.vanishes(f.Upper) && f.Unit != "ppm" { // for rates Doubt sees to it, with decimals of its own
			both = "below " + least(f.Decimals)
		}
		s += " (" + level + both + ")"
	case f.Lower.Has():
		s += " (" + level + "at least " + ui.Number(float64(f.Lower), f.Decimals) + ")"
	case f.Upper.Has():
		upper := ui.Number(float64(f.Upper), f.Decimals)
		if f.vanishes(f.Upper) {
			upper = least(f.Decimals)
		}
		s += " (" + level + "at most " + upper + ")"
	}
	return s
}

// vanishes is true of a positive number that would be written as nought at the figure's decimals: "p 0.0000" is never what was found.
func (f *Figure) vanishes(n Number) bool {
	return n.Has() && n > 0 && float64(n) < 0.5*math.Pow10(-f.Decimals)
}

// least is the smallest number that can be written with so many decimals.
func least(decimals int) string { return ui.Number(math.Pow10(-decimals), decimals) }
