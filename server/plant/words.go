package plant

import "strings"

var characteristicNames = map[string]string{
	"radius_mm": "radius", "corner_sag_mm": "corner sag", "seat_x_mm": "seat x", "seat_y_mm": "seat y",
	"radius_x_mm": "radius along x", "radius_y_mm": "radius along y", "max_deviation_um": "largest deviation",
	"max_deviation_signed_um": "largest deviation with its sign", "max_deviation_place": "place of the largest deviation",
	"radius_u_mm": "uncertainty of the radius", "radius_fit_u_mm": "uncertainty of the radius from the fit",
	"rms_um": "rms from the sphere", "form_um": "form error", "contour_rms_um": "rms from the contour",
	"contour_pv_um": "peak to valley from the contour", "bow_um": "bow", "twofold_um": "two-fold", "twist_um": "twist",
	"cubic_1_um": "cubic 1", "cubic_2_um": "cubic 2", "cubic_3_um": "cubic 3", "cubic_4_um": "cubic 4",
	"bow4_um": "fourth-order bow", "master_radius_error_mm": "error of the radius", "master_max_error_um": "largest error",
}

// Characteristic is a characteristic's name in a sentence: "radius", "two-fold"; one of a product's own with spaces for underscores.
func Characteristic(name string) string {
	if n, ok := characteristicNames[name]; ok {
		return n
	}
	return strings.ReplaceAll(name, "_", " ")
}

// CharacteristicUnit is the unit of a computed characteristic: "mm", "um" or "".
func CharacteristicUnit(name string) string {
	switch {
	case strings.HasSuffix(name, "_mm"):
		return "mm"
	case strings.HasSuffix(name, "_um"):
		return "um"
	}
	return ""
}
