// Package spc holds the domain's plain types: what a plant defines (products, presses, gauges, charts),
// what its gauges send (measurements), and what is worked out from it (computed values, verdicts, limits,
// chart points, signals). It computes nothing and imports only the standard library.
//
// # Map of the methods
//
//	spc/dist     distributions, compensated sums, least squares by QR: what the others share
//	spc/sphere   geometric least-squares sphere, its uncertainty, spherometers
//	spc/surface  nominal contours, seating alignment, shape terms, principal radii
//	spc/judge    one panel: readings -> points -> fit, deviations, suspects, verdict (ISO 14253-1)
//	spc/chart    limits and statistics of each chart
//	spc/rules    run rules over any charted series
//	spc/monitor  the fold: ordered measurements -> cycles, phases, limits, points, signals
//
// # Units and signs
//
// Lengths are millimetres, times seconds, angles radians, curvatures 1/mm; a name that ends in _um or UM is in
// micrometres. The panel frame is right-handed, x to the right and y up as the gauge looks at the surface, +z from
// the glass towards the gauge's side. A deviation or residual is positive when the glass lies above the contour,
// that is towards +z along the local normal.
package spc
