package present

import (
	"strings"

	"sagwatch/server/plant"
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

// Characteristic is a characteristic's name in a sentence: "radius", "two-fold"; one of a product's own with spaces for underscores.
func Characteristic(name string) string { return plant.Characteristic(name) }

// CharacteristicUnit is the unit of a computed characteristic: "mm", "um" or "".
func CharacteristicUnit(name string) string { return plant.CharacteristicUnit(name) }

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
