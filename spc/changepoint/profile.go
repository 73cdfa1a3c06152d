package changepoint

import (
	"math"
	"math/rand/v2"
)

// profile is the likelihood of one shape of change by its start.
type profile struct {
	shape   Shape
	common  bool // one size for all streams
	unknown bool // one unknown scale
	length  int
	streams []*white
	from    int       // least start
	n       int       // observations
	dof     int       // observations less means
	q       []int     // sizes that a start can tell
	info    []float64 // for a common size: sum of d

	gain []float64 // what the change takes off the sum of squares
	rest float64   // sum of squares without a change
	best int
}

// newProfile works out the profile of streams that have been checked.
func newProfile(streams []Stream, length int, shape Shape, common, unknown bool) *profile {
	p := &profile{shape: shape, common: common, unknown: unknown, length: length, q: make([]int, length), info: make([]float64, length), gain: make([]float64, length)}
	for _, s := range streams {
		v := whiten(s, length, shape)
		p.streams = append(p.streams, v)
		p.n += v.n
		p.dof += v.n
		if !v.known && v.n > 0 {
			p.dof--
		}
		if v.still {
			continue
		}
		for t := range length {
			if v.d[t] > 0 {
				p.info[t] += v.d[t]
				if !common || p.q[t] == 0 {
					p.q[t]++
				}
			}
		}
	}
	w := p.scratch()
	for i, v := range p.streams {
		copy(w.w[i], v.w)
	}
	p.rest, p.best = p.run(p.gain, w)
	return p
}

// scratch is the working memory of a profile run.
type scratch struct {
	w     [][]float64
	score []float64
	total []float64
	gain  []float64
}

func (p *profile) scratch() *scratch {
	w := &scratch{score: make([]float64, p.length), total: make([]float64, p.length), gain: make([]float64, p.length)}
	for _, v := range p.streams {
		w.w = append(w.w, make([]float64, v.n))
	}
	return w
}

// run writes to gain by how much a change at each start lowers the sum of squares of w.w, and gives the sum without one
// and the start of the greatest gain.
func (p *profile) run(gain []float64, w *scratch) (rest float64, best int) {
	clear(gain)
	clear(w.total)
	for i, v := range p.streams {
		yy, s1y := v.sums(w.w[i])
		rest += v.rest(yy, s1y)
		if v.still {
			continue
		}
		v.scores(w.score, w.w[i], s1y, p.shape)
		for t, s := range w.score {
			switch d := v.d[t]; {
			case d <= 0:
			case p.common:
				w.total[t] += s
			default:
				gain[t] += s * s / d
			}
		}
	}
	if p.common {
		for t, s := range w.total {
			if p.info[t] > 0 {
				gain[t] = s * s / p.info[t]
			}
		}
	}
	best = -1
	for t, g := range gain {
		if p.q[t] > 0 && (best < 0 || g > gain[best]) {
			best = t
		}
	}
	return rest, best
}

// logLik is the log likelihood of a change at start over that of none.
func (p *profile) logLik(start int) float64 {
	if !p.unknown {
		return p.gain[start] / 2
	}
	left := p.rest - p.gain[start]
	if left <= 1e-14*p.rest {
		left = 1e-14 * p.rest
	}
	return float64(p.n) / 2 * math.Log(p.rest/left)
}

// change writes to w the whitened change of size 1 at start.
func (v *white) change(w []float64, start int, shape Shape) {
	clear(w)
	q, h := v.at[start], float64(len(v.d)-start)
	if q == v.n {
		return
	}
	w[q] = v.first(start, shape)
	for r := q + 1; r < v.n; r++ {
		if w[r] = v.c[r]; shape == Drift {
			w[r] = h*v.c[r] - v.e[r]
		}
	}
}

// groups are the streams that share a size, as indices of p.streams.
func (p *profile) groups() [][]int {
	var all [][]int
	for i, v := range p.streams {
		switch {
		case v.still:
		case p.common && len(all) > 0:
			all[0] = append(all[0], i)
		default:
			all = append(all, []int{i})
		}
	}
	return all
}

