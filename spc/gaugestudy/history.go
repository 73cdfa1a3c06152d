package gaugestudy

// perLevel is how many blocks of one length are kept: a beginning is known to about 1/perLevel of its age.
const perLevel = 8

// block holds the sums of deviations over some panels in a row.
type block struct {
	Start int64     `json:"start"` // number of the first panel
	Sum   []float64 `json:"sum"`   // by probe
	N     []int64   `json:"n"`
}

// history keeps the past in blocks whose length doubles with their age: Levels[l] holds blocks of 2^l panels, oldest first.
//
// Source: the exponential histogram of M. Datar, A. Gionis, P. Indyk, R. Motwani, SIAM J. Computing 31 (2002), 1794-1813.
type history struct {
	Levels [][]block `json:"levels"`
	spare  []block   // buffers to use again
}

// open begins a block for one panel.
func (h *history) open(panel int64, probes int) *block {
	var b block
	if n := len(h.spare); n > 0 {
		b, h.spare = h.spare[n-1], h.spare[:n-1]
		clear(b.Sum)
		clear(b.N)
	} else {
		b = block{Sum: make([]float64, probes), N: make([]int64, probes)}
	}
	b.Start = panel
	if len(h.Levels) == 0 {
		h.Levels = append(h.Levels, nil)
	}
	h.Levels[0] = append(h.Levels[0], b)
	return &h.Levels[0][len(h.Levels[0])-1]
}

// fold merges the two oldest blocks of a length of which there are too many.
func (h *history) fold() {
	for l := 0; l < len(h.Levels) && len(h.Levels[l]) > perLevel; l++ {
		level := h.Levels[l]
		a, b := level[0], level[1]
		for p := range a.Sum {
			a.Sum[p] += b.Sum[p]
			a.N[p] += b.N[p]
		}
		h.spare = append(h.spare, b)
		h.Levels[l] = append(level[:0], level[2:]...)
		if l+1 == len(h.Levels) {
			h.Levels = append(h.Levels, nil)
		}
		h.Levels[l+1] = append(h.Levels[l+1], a)
	}
}

// backwards goes from the newest block to the oldest.
func (h *history) backwards(see func(*block)) {
	for _, level := range h.Levels {
		for i := len(level) - 1; i >= 0; i-- {
			see(&level[i])
		}
	}
}
