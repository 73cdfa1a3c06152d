package changepoint

import (
	"math"
	"slices"

	"sagwatch/spc/dist"
)

// Split shares out a change. Sums of squares are in units of the error variance, each weighted with 1/SE²; what exceeds
// its degrees of freedom, the number expected without a change, is a term's part:
//
//	part = max(0, SS - df),  share = part / sum of parts
//
// Common, Lane, Stream and Rest (stream on lane) add up to 1, or are all 0 where nothing exceeds chance. Terms are taken
// out in this order.
type Split struct {
	Common float64 `json:"common"`
	Lane   float64 `json:"lane"`
	Stream float64 `json:"stream"`
	Rest   float64 `json:"rest"`
	// MapCommon is the share of the change of the residual maps that is the same on all streams, Probe the share that
	// the place Place alone has in it.
	MapCommon float64 `json:"map_common"`
	Probe     float64 `json:"probe"`
	Place     int     `json:"place,omitempty"` // from 1
	// Master is the master's change over the common change of the streams, with its standard error (first order); 0
	// without a master check.
	Master   float64 `json:"master"`
	MasterSE float64 `json:"master_se"`
	Tests    []FTest `json:"tests"`
}

// FTest is the test of one term: F = (SS/DF) with DF and ErrorDF degrees of freedom, the error variance being 1 in these
// units; ErrorDF 0 stands for known standard errors (chi-square).
type FTest struct {
	Term    string  `json:"term"` // common, lane, stream, rest, map-common, map-stream, master
	SS      float64 `json:"ss"`
	DF      int     `json:"df"`
	ErrorDF float64 `json:"error_df"`
	F       float64 `json:"f"`
	P       float64 `json:"p"`
}

// split works out the variance split.
func (c *study) split() Split {
	shifts := c.given.Shifts
	n := len(shifts)
	weight := make([]float64, n)
	y := make([]float64, n)
	for i, s := range shifts {
		weight[i] = 1 / s.SE
		y[i] = s.Value / s.SE
	}
	var basis [][]float64
	take := func(columns func(i int) int, count int) (ss float64, df int) {
		for k := range count {
			x := make([]float64, n)
			var before float64
			for i := range x {
				if columns(i) == k {
					x[i] = weight[i]
				}
				before += x[i] * x[i]
			}
			for range 2 {
				for _, b := range basis {
					d := dot(b, x)
					for i := range x {
						x[i] -= d * b[i]
					}
				}
			}
			left := dot(x, x)
			if left <= 1e-16*before || before == 0 {
				continue
			}
			f := 1 / math.Sqrt(left)
			for i := range x {
				x[i] *= f
			}
			basis = append(basis, x)
			d := dot(x, y)
			ss += d * d
			df++
		}
		return ss, df
	}
	var out Split
	test := func(term string, ss float64, df int) float64 {
		if df == 0 {
			return 0
		}
		t := FTest{Term: term, SS: ss, DF: df, ErrorDF: c.given.DF, F: ss / float64(df)}
		if t.ErrorDF > 0 {
			t.P = dist.FTail(t.F, float64(df), t.ErrorDF)
		} else {
			t.P = dist.ChiSquareTail(ss, float64(df))
		}
		out.Tests = append(out.Tests, t)
		return math.Max(0, ss-float64(df))
	}
	common, df := take(func(int) int { return 0 }, 1)
	parts := [4]float64{test("common", common, df)}
	lane, df := take(func(i int) int { return slices.Index(c.lanes, shifts[i].Lane) }, len(c.lanes))
	parts[1] = test("lane", lane, df)
	stream, df := take(func(i int) int { return slices.Index(c.streams, shifts[i].Stream) }, len(c.streams))
	parts[2] = test("stream", stream, df)
	rest := math.Max(0, dot(y, y)-common-lane-stream)
	parts[3] = test("rest", rest, n-len(basis))
	if sum := parts[0] + parts[1] + parts[2] + parts[3]; sum > 0 {
		out.Common, out.Lane, out.Stream, out.Rest = parts[0]/sum, parts[1]/sum, parts[2]/sum, parts[3]/sum
	}
	c.splitMaps(&out, test)
	if c.master.w > 0 {
		test("master", c.master.s*c.master.s/c.master.w, 1)
		if d := c.all.s / c.all.w; d != 0 {
			m := c.master.s / c.master.w
			out.Master = m / d
			out.MasterSE = math.Sqrt(1/c.master.w+out.Master*out.Master/c.all.w) / math.Abs(d)
		}
	}
	return out
}

// splitMaps shares out the change of the residual maps.
func (c *study) splitMaps(out *Split, test func(string, float64, int) float64) {
	if c.places == 0 {
		return
	}
	var total, common, most, sum float64
	cells, df := 0, 0
	for _, m := range c.given.Maps {
		for _, v := range m.Values {
			if !math.IsNaN(v) {
				total += v * v / (m.SE * m.SE)
				cells++
			}
		}
	}
	for k, p := range c.place {
		if p.w == 0 {
			continue
		}
		ss := p.s * p.s / p.w
		common += ss
		df++
		part := math.Max(0, ss-1)
		sum += part
		if part > most {
			most, out.Place = part, k+1
		}
	}
	a := test("map-common", common, df)
	b := test("map-stream", math.Max(0, total-common), cells-df)
	if a+b > 0 {
		out.MapCommon = a / (a + b)
	}
	if sum > 0 {
		out.Probe = most / sum * out.MapCommon
	}
}

func dot(a, b []float64) float64 {
	var s float64
	for i, v := range a {
		s += v * b[i]
	}
	return s
}
