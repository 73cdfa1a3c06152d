package plot

import (
	"math"
	"strconv"
	"strings"
	"time"
)

const noBreak = "\u00a0"

// number writes v with a true minus and, from five figures before the point, thin spaces between thousands. It gives "none" for
// what is no number.
func number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "none"
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', min(max(decimals, 0), 12), 64)
	whole, rest := s, ""
	if i := strings.IndexByte(s, '.'); i >= 0 {
		whole, rest = s[:i], s[i:]
	}
	if len(whole) > 4 {
		var b strings.Builder
		for i, c := range whole {
			if i > 0 && (len(whole)-i)%3 == 0 {
				b.WriteString("\u2009")
			}
			b.WriteRune(c)
		}
		whole = b.String()
	}
	if v < 0 && strings.Trim(s, "0.") != "" {
		return "\u2212" + whole + rest
	}
	return whole + rest
}

// signed is number with a plus before what is above zero.
func signed(v float64, decimals int) string {
	s := number(v, decimals)
	if v > 0 && s != "none" && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

var small = [...]string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}

// count writes numbers of things: up to twelve in words.
func count(n int) string {
	if n >= 0 && n < len(small) {
		return small[n]
	}
	return number(float64(n), 0)
}

// lasting writes a length of time with at most two units: "19 min", "3 h 20 min", "two days".
func lasting(d time.Duration) string {
	minutes := int(d.Round(time.Minute) / time.Minute)
	switch hours := minutes / 60; {
	case minutes < 60:
		return strconv.Itoa(minutes) + noBreak + "min"
	case hours < 48 && minutes%60 == 0:
		return strconv.Itoa(hours) + noBreak + "h"
	case hours < 48:
		return strconv.Itoa(hours) + noBreak + "h " + strconv.Itoa(minutes%60) + noBreak + "min"
	default:
		return count((hours+12)/24) + " days"
	}
}

// width estimates how wide words come out at 13 px, so that labels keep clear of one another.
func width(s string) float64 {
	w := 0.0
	for _, c := range s {
		switch {
		case strings.ContainsRune("iljtfrI.,:;'|()! \u00a0\u2009", c):
			w += 4.1
		case strings.ContainsRune("mwMW@", c):
			w += 10.2
		case c >= '0' && c <= '9' || c >= 'A' && c <= 'Z':
			w += 7.9
		case c < 0x250:
			w += 6.6
		default:
			w += 8
		}
	}
	return w
}

// spread moves labels, given by their heights in increasing order, apart until neighbours are at least gap from one another, and as
// little as it can: a run of labels that touch is centred on where its members want to be. All stay within lo and hi while there is room.
func spread(y []float64, gap, lo, hi float64) {
	type run struct {
		sum  float64 // of wanted heights, each less its offset in the run
		n    int
		from int
	}
	var runs []run
	top := func(r run) float64 {
		h := gap * float64(r.n-1)
		return max(min(r.sum/float64(r.n), hi-h), lo)
	}
	for i, v := range y {
		runs = append(runs, run{sum: v, n: 1, from: i})
		for len(runs) > 1 {
			a, b := runs[len(runs)-2], runs[len(runs)-1]
			if top(b)-(top(a)+gap*float64(a.n-1)) >= gap-1e-9 {
				break
			}
			b.sum -= float64(b.n) * gap * float64(a.n) // its members sit behind those of a
			runs = append(runs[:len(runs)-2], run{sum: a.sum + b.sum, n: a.n + b.n, from: a.from})
		}
	}
	for _, r := range runs {
		for i := range r.n {
			y[r.from+i] = top(r) + gap*float64(i)
		}
	}
}
