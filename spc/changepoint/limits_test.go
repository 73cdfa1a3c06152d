package changepoint_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
)

// Of the sequences without a change that have come to point n without a signal, the share 1/ARL0 signals there: at every
// single one of the first points judged, over the joint to the limits of blocks at n = 25, and between the run lengths of
// the table. Other sequences than those of the table.
func TestFalseSignalsAtEachPoint(t *testing.T) {
	t.Parallel()
	const end = 40
	for _, c := range []struct {
		shape     changepoint.Shape
		arl0      float64
		sequences int
	}{{changepoint.Step, 200, 120_000}, {changepoint.Step, 500, 120_000}, {changepoint.Drift, 280, 60_000}} {
		t.Run(string(c.shape), func(t *testing.T) {
			t.Parallel()
			chart, err := changepoint.NewChart(changepoint.ChartOptions{Shape: c.shape, ARL0: c.arl0})
			require.NoError(t, err)
			src := rand.New(rand.NewPCG(77, uint64(c.arl0)))
			var alive, signals [end + 1]float64
			for range c.sequences {
				var s changepoint.ChartState
				for n := 1; n <= end; n++ {
					p := chart.Step(&s, src.NormFloat64())
					alive[n]++
					if p.Signal {
						signals[n]++
						break
					}
				}
			}
			for n := range changepoint.FirstJudged {
				require.Zero(t, signals[n])
			}
			within := func(from, to int, errors float64) {
				t.Helper()
				var wanted, found float64
				for n := from; n <= to; n++ {
					wanted += alive[n] / c.arl0
					found += signals[n]
				}
				require.InDelta(t, wanted, found, errors*math.Sqrt(wanted), "points %d to %d", from, to)
			}
			for n := changepoint.FirstJudged; n <= end; n++ {
				within(n, n, 4)
			}
			within(changepoint.FirstJudged, 14, 3)
			within(15, 25, 3)
			within(26, 30, 3)
			within(31, end, 3)
			// The joint: limits fall, and ever more slowly, to within the error of those of blocks.
			for n := changepoint.FirstJudged; n < 60; n++ {
				require.Greater(t, chart.Limit(n), chart.Limit(n+1), "point %d", n)
			}
		})
	}
}
