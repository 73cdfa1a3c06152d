package changepoint

import (
	"math"
	"math/rand/v2"
	"sync"
)

// draw gives a count at a rate.
func (p *counts) draw(exposure, rate float64, src *rand.Rand) float64 {
	if p.law == Poisson {
		return drawPoisson(exposure*rate, src)
	}
	return drawBinomial(exposure, rate, src)
}

// spread shares a total out over points as the law does when the total is given: multinomial in proportion to the
// exposures (Poisson), or without replacement from the inspected items (binomial).
func (p *counts) spread(y, e []float64, total float64, src *rand.Rand) {
	var left float64
	for _, v := range e {
		left += v
	}
	for r := range y {
		switch {
		case total <= 0:
			y[r] = 0
		case r == len(y)-1:
			y[r] = total
		case p.law == Poisson:
			y[r] = drawBinomial(total, math.Min(1, e[r]/left), src)
		default:
			y[r] = drawHypergeometric(total, e[r], left, src)
		}
		total -= y[r]
		left -= e[r]
	}
}

// fromMode draws from a law with one mode by inversion outwards from it: mass is the probability of the mode, up(k) and
// down(k) the factors from k to k+1 and from k to k-1 (0 at the ends). About as many steps as standard deviations count.
func fromMode(mode, mass float64, up, down func(k float64) float64, src *rand.Rand) float64 {
	u := src.Float64() - mass
	if u < 0 {
		return mode
	}
	hi, lo := mode, mode
	ph, pl := mass, mass
	for ph > 0 || pl > 0 {
		if ph *= up(hi); ph > 0 {
			hi++
			if u -= ph; u < 0 {
				return hi
			}
		}
		if pl *= down(lo); pl > 0 {
			lo--
			if u -= pl; u < 0 {
				return lo
			}
		}
		if ph < 1e-18 && pl < 1e-18 {
			break
		}
	}
	return mode // what rounding leaves
}

// logFactorials are log(k!) of small k: drawing asks for them all the time.
var logFactorials = sync.OnceValue(func() []float64 {
	t := make([]float64, 4096)
	for k := 2; k < len(t); k++ {
		t[k], _ = math.Lgamma(float64(k + 1))
	}
	return t
})

// logFactorial is log(k!) of a whole number.
func logFactorial(k float64) float64 {
	if t := logFactorials(); k < float64(len(t)) {
		return t[int(k)]
	}
	v, _ := math.Lgamma(k + 1)
	return v
}

func drawPoisson(mean float64, src *rand.Rand) float64 {
	mode := math.Floor(mean)
	mass := math.Exp(xlog(mode, mean) - mean - logFactorial(mode))
	return fromMode(mode, mass, func(k float64) float64 { return mean / (k + 1) }, func(k float64) float64 { return k / mean }, src)
}

func drawBinomial(n, p float64, src *rand.Rand) float64 {
	if p <= 0 || n <= 0 {
		return 0
	}
	if p >= 1 {
		return n
	}
	mode := math.Min(n, math.Floor((n+1)*p))
	mass := math.Exp(logFactorial(n) - logFactorial(mode) - logFactorial(n-mode) + mode*math.Log(p) + (n-mode)*math.Log1p(-p))
	odds := p / (1 - p)
	return fromMode(mode, mass,
		func(k float64) float64 { return (n - k) / (k + 1) * odds },
		func(k float64) float64 { return k / ((n - k + 1) * odds) }, src)
}

// drawHypergeometric is the number of marked items among n drawn from all, of which marked are marked.
func drawHypergeometric(marked, n, all float64, src *rand.Rand) float64 {
	if n >= all {
		return marked
	}
	least, most := math.Max(0, n+marked-all), math.Min(n, marked)
	mode := math.Max(least, math.Min(most, math.Floor((n+1)*(marked+1)/(all+2))))
	choose := func(n, k float64) float64 { return logFactorial(n) - logFactorial(k) - logFactorial(n-k) }
	mass := math.Exp(choose(marked, mode) + choose(all-marked, n-mode) - choose(all, n))
	return fromMode(mode, mass,
		func(k float64) float64 {
			if k >= most {
				return 0
			}
			return (marked - k) * (n - k) / ((k + 1) * (all - marked - n + k + 1))
		},
		func(k float64) float64 {
			if k <= least {
				return 0
			}
			return k * (all - marked - n + k) / ((marked - k + 1) * (n - k + 1))
		}, src)
}
