package plot

import "strings"

// rgb is a colour of the light theme; none draws nothing.
type rgb int32

const none rgb = -1

// Colours of tokens.css on white paper. A test holds them to it.
const (
	paper      rgb = 0xFFFFFF // the sheet that is printed on
	sheet      rgb = 0xFBF8F0 // the in-control band must be seen on white
	ink        rgb = 0x1E2226
	ink2       rgb = 0x54585A
	ink3       rgb = 0x80817A
	rule       rgb = 0xD5CFBF
	pencil     rgb = 0x6A2C7A
	pencilWash rgb = 0xEADFEA
	goodText   rgb = 0x0A6E4A
	goodFill   rgb = 0x00936B
	badText    rgb = 0xA63C00
	badFill    rgb = 0xD55E00
	unsureText rgb = 0x164A96
	unsureFill rgb = 0x2467B8
	heldFill   rgb = 0xE69F00
	lowColour  rgb = 0x1D6BA5
	lowWash    rgb = 0x2C7FB8
	highColour rgb = 0x8F5B00
	highWash   rgb = 0xB97A12
)

func (c rgb) rgb() (r, g, b int) { return int(c >> 16 & 0xff), int(c >> 8 & 0xff), int(c & 0xff) }

// pen is how a mark of some role is drawn.
type pen struct {
	fill, stroke rgb
	width        float64
	dash         []float64
	opacity      float64
	pattern      string // wait or wall
	size         float64
	strong       bool
	anchor       string // "" at the start, m in the middle, e at the end
	halo         bool
	hanging      bool
}

// penRule changes the pen of the roles that hold all its classes, as the style sheet does; later rules win.
type penRule struct {
	scene   string // plot, map, ring; "" for all
	classes string
	set     func(*pen)
}

func filled(c rgb) func(*pen) { return func(p *pen) { p.fill, p.stroke = c, none } }

func stroked(c rgb, width float64, dash ...float64) func(*pen) {
	return func(p *pen) { p.fill, p.stroke, p.width, p.dash = none, c, width, dash }
}

func both(fill, stroke rgb, width float64, dash ...float64) func(*pen) {
	return func(p *pen) { p.fill, p.stroke, p.width, p.dash = fill, stroke, width, dash }
}

func worded(c rgb, size float64, strong bool) func(*pen) {
	return func(p *pen) { p.fill, p.size, p.strong = c, size, strong }
}

func hatched(stroke rgb) func(*pen) {
	return func(p *pen) { p.fill, p.stroke, p.width, p.pattern = none, stroke, 1, "wait" }
}

func washed(fill, stroke rgb) func(*pen) {
	return func(p *pen) { p.fill, p.stroke, p.width, p.opacity = fill, stroke, .7, .13 }
}

