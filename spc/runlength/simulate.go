package runlength

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"

	"sagwatch/spc/refusal"
)

// Stepper is a chart that can be simulated: Step takes the next point and says whether the chart signals; Reset starts
// it afresh.
type Stepper interface {
	Reset()
	Step(x float64) bool
}

// Simulation says how much to simulate. The result depends on Seed, RelSE, MaxRuns and Longest and on nothing else:
// each run draws from a stream of its own, so the number of workers makes no difference, and two charts simulated with
// one seed meet the same points.
type Simulation struct {
	Seed    uint64
	RelSE   float64 // the standard error of ARL wanted, as a share of it; 0: 0.01
	MaxRuns int     // at most so many runs; 0: 1 000 000
	Longest int     // a run is ended after so many points; 0: 1 000 000
	Workers int     // goroutines; 0: one for each processor
}

// block is the number of runs that a worker draws at once, wave the number after which the error is first looked at,
// and least the number before which it is not believed.
const (
	block    = 64
	wave     = 2 * block
	least    = 1024
	warmUp   = 100  // points that bring a simulated chart to its steady state
	warmTry  = 1000 // times that it may signal meanwhile
	maxDraws = 200_000_000
)

// Simulate is the run length of any chart by seeded Monte Carlo: ARL is the mean of the runs, SE its standard error.
// make makes charts, one for each worker; d is the distribution of the independent points.
//
// It goes on in waves until the relative standard error is reached, with at least 1024 runs, at most MaxRuns or about 2e8
// points; where it stops early a warning says what was reached. Runs of more than Longest points are ended there: they
// count with Longest points, Censored says how many they are, and a warning that ARL is then a lower bound. The steady
// state (Options.Before) is that after 100 points without a signal. With R runs of lengths N_r
//
//	ARL = sum N_r / R,  SE = sqrt(sum (N_r - ARL)^2 / (R (R - 1)))
//
// It refuses distributions that are none, a relative standard error outside [1e-5, 1), MaxRuns outside 2 to 1e8 and Longest
// outside 1 to 1e8 (0 means 0.01, 1e6 and 1e6).
func Simulate(make func() Stepper, d Distribution, o Options) (RunLength, error) {
	if err := known(d); err != nil {
		return RunLength{}, err
	}
	if err := o.check(); err != nil {
		return RunLength{}, err
	}
	draw := sampler(d)
	first, before := draw, draw
	if o.First != nil {
		first = sampler(o.First)
	}
	if o.Before != nil {
		before = sampler(o.Before)
	}
	return o.Simulation.run(func(longest int) func(r *rand.Rand) (int, bool) {
		c := make()
		return func(r *rand.Rand) (int, bool) {
			c.Reset()
			if o.Before != nil {
				for try, n := 0, 0; n < warmUp; n++ {
					if c.Step(before(r)) {
						if try++; try > warmTry {
							return 0, false
						}
						c.Reset()
						n = -1
					}
				}
			}
			if c.Step(first(r)) {
				return 1, true
			}
			for n := 2; n <= longest; n++ {
				if c.Step(draw(r)) {
					return n, true
				}
			}
			return longest, false
		}
	})
}

// run simulates. walker makes a worker's function for one run: its length, and whether it signalled.
func (s Simulation) run(walker func(longest int) func(*rand.Rand) (int, bool)) (RunLength, error) {
	relSE, most, end := s.RelSE, s.MaxRuns, s.Longest
	if relSE == 0 {
		relSE = 0.01
	}
	if most == 0 {
		most = 1_000_000
	}
	if end == 0 {
		end = 1_000_000
	}
	switch {
	case !(relSE >= 1e-5 && relSE < 1):
		return RunLength{}, refusal.Setting("the relative standard error wanted", relSE, "it must lie between 1e-5 and 1")
	case most < 2 || most > 100_000_000:
		return RunLength{}, refusal.Setting("the greatest number of runs", float64(most), "it must be 2 to 100 000 000")
	case end < 1 || end > 100_000_000:
		return RunLength{}, refusal.Setting("the longest run", float64(end), "it must be 1 to 100 000 000 points")
	}
	workers := s.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	walks := make([]func(*rand.Rand) (int, bool), workers)
	for i := range walks {
		walks[i] = walker(end)
	}
	var lengths []int32
	censored, draws := 0, 0.0
	var sum, squares float64
	mean, se := 0.0, math.Inf(1)
	for len(lengths) < most && draws < maxDraws {
		from := len(lengths)
		to := min(most, from+max(wave, from/2/block*block))
		lengths = append(lengths, make([]int32, to-from)...)
		var ended sync.Map // run -> true
		var wg sync.WaitGroup
		for w := range workers {
			wg.Go(func() {
				var src rand.PCG
				r := rand.New(&src)
				for b := from + w*block; b < to; b += workers * block {
					for i := b; i < min(to, b+block); i++ {
						seeded(&src, s.Seed, uint64(i))
						n, signalled := walks[w](r)
						lengths[i] = int32(n)
						if !signalled {
							ended.Store(i, true)
						}
					}
				}
			})
		}
		wg.Wait()
		ended.Range(func(any, any) bool { censored++; return true })
		for _, n := range lengths[from:] {
			if n == 0 {
				return RunLength{}, refusal.Unsolved("the chart does not reach a steady state: before the run it signals too often within %d points", warmUp)
			}
			sum += float64(n) // whole numbers below 2^53: exact in any order
			squares += float64(n) * float64(n)
		}
		k := float64(len(lengths))
		mean, draws = sum/k, sum
		se = math.Sqrt(math.Max(0, squares/k-mean*mean) / (k - 1))
		if se <= relSE*mean && len(lengths) >= least {
			break
		}
	}
	r := RunLength{ARL: mean, SE: se, Route: MonteCarlo, Runs: len(lengths), Censored: censored}
	r.SDRL = se * math.Sqrt(float64(r.Runs))
	r.law = empirical(lengths, censored)
	if se > relSE*mean {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "simulated runs", N: r.Runs, Value: se / mean,
			Detail: fmt.Sprintf("The simulation ended after %d runs with a standard error of %.2g %%, not the %.2g %% wanted.", r.Runs, 100*se/mean, 100*relSE)})
	}
	if censored > 0 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "runs", N: censored,
			Detail: fmt.Sprintf("%d of %d simulated runs had not signalled after %d points: the average run length is at least this.", censored, r.Runs, end)})
	}
	return r, nil
}

// empirical is the law that simulated runs show.
func empirical(lengths []int32, censored int) law {
	longest := int32(0)
	for _, n := range lengths {
		longest = max(longest, n)
	}
	count := make([]int, longest+1)
	for _, n := range lengths {
		count[n]++
	}
	l := law{head: make([]float64, longest+1), hazard: 1}
	left := len(lengths)
	for n := range l.head {
		left -= count[n]
		l.head[n] = float64(left) / float64(len(lengths))
	}
	if censored > 0 { // nothing is known of what comes after
		l.head[longest] = float64(censored) / float64(len(lengths))
		l.hazard = 0
	}
	return l
}
