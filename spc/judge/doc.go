// Package judge works out one panel: readings become points, points a fitted sphere, deviations from the nominal
// contour and shape terms; places that stand alone are named; and the decision rule of ISO 14253-1 gives the verdict.
//
// # Text
//
// Reasons and refusals are plain sentences for people and machines alike: "µm" and the letters of names aside they are
// ASCII, with the hyphen-minus and ordinary spaces; pages may set true minus signs and no-break spaces. Numbers are
// rounded to the doubt they stand beside.
//
// # Units
//
// Millimetres inside; names that end in _um or UM are micrometres. Uncertainties are standard uncertainties (k = 1)
// unless a sentence says "uncertainty", which there is k u.
package judge
