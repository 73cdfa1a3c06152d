package rules_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/rules"
)

// standard are 3-sigma limits of a standard normal point.
var standard = spc.Limits{Lower: -3, Upper: 3, HasLower: true, HasCentre: true, HasUpper: true, Sigma: 1}

// runLength is the mean number of points to the first signal from a fresh start, with its standard error.
func runLength(set rules.Set, shift float64, runs int, seed uint64) (mean, se float64) {
	src := rand.New(rand.NewPCG(seed, 21))
	var s, ss float64
	for range runs {
		var st rules.State
		n := 0.0
		for {
			n++
			if hits := set.Step(&st, shift+src.NormFloat64(), standard); hits.Len() > 0 {
				break
			}
		}
		s += n
		ss += n * n
	}
	mean = s / float64(runs)
	return mean, math.Sqrt((ss/float64(runs) - mean*mean) / float64(runs))
}

// Champ and Woodall 1987, Exact results for Shewhart control charts with supplementary runs rules, Technometrics 29(4),
// table 1 (published values MEMORY; COMPUTED by exact Markov chain, which is what we compare with). C1 is beyond-limits,
// C2 two of three, C3 four of five, C4 eight on one side. Their zones end at the limits, which makes no difference to
// the first signal since a point beyond signals by itself. Within 4 standard errors, seeded.
func TestRunLengthsPublished(t *testing.T) {
	var published struct {
		Rows []struct {
			Rules    string  `json:"rules"`
			Shift    float64 `json:"shift"`
			Computed float64 `json:"computed"`
		} `json:"rows"`
	}
	ref.JSON(t, &published, "runlength", "runs_rules.json")
	var wg sync.WaitGroup
	var mu sync.Mutex
	checked := map[string]bool{}
	for i, row := range published.Rows {
		if strings.Trim(row.Rules, "C1234") != "" || row.Shift != 0 && row.Shift != 0.4 && row.Shift != 1 && row.Shift != 2 {
			continue
		}
		checked[row.Rules] = true
		set := rules.Default()
		for _, digit := range row.Rules[2:] {
			var err error
			switch digit {
			case '2':
				set, err = set.With(rules.TwoOfThree, 2)
			case '3':
				set, err = set.With(rules.FourOfFive, 4)
			case '4':
				set, err = set.With(rules.RunOneSide, 8)
			}
			require.NoError(t, err)
		}
		wg.Go(func() {
			mean, se := runLength(set, row.Shift, 10000, uint64(i))
			mu.Lock()
			defer mu.Unlock()
			if math.Abs(mean-row.Computed) > 4*se || se > 0.02*row.Computed {
				t.Errorf("%s at shift %v: %.2f with standard error %.2f, published %.2f", row.Rules, row.Shift, mean, se, row.Computed)
			}
		})
	}
	wg.Wait()
	require.Len(t, checked, 8)
}

// The mean wait for a run of n with probability p a point is (1 - p^n) / ((1 - p) p^n), for either of two equally
// likely sides (1 - 2^-n) / 2^-n (Feller, An Introduction to Probability Theory, vol. 1, XIII.7, from memory; for 9 on
// one side 511, shewhart.json). Within 4 standard errors, seeded.
func TestRunLengthsExact(t *testing.T) {
	wait := func(p float64, n int) float64 { q := math.Pow(p, float64(n)); return (1 - q) / ((1 - p) * q) }
	within := math.Erf(1 / math.Sqrt2)
	for _, c := range []struct {
		rule  rules.Rule
		count int
		want  float64
	}{
		{rules.RunOneSide, 9, 511},
		{rules.FifteenWithin, 15, wait(within, 15)},
		{rules.EightOutside, 4, wait(1-within, 4)},
	} {
		set, err := rules.Set{}.With(c.rule, c.count)
		require.NoError(t, err)
		mean, se := runLength(set, 0, 5000, uint64(c.rule))
		require.InDelta(t, c.want, mean, 4*se, c.rule)
	}
}

// Of the 6! orders of six values two are monotone, and of the 14! of fourteen 2 x 199 360 981 alternate (André 1881; the
// Euler zigzag number of 14 from the Seidel triangle below): the shares of points at which the rules fire. Neighbouring
// windows overlap, so the standard error comes from blocks of 1000 points; within 4 of them, seeded.
func TestSharesExact(t *testing.T) {
	// Seidel's triangle: each row sums the one before from its other end.
	row := []float64{1}
	for n := 1; n <= 14; n++ {
		next := make([]float64, n+1)
		for k := 1; k <= n; k++ {
			next[k] = next[k-1] + row[n-k]
		}
		row = next
	}
	require.Equal(t, 199360981.0, row[14])
	for _, c := range []struct {
		rule rules.Rule
		want float64
	}{
		{rules.Trend, 2.0 / 720},
		{rules.Alternating, 2 * row[14] / math.Gamma(15)},
	} {
		set, err := rules.Set{}.With(c.rule, 0)
		require.NoError(t, err)
		src := rand.New(rand.NewPCG(22, uint64(c.rule)))
		var st rules.State
		const blocks, size = 2000, 1000
		var s, ss float64
		for range blocks {
			k := 0.0
			for range size {
				hits := set.Step(&st, src.NormFloat64(), standard)
				k += float64(hits.Len())
			}
			s += k
			ss += k * k
		}
		mean := s / blocks
		se := math.Sqrt((ss/blocks - mean*mean) / blocks)
		require.Less(t, se, 0.05*mean)
		require.InDelta(t, c.want*size, mean, 4*se, c.rule)
	}
}

func BenchmarkStep(b *testing.B) {
	src := rand.New(rand.NewPCG(1, 23))
	x := make([]float64, 1024)
	for i := range x {
		x[i] = src.NormFloat64()
	}
	set := rules.All()
	var st rules.State
	n := 0
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		hits := set.Step(&st, x[i%1024], standard)
		n += hits.Len()
	}
	_ = n
}

// Step must not allocate: it runs for every point of every chart of a re-fold.
func TestStepAllocatesNothing(t *testing.T) {
	set := rules.All()
	var st rules.State
	x, fired := 0.0, 0
	require.Zero(t, testing.AllocsPerRun(1000, func() {
		x++
		hits := set.Step(&st, x, standard)
		for _, h := range hits.All() {
			fired += h.Back()
		}
	}))
	require.Positive(t, fired)
}
