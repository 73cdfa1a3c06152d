package report

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"sagwatch/web/assets"
	"sagwatch/web/plot"
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
	doc  *fpdf.Fpdf
	d    *Document
	fine bool // tables are in fine print
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
	p := &printer{doc: doc, d: d}
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

// unprintedSays stands in a document some of whose characters have no glyph.
const unprintedSays = "Characters that the printed face lacks stand as their Unicode numbers, as in [U+9418]; the spreadsheet, CSV and JSON hold them as they were typed."

// unprinted is true of a document with a character that is printed as its number.
func (d *Document) unprinted() bool {
	text := append([]string{d.Title, d.Statement, d.Origin.IssuedBy, d.Origin.Data, d.Origin.PlantWords()}, d.Doubts...)
	text = append(append(text, d.Cautions...), d.Origin.Definitions...)
	drawn := func(x *Drawing) {
		if x != nil && x.Scene != nil {
			text = append(text, x.Caption)
			for i := range x.Scene.Marks {
				text = append(text, x.Scene.Marks[i].Text, x.Scene.Marks[i].Aside)
			}
		}
	}
	for i := range d.Blocks {
		b := &d.Blocks[i]
		text = append(text, b.Heading, b.Text, b.Caution)
		for _, f := range b.Facts {
			text = append(text, f.Name, f.Value)
		}
		if b.Table != nil {
			text = append(text, b.Table.Caption)
			for _, c := range b.Table.Cols {
				text = append(text, c.Head)
			}
			for _, r := range b.Table.Rows {
				for _, c := range r {
					text = append(text, c.Text)
				}
			}
		}
		drawn(b.Drawing)
		drawn(b.Beside)
	}
	for i := range d.Figures {
		f := &d.Figures[i]
		text = append(text, f.Name, f.Of, f.Inputs, f.Method, f.Formula, f.Source, f.Missing)
	}
	return slices.ContainsFunc(text, func(s string) bool { return !plot.Printable(s) })
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
	left := p.d.Origin.PlantWords()
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
	o := &p.d.Origin
	p.text(p.d.Title, sizeBody, lineBody, false, inkSecond, textWide)
	p.gap(2)
	p.text(p.d.Statement, sizeSay, lineSay, true, inkMain, textWide*.94)
	p.gap(2.5)
	for _, s := range p.d.Doubts {
		p.text(s, sizeBody+.5, lineBody+.3, false, inkMain, textWide*.94)
		p.gap(1.5)
	}
	issued := "Issued by " + o.IssuedBy + ", " + p.d.Moment(o.IssuedAt) + ", at " + o.PlantWords() + "."
	if o.Data != "" {
		issued += " From " + strings.TrimSuffix(o.Data, ".") + "."
	}
	if p.d.unprinted() {
		issued += " " + unprintedSays
	}
	p.text(issued, sizeFine+.5, lineFine+.3, false, inkSecond, textWide)
	p.caution(p.d.Cautions...)
}

// pageHigh is the height of a page's text.
const pageHigh = sheetHigh - marginTop - marginBottom

// heading opens a part; it stays with so much of what follows.
func (p *printer) heading(s string, follows float64) {
	p.face(true, sizeHead, inkMain)
	high := float64(len(p.lines(s, textWide)))*lineHead + 2.5
	p.room(min(5+high+follows, pageHigh))
	if p.doc.GetY() > marginTop+1 {
		p.gap(5)
	}
	p.rule(p.doc.GetY(), .25, inkMain)
	p.gap(1.5)
	p.text(s, sizeHead, lineHead, true, inkMain, textWide)
	p.gap(1)
}

// caution writes cautions between two rules.
func (p *printer) caution(says ...string) {
	if len(says) == 0 {
		return
	}
	const name = 18.0
	p.gap(1.5)
	p.face(false, sizeBody, inkMain)
	var lines []string
	for _, s := range says {
		lines = append(lines, p.lines(s, textWide-name)...)
	}
	p.room(float64(len(lines))*lineBody + 4)
	y := p.doc.GetY()
	p.rule(y, .6, 0xE69F00)
	p.doc.SetY(y + 1.5)
	p.face(true, sizeBody, inkMain)
	p.doc.SetX(marginLeft)
	p.doc.CellFormat(name, lineBody, "Caution", "", 0, "L", false, 0, "")
	p.face(false, sizeBody, inkMain)
	for _, l := range lines {
		p.doc.SetX(marginLeft + name)
		p.doc.CellFormat(textWide-name, lineBody, l, "", 1, "L", false, 0, "")
	}
	p.gap(1)
	p.rule(p.doc.GetY(), .2, 0xE69F00)
	p.gap(1.5)
}

