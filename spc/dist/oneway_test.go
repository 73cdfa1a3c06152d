package dist_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

// TestOneWayStRD: the NIST StRD analysis-of-variance sets (testdata/reference/strd), certified to 15 digits. SmLs04-06
// have 7 and SmLs07-09 13 constant leading digits: rounding the decimal data to doubles leaves about 9 and 3 digits to any
// algorithm.
func TestOneWayStRD(t *testing.T) {
	for name, digits := range map[string]float64{
		"SiRstv": 12, "AtmWtAg": 10, "SmLs01": 14, "SmLs02": 13, "SmLs03": 13, "SmLs04": 9, "SmLs05": 9, "SmLs06": 9,
		"SmLs07": 2, "SmLs08": 2, "SmLs09": 2,
	} {
		var set struct {
			Certified struct {
				SSB ref.Number `json:"between_ss"`
				SSW ref.Number `json:"within_ss"`
				F   ref.Number
				R2  ref.Number `json:"r_squared"`
			}
			Groups [][]float64
		}
		ref.JSON(t, &set, "strd", "anova_"+name+".json")
		a, err := dist.NewOneWay(set.Groups)
		require.NoError(t, err)
		b := ref.Digits(t, float64(set.Certified.SSB), a.SSBetween, digits, name+", between")
		w := ref.Digits(t, float64(set.Certified.SSW), a.SSWithin, digits, name+", within")
		f := ref.Digits(t, float64(set.Certified.F), a.F, digits, name+", F")
		r := ref.Digits(t, float64(set.Certified.R2), a.RSquared(), digits, name+", R squared")
		t.Logf("%s: digits: between %.1f, within %.1f, F %.1f, R squared %.1f", name, b, w, f, r)
	}
}

// TestOneWayInvariance: order of groups and values, shift and scale do not matter; two groups give the square of t.
func TestOneWayInvariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	groups := [][]float64{{}, make([]float64, 5), make([]float64, 9), make([]float64, 1)}
	for _, g := range groups {
		for i := range g {
			g[i] = rng.NormFloat64()
		}
	}
	a, err := dist.NewOneWay(groups)
	require.NoError(t, err)
	require.Equal(t, 3, a.Groups)
	ref.Relative(t, (15-(25+81+1)/15.0)/2, a.N0, 1e-14, "N0")
	var moved [][]float64
	for i := len(groups) - 1; i >= 0; i-- {
		var g []float64
		for j := len(groups[i]) - 1; j >= 0; j-- {
			g = append(g, 3+2*groups[i][j])
		}
		moved = append(moved, g)
	}
	b, err := dist.NewOneWay(moved)
	require.NoError(t, err)
	ref.Relative(t, a.F, b.F, 1e-13, "F")
	ref.Relative(t, 4*a.SSWithin, b.SSWithin, 1e-13, "within")
	two, err := dist.NewOneWay(groups[1:3])
	require.NoError(t, err)
	m1, s1 := dist.MeanSD(groups[1])
	m2, s2 := dist.MeanSD(groups[2])
	s := math.Sqrt((4*s1*s1 + 8*s2*s2) / 12)
	student := (m1 - m2) / (s * math.Sqrt(1/5.0+1/9.0))
	ref.Relative(t, student*student, two.F, 1e-12, "t squared")
	ref.Relative(t, 2*dist.StudentTTail(math.Abs(student), 12), two.P, 1e-11, "its probability")
}

func TestOneWayRefuses(t *testing.T) {
	for i, c := range []struct {
		groups [][]float64
		reason refusal.Reason
	}{
		{nil, refusal.TooFew},
		{[][]float64{{1, 2}, {}}, refusal.TooFew},
		{[][]float64{{1}, {2}}, refusal.TooFew},
		{[][]float64{{1, math.NaN()}, {2}}, refusal.NonFinite},
		{[][]float64{{1, 1}, {1}}, refusal.ZeroVariance},
	} {
		_, err := dist.NewOneWay(c.groups)
		var e *refusal.Error
		require.True(t, errors.As(err, &e), "%d", i)
		require.Equal(t, c.reason, e.Reason, "%d", i)
	}
	a, err := dist.NewOneWay([][]float64{{1, 1}, {2}})
	require.NoError(t, err)
	require.True(t, math.IsInf(a.F, 1))
	require.Zero(t, a.P)
}

func ExampleNewOneWay() {
	a, _ := dist.NewOneWay([][]float64{{6, 8, 4, 5, 3, 4}, {8, 12, 9, 11, 6, 8}, {13, 9, 11, 8, 7, 12}})
	fmt.Printf("between %.0f on %.0f, within %.0f on %.0f, F = %.1f, p = %.4f\n", a.SSBetween, a.DFBetween, a.SSWithin, a.DFWithin, a.F, a.P)
	// Output: between 84 on 2, within 68 on 15, F = 9.3, p = 0.0024
}

func TestRoot(t *testing.T) {
	for _, c := range []struct {
		f          func(float64) float64
		a, b, want float64
	}{
		{func(x float64) float64 { return math.Cos(x) - x }, 0, 1, 0.739085133215160642},
		{func(x float64) float64 { return x*x*x - 2*x - 5 }, 2, 3, 2.0945514815423265915}, // Wallis's cubic
		{func(x float64) float64 { return math.Pow(x-1, 9) }, 0, 1.7, 1},
		{func(x float64) float64 { return x }, 0, 5, 0},
		{func(x float64) float64 { return math.Atan(x) }, 50, -3, 0},
	} {
		x, err := dist.Root(c.f, c.a, c.b)
		require.NoError(t, err)
		ref.Absolute(t, c.want, x, 1e-15*math.Max(1, 40*math.Abs(c.want-1.5)), "root")
	}
	for _, f := range []func(float64) float64{func(x float64) float64 { return 1 + x*x }, func(float64) float64 { return math.NaN() }} {
		_, err := dist.Root(f, -1, 2)
		require.Error(t, err)
	}
}