// pens follows sagwatch.css, line by line.
var pens = []penRule{
	{"plot", "sub", worded(ink2, 13, false)}, {"plot", "ttl", worded(ink, 14, true)}, {"plot", "ttl main", worded(ink, 16, true)},
	{"", "e", func(p *pen) { p.anchor = "e" }}, {"", "m", func(p *pen) { p.anchor = "m" }}, {"map", "s", func(p *pen) { p.anchor = "" }},
	{"plot", "band", filled(sheet)}, {"plot", "lim", stroked(ink2, 1)}, {"plot", "ctr", stroked(ink, 1)},
	{"plot", "lim prov", stroked(pencil, 1, 5, 4)}, {"plot", "ctr prov", stroked(pencil, 1, 5, 4)}, {"plot", "provt", worded(pencil, 13, false)},
	{"plot", "spec", stroked(ink, 1.5)}, {"plot", "hatch", stroked(ink3, 1)},
	{"plot", "path", stroked(ink3, 1)}, {"plot", "path thin", stroked(ink3, .8)},
	{"plot", "pt", filled(ink)}, {"plot", "pt off", both(paper, ink3, 1.2)}, {"plot", "x", stroked(ink3, 1.2)}, {"plot", "pt sig", both(badFill, paper, 1)},
	{"plot", "sigt", worded(badText, 13, true)}, {"plot", "lead", stroked(badText, 1)},
	{"plot", "stem", stroked(ink3, 1)}, {"plot", "tick", stroked(ink, 1)}, {"plot", "tick aft", stroked(badFill, 1.6)}, {"plot", "whisk", stroked(ink2, 1)},
	{"plot", "col", stroked(ink2, 1)}, {"plot", "mean", stroked(ink, 1.4)}, {"plot", "wait", stroked(ink3, 1)},
	{"plot", "cp", filled(pencilWash)}, {"plot", "cpl", stroked(pencil, 1.5)}, {"plot", "cpt", worded(pencil, 13, true)},
	{"plot", "lehr", hatched(none)}, {"plot", "ghost", stroked(ink3, 1)},
	{"plot", "rev", stroked(ink, 1, 1, 3)}, {"plot", "axis", stroked(ink3, 1)}, {"plot", "shift", stroked(rule, 1)},
	{"plot", "ev", worded(ink, 13, false)}, {"plot", "evl", stroked(ink3, 1)}, {"plot", "gap", worded(ink2, 13, false)},
	{"plot", "hist", func(p *pen) { p.fill, p.stroke, p.opacity = ink3, none, .55 }}, {"plot", "hist bad", func(p *pen) { p.fill, p.opacity = badFill, 1 }},
	{"plot", "fit", stroked(pencil, 1.8)}, {"plot", "fitb", filled(pencilWash)},
	{"plot", "ci", stroked(ink, 2)}, {"plot", "ci pen", stroked(pencil, 2)}, {"plot", "dot", filled(ink)}, {"plot", "dot pen", filled(pencil)},
	{"plot", "want", stroked(ink, 1, 6, 3)}, {"plot", "winl", stroked(pencil, 1.5)}, {"plot", "wallf", func(p *pen) { p.fill, p.stroke, p.pattern = none, none, "wall" }},
	{"plot", "seg", both(paper, paper, 2)}, {"plot", "seg lehrs", hatched(ink3)}, {"plot", "seg g", both(goodFill, paper, 2)}, {"plot", "seg u", both(unsureFill, paper, 2)},
	{"plot", "seg h", both(heldFill, ink, 1)}, {"plot", "seg b", both(badFill, paper, 2)}, {"plot", "seg n", both(ink3, paper, 2)},
	{"plot", "good", worded(goodText, 13, false)}, {"plot", "badt", worded(badText, 13, false)}, {"plot", "unsuret", worded(unsureText, 13, false)},
	{"plot", "b", func(p *pen) { p.strong = true }},

	{"map", "sub", worded(ink2, 12, false)},
	{"map", "skirt", stroked(ink, 1.5)}, {"map", "glass", filled(sheet)}, {"map", "apert", stroked(ink3, 1, 2, 3)},
	{"map", "lo", washed(lowWash, lowColour)}, {"map", "hi", washed(highWash, highColour)}, {"map", "zero", stroked(ink3, 1)},
	{"map", "d lo", func(p *pen) { p.fill, p.stroke, p.width, p.opacity = lowColour, paper, 1, 1 }}, {"map", "d hi", func(p *pen) { p.fill, p.stroke, p.width, p.opacity = highColour, paper, 1, 1 }},
	{"map", "worst", stroked(ink, 2)}, {"map", "wt", worded(ink, 15, true)},
	{"map", "miss", both(paper, ink2, 1.2, 2, 2)}, {"map", "fault", stroked(badText, 2.4)}, {"map", "faultt", worded(badText, 13, true)},
	{"map", "susp", stroked(ink, 1.5)}, {"map", "suspt", worded(ink, 13, true)},
	{"map", "pl", worded(ink2, 11, false)}, {"map", "place", worded(ink, 13, false)}, {"map", "sel", stroked(pencil, 2)}, {"map", "lead", stroked(badText, 1.2)},
	{"map", "b", func(p *pen) { p.strong = true }}, {"map", "under", func(p *pen) { p.hanging = true }},

	{"ring", "o", both(sheet, ink3, 1)}, {"ring", "o sig", filled(badFill)}, {"ring", "sigt", worded(paper, 12, true)}, {"ring", "mid", worded(ink2, 11.5, false)},
	{"", "halo", func(p *pen) { p.halo = true }},
}

// penFor is the pen of a role in a kind of scene.
func penFor(scene, role string) pen {
	p := pen{fill: ink, stroke: none, width: 1, opacity: 1, size: 13}
	switch scene {
	case "map":
		p.anchor = "m"
	case "ring":
		p.anchor, p.size, p.strong, p.fill = "m", 12, true, ink2
	}
	has := strings.Fields(role)
	for _, r := range pens {
		if (r.scene == "" || r.scene == scene) && holdsAll(has, r.classes) {
			r.set(&p)
		}
	}
	return p
}

func holdsAll(has []string, classes string) bool {
	for c := range strings.FieldsSeq(classes) {
		found := false
		for _, h := range has {
			found = found || h == c
		}
		if !found {
			return false
		}
	}
	return true
}
