package report

import (
	"math"

	"sagwatch/web/ui"
)

const (
	leastRate = 0.001 // parts per million below which a rate is not worth its figures: one panel in a billion
	unbounded = 1e6   // an end of an interval so many times the value says nothing: few groups can leave a variance without an upper limit
)

// Show writes a figure's value with its decimals; what they cannot show is "below" the least that they can.
func (f *Figure) Show() string {
	switch {
	case f == nil || !f.Value.Has():
		return "none"
	case f.Unit == "ppm" && f.Value > 0 && f.Value < leastRate:
		return "below " + ui.Number(leastRate, 3)
	case f.vanishes(f.Value) && !(f.Lower < 0):
		return "below " + least(f.Decimals)
	}
	return ui.Number(float64(f.Value), f.Decimals)
}

// Doubt writes a figure's interval: "1.41 to 1.47"; "" where there is none.
func (f *Figure) Doubt() string {
	if f == nil || f.Level == 0 || math.IsNaN(float64(f.Lower)) || math.IsNaN(float64(f.Upper)) {
		return ""
	}
	ppm := f.Unit == "ppm"
	switch {
	case ppm && float64(f.Upper) < leastRate:
		return "below " + ui.Number(leastRate, 3)
	case !ppm && f.Lower >= 0 && f.vanishes(f.Upper):
		return "below " + least(f.Decimals)
	case !ppm && f.Unit != "1" && float64(f.Upper) > unbounded*math.Max(math.Abs(float64(f.Value)), math.Pow10(-f.Decimals)):
		return f.lower() + " or more, without an upper limit"
	}
	upper := f.Decimals
	if ppm { // each end has the figures that it is worth
		upper = rateDecimals(float64(f.Upper))
	}
	return f.lower() + " to " + ui.Number(float64(f.Upper), upper)
}

// lower writes the lower end of the interval, with some decimals more where it is small.
func (f *Figure) lower() string {
	x, d := float64(f.Lower), f.Decimals
	switch {
	case x == 0:
		return "0"
	case f.Unit == "ppm" && x < leastRate:
		return "below " + ui.Number(leastRate, 3)
	case f.Unit == "ppm":
		d = rateDecimals(x)
	}
	for more := 0; f.Lower > 0 && x < 0.5*math.Pow10(-d); more++ {
		if more == 3 {
			return "below " + least(f.Decimals)
		}
		d++
	}
	return ui.Number(x, d)
}

// Text writes the figure with its unit and interval: "1.44 (95 %: 1.41 to 1.47)".
func (f *Figure) Text() string {
	if !f.Value.Has() {
		if f.Missing != "" {
			return "not given: " + f.Missing
		}
		return "not given"
	}
	unit := ui.UnitName(f.Unit)
	if f.Unit == "1" {
		unit = ""
	}
	s := ui.WithUnit(f.Show(), unit)
	level := ""
	if f.Level > 0 {
		level = ui.Number(100*f.Level, 0) + ui.NoBreak + "%: "
	}
	switch {
	case f.Lower.Has() && f.Upper.Has():
		both := f.Doubt()
		if both == "" {
			both = ui.Number(float64(f.Lower), f.Decimals) + " to " + ui.Number(float64(f.Upper), f.Decimals)
		}
		s += " (" + level + both + ")"
	case f.Lower.Has():
		s += " (" + level + "at least " + f.lower() + ")"
	case f.Upper.Has():
		upper := ui.Number(float64(f.Upper), f.Decimals)
		if f.vanishes(f.Upper) {
			upper = least(f.Decimals)
		}
		s += " (" + level + "at most " + upper + ")"
	}
	return s
}

// vanishes is true of a positive number that would be written as nought at the figure's decimals: "p 0.0000" is never what was found.
func (f *Figure) vanishes(n Number) bool {
	return n.Has() && n > 0 && float64(n) < 0.5*math.Pow10(-f.Decimals)
}

// least is the smallest number that can be written with so many decimals.
func least(decimals int) string { return ui.Number(math.Pow10(-decimals), decimals) }
