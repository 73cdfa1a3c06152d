package fault

import (
	"math"
	"slices"
)

// parts is a characteristic taken apart: moulds' levels, effects of the cycles and deviations.
type parts struct {
	y       [][]float64 // [mould][cycle]
	level   []float64
	effect  []float64 // NaN: a cycle of too few panels
	dev     [][]float64
	sigma   []float64 // standard deviation of a panel's own deviation, by mould
	own     float64   // pooled
	ownPhi  float64   // correlation with the same mould's deviation in the cycle before
	wander  float64   // standard deviation of the effects
	follow  float64   // and their correlation with the cycle before
	general []bool    // moulds from which the effects were worked out
}

// enough is the number of cycles before a start from which on they alone give the levels.
const enough = 8

// takeApart works out levels from the cycles before cut (all, when they are too few) and effects from the moulds that are not
// left out.
func takeApart(y [][]float64, cut int, leave []int) *parts {
	m, n := len(y), len(y[0])
	if cut < enough || cut > n {
		cut = n
	}
	p := &parts{y: y, level: make([]float64, m), effect: make([]float64, n), general: make([]bool, m), sigma: make([]float64, m)}
	for j := range m {
		p.general[j] = !slices.Contains(leave, j)
	}
	if m-len(leave) < 2 {
		for j := range p.general {
			p.general[j] = true
		}
		leave = nil
	}
	for j := range m {
		p.level[j] = median(y[j][:cut])
		if math.IsNaN(p.level[j]) {
			p.level[j] = median(y[j])
		}
	}
	var row []float64
	for pass := range 2 {
		for i := range n {
			row = row[:0]
			for j := range m {
				if v := y[j][i] - p.level[j]; p.general[j] && !math.IsNaN(v) {
					row = append(row, v)
				}
			}
			p.effect[i] = math.NaN()
			if 2*len(row) >= m-len(leave) && len(row) > 0 {
				if leave == nil && pass == 0 {
					p.effect[i] = median(row)
				} else {
					p.effect[i] = trimmed(row, leave == nil)
				}
			}
		}
		if pass == 1 || m == 1 {
			break
		}
		for j := range m {
			sum, k := 0.0, 0
			for i := range cut {
				if v := y[j][i] - p.effect[i]; !math.IsNaN(v) {
					sum += v
					k++
				}
			}
			if k > 0 {
				p.level[j] = sum / float64(k)
			}
		}
	}
	p.scatter(cut)
	return p
}

// trimmed is the mean, without the tenth at each end where outlying moulds may be among them.
func trimmed(row []float64, trim bool) float64 {
	from, to := 0, len(row)
	if trim && len(row) >= 5 {
		slices.Sort(row)
		k := max(1, len(row)/10)
		from, to = k, len(row)-k
	}
	sum := 0.0
	for _, v := range row[from:to] {
		sum += v
	}
	return sum / float64(to-from)
}

// scatter works out deviations and how they and the effects vary.
func (p *parts) scatter(cut int) {
	m, n := len(p.y), len(p.effect)
	p.dev = make([][]float64, m)
	if m == 1 {
		// One stream: there is nothing to tell the cycle from the panel.
		p.dev[0] = make([]float64, n)
		for i := range n {
			p.dev[0][i] = p.y[0][i] - p.level[0]
		}
		p.wander, p.follow = persistence(p.dev[0][:cut])
		p.sigma[0], p.own, p.ownPhi = p.wander, p.wander, p.follow
		return
	}
	shrink := math.Sqrt(float64(m) / float64(m-1)) // the effect took its part of each deviation
	var all []float64
	each := make([][]float64, m)
	var with, square, count float64
	for j := range m {
		p.dev[j] = make([]float64, n)
		for i := range n {
			p.dev[j][i] = p.y[j][i] - p.level[j] - p.effect[i]
			if i > 0 {
				if d := math.Abs(p.dev[j][i] - p.dev[j][i-1]); !math.IsNaN(d) {
					each[j] = append(each[j], d)
				}
			}
		}
		all = append(all, each[j]...)
		for i := 1; i < cut; i++ {
			if a, b := p.dev[j][i-1], p.dev[j][i]; !math.IsNaN(a + b) {
				with += a * b
				square += (a*a + b*b) / 2
				count++
			}
		}
	}
	if square > 0 {
		p.ownPhi = steady(with/square, count/float64(m))
	}
	p.own = p.unit(all) * shrink
	for j := range m {
		k := float64(len(each[j]))
		v := p.unit(each[j]) * shrink
		p.sigma[j] = math.Sqrt((k*v*v + prior*p.own*p.own) / (k + prior))
		if k < 5 {
			p.sigma[j] = p.own
		}
	}
	p.wander, p.follow = persistence(p.effect[:cut])
	// The effects are at least as uncertain as means of so many panels.
	p.wander = math.Max(p.wander, p.own/math.Sqrt(float64(m)))
}

// prior is how many cycles the pooled standard deviation weighs against a mould's own.
const prior = 30

// unit turns the absolute differences of neighbours into a standard deviation: the median of a normal one is 0.6745 √2 σ
// where they do not resemble each other, less by √(1-φ) where they do. Steps and outliers among them do little.
func (p *parts) unit(differences []float64) float64 {
	if len(differences) == 0 {
		return p.own
	}
	return median(differences) / (0.67449 * math.Sqrt2 * math.Sqrt(1-p.ownPhi))
}

// persistence is the standard deviation of a series about its mean and its lag-1 correlation.
func persistence(x []float64) (sigma, phi float64) {
	var sum, n float64
	for _, v := range x {
		if !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	if n < 3 {
		return 0, 0
	}
	mean := sum / n
	var square, with, pairs, last float64
	last = math.NaN()
	for _, v := range x {
		if !math.IsNaN(v) {
			square += (v - mean) * (v - mean)
			if !math.IsNaN(last) {
				with += (v - mean) * (last - mean)
				pairs++
			}
		}
		last = v
	}
	if square == 0 {
		return 0, 0
	}
	if pairs > 2 {
		phi = steady(with/pairs/(square/n), pairs)
	}
	return math.Sqrt(square / (n - 1)), phi
}

// steady takes off the bias of a lag-1 correlation from n points (M. G. Kendall, Biometrika 41 (1954), 403-404) and keeps
// it where it makes a chart's sets wider, never narrower.
func steady(r, n float64) float64 {
	r += (1 + 4*r) / n
	if r < 2/math.Sqrt(n) {
		return 0 // not more than chance
	}
	return math.Min(r, 0.95)
}

// median passes over NaN; NaN when nothing is left.
func median(x []float64) float64 {
	v := make([]float64, 0, len(x))
	for _, a := range x {
		if !math.IsNaN(a) {
			v = append(v, a)
		}
	}
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}