func (p *printer) block(b *Block) {
	if b.Break {
		p.doc.AddPage()
	}
	drawn := 0.0
	if b.Drawing != nil && b.Drawing.Scene != nil {
		drawn = p.drawingHigh(b.Drawing, b.Beside)
	}
	if b.Heading != "" {
		// A heading stays with its text and its drawing, or with the first rows of its table.
		follows := 3 * lineBody
		if b.Text != "" {
			p.face(false, sizeBody, inkMain)
			follows = float64(len(p.lines(b.Text, textWide)))*lineBody + 1.5
		}
		if b.Table != nil {
			follows += p.tableLeast(b.Table)
		}
		p.heading(b.Heading, follows+drawn)
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
	if drawn > 0 {
		p.drawings(b.Drawing, b.Beside)
	}
}

func (p *printer) facts(facts []Fact) {
	const name = 42.0
	for i, f := range facts {
		p.face(false, sizeBody, inkMain)
		lines := p.lines(f.Value, textWide-name)
		names := p.lines(f.Name, name-3)
		if i > 0 && facts[i-1].Name == f.Name {
			names = nil // what goes on under one name
		}
		n := max(len(lines), len(names))
		p.room(lineBody * float64(min(n, 8)))
		for k := range n {
			p.room(lineBody)
			p.face(false, sizeBody, inkSecond)
			p.doc.SetX(marginLeft)
			if k < len(names) {
				p.doc.CellFormat(name, lineBody, names[k], "", 0, "L", false, 0, "")
			}
			p.doc.SetX(marginLeft + name)
			p.face(false, sizeBody, inkMain)
			l := ""
			if k < len(lines) {
				l = lines[k]
			}
			p.doc.CellFormat(textWide-name, lineBody, l, "", 1, "L", false, 0, "")
		}
		p.gap(.5)
	}
	p.gap(1.5)
}

const besideGap = 6.0 // between two drawings, mm

// drawingSize is the size at which a drawing is printed; one that is higher than a page is made smaller.
func (p *printer) drawingSize(d *Drawing, wide float64) (w, h float64, caption []string) {
	p.face(false, sizeFine, inkSecond)
	if d.Caption != "" {
		caption = p.lines(d.Caption, wide)
	}
	w, h = wide, wide*d.Scene.Height/d.Scene.Width
	if room := pageHigh - float64(len(caption))*lineFine - 4; h > room {
		w, h = wide*room/h, room
	}
	return w, h, caption
}

// drawingHigh is the height of a drawing, or of two side by side, with captions.
func (p *printer) drawingHigh(d, beside *Drawing) float64 {
	wide := textWide
	if beside != nil {
		wide = (textWide - besideGap) / 2
	}
	high := 0.0
	for _, x := range []*Drawing{d, beside} {
		if x != nil {
			_, h, caption := p.drawingSize(x, wide)
			high = max(high, h+1+float64(len(caption))*lineFine)
		}
	}
	return high + 2
}

func (p *printer) drawings(d, beside *Drawing) {
	high := p.drawingHigh(d, beside)
	p.room(high)
	y, x, wide := p.doc.GetY(), marginLeft, textWide
	if beside != nil {
		wide = (textWide - besideGap) / 2
	}
	for _, one := range []*Drawing{d, beside} {
		if one == nil {
			continue
		}
		w, h, caption := p.drawingSize(one, wide)
		one.Scene.PDF(p.doc, x, y, w)
		p.face(false, sizeFine, inkSecond)
		for i, l := range caption {
			p.doc.SetXY(x, y+h+1+float64(i)*lineFine)
			p.doc.CellFormat(wide, lineFine, l, "", 0, "L", false, 0, "")
		}
		x += wide + besideGap
	}
	p.doc.SetXY(marginLeft, y+high)
}

// origin says who issued the report, when, from which data, and how to know it again.
func (p *printer) origin() {
	o := &p.d.Origin
	p.heading("What this report is", 6*lineBody)
	facts := []Fact{{"Issued by", o.IssuedBy}, {"Issued at", p.d.Moment(o.IssuedAt)}, {"Plant", o.PlantWords()}}
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
