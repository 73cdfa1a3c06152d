package main

import (
	"slices"
	"time"
)

// schedule tells which faults there are. One begin decides all of them: the charts first get the quiet they need for
// their limits, then one process or gauge fault after the other comes, on each press in its own order.
type schedule struct {
	chance chance
	begin  time.Time // first panel pressed
	quiet  bool      // no faults but forced ones
	forced []fault
}

const (
	quietCycles  = 213 // what provisional limits take, 200 complete cycles, when one in twenty is not complete
	faultEvery   = 90 * time.Minute
	blisterEvery = 2 * time.Hour
	seatingEvery = 150 * time.Minute
)

// firsts are what each press shows first, so that eight hours of history hold one mould at fault and all moulds at fault.
var firsts = map[string]string{"A": "mould-step", "B": "press-drift"}

// lasting are the kinds that come in turn; the others happen to single panels all the time.
func lasting() []kind {
	return slices.DeleteFunc(slices.Clone(kinds), func(k kind) bool { return k.change == "single" })
}

// start of the turns of one press; the presses take turns.
func (s *schedule) start(i int, l *line) time.Time {
	t := s.begin.Add(time.Duration(quietCycles*len(l.moulds)) * l.takt)
	if i%2 == 0 {
		t = t.Add(faultEvery / 2)
	}
	return t
}

// between lists the faults that may show on panels pressed or measured from from to to.
func (s *schedule) between(lines []*line, from, to time.Time) []fault {
	if s.quiet || len(s.forced) > 0 {
		return s.forced
	}
	var out []fault
	for i, l := range lines {
		// The longest fault, and what comes a lehr later, reach back.
		early := from.Add(-2*time.Hour - l.lehr)
		start := s.start(i, l)
		for k := turn(early, start, faultEvery); ; k++ {
			at := start.Add(time.Duration(k) * faultEvery)
			if !at.Before(to) {
				break
			}
			kind := s.turn(l, k)
			r := s.chance.rng("when", l.key, uint64(k))
			at = at.Add(time.Duration(between(r, 0, 0.1) * float64(faultEvery)))
			if !kind.glass {
				at = at.Add(l.lehr)
			}
			out = append(out, newFault(kind, l, at, s.chance, uint64(k)))
		}
		for _, single := range []struct {
			name  string
			every time.Duration
		}{{"blister", blisterEvery}, {"bad-seating", seatingEvery}} {
			kind, err := kindNamed(single.name)
			if err != nil {
				panic(err) // the table has both
			}
			for k := turn(early, s.begin, single.every); ; k++ {
				at := s.begin.Add(time.Duration(k) * single.every)
				if !at.Before(to) {
					break
				}
				r := s.chance.rng("when "+single.name, l.key, uint64(k))
				out = append(out, newFault(kind, l, at.Add(time.Duration(r.Float64()*float64(single.every))), s.chance, uint64(k)))
			}
		}
	}
	return out
}

// turn is the number of the slot in which t lies, from 0.
func turn(t, start time.Time, every time.Duration) int64 {
	return max(0, int64(t.Sub(start)/every))
}

// turn k of a press: all kinds come once, in an order drawn anew, before any comes again.
func (s *schedule) turn(l *line, k int64) kind {
	deck := lasting()
	round := k / int64(len(deck))
	s.chance.rng("deck", l.key, uint64(round)).Shuffle(len(deck), func(i, j int) { deck[i], deck[j] = deck[j], deck[i] })
	if first, ok := firsts[l.press]; ok && round == 0 {
		i := slices.IndexFunc(deck, func(k kind) bool { return k.name == first })
		deck[0], deck[i] = deck[i], deck[0]
	}
	return deck[k%int64(len(deck))]
}
