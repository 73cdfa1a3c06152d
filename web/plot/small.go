package plot

// shapes are drawn on 20 by 20 units.
var shapes = map[ShapeKind]string{
	ShapeGood:   `<circle cx="10" cy="10" r="9.2" stroke="none"/><path class="cut" d="M5.4 10.4l3.2 3.3 6-7"/>`,
	ShapeBad:    `<path stroke="none" d="M10 0l10 10-10 10L0 10z"/><path class="cut" d="M6.8 6.8l6.4 6.4M13.2 6.8l-6.4 6.4"/>`,
	ShapeUnsure: `<circle cx="10" cy="10" r="8.4" fill="none" stroke-width="2.2"/><path stroke="none" d="M10 1.6a8.4 8.4 0 0 1 0 16.8z"/>`,
	ShapeHeld:   `<path d="M2 1.5h6v17H2zM12 1.5h6v17h-6z"/>`,
	ShapeNone:   `<circle cx="10" cy="10" r="8.4" fill="none" stroke-width="2.2" stroke-dasharray="3.2 3.4"/>`,
}

// Shape returns the small SVG that stands before a state word. It is hidden from assistive technology: the word says the state.
// A kind that is none of the five gets the broken ring.
func Shape(kind ShapeKind) string {
	s, ok := shapes[kind]
	if !ok {
		s = shapes[ShapeNone]
	}
	return `<svg class="shape" viewBox="0 0 20 20" aria-hidden="true">` + s + `</svg>`
}

// Defs returns the fill patterns that drawings refer to (#wait: the lehr; #wall: the forbidden side of a specification limit). It
// goes once on each page that has a drawing.
func Defs() string {
	return `<svg width="0" height="0" aria-hidden="true" class="vh"><defs>` +
		`<pattern id="wait" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="7" class="waitl"/></pattern>` +
		`<pattern id="wall" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)"><line x1="0" y1="0" x2="0" y2="6" class="walll"/></pattern></defs></svg>`
}
