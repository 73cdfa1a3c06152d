package fit

import (
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"

	"sagwatch/spc/refusal"
)

// Resampling says how much is resampled. The result depends on Resamples and Seed and on nothing else: each resample
// draws from a stream of its own, so that the number of goroutines makes no difference.
type Resampling struct {
	Resamples int    // 0: 2000
	Seed      uint64 // any
	Workers   int    // goroutines; 0: one for each processor
}

// chunk is how many resamples a goroutine takes at once.
const chunk = 16

// Each calls work once for each resample i from 0, with its random numbers; start makes the work of one goroutine with
// room of its own. Results belong in places that i alone decides.
func (o Resampling) Each(start func() (work func(i int, r *rand.Rand))) {
	n := o.Resamples
	if n <= 0 {
		n = 2000
	}
	workers := o.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, (n+chunk-1)/chunk)
	next := make(chan int)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			work := start()
			var src rand.PCG
			r := rand.New(&src)
			for first := range next {
				for i := first; i < min(first+chunk, n); i++ {
					src.Seed(o.Seed, mix(uint64(i)))
					work(i, r)
				}
			}
		})
	}
	for first := 0; first < n; first += chunk {
		next <- first
	}
	close(next)
	wg.Wait()
}

// number is how many resamples there are.
func (o Resampling) number() int {
	if o.Resamples <= 0 {
		return 2000
	}
	return o.Resamples
}

// mix spreads the number of a resample over 64 bits.
//
// Source: G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014.
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Block is the values of a sample that are resampled together, those of one shift: how many lie at which places.
type Block struct {
	Place []int32
	Count []int32
}

// Blocks gathers the values of a sample by block: block[i] says which block value i belongs to, in the order in which
// Values got them. Blocks come in the order of their first value. Refused are a histogram, whose blocks must be counted
// by the caller, and a wrong number.
func (s *Sample) Blocks(block []int) ([]Block, error) {
	if s.values == nil {
		return nil, refusal.Shapes("a histogram does not know the order of its values")
	}
	if len(block) != s.n {
		return nil, refusal.Shapes("%d values need %d block numbers, not %d", s.n, s.n, len(block))
	}
	number := map[int]int{}
	var places [][]int32
	for i, b := range block {
		k, ok := number[b]
		if !ok {
			k = len(places)
			number[b] = k
			places = append(places, nil)
		}
		place, _ := slices.BinarySearch(s.at, s.values[i])
		places[k] = append(places[k], int32(place))
	}
	out := make([]Block, len(places))
	for k, ps := range places {
		slices.Sort(ps)
		for i, p := range ps {
			if i == 0 || p != ps[i-1] {
				out[k].Place = append(out[k].Place, p)
				out[k].Count = append(out[k].Count, 0)
			}
			out[k].Count[len(out[k].Count)-1]++
		}
	}
	return out, nil
}

// Bootstrap works out figures of resamples of the sample: without blocks n values are drawn with replacement one by one,
// with blocks as many blocks as there are, whole. figures writes its figures of one resample, given by its counts at the
// sample's places, to dst of length m; it may be called from several goroutines at once and must keep neither slice.
// Result i holds the figures of resample i. Refused is a block whose places are not the sample's; fewer than two blocks
// or values are refused as too few.
//
// Source: B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap (1993), chapters 6 and 8.
func (s *Sample) Bootstrap(blocks []Block, m int, o Resampling, figures func(dst []float64, counts []int)) ([][]float64, error) {
	if blocks == nil && s.n < 2 {
		return nil, refusal.Few("values", s.n, 2)
	}
	if blocks != nil && len(blocks) < 2 {
		return nil, refusal.Few("blocks", len(blocks), 2)
	}
	total := 0
	for i, b := range blocks {
		if len(b.Place) != len(b.Count) {
			return nil, refusal.Shapes("block %d has %d places and %d counts", i+1, len(b.Place), len(b.Count))
		}
		for j, p := range b.Place {
			if p < 0 || int(p) >= len(s.at) || b.Count[j] < 0 {
				return nil, refusal.Shapes("block %d does not belong to the sample", i+1)
			}
			total += int(b.Count[j])
		}
		if len(b.Place) == 0 {
			return nil, refusal.Shapes("block %d is empty", i+1)
		}
	}
	if blocks != nil && total == 0 {
		return nil, refusal.Few("values", 0, 2)
	}
	flat := make([]float64, m*o.number())
	out := make([][]float64, o.number())
	for i := range out {
		out[i] = flat[i*m : (i+1)*m : (i+1)*m]
	}
	var draw func(r *rand.Rand, counts, times []int)
	switch {
	case blocks != nil:
		draw = func(r *rand.Rand, counts, times []int) {
			clear(counts)
			clear(times)
			for range blocks {
				times[r.IntN(len(blocks))]++
			}
			for i := range blocks {
				// More than a third of the blocks come not at all.
				if n := times[i]; n > 0 {
					b := &blocks[i]
					count := b.Count[:len(b.Place)]
					for j, p := range b.Place {
						counts[p] += n * int(count[j])
					}
				}
			}
		}
	case len(s.at) == s.n:
		draw = func(r *rand.Rand, counts, _ []int) {
			clear(counts)
			for range s.n {
				counts[r.Uint32N(uint32(s.n))]++
			}
		}
	default:
		draw = func(r *rand.Rand, counts, _ []int) { s.multinomial(r, counts) }
	}
	o.Each(func() func(int, *rand.Rand) {
		counts, times := make([]int, len(s.at)), make([]int, len(blocks))
		return func(i int, r *rand.Rand) {
			draw(r, counts, times)
			figures(out[i], counts)
		}
	})
	return out, nil
}

