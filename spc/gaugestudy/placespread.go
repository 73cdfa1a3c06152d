package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// PlaceSD is the scatter of one place when the same panel is read again.
type PlaceSD struct {
	Place    int      `json:"place"` // from 0
	SD       float64  `json:"sd"`
	DF       float64  `json:"df"`
	Interval Interval `json:"interval"`
	P        float64  `json:"p"` // of scattering no more than the other places do (Sidak over the places)
}

// PlaceSpreadResult is the repeatability of a gauge's single readings.
type PlaceSpreadResult struct {
	Cells    int               `json:"cells"`
	Readings int               `json:"readings"`
	Freedoms int               `json:"freedoms"`
	Each     []PlaceSD         `json:"each"` // places that were read at least twice in some cell, in order
	SD       float64           `json:"sd"`   // of one reading, over all places
	DF       float64           `json:"df"`
	Interval Interval          `json:"interval"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// PlaceSpread works out how far one reading of a gauge with places scatters, from the deviations y[cell][reading][place] of
// panels that were read again and again, a cell being one panel under the same conditions; NaN where a place was left out. With
// n_c readings in a cell, P places, and a seating that takes up f freedoms of every map,
//
//	s_i^2 = sum_c sum_j (y_cji - mean_ci)^2 / sum_c (n_c - 1),  s^2 = mean s_i^2 P / (P - f),  df = sum_c (n_c - 1) (P - f)
//
// since f of the P deviations of a map are no longer free. The scatter of each place is as found, without that factor. A place is
// compared with all the others by F, one-sided, and Sidak's correction.
//
// Refused: cells or maps of different shapes, no cell of two readings, no more places than freedoms, infinite deviations,
// deviations that do not vary. It warns under 25 repeats.
//
// Source: pooled variances; the loss of freedoms is that of least squares (N. R. Draper and H. Smith, Applied Regression Analysis,
// 1998, chapter 8: the mean of the leverages is f/P).
func PlaceSpread(y [][][]float64, freedoms int, level float64) (PlaceSpreadResult, error) {
	r := PlaceSpreadResult{Cells: len(y), Freedoms: freedoms}
	level, err := confidence(level)
	if err != nil {
		return r, err
	}
	places, repeats := -1, 0
	for c, cell := range y {
		for j, m := range cell {
			if places < 0 {
				places = len(m)
			}
			if len(m) != places {
				return r, refusal.Shapes("reading %d of cell %d has %d places, others have %d", j+1, c+1, len(m), places)
			}
			for i, v := range m {
				if math.Abs(v) > 1e150 {
					return r, &refusal.Error{Reason: refusal.NonFinite, What: "deviations", Index: i, Value: v}
				}
			}
			r.Readings++
		}
		repeats += max(len(cell)-1, 0)
	}
	if repeats < 1 {
		return r, refusal.Few("repeats", repeats, 1)
	}
	if freedoms < 0 {
		return r, refusal.Setting("freedoms", float64(freedoms), "must not be below 0")
	}
	var ss, df []float64
	for i := range max(places, 0) {
		s, d := 0.0, 0.0
		for _, cell := range y {
			n, mean := 0.0, 0.0
			for _, m := range cell {
				if v := m[i]; !math.IsNaN(v) {
					n++
					mean += (v - mean) / n
				}
			}
			for _, m := range cell {
				if v := m[i]; !math.IsNaN(v) {
					s += (v - mean) * (v - mean)
				}
			}
			d += max(n-1, 0)
		}
		if d > 0 {
			r.Each = append(r.Each, PlaceSD{Place: i, DF: d})
			ss, df = append(ss, s), append(df, d)
		}
	}
	n := len(r.Each)
	if n <= freedoms {
		return r, refusal.Few("places", n, freedoms+1)
	}
	var sumSS, sumDF, sumVar float64
	for i := range ss {
		sumSS += ss[i]
		sumDF += df[i]
		sumVar += ss[i] / df[i]
	}
	if !(sumSS > 0) {
		return r, &refusal.Error{Reason: refusal.ZeroVariance, What: "deviations", Index: -1}
	}
	free := float64(n-freedoms) / float64(n)
	r.SD, r.DF = math.Sqrt(sumVar/float64(n)/free), sumDF*free
	r.Interval = sdInterval(r.SD, r.DF, level)
	for i := range r.Each {
		e := &r.Each[i]
		e.SD, e.P = math.Sqrt(ss[i]/df[i]), 1
		e.Interval = sdInterval(e.SD, e.DF, level)
		if others := sumSS - ss[i]; n > 1 && others > 0 {
			f := ss[i] / df[i] / (others / (sumDF - df[i]))
			p := dist.FTail(f, df[i], (sumDF-df[i])*free)
			e.P = -math.Expm1(float64(n) * math.Log1p(-p))
		} else if n > 1 {
			e.P = 0
		}
	}
	if repeats < enoughRepeats {
		r.Warnings = append(r.Warnings, refusal.Small("repeats", repeats, enoughRepeats))
	}
	return r, nil
}
