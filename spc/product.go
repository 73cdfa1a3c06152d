package spc

import "time"

// ContourKind names the family of a product's nominal contour.
type ContourKind string

// The contour kinds a product may declare.
const (
	ContourSphere     ContourKind = "sphere"
	ContourBiradial   ContourKind = "biradial"
	ContourPolynomial ContourKind = "polynomial"
)

// Contour is a nominal inside surface z = f(x, y) in mm with f(0, 0) = 0 at the apex, rising to the edge on a
// concave side.
type Contour struct {
	Kind ContourKind `json:"kind"`
	// R is the radius in mm of a sphere.
	R float64 `json:"r,omitempty"`
	// Rx and Ry are the radii in mm at the apex along x and y of a biradial contour.
	Rx float64 `json:"rx,omitempty"`
	Ry float64 `json:"ry,omitempty"`
	// A holds a1..a7 of the even polynomial in mm^(1-degree): terms x^2, x^4, y^2, x^2y^2, x^4y^2, y^4, x^2y^4.
	A [7]float64 `json:"a,omitzero"`
}

// Side says on which side of the glass the measured surface curves.
type Side string

// Sides of a surface.
const (
	Concave Side = "concave"
	Convex  Side = "convex"
)

// Outline is the panel's edge as drawn; it judges nothing.
type Outline struct {
	WidthMM  float64 `json:"width_mm"`
	HeightMM float64 `json:"height_mm"`
	CornerMM float64 `json:"corner_mm"`
}

// Interval is a specification: a missing end is not judged.
type Interval struct {
	Lower *float64 `json:"lower,omitempty"`
	Upper *float64 `json:"upper,omitempty"`
}

// Characteristic is a value of a product that a dimensions gauge measures (width, seal-edge flatness, ...).
type Characteristic struct {
	Name    string   `json:"name"`
	Unit    string   `json:"unit"`
	Nominal *float64 `json:"nominal,omitempty"`
	Lower   *float64 `json:"lower,omitempty"`
	Upper   *float64 `json:"upper,omitempty"`
	// U is the standard uncertainty (k = 1) of one value in Unit; nil means unknown: then it is not judged.
	U *float64 `json:"u,omitempty"`
}

// Product is a panel design.
type Product struct {
	ID      string   `json:"id"`
	Contour *Contour `json:"contour,omitempty"` // nil for a product that has only dimensions
	Side    Side     `json:"side,omitempty"`
	Outline *Outline `json:"outline_mm,omitempty"`
	// CornerMM is where corner sag is taken and which gives the shape terms' radius; nil: the farthest used place.
	CornerMM *[2]float64 `json:"corner_mm,omitempty"`
	// Limits by computed characteristic (radius_mm two-sided, max_deviation_um an upper limit, ...).
	Limits map[string]Interval `json:"limits,omitempty"`
	// K is the coverage factor of the decision rule (default 2).
	K                 float64 `json:"k"`
	MinimumGoodPoints int     `json:"minimum_good_points"`
	// SuspectRate is the share of sound panels that may show a false suspect (default 1e-4).
	SuspectRate float64 `json:"suspect_rate"`
	// SuspectShare of the deviation limit which an outlier must exceed to be suspect (default 0.1).
	SuspectShare    float64          `json:"suspect_share"`
	Characteristics []Characteristic `json:"characteristics,omitempty"`
	Retired         bool             `json:"retired,omitempty"`
}

// Press is a rotary press with its stations in table order.
type Press struct {
	ID           string   `json:"id"`
	TaktS        float64  `json:"takt_s"`
	Moulds       []string `json:"moulds"`
	LehrMinutes  float64  `json:"lehr_minutes"`
	Lanes        []string `json:"lanes,omitempty"`
	Fitted       Fitted   `json:"fitted,omitempty"`
	FalseSignals float64  `json:"false_signals_per_shift"`
	// StandardCharts is nil or true when the standard set is wanted.
	StandardCharts *bool `json:"standard_charts,omitempty"`
	Retired        bool  `json:"retired,omitempty"`
}

// Fitted gives the casting on each station.
type Fitted map[string]string

// Lehr is the time a panel spends between press and gauge.
func (p Press) Lehr() time.Duration {
	return time.Duration(p.LehrMinutes * float64(time.Minute))
}

// Site holds what belongs to the plant as a whole.
type Site struct {
	ID       string   `json:"id"`
	TimeZone string   `json:"time_zone"`
	Shifts   []string `json:"shifts,omitempty"` // "06:00", ...; a shift belongs to the date on which it starts
}
