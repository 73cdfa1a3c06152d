package chart_test

import (
	"fmt"
	"math"
	"strconv"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
)

// columns names the constants and factors as the reference tables do.
func columns(n int) map[string]float64 {
	c := chart.ConstantsFor(n)
	f := c.Factors()
	return map[string]float64{
		"d2": c.D2, "d3": c.D3, "c4": c.C4, "c5": c.C5, "d4_median_range": c.MedianRange,
		"A": f.A, "A2": f.A2, "A3": f.A3, "B3": f.B3, "B4": f.B4, "B5": f.B5, "B6": f.B6,
		"D1": f.D1, "D2": f.D2, "D3": f.D3, "D4": f.D4, "E2": f.E2, "E3": f.E3,
	}
}

// computed.csv: COMPUTED with mpmath 1.2.1, 14 significant digits. The tolerance is a unit of the 13th digit of the
// larger of value and 1: B3, B5, D1 and D3 are differences and lose what cancels.
func TestConstantsComputed(t *testing.T) {
	for _, row := range readCSV(t, "constants", "computed.csv") {
		n, err := strconv.Atoi(row["n"])
		require.NoError(t, err)
		for name, got := range columns(n) {
			want := number(t, row[name])
			require.InDelta(t, want, got, 1e-12*max(1, math.Abs(want)), "%s, n = %d", name, n)
		}
	}
}

// published.csv: the tables of ASTM E2587 and ISO 7870-2, MEMORY. Where they differ by more than half a unit of the
// last place, the computed value is believed: the tables were built from rounded d2 and d3 (E2[2] is 3/1.128).
func TestConstantsPublished(t *testing.T) {
	explained := map[string]bool{"d3[19]": true, "D3[19]": true, "D3[22]": true, "D3[24]": true,
		"D4[3]": true, "D4[18]": true, "D4[19]": true, "D4[22]": true, "E2[2]": true}
	for _, row := range readCSV(t, "constants", "published.csv") {
		n, err := strconv.Atoi(row["n"])
		require.NoError(t, err)
		decimals, err := strconv.Atoi(row["decimals"])
		require.NoError(t, err)
		want, got := number(t, row["published"]), columns(n)[row["constant"]]
		unit := math.Pow(10, -float64(decimals))
		name := fmt.Sprintf("%s[%d]", row["constant"], n)
		if explained[name] {
			require.Greater(t, math.Abs(got-want), 0.5*unit, "%s is no longer a difference", name)
			require.Less(t, math.Abs(got-want), 1.5*unit, name)
			continue
		}
		require.InDelta(t, want, got, 0.5*unit+1e-9, "%s (MEMORY)", name)
	}
}

// Large n against a second route: d2 = int 1 - F^n - (1-F)^n (Tippett 1925) by the midpoint rule, and c4 by the
// logarithm of the gamma function, which itself loses digits as n grows.
func TestConstantsLarge(t *testing.T) {
	for _, n := range []int{26, 50, 100, 199, 200, 201, 1000, 10000} {
		c := chart.ConstantsFor(n)
		const step = 1.0 / 64
		d2 := 0.0
		for x := -12 + step/2; x < 12; x += step {
			q := math.Erfc(x/math.Sqrt2) / 2
			d2 += step * (-math.Expm1(float64(n)*math.Log1p(-q)) - math.Pow(q, float64(n)))
		}
		relative(t, d2, c.D2, 1e-11, "d2", n)
		a, _ := math.Lgamma(float64(n) / 2)
		b, _ := math.Lgamma(float64(n-1) / 2)
		relative(t, math.Sqrt(2/float64(n-1))*math.Exp(a-b), c.C4, 1e-10, "c4", n)
		relative(t, math.Sqrt(1-c.C4*c.C4), c.C5, 1e-9, "c5", n)
		require.Positive(t, c.D3)
		require.Greater(t, c.D2, c.MedianRange, "the range is skewed to the right")
	}
	// Tippett 1925, table of the mean range (MEMORY): n = 100 and 1000.
	require.InDelta(t, 5.01519, chart.ConstantsFor(100).D2, 1e-5)
	require.InDelta(t, 6.48287, chart.ConstantsFor(1000).D2, 2e-4)
}

func TestConstantsConcurrent(t *testing.T) {
	var wg sync.WaitGroup
	got := make([]chart.Constants, 16)
	for i := range got {
		wg.Go(func() { got[i] = chart.ConstantsFor(37) })
	}
	wg.Wait()
	for _, c := range got {
		require.Equal(t, got[0], c)
	}
	require.Panics(t, func() { chart.ConstantsFor(1) })
}

func BenchmarkConstantsFor(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		chart.ConstantsFor(11)
	}
}

func ExampleConstantsFor() {
	c := chart.ConstantsFor(5)
	fmt.Printf("d2 %.3f  d3 %.3f  c4 %.4f\n", c.D2, c.D3, c.C4)
	f := c.Factors()
	fmt.Printf("A2 %.3f  D4 %.3f\n", f.A2, f.D4)
	// Output:
	// d2 2.326  d3 0.864  c4 0.9400
	// A2 0.577  D4 2.114
}
