package ui

import (
	"math"
	"strconv"
	"strings"
)

// Signs and spaces that keyboards lack.
const (
	Minus     = "\u2212" // true minus
	NoBreak   = "\u00a0" // between a number and its unit
	Thin      = "\u2009" // between thousands, from five digits on
	PlusMinus = "\u00b1"
	Micro     = "\u00b5" // the micro sign, not the Greek letter
)

// Lengths is a person's choice of the unit in which lengths are written. Values are kept in millimetres whatever the choice.
type Lengths string

// The choices of lengths.
const (
	InMM   Lengths = "mm"
	InInch Lengths = "in"
)

// MMPerInch is exact (ISO 80000-3, annex: 1 in = 25.4 mm).
const MMPerInch = 25.4

// Number writes x with so many decimals: a true minus, four digits together, a thin space from five digits on; zero has no sign. A
// value that is not a number is written "none".
func Number(x float64, decimals int) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "none"
	}
	s := strconv.FormatFloat(math.Abs(x), 'f', max(decimals, 0), 64)
	whole, frac, _ := strings.Cut(s, ".")
	s = thousands(whole)
	if frac != "" {
		s += "." + frac
	}
	if x < 0 && strings.Trim(whole+frac, "0") != "" {
		s = Minus + s
	}
	return s
}

// Signed is Number with a plus before what is above zero: for changes, deviations and residuals.
func Signed(x float64, decimals int) string {
	s := Number(x, decimals)
	if x > 0 && strings.ContainsAny(s, "123456789") {
		return "+" + s
	}
	return s
}

// Doubted writes a value with its expanded uncertainty, both with so many decimals: "1106.84 ± 0.10".
func Doubted(x, u float64, decimals int) string {
	return Number(x, decimals) + NoBreak + PlusMinus + NoBreak + Number(u, decimals)
}

// DoubtDecimals is how many decimals a value with the expanded uncertainty u deserves: those that show u to two significant
// figures, from 0 to 6.
func DoubtDecimals(u float64) int {
	if !(u > 0) || math.IsInf(u, 0) {
		return 0
	}
	return min(max(1-int(math.Floor(math.Log10(u))), 0), 6)
}

// Count writes a whole number.
func Count(n int64) string {
	s := thousands(strings.TrimPrefix(strconv.FormatInt(n, 10), "-"))
	if n < 0 {
		s = Minus + s
	}
	return s
}

var words = [...]string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

// InWords writes a count for a headline: in words up to twelve, in figures beyond.
func InWords(n int64) string {
	if n >= 0 && n < int64(len(words)) {
		return words[n]
	}
	return Count(n)
}

// Plural gives a count with the noun that goes with it: "one signal", "14 signals".
func Plural(n int64, one, many string) string {
	if n == 1 {
		return InWords(n) + " " + one
	}
	return InWords(n) + " " + many
}

// WithUnit joins a number and its unit by a no-break space; um becomes the micro sign and m.
func WithUnit(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + NoBreak + UnitName(unit)
}

// UnitName writes a unit as people read it: um becomes the micro sign and m; others stay.
func UnitName(unit string) string {
	if unit == "um" {
		return Micro + "m"
	}
	return unit
}

// Length writes a length in mm by a person's choice, without the unit. Inches get two decimals more, so that no choice hides what
// the other shows.
func Length(mm float64, decimals int, in Lengths) string {
	if in == InInch {
		return Number(mm/MMPerInch, decimals+2)
	}
	return Number(mm, decimals)
}

// LengthUnit is the unit that goes with Length.
func LengthUnit(in Lengths) string {
	if in == InInch {
		return "in"
	}
	return "mm"
}

// Percent writes a share of one as a percentage with its no-break space.
func Percent(share float64, decimals int) string {
	return Number(100*share, decimals) + NoBreak + "%"
}

// thousands sets thin spaces in a string of digits, from five digits on.
func thousands(digits string) string {
	if len(digits) < 5 {
		return digits
	}
	var b strings.Builder
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			b.WriteString(Thin)
		}
		b.WriteRune(d)
	}
	return b.String()
}
