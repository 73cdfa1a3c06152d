package changepoint

import (
	"math"
	"math/rand/v2"
	"slices"
)

// trend is a drift fitted to counts at one start: log rate or log odds = level + slope (t - s + 1)+.
type trend struct {
	level, slope, se float64
	logLik           float64
	done             bool
}

// rate is the rate (proportion) at a log rate (log odds).
func (p *counts) rate(level float64) float64 {
	if p.law == Poisson {
		return math.Exp(level)
	}
	return 1 / (1 + math.Exp(-level))
}

// link is the inverse of rate, kept off the ends by half an event.
func (p *counts) link(y, e float64) float64 {
	if p.law == Poisson {
		return math.Log(math.Max(y, 0.5) / e)
	}
	return math.Log(math.Max(y, 0.5) / math.Max(e-y, 0.5))
}

// steepest is the greatest slope that is looked for: beyond it the rates no longer differ from 0 or 1.
const steepest = 20

// trend fits by Newton's method with halving; the likelihood is concave. Starts from warm where there is one.
func (p *counts) trend(v *counted, y []float64, total float64, start int, warm trend) trend {
	n, first := len(v.y), v.at[start]
	known := !math.IsNaN(v.rate)
	f := trend{level: p.link(total, v.se[n]), done: true}
	if warm.done {
		f.level, f.slope = warm.level, warm.slope
	}
	if known {
		if p.law == Binomial {
			f.level = math.Log(v.rate / (1 - v.rate))
		} else {
			f.level = math.Log(v.rate)
		}
	}
	x := v.ages(start, first)
	var before float64
	for r := range first {
		before += y[r]
	}
	value := func(a, b float64) (l, ga, gb, haa, hab, hbb float64) {
		l = p.canonical(before, v.se[first], a)
		m, w := p.moments(v.se[first], a)
		ga, haa = before-m, w
		for r := first; r < n; r++ {
			k := x[r-first]
			theta := a + b*k
			l += p.canonical(y[r], v.e[r], theta)
			m, w := p.moments(v.e[r], theta)
			d := y[r] - m
			ga += d
			gb += d * k
			haa += w
			hab += w * k
			hbb += w * k * k
		}
		return l, ga, gb, haa, hab, hbb
	}
	l, ga, gb, haa, hab, hbb := value(f.level, f.slope)
	if !(l > math.Inf(-1)) { // a slope from the start before that overflows here
		f.slope = 0
		l, ga, gb, haa, hab, hbb = value(f.level, f.slope)
	}
	for range 60 {
		var da, db float64
		if known {
			db = gb / math.Max(hbb, 1e-12)
		} else {
			det := haa*hbb - hab*hab
			if det <= 1e-14*haa*hbb || det <= 0 {
				haa, hbb = haa*1.001+1e-9, hbb*1.001+1e-9
				det = haa*hbb - hab*hab
			}
			da, db = (hbb*ga-hab*gb)/det, (haa*gb-hab*ga)/det
		}
		step := 1.0
		if size := math.Max(math.Abs(da), math.Abs(db)); size > 3 {
			step = 3 / size
		}
		improved := false
		for range 30 {
			a, b := f.level+step*da, math.Max(-steepest, math.Min(steepest, f.slope+step*db))
			a = math.Max(-50, math.Min(50, a))
			l2, ga2, gb2, haa2, hab2, hbb2 := value(a, b)
			if l2 >= l {
				improved = l2-l > 1e-10*(1+math.Abs(l))
				f.level, f.slope = a, b
				l, ga, gb, haa, hab, hbb = l2, ga2, gb2, haa2, hab2, hbb2
				break
			}
			step /= 2
		}
		if !improved {
			break
		}
	}
	f.logLik = l
	info := hbb
	if !known && haa > 0 {
		info -= hab * hab / haa
	}
	f.se = 1 / math.Sqrt(math.Max(info, 1e-6))
	return f
}

// ages are t - s + 1 of the observations from first on.
func (v *counted) ages(start, first int) []float64 {
	x := make([]float64, 0, len(v.y)-first)
	for t := start; t < len(v.at)-1; t++ {
		if v.at[t+1] > v.at[t] {
			x = append(x, float64(t-start+1))
		}
	}
	return x
}

// canonical is the log likelihood at a log rate (log odds).
func (p *counts) canonical(y, e, theta float64) float64 {
	if e == 0 {
		return 0
	}
	if p.law == Poisson {
		return y*theta - e*math.Exp(theta)
	}
	return y*theta - e*softplus(theta)
}

// moments are mean and variance of a count.
func (p *counts) moments(e, theta float64) (mean, variance float64) {
	q := p.rate(theta)
	if p.law == Poisson {
		return e * q, e * q
	}
	return e * q, e * q * (1 - q)
}

// softplus is log(1 + e^x).
func softplus(x float64) float64 {
	if x > 0 {
		return x + math.Log1p(math.Exp(-x))
	}
	return math.Log1p(math.Exp(x))
}

// driftSets resamples from the fitted drift to find how far below its maximum the likelihood at the true start lies.
func (p *counts) driftSets(e *Estimate, resamples int, src *rand.Rand) {
	y, sy := p.blank()
	gain := make([]float64, p.length)
	fits := make([]trend, len(p.streams))
	for i, v := range p.streams {
		n := len(v.y)
		r := v.at[p.best]
		if r == n || r == 0 && math.IsNaN(v.rate) {
			fits[i] = trend{level: p.link(v.sy[n], math.Max(v.se[n], 1))}
			continue
		}
		fits[i] = p.trend(v, v.y, v.sy[n], p.best, trend{})
	}
	less := make([]float64, resamples)
	for k := range less {
		for i, v := range p.streams {
			first := v.at[p.best]
			x := v.ages(p.best, first)
			for r := range v.y {
				theta := fits[i].level
				if r >= first {
					theta += fits[i].slope * x[r-first]
				}
				// A fitted rate that no count could have is drawn as the greatest that one could.
				rate := p.rate(math.Min(theta, 18))
				y[i][r] = p.draw(v.e[r], rate, src)
			}
			accumulate(sy[i], y[i])
		}
		best := p.profile(gain, y, sy)
		less[k] = gain[best] - gain[p.best]
	}
	slices.Sort(less)
	at := func(level float64) float64 {
		return less[min(resamples-1, int(math.Ceil(level*float64(resamples+1)))-1)]
	}
	c95, c99 := at(0.95), at(0.99)
	for t, g := range p.gain {
		if p.q[t] == 0 {
			continue
		}
		if p.gain[p.best]-g <= c95 {
			e.Set95.take(t)
		}
		if p.gain[p.best]-g <= c99 {
			e.Set99.take(t)
		}
	}
}
