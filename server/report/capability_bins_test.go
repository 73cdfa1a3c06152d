package report_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
)

// A bar of the histogram holds whole steps of the gauge's reading: a finer or a crooked one would draw a comb that is not in the process.
func TestBarsHoldWholeSteps(t *testing.T) {
	t.Parallel()
	for _, step := range []float64{0.01, 0.05, 0.1, 0.5} {
		r := rand.New(rand.NewPCG(11, 12))
		_, w, _ := worked(t, capabilityPlant(t, 1, limits("radius_mm", 1101.5, 1113.5)), report.CapabilityQuery{}, 3, panelsOf(900, 1, 4*time.Minute, func(_ int, o *store.Obs) {
			o.Values.Set(spc.RadiusMM, math.Round((1107.4+.3*r.NormFloat64())/step)*step)
		}))
		n := 0
		for _, b := range w.Worked[0].Bins {
			steps := (b.To - b.From) / step
			require.Greater(t, steps, .99, "no bar is finer than a step of %g", step)
			require.InDelta(t, math.Round(steps), steps, .02, "whole steps of %g", step)
			at := b.From/step - math.Floor(b.From/step) // edges lie between values
			require.True(t, at > .05 && at < .95, "the edge %g of a bar lies on a value, steps of %g", b.From, step)
			n += b.N
		}
		require.Equal(t, 900, n)
	}
}
