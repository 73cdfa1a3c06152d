package dist_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
)

// constants reads the 14-digit constants (testdata/reference, constants/computed.csv) by column name, keyed by n.
func constants(t *testing.T) map[int]map[string]float64 {
	rows, err := csv.NewReader(bytes.NewReader(ref.Bytes(t, "constants", "computed.csv"))).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 25)
	out := map[int]map[string]float64{}
	for _, row := range rows[1:] {
		m := map[string]float64{}
		for i, name := range rows[0] {
			m[name], err = strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
		}
		out[int(m["n"])] = m
	}
	return out
}

// TestConstants: d2, d3 and c4 for n = 2..25 to the 13 digits that are kept.
func TestConstants(t *testing.T) {
	for n, want := range constants(t) {
		d2, d3 := dist.RangeMoments(n)
		ref.Relative(t, want["d2"], d2, 2e-13, fmt.Sprint("d2 of ", n))
		ref.Relative(t, want["d3"], d3, 2e-12, fmt.Sprint("d3 of ", n))
		ref.Relative(t, want["c4"], dist.C4(n), 2e-13, fmt.Sprint("c4 of ", n))
	}
}

// TestC4Seam: series and gamma functions agree where one takes over from the other, and c4 tends to 1 - 1/(4n).
func TestC4Seam(t *testing.T) {
	// c4(n) c4(n+1) = sqrt((n-1)/n) exactly, from Gamma(x+1) = x Gamma(x).
	for _, n := range []int{2, 10, 199, 200, 201, 5000} {
		ref.Relative(t, math.Sqrt(float64(n-1)/float64(n)), dist.C4(n)*dist.C4(n+1), 5e-14, fmt.Sprint("n = ", n))
	}
}

// TestRange: tail and distribution function add up to one, quantiles invert them, and the tail far out is that of the
// n(n-1)/2 pairs.
func TestRange(t *testing.T) {
	for _, n := range []int{2, 3, 5, 10, 25, 200} {
		for _, w := range []float64{0.05, 0.5, 1, 2, 3, 4, 6} {
			ref.Absolute(t, 1, dist.RangeTail(w, n)+dist.RangeCDF(w, n), 1e-13, fmt.Sprintf("n = %d, w = %g", n, w))
		}
		for _, p := range []float64{0.00135, 1e-9, 0.5, 0.99} {
			ref.Relative(t, p, dist.RangeTail(dist.RangeQuantileUpper(p, n), n), 1e-12, fmt.Sprintf("upper quantile of %g, n = %d", p, n))
			ref.Relative(t, p, dist.RangeCDF(dist.RangeQuantile(p, n), n), 1e-12, fmt.Sprintf("lower quantile of %g, n = %d", p, n))
		}
	}
	ref.Relative(t, 10*math.Erfc(6), dist.RangeTail(12, 5), 1e-3, "five values, ten pairs")
}

// TestRangeTable: percentage points of the range, infinite degrees of freedom row of the studentised range
// (Harter 1960, from memory, 3 decimals): 5 % points for n = 2, 3, 5, 10.
func TestRangeTable(t *testing.T) {
	for n, want := range map[int]float64{2: 2.772, 3: 3.314, 5: 3.858, 10: 4.474} {
		ref.Absolute(t, want, dist.RangeQuantileUpper(0.05, n), 6e-4, fmt.Sprint("5 % point of ", n))
	}
}

func ExampleC4() {
	fmt.Printf("%.4f %.4f\n", dist.C4(2), dist.C4(5))
	// Output: 0.7979 0.9400
}

// Probability limits of a range chart for subgroups of five, 0.00135 on each side, in standard deviations.
// d2 and d3 are those of the tables (2.326, 0.864).
func ExampleRangeQuantileUpper() {
	d2, d3 := dist.RangeMoments(5)
	fmt.Printf("d2 %.3f d3 %.3f\n", d2, d3)
	fmt.Printf("%.3f to %.3f\n", dist.RangeQuantile(0.00135, 5), dist.RangeQuantileUpper(0.00135, 5))
	// Output:
	// d2 2.326 d3 0.864
	// 0.397 to 5.377
}

// TestRangeMomentsOfLargeSamples: d2 = integral 1 - F^n - S^n by mpmath 1.2.1 (25 digits, quadrature over the value); large
// samples need finer panels than those of the tables.
func TestRangeMomentsOfLargeSamples(t *testing.T) {
	for n, want := range map[int]float64{100: 5.0151872728833687, 200: 5.492084894902309, 1000: 6.4828715382668817, 5000: 7.3551175815949757, 10000: 7.7032316341333497} {
		d2, _ := dist.RangeMoments(n)
		ref.Relative(t, want, d2, 1e-12, fmt.Sprint("d2 of ", n))
	}
	_, d3 := dist.RangeMoments(1000)
	require.InDelta(t, 0.496735, d3, 5e-5) // by NumPy, trapezoidal rule over both extremes
}
