package present

import (
	"strings"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// Verdict is the state that goes with a verdict, in a list.
func Verdict(v spc.Verdict) ui.State {
	switch v {
	case spc.Conforms:
		return ui.Is(ui.Good, "conforms")
	case spc.DoesNotConform:
		return ui.Is(ui.Bad, "does not conform")
	case spc.Undecided:
		return ui.Is(ui.Unsure, "undecided")
	}
	return ui.Is(ui.None, "not judged")
}

// VerdictOf is the state of one item of a measurement: where its value lies.
func VerdictOf(v spc.Verdict) ui.State {
	switch v {
	case spc.Conforms:
		return ui.Is(ui.Good, "inside")
	case spc.DoesNotConform:
		return ui.Is(ui.Bad, "outside")
	case spc.Undecided:
		return ui.Is(ui.Unsure, "too close to say")
	}
	return ui.Is(ui.None, "not judged")
}

// SignalState is the state that goes with a signal's.
func SignalState(state string) ui.State {
	switch state {
	case store.SignalOpen:
		return ui.Is(ui.Bad, "open")
	case store.SignalAcknowledged:
		return ui.Is(ui.Held, "acknowledged")
	case store.SignalClosed:
		return ui.Is(ui.Good, "closed")
	}
	return ui.Is(ui.None, "withdrawn")
}

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

// split parts a stream's name: "mould:7" is mould and 7.
func split(stream string) (kind, name string) {
	kind, name, _ = strings.Cut(stream, ":")
	return kind, name
}

// readable sets in a sentence of the judge what its plain text lacks: a capital at the start, a full stop at the end, true minus
// signs, and no-break spaces before units.
func readable(s string) string {
	if s == "" {
		return ""
	}
	s = strings.NewReplacer(" mm", ui.NoBreak+"mm", " µm", ui.NoBreak+ui.Micro+"m", " -", " "+ui.Minus).Replace(s)
	s = Capital(s)
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

// Capital begins a sentence.
func Capital(s string) string {
	for i, r := range s {
		if i > 0 {
			break
		}
		return strings.ToUpper(string(r)) + s[len(string(r)):]
	}
	return s
}

// list joins words: "3", "3 and 7", "3, 7 and 9".
func list(words []string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}
