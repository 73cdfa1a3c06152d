package dist_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
)

// Means of chi variables by mpmath 1.2.1 with 50 digits: sqrt(2/df) gamma((df+1)/2)/gamma(df/2); COMPUTED.
func TestChiMean(t *testing.T) {
	for _, c := range [][2]float64{{0.05, 0.270971886806524141}, {0.7, 0.738543667756131454}, {1, 0.797884560802865356}, {3.5, 0.931895068524705378}, {28, 0.99111304824198418}, {29, 0.991418053292672919}, {31, 0.991969300515301415}, {1000, 0.999750031289052197}, {123456.5, 0.999997974997291582}, {1e8, 0.999999997500000003}} {
		require.InEpsilon(t, c[1], dist.ChiMean(c[0])/math.Sqrt(c[0]), 1e-15*4, "%v", c[0])
	}
}

func TestChiDFTurnsItRound(t *testing.T) {
	for _, df := range []float64{0.01, 0.3, 1, 2.5, 19, 400, 1e4, 3e5, 4e6, 2e7, 1e9} {
		c := dist.ChiMean(df) / math.Sqrt(df)
		v := (1 - c) * (1 + c) / (c * c)
		tol := 1e-11 + 1e-15*df // what rounding leaves of 1 - c
		require.InEpsilon(t, df, dist.ChiDF(v), 8*tol, "%v", df)
	}
	for _, v := range []float64{0, -1, math.NaN(), 1e3} {
		require.Panics(t, func() { dist.ChiDF(v) })
	}
}
