package spc

// Computed indexes the values that are worked out from one curvature measurement.
type Computed uint8

// The computed characteristics, in the order in which they are kept.
const (
	RadiusMM Computed = iota
	RadiusUMM
	RadiusFitUMM
	RMSUM
	FormUM
	ContourRMSUM
	ContourPVUM
	MaxDeviationUM
	MaxDeviationSignedUM
	MaxDeviationPlace
	CornerSagMM
	SeatXMM
	SeatYMM
	RadiusXMM
	RadiusYMM
	BowUM
	TwofoldUM
	TwistUM
	Cubic1UM
	Cubic2UM
	Cubic3UM
	Cubic4UM
	Bow4UM
	MeanValue  // of a dimensions gauge with values: n
	SDValue    // n-1 denominator
	RangeValue // greatest less least
	// MasterRadiusErrorMM and MasterMaxErrorUM are a master check's errors against the certificate.
	MasterRadiusErrorMM
	MasterMaxErrorUM
	NumComputed
)

var computedNames = [NumComputed]string{
	"radius_mm", "radius_u_mm", "radius_fit_u_mm", "rms_um", "form_um", "contour_rms_um", "contour_pv_um",
	"max_deviation_um", "max_deviation_signed_um", "max_deviation_place", "corner_sag_mm", "seat_x_mm", "seat_y_mm",
	"radius_x_mm", "radius_y_mm", "bow_um", "twofold_um", "twist_um", "cubic_1_um", "cubic_2_um", "cubic_3_um",
	"cubic_4_um", "bow4_um", "mean", "sd", "range", "master_radius_error_mm", "master_max_error_um",
}

// String is the name that the machine interface uses.
func (c Computed) String() string {
	if c < NumComputed {
		return computedNames[c]
	}
	return "unknown"
}

// ComputedByName finds a computed characteristic by its name.
func ComputedByName(name string) (Computed, bool) {
	for i, n := range computedNames {
		if n == name {
			return Computed(i), true
		}
	}
	return 0, false
}

// Values holds computed characteristics; one that could not be worked out is absent, never NaN.
type Values struct {
	v   [NumComputed]float64
	has uint64
}

// Set stores a value.
func (v *Values) Set(c Computed, x float64) { v.v[c] = x; v.has |= 1 << c }

// Clear makes a value absent.
func (v *Values) Clear(c Computed) { v.v[c] = 0; v.has &^= 1 << c }

// Get returns a value and whether there is one.
func (v *Values) Get(c Computed) (float64, bool) { return v.v[c], v.has&(1<<c) != 0 }

// Ptr returns nil for an absent value.
func (v *Values) Ptr(c Computed) *float64 {
	if x, ok := v.Get(c); ok {
		return &x
	}
	return nil
}

// Verdict is the measurement's verdict by the decision rule of ISO 14253-1.
type Verdict string

// Verdicts.
const (
	Conforms       Verdict = "conforms"
	DoesNotConform Verdict = "does-not-conform"
	Undecided      Verdict = "undecided"
	NotJudged      Verdict = "not-judged"
)

// Item is one judged (or not judged) characteristic of a measurement.
type Item struct {
	Name    string   `json:"name"`
	Value   *float64 `json:"value,omitempty"`
	U       *float64 `json:"u,omitempty"` // standard uncertainty, same unit
	Lower   *float64 `json:"lower,omitempty"`
	Upper   *float64 `json:"upper,omitempty"`
	Unit    string   `json:"unit,omitempty"`
	Verdict Verdict  `json:"verdict"`
	Why     string   `json:"why,omitempty"` // for an item that is not judged: what is missing
}

// Result is what is worked out from one measurement.
type Result struct {
	Values  Values
	Verdict Verdict
	Reasons []string // plain sentences, worst first
	Items   []Item
	// SuspectPlaces and FaultyProbes are 1-based; faulty ones are left out of every figure.
	SuspectPlaces []int
	FaultyProbes  []int
	// DeviationsUM from the aligned contour and ResidualsUM from the sphere, per place, NaN where left out or absent.
	DeviationsUM []float64
	ResidualsUM  []float64
	// Dropped names seating freedoms that the contour could not tell apart.
	Dropped []Freedom
	// Refusal says in words why there is no fit (verdict not-judged); empty otherwise.
	Refusal string
}
