package spc

import "time"

// GaugeKind says what a gauge's readings mean.
type GaugeKind string

// The gauge kinds.
const (
	// Radial readings are distances from the gauge's reference centre along each place's direction.
	Radial GaugeKind = "radial"
	// Axial readings are heights towards +z at (x, y).
	Axial GaugeKind = "axial"
	// Deviation readings are heights above (or below) the master's contour.
	Deviation GaugeKind = "deviation"
	// LocalRadius readings are radii, or sagittas of a spherometer, at each place.
	LocalRadius GaugeKind = "local-radius"
	// Dimensions gauges send named characteristics, counts, or a fixed number of values.
	Dimensions GaugeKind = "dimensions"
)

// Unit of a gauge's readings.
type Unit string

// Units a gauge may declare.
const (
	Millimetre Unit = "mm"
	Micrometre Unit = "um"
	Inch       Unit = "in"
)

// MM is the factor from the unit to millimetres (1 in = 25.4 mm exactly, ISO 80000-3 annex).
func (u Unit) MM() float64 {
	switch u {
	case Micrometre:
		return 1e-3
	case Inch:
		return 25.4
	}
	return 1
}

// Place is one probe's position: a unit direction (radial) or (x, y, 0) in mm.
type Place struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	Z float64 `json:"z,omitempty"`
	// Unused marks `used: false` places: always left out.
	Unused bool `json:"unused,omitempty"`
}

// Freedom is one of the five that a seating may take up.
type Freedom string

// Seating freedoms: shifts in mm, tilts in rad about axes through the apex.
const (
	ShiftX Freedom = "x"
	ShiftY Freedom = "y"
	ShiftZ Freedom = "z"
	TiltX  Freedom = "tilt_x"
	TiltY  Freedom = "tilt_y"
)

// Master is a certified panel for checking the gauge.
type Master struct {
	Panel        string     `json:"panel"`
	Product      string     `json:"product"`
	RadiusMM     *float64   `json:"radius_mm,omitempty"`
	RadiusUMM    *float64   `json:"radius_u_mm,omitempty"`
	DeviationsUM []float64  `json:"deviations_um,omitempty"` // empty: all zero
	UUM          float64    `json:"u_um,omitempty"`
	AllowedUM    float64    `json:"allowed_um"`
	ValidTo      *time.Time `json:"valid_to,omitempty"`
}

// FaultyProbe is a person's declaration that a place's probe is not to be believed from a moment on.
type FaultyProbe struct {
	Place int       `json:"place"` // 1-based
	From  time.Time `json:"from"`
}

// Gauge is a measuring machine.
type Gauge struct {
	ID   string    `json:"id"`
	Kind GaugeKind `json:"kind"`
	Unit Unit      `json:"unit"`
	// Places in the gauge's own numbering (place 1 is Places[0]); empty for a dimensions gauge.
	Places []Place `json:"places,omitempty"`
	// Values is the number of readings of a dimensions gauge that sends readings (characteristics mean, sd, range); 0: none.
	Values int `json:"values,omitempty"`
	// ProbeUUM is the standard uncertainty of one reading in um; nil: unknown.
	ProbeUUM  *float64 `json:"probe_u_um,omitempty"`
	PlaceUUM  float64  `json:"place_u_um,omitempty"`
	RadiusUMM float64  `json:"radius_u_mm,omitempty"`
	// Range of believable readings in the gauge's unit.
	Range      *[2]float64 `json:"range,omitempty"`
	Resolution float64     `json:"resolution,omitempty"` // in the gauge's unit; 0: not stated
	Seating    []Freedom   `json:"seating,omitempty"`
	// ApexDistanceMM is the reference centre's distance from the apex (radial gauges of products that are not spheres); 0: the sphere's radius.
	ApexDistanceMM float64 `json:"apex_distance_mm,omitempty"`
	// ReadingSign is +1 or -1 (deviation gauges).
	ReadingSign int `json:"reading_sign,omitempty"`
	// DirectionNormal is true when deviation readings lie along the local normal instead of z.
	DirectionNormal bool     `json:"direction_normal,omitempty"`
	MasterContour   *Contour `json:"master_contour,omitempty"`
	// Sagitta is true when a local-radius gauge reads the sagitta; then the leg and ball radii are in mm.
	Sagitta      bool          `json:"sagitta,omitempty"`
	LegRadiusMM  float64       `json:"leg_radius_mm,omitempty"`
	BallRadiusMM float64       `json:"ball_radius_mm,omitempty"`
	Masters      []Master      `json:"masters,omitempty"`
	MasterEveryH float64       `json:"master_every_h,omitempty"`
	Faulty       []FaultyProbe `json:"faulty,omitempty"`
	Retired      bool          `json:"retired,omitempty"`
}

// Count is the number of readings a measurement of this gauge must bring; 0 when it sends none.
func (g Gauge) Count() int {
	if g.Kind == Dimensions {
		return g.Values
	}
	return len(g.Places)
}

// Master looks up one of the gauge's masters by its panel's serial.
func (g Gauge) Master(panel string) (Master, bool) {
	for _, m := range g.Masters {
		if m.Panel == panel {
			return m, true
		}
	}
	return Master{}, false
}
