package monitor

import (
	"time"

	"sagwatch/spc"
)

// CycleCounter numbers the cycles of a press as the fold does, for those who look at panels beside it.
type CycleCounter struct {
	t      tracker
	places map[string]int
	moulds int
	taktS  float64
	n      int
}

// NewCycleCounter begins before the first panel.
func NewCycleCounter(p spc.Press) *CycleCounter {
	c := &CycleCounter{places: map[string]int{}, moulds: len(p.Moulds), taktS: p.TaktS, n: -1}
	for i, m := range p.Moulds {
		c.places[m] = i
	}
	return c
}

// Next takes the next panel in press order and returns the running number of its cycle, from 0; -1 where it is in none.
func (c *CycleCounter) Next(number int64, mould string, at time.Time) int {
	place, ok := c.places[mould]
	if !ok {
		return -1
	}
	in, fresh := c.t.next(number, place, at, c.moulds, c.taktS)
	if fresh {
		c.n++
	}
	if !in {
		return -1
	}
	return c.n
}
