package dist_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

// models are those of the NIST StRD nonlinear sets.
var models = map[string]func(x float64, b []float64) float64{
	"Misra1a": func(x float64, b []float64) float64 { return b[0] * -math.Expm1(-b[1]*x) },
	"Thurber": func(x float64, b []float64) float64 {
		return (b[0] + x*(b[1]+x*(b[2]+x*b[3]))) / (1 + x*(b[4]+x*(b[5]+x*b[6])))
	},
	"Eckerle4": func(x float64, b []float64) float64 {
		d := (x - b[2]) / b[1]
		return b[0] / b[1] * math.Exp(-0.5*d*d)
	},
	"MGH09":   func(x float64, b []float64) float64 { return b[0] * (x*x + x*b[1]) / (x*x + x*b[2] + b[3]) },
	"DanWood": func(x float64, b []float64) float64 { return b[0] * math.Pow(x, b[1]) },
}

// TestNonlinearStRD: the NIST StRD nonlinear sets (testdata/reference/strd), certified to 11 digits, from both starting
// points with differences for derivatives.
func TestNonlinearStRD(t *testing.T) {
	for name, model := range models {
		var set struct {
			Model     string
			Start1    []float64
			Start2    []float64
			Certified struct {
				Par []ref.Number
				SD  []ref.Number `json:"par_sd"`
				RSS ref.Number
			}
			Rows [][]float64
		}
		ref.JSON(t, &set, "strd", "nls_"+name+".json")
		for i, start := range [][]float64{set.Start1, set.Start2} {
			t.Run(fmt.Sprint(name, i+1), func(t *testing.T) {
				fit, err := dist.LeastSquares(len(set.Rows), func(dst, b []float64) {
					for i, row := range set.Rows {
						dst[i] = row[0] - model(row[1], b)
					}
				}, nil, start)
				require.NoError(t, err)
				low := [2]float64{15, 15}
				for j, se := range fit.StandardErrors() {
					low[0] = math.Min(low[0], ref.Digits(t, float64(set.Certified.Par[j]), fit.Coef[j], 9.5, "coefficient"))
					low[1] = math.Min(low[1], ref.Digits(t, float64(set.Certified.SD[j]), se, 9, "its standard deviation"))
				}
				ss := ref.Digits(t, float64(set.Certified.RSS), fit.SS, 10, "sum of squares")
				t.Logf("digits: coefficients %.1f, standard deviations %.1f, sum of squares %.1f; %d steps", low[0], low[1], ss, fit.Iterations)
			})
		}
	}
}

func TestLeastSquaresRefuses(t *testing.T) {
	line := func(dst, b []float64) {
		for i := range dst {
			dst[i] = float64(i) - b[0]
		}
	}
	for want, f := range map[refusal.Reason]func() error{
		refusal.TooFew:    func() error { _, err := dist.LeastSquares(1, line, nil, []float64{1, 2}); return err },
		refusal.NonFinite: func() error { _, err := dist.LeastSquares(3, line, nil, []float64{math.NaN()}); return err },
		refusal.NoSolution: func() error {
			_, err := dist.LeastSquares(2, func(dst, _ []float64) { dst[0], dst[1] = math.Inf(1), 0 }, nil, []float64{1})
			return err
		},
	} {
		var e *refusal.Error
		require.True(t, errors.As(f(), &e))
		require.Equal(t, want, e.Reason)
	}
	// A coefficient without effect stays where it is and is told.
	fit, err := dist.LeastSquares(3, line, nil, []float64{9, 5})
	require.NoError(t, err)
	require.True(t, fit.Flat)
	require.Nil(t, fit.StandardErrors())
	ref.Absolute(t, 1, fit.Coef[0], 1e-8, "mean")
	require.Equal(t, 5.0, fit.Coef[1])
}
