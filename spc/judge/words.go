package judge

import (
	"math"
	"strconv"

	"sagwatch/spc"
)

// rounded writes v to the decimals of its doubt: two significant digits of a doubt that begins with 1 or 2, else one
// (9.57 stands for 10, 0.24 for 0.24), at most six decimals and never fewer than none.
func rounded(v, doubt float64) string {
	decimals := 6
	if doubt > 0 {
		e := math.Floor(math.Log10(doubt))
		digits := 1.0
		if doubt/math.Pow(10, e) < 3 {
			digits = 2
		}
		decimals = int(math.Max(0, math.Min(6, digits-1-e)))
	} else {
		return shortest(math.Round(v*1e6) / 1e6)
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if zero, err := strconv.ParseFloat(s, 64); err == nil && zero == 0 {
		return strconv.FormatFloat(0, 'f', decimals, 64) // no "-0.00"
	}
	return s
}

func shortest(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// micrometres writes an amount without stated doubt: whole from 10 um up, else to a tenth.
func micrometres(um float64) string {
	decimals := 0
	if um < 10 {
		decimals = 1
	}
	return strconv.FormatFloat(um, 'f', decimals, 64) + " µm"
}

// unitOf is the unit of a computed characteristic.
func unitOf(c spc.Computed) string {
	switch c {
	case spc.RadiusMM, spc.RadiusUMM, spc.RadiusFitUMM, spc.CornerSagMM, spc.SeatXMM, spc.SeatYMM, spc.RadiusXMM,
		spc.RadiusYMM, spc.MeanValue, spc.SDValue, spc.RangeValue, spc.MasterRadiusErrorMM:
		return "mm"
	case spc.MaxDeviationPlace:
		return ""
	}
	return "um"
}

var plainNames = map[string]string{
	"radius_mm": "radius", "corner_sag_mm": "corner sag", "seat_x_mm": "seat x", "seat_y_mm": "seat y",
	"radius_x_mm": "radius along x", "radius_y_mm": "radius along y", "max_deviation_um": "largest deviation",
	"max_deviation_signed_um": "largest deviation with its sign", "max_deviation_place": "place of the largest deviation",
	"radius_u_mm": "uncertainty of the radius", "radius_fit_u_mm": "uncertainty of the radius from the fit",
	"rms_um": "rms from the sphere", "form_um": "form error", "contour_rms_um": "rms from the contour",
	"contour_pv_um": "peak to valley from the contour", "bow_um": "bow", "twofold_um": "two-fold", "twist_um": "twist",
	"cubic_1_um": "cubic 1", "cubic_2_um": "cubic 2", "cubic_3_um": "cubic 3", "cubic_4_um": "cubic 4",
	"bow4_um": "fourth-order bow", "master_radius_error_mm": "radius error", "master_max_error_um": "largest error",
}

// nameOf is a characteristic's name in a sentence.
func nameOf(name string) string {
	if n, ok := plainNames[name]; ok {
		return n
	}
	return name
}

// itemReason says how a value misses its limits, or how near it is.
func itemReason(name string, it *spc.Item, k float64) string {
	v, doubt := *it.Value, k**it.U
	unit := it.Unit
	switch unit {
	case "um":
		unit = " µm"
	case "":
	default:
		unit = " " + unit
	}
	below := it.Lower != nil && (it.Upper == nil || *it.Lower-v > v-*it.Upper)
	limit, side := it.Upper, "above"
	if below {
		limit, side = it.Lower, "below"
	}
	value, about := rounded(v, doubt)+unit, rounded(doubt, doubt)+unit
	if it.Verdict == spc.DoesNotConform {
		return name + " " + value + " is " + side + " " + shortest(*limit) + unit + " by more than its uncertainty " + about
	}
	return name + " " + value + " is too close to the limit of " + shortest(*limit) + unit + " to say: its uncertainty is " + about
}
