// Package plot draws charts and surface maps. A drawing is worked out once, from plain values, as a Scene: lines, areas, discs,
// paths and words, each with a role and a place; a Writer then puts the scene on a medium. The one writer here is SVG.
//
// Roles are the class names of web/assets/sagwatch.css: the drawing says what a mark is, the style sheet how it looks, so nothing
// here knows a colour and no style attribute or script is ever written. Coordinates are rounded to 0.01 of a unit before they are
// printed, so that the same input gives the same bytes on every processor.
//
// Chart draws one to several panes on one time axis, the time pressed. Map draws the deviations of one panel as a surveyor draws
// land. Sparkline, Ring, Span and Shape are the small drawings of the pages. Defs is written once a page, before the first drawing.
package plot
