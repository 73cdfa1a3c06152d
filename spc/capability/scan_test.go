package capability_test

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// A scan gives the moments of the values to their last digits, and percentiles to its bins, in whatever order values come.
func TestScanAgreesWithTheValues(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	const n = 20000
	x, stream, block := make([]float64, n), make([]int, n), make([]int, n)
	for i := range x {
		stream[i], block[i] = i%11, i/400
		x[i] = 1107.5 + 0.2*float64(stream[i]) + 0.5*r.NormFloat64()
	}
	width, origin, err := capability.GridFor(x[:1000])
	require.NoError(t, err)
	scan := func(order []int) capability.Grid {
		s, err := capability.NewScan(width, origin)
		require.NoError(t, err)
		for _, i := range order {
			require.NoError(t, s.Add(stream[i], block[i], x[i]))
		}
		return s.Grid()
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	g := scan(order)
	raw, err := fit.Values(x)
	require.NoError(t, err)
	mean, sd := raw.MeanSD()
	gotMean, all, err := capability.Overall(g.Groups(func(c *capability.Cell) int { return c.Stream }))
	require.NoError(t, err)
	require.InEpsilon(t, mean, gotMean, 1e-14)
	require.InEpsilon(t, sd, all.SD, 1e-11)
	require.Equal(t, n, g.N())
	least, greatest := g.Range()
	wantLeast, wantGreatest := raw.Range()
	require.Equal(t, [2]float64{wantLeast, wantGreatest}, [2]float64{least, greatest})

	binned, blocks, err := g.Sample(nil)
	require.NoError(t, err)
	require.Len(t, blocks, 50)
	require.Equal(t, n, binned.N())
	ps := []float64{0.00135, 0.1, 0.5, 0.9, 0.99865}
	want, got := raw.Quantiles(make([]float64, 5), ps, nil), binned.Quantiles(make([]float64, 5), ps, nil)
	for i := range ps {
		require.InDelta(t, want[i], got[i], 2*width, "percentile %g", ps[i])
	}

	r.Shuffle(n, func(i, j int) { order[i], order[j] = order[j], order[i] })
	h := scan(order)
	require.Equal(t, g, h, "to the last bit")

	// Levelled: every mould on the mean of all, so that what is left is the scatter inside the moulds.
	shift := capability.Levelled(g)
	level, _, err := g.Sample(func(stream int) float64 { return shift[stream] })
	require.NoError(t, err)
	m, s := level.MeanSD()
	require.InDelta(t, mean, m, width)
	require.InEpsilon(t, 0.5, s, 0.02)
	require.Greater(t, sd, 1.2*s)
}

// Cells hold the same bits in whatever order values come and scans are merged, and moments as exact as rational arithmetic.
func TestScanDoesNotDependOnTheOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 9))
	for _, c := range []struct{ mean, sd, width, origin float64 }{{1107.5, 0.5, 0.005, 1107}, {0, 1, 0.01, 0}, {-3e6, 1e-3, 1e-5, -3e6}, {1107.5, 0.5, 0.005, 0}, {2, 40, 0.001, 100}} {
		x := make([]float64, 700)
		for i := range x {
			x[i] = c.mean + c.sd*r.NormFloat64()
		}
		scan := func(x []float64) *capability.Scan {
			s, err := capability.NewScan(c.width, c.origin)
			require.NoError(t, err)
			for _, v := range x {
				require.NoError(t, s.Add(0, 0, v))
			}
			return s
		}
		want := scan(x).Cells()
		sum, squares, n := new(big.Rat), new(big.Rat), big.NewRat(int64(len(x)), 1)
		for _, v := range x {
			q := new(big.Rat).SetFloat64(v)
			sum.Add(sum, q)
			squares.Add(squares, q.Mul(q, q))
		}
		mean, _ := new(big.Rat).Quo(sum, n).Float64()
		ss, _ := squares.Sub(squares, sum.Mul(sum, sum).Quo(sum, n)).Float64()
		require.InDelta(t, mean, want[0].Mean, 1e-12*c.sd+2e-16*math.Abs(mean))
		require.InEpsilon(t, ss, want[0].SS, 2e-12)
		for range 20 {
			r.Shuffle(len(x), func(i, j int) { x[i], x[j] = x[j], x[i] })
			cut := r.IntN(len(x))
			require.Equal(t, want, scan(x).Cells())
			a, b := scan(x[:cut]), scan(x[cut:])
			require.NoError(t, b.Merge(a))
			require.Equal(t, want, b.Cells())
		}
	}
}

func TestScanRefusesWhatItCannotPlace(t *testing.T) {
	s, err := capability.NewScan(0.001, 0)
	require.NoError(t, err)
	for _, v := range []float64{math.NaN(), math.Inf(1), 1e12} {
		require.Error(t, s.Add(0, 0, v))
	}
	require.NoError(t, s.Add(0, 0, 1))
	require.NoError(t, s.Add(0, 0, 2e6))
	_, _, err = s.Grid().Sample(nil)
	var e *refusal.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, refusal.NoSolution, e.Reason, "a value wrong by a factor must not eat the memory")
	_, _, err = capability.GridFor([]float64{1, 1})
	require.Error(t, err)
}

func FuzzScan(f *testing.F) {
	f.Add(0.5, 0.0, 1.0, 2.0, 3.0)
	f.Add(1e-300, 1e300, 1e-310, -1.0, math.Inf(1))
	f.Fuzz(func(t *testing.T, width, origin, a, b, c float64) {
		s, err := capability.NewScan(width, origin)
		if err != nil {
			return
		}
		for i, v := range []float64{a, b, c} {
			_ = s.Add(i%2, i, v)
		}
		g := s.Grid()
		sample, blocks, err := g.Sample(func(stream int) float64 { return float64(stream) * width })
		if err != nil {
			return
		}
		n := 0
		for _, b := range blocks {
			for i, k := range b.Count {
				n += int(k)
				require.True(t, b.Place[i] >= 0 && int(b.Place[i]) < sample.Places())
			}
		}
		require.Equal(t, g.N(), n)
		require.Equal(t, g.N(), sample.N())
	})
}

// BenchmarkScan takes a value into the cells of a press of eleven moulds.
func BenchmarkScan(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	s, err := capability.NewScan(0.5, 0)
	require.NoError(b, err)
	x := make([]float64, 1<<16)
	for i := range x {
		x[i] = 130 + 25*r.ExpFloat64()
	}
	i := 0
	for b.Loop() {
		if err := s.Add(i%11, i/8640, x[i&0xffff]); err != nil {
			b.Fatal(err)
		}
		i++
	}
}

// BenchmarkBlockBootstrap resamples the blocks of 10 000 values 2 000 times for percentile indices.
func BenchmarkBlockBootstrap(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	x, block := make([]float64, 10000), make([]int, 10000)
	for i := range x {
		x[i], block[i] = 130+25*r.ExpFloat64(), i/120
	}
	s, err := fit.Values(x)
	require.NoError(b, err)
	blocks, err := s.Blocks(block)
	require.NoError(b, err)
	spec := capability.Spec{Upper: 400, HasUpper: true}
	for b.Loop() {
		if _, err := capability.Bootstrap(s, blocks, spec, capability.ByPercentiles, "", 0.95, fit.Resampling{Resamples: 2000}); err != nil {
			b.Fatal(err)
		}
	}
}
