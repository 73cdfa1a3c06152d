package runlength

import (
	"math"

	"sagwatch/spc/refusal"
)

// terms is the number of Legendre polynomials by which the density of the last point within its region is written. Each
// step that stays in the region raises the degree by one and divides the leading coefficient by more than twice the
// degree, so what is cut off is below 1e-11.
const terms = 10

// mostBlocks bounds the states of a chain with trend or alternating.
const mostBlocks = 100_000

// steps is what trend and alternating remember: the direction of the last step, how many steps in a row went that way,
// and how many went up and down by turns. At least one of the counts is 1.
type steps struct {
	up              bool
	same, alternate uint8 // 0: no step yet
}

// after is the next step. trend and alternating are the rules' counts of points, 0 for off.
func (s steps) after(up bool, trend, alternating int) (to steps, signal bool) {
	to = steps{up, 1, 1}
	switch {
	case s.same == 0:
	case s.up == up && trend > 0:
		to.same = s.same + 1
	case s.up != up && alternating > 0:
		to.alternate = s.alternate + 1
	}
	return to, trend > 0 && int(to.same) >= trend-1 || alternating > 0 && int(to.alternate) >= alternating-1
}

// ordered is a chain of zone rules together with trend and alternating. A state is one of the zone rules' chain with
// the region of the last point and the steps; within its region the last point has a density over u, the share of the
// region's probability below it, which is 1 in a region just entered. A point that stays in region k, of probability
// p, makes of the density g(u)
//
//	p integral_0^u g  (a step up),  p integral_u^1 g  (a step down)
//
// in Legendre polynomials P_n(2u - 1), for which (2n+1) P_n is the derivative of P_(n+1) - P_(n-1).
type ordered struct {
	zones *chain
	// to has for each state one target for every other region and two for its own, down and up: width + 1 in the order of
	// the regions; -1 is a signal.
	to     []int32
	region []int16
	start  []int32 // the state after a first point in each region
}

type orderedState struct {
	zone   int32
	region int16
	steps  steps
}

func newOrdered(c *chain, trend, alternating int) (*ordered, error) {
	o := &ordered{zones: c}
	at := map[orderedState]int32{}
	var list []orderedState
	find := func(s orderedState) int32 {
		n, ok := at[s]
		if !ok {
			n = int32(len(list))
			at[s] = n
			list = append(list, s)
			o.region = append(o.region, s.region)
		}
		return n
	}
	for k := range c.width {
		if z := c.next[k]; z >= 0 {
			o.start = append(o.start, find(orderedState{z, int16(k), steps{}}))
		} else {
			o.start = append(o.start, -1)
		}
	}
	for i := 0; i < len(list); i++ {
		if len(list) > mostBlocks {
			return nil, refusal.Setting(chainStates, float64(len(list)), "the rules' counts are too great to be worked out exactly")
		}
		s := list[i]
		target := func(k int, up bool) int32 {
			z := c.next[int(s.zone)*c.width+k]
			if z < 0 {
				return -1
			}
			st, signal := s.steps.after(up, trend, alternating)
			if signal {
				return -1
			}
			return find(orderedState{z, int16(k), st})
		}
		for k := range c.width {
			switch own := int(s.region); {
			case k < own:
				o.to = append(o.to, target(k, false))
			case k > own:
				o.to = append(o.to, target(k, true))
			default:
				o.to = append(o.to, target(k, false), target(k, true))
			}
		}
	}
	return o, nil
}

// law follows the densities for independent points whose regions have probabilities p.
func (o *ordered) law(p []float64) (law, error) {
	n, width := len(o.region), o.zones.width
	u, v := make([][terms]float64, n), make([][terms]float64, n)
	fresh := true
	return follow(n*(terms+width), func() (h, moved float64) {
		clear(v)
		if fresh {
			fresh = false
			for k, t := range o.start {
				if t >= 0 {
					v[t][0] += p[k]
				} else {
					h += p[k]
				}
			}
		} else {
			for s := range u {
				c := &u[s]
				mass := c[0]
				if mass < 1e-250 {
					continue
				}
				own := int(o.region[s])
				to := o.to[s*(width+1) : (s+1)*(width+1)]
				for k := range own {
					if t := to[k]; t >= 0 {
						v[t][0] += p[k] * mass
					} else {
						h += p[k] * mass
					}
				}
				for k := own + 1; k < width; k++ {
					if t := to[k+1]; t >= 0 {
						v[t][0] += p[k] * mass
					} else {
						h += p[k] * mass
					}
				}
				// The integral from 0, times the region's probability.
				var e [terms]float64
				half := p[own] / 2
				e[0] = half * (c[0] - c[1]/3)
				for j := 1; j < terms-1; j++ {
					e[j] = half * (c[j-1]*inverse[j-1] - c[j+1]*inverse[j+1])
				}
				e[terms-1] = half * c[terms-2] * inverse[terms-2]
				if t := to[own]; t >= 0 {
					d := &v[t]
					d[0] += p[own]*mass - e[0]
					for j := 1; j < terms; j++ {
						d[j] -= e[j]
					}
				} else {
					h += p[own]*mass - e[0]
				}
				if t := to[own+1]; t >= 0 {
					d := &v[t]
					for j, x := range e {
						d[j] += x
					}
				} else {
					h += e[0]
				}
			}
		}
		left := 0.0
		for s := range v {
			left += v[s][0]
		}
		if left > 0 {
			scale := 1 / left
			for s := range v {
				if v[s][0] == 0 && u[s][0] == 0 {
					continue
				}
				for j := range v[s] {
					v[s][j] *= scale
				}
				moved += math.Abs(v[s][0] - u[s][0])
			}
		}
		u, v = v, u
		return math.Min(1, h/(h+left)), moved
	})
}

// inverse is 1/(2n+1).
var inverse = func() (x [terms]float64) {
	for n := range x {
		x[n] = 1 / float64(2*n+1)
	}
	return x
}()