// group is what the resampling needs to know of the streams that share a size.
type group struct {
	streams []int
	info    []float64 // by start: information on the size
	reply   []float64 // by start: score that a change of size 1 at the start under test leaves there
	size    float64   // observed size at that start
	score   []float64
}

// groupsAt prepares the test of a start; start < 0 is the test of no change.
func (p *profile) groupsAt(start int, w *scratch) []group {
	var all []group
	for _, members := range p.groups() {
		g := group{streams: members, info: make([]float64, p.length), reply: make([]float64, p.length), score: make([]float64, p.length)}
		var score float64
		for _, i := range members {
			v := p.streams[i]
			for t, d := range v.d {
				g.info[t] += d
			}
			if start < 0 || v.d[start] <= 0 {
				continue
			}
			v.scores(w.score, v.w, v.s1y, p.shape)
			score += w.score[start]
			v.change(w.w[i], start, p.shape)
			v.scores(w.score, w.w[i], v.sx[start], p.shape)
			for t, s := range w.score {
				if v.d[t] > 0 {
					g.reply[t] += s
				}
			}
		}
		if start >= 0 && g.info[start] > 0 {
			g.size = score / g.info[start]
		}
		all = append(all, g)
	}
	return all
}

// exceed counts, in resamples of series with the same fit as the observed one under a change at start but with new noise,
// those whose likelihood ratio against that start is as great as observed; it ends early at stop and gives also the
// number of resamples made.
//
// Given the sufficient statistics of the change at start (level and size of each stream; with an unknown scale also the
// sum of squares), the distribution of the noise about the fit no longer depends on the true sizes, so that the test has
// its level whatever they are. The products of the changes with a series are linear in it, so that new noise e with its
// own fit d(e) at start gives the products U(e) + (d - d(e)) U(change at start) without the series being built.
//
// Source: K. J. Worsley, "Confidence regions and tests for a change-point in a sequence of exponential family random
// variables", Biometrika 73 (1986), 91-104; D. Siegmund, "Confidence sets in change-point problems", International
// Statistical Review 56 (1988), 31-48.
func (p *profile) exceed(start, resamples, stop int, src *rand.Rand, w *scratch) (count, made int) {
	groups := p.groupsAt(start, w)
	base := 0.0
	if start >= 0 {
		base = p.gain[start]
	}
	wanted := base + (p.gain[p.best]-base)*(1-1e-12)
	for made < resamples {
		made++
		var rest float64
		for k := range groups {
			clear(groups[k].score)
		}
		for i, v := range p.streams {
			if v.still && !p.unknown {
				continue
			}
			e := w.w[i]
			var yy, s1y float64
			for r := range e {
				x := src.NormFloat64()
				e[r] = x
				yy += x * x
				s1y += v.l[r] * x
			}
			rest += v.rest(yy, s1y)
			if v.still {
				continue
			}
			g := &groups[0]
			if !p.common {
				g = &groups[p.place(groups, i)]
				v.scores(g.score, e, s1y, p.shape)
				continue
			}
			v.scores(w.score, e, s1y, p.shape)
			for t, s := range w.score {
				if v.d[t] > 0 {
					g.score[t] += s
				}
			}
		}
		own := rest
		if start >= 0 {
			for k := range groups {
				if g := &groups[k]; g.info[start] > 0 {
					own -= g.score[start] * g.score[start] / g.info[start]
				}
			}
		}
		scale := 1.0
		if p.unknown {
			scale = math.Sqrt(math.Max(p.rest-base, 0) / own)
		}
		clear(w.gain)
		for k := range groups {
			g := &groups[k]
			lift := 0.0
			if start >= 0 && g.info[start] > 0 {
				lift = g.size - scale*g.score[start]/g.info[start]
			}
			for t, d := range g.info {
				if d > 0 {
					s := scale*g.score[t] + lift*g.reply[t]
					w.gain[t] += s * s / d
				}
			}
		}
		for _, g := range w.gain {
			if g >= wanted {
				count++
				break
			}
		}
		if count >= stop {
			break
		}
	}
	return count, made
}

// place finds the group of stream i when each has its own.
func (p *profile) place(groups []group, i int) int {
	for k := range groups {
		if groups[k].streams[0] == i {
			return k
		}
	}
	return -1
}