// multinomial draws n values with replacement by their counts: each place's count is binomial given those before it.
func (s *Sample) multinomial(r *rand.Rand, counts []int) {
	left, weight := s.n, s.n
	for i, c := range s.count {
		k := 0
		switch {
		case left == 0 || c == 0:
		case c == weight:
			k = left
		default:
			k = binomial(r, left, float64(c)/float64(weight))
		}
		counts[i] = k
		left -= k
		weight -= c
	}
}

// binomial draws from a binomial distribution: by waiting times for few expected, else by transformed rejection, whose
// acceptance compares with the exact probabilities.
//
// Source: L. Devroye, Non-Uniform Random Variate Generation (1986), X.4.3 (waiting times); W. Hormann, "The generation of
// binomial random variates", Journal of Statistical Computation and Simulation 46 (1993), 101-110, algorithm BTRS.
func binomial(r *rand.Rand, n int, p float64) int {
	if p > 0.5 {
		return n - binomial(r, n, 1-p)
	}
	if p <= 0 {
		return 0
	}
	nf := float64(n)
	if nf*p < 10 {
		l := math.Log1p(-p)
		for k, at := 0, 0; ; k++ {
			at += 1 + int(math.Min(nf, math.Log(open(r))/l))
			if at > n {
				return k
			}
		}
	}
	sd := math.Sqrt(nf * p * (1 - p))
	b := 1.15 + 2.53*sd
	a := -0.0873 + 0.0248*b + 0.01*p
	c := nf*p + 0.5
	alpha := (2.83 + 5.1/b) * sd
	odds := math.Log(p / (1 - p))
	m := math.Floor((nf + 1) * p)
	hm := lgamma(m+1) + lgamma(nf-m+1)
	for {
		u, v := open(r)-0.5, open(r)
		us := 0.5 - math.Abs(u)
		k := math.Floor((2*a/us+b)*u + c)
		if k < 0 || k > nf {
			continue
		}
		if us >= 0.07 && v <= 0.92-4.2/b ||
			math.Log(v*alpha/(a/(us*us)+b)) <= hm-lgamma(k+1)-lgamma(nf-k+1)+(k-m)*odds {
			return int(k)
		}
	}
}

// PercentileLimits are the limits between which the figure's resampled values lie with the given confidence, and their
// standard deviation: the percentile bootstrap interval. column picks the figure. Values that are not finite are left
// out; ok is false where fewer than half are left.
//
// Source: B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap (1993), section 13.3.
func PercentileLimits(resamples [][]float64, column int, confidence float64) (lower, upper, sd float64, ok bool) {
	x := make([]float64, 0, len(resamples))
	for _, r := range resamples {
		if v := r[column]; math.Abs(v) <= 1e150 {
			x = append(x, v)
		}
	}
	if 2*len(x) < len(resamples) || len(x) < 2 || !(confidence > 0 && confidence < 1) {
		return 0, 0, 0, false
	}
	s, err := Values(x)
	if err != nil {
		return 0, 0, 0, false
	}
	q := s.Quantiles(nil, []float64{(1 - confidence) / 2, (1 + confidence) / 2}, nil)
	_, sd = s.MeanSD()
	return q[0], q[1], sd, true
}
