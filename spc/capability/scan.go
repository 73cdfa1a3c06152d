package capability

import (
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// Scan takes millions of values in one pass: for each stream (mould) and block (shift, day) it keeps the exact count, mean, sum of
// squares, least and greatest value, and a histogram on one common grid. Memory follows the number of filled bins, not of
// values (some 600 bytes for the 130 panels of a mould in a shift), and nothing depends on the order in which values come. Its zero value is not ready: see NewScan. Not safe for concurrent use; Merge joins scans of one grid.
type Scan struct {
	Width  float64 // of a bin, in the characteristic's unit
	Origin float64 // an edge of the grid
	cells  map[cellKey]*scanCell
}

type cellKey struct{ stream, block int }

type scanCell struct {
	n               int
	sums            sums
	least, greatest float64
	// Filled bins in order, without the bins of the latest values, which wait in late.
	bins, counts []int32
	late         []int32
}

// lateValues is how many values may wait before they are counted.
const lateValues = 1024

// count takes in a value in bin k.
func (c *scanCell) count(k int32) {
	if len(c.late) == cap(c.late) {
		if len(c.late) >= lateValues {
			c.settle()
		} else { // by a quarter: cells are many and small
			c.late = append(make([]int32, 0, len(c.late)+len(c.late)/4+16), c.late...)
		}
	}
	c.late = append(c.late, k)
}

// settle counts the values that wait.
func (c *scanCell) settle() {
	slices.Sort(c.late)
	distinct := 0
	for i, k := range c.late {
		if i == 0 || k != c.late[i-1] {
			distinct++
		}
	}
	bins, counts := make([]int32, 0, len(c.bins)+distinct), make([]int32, 0, len(c.bins)+distinct)
	take := func(k, n int32) {
		if last := len(bins) - 1; last >= 0 && bins[last] == k {
			counts[last] += n
			return
		}
		bins, counts = append(bins, k), append(counts, n)
	}
	i := 0
	for _, k := range c.late {
		for i < len(c.bins) && c.bins[i] <= k {
			take(c.bins[i], c.counts[i])
			i++
		}
		take(k, 1)
	}
	for ; i < len(c.bins); i++ {
		take(c.bins[i], c.counts[i])
	}
	c.bins, c.counts, c.late = bins, counts, c.late[:0]
}

// Cell is what a Scan kept of one stream and block, plain to store: Bins are the numbers of the filled bins, ascending, bin k
// from Origin + k Width; Counts how many values lie in each.
type Cell struct {
	Stream   int     `json:"stream"`
	Block    int     `json:"block"`
	N        int     `json:"n"`
	Mean     float64 `json:"mean"`
	SS       float64 `json:"ss"` // sum of squared deviations from the mean
	Least    float64 `json:"least"`
	Greatest float64 `json:"greatest"`
	Bins     []int32 `json:"bins"`
	Counts   []int32 `json:"counts"`
}

// BinsPerSD is how many bins GridFor puts into one standard deviation: a value is then known to 1/200 of it, which moves a
// standard deviation by less than one part in a million and a percentile by less than its interval for any number of values
// that one year brings.
const BinsPerSD = 100

// GridFor chooses a grid from a first part of the values: bins of about 1/BinsPerSD of their standard deviation, rounded to 1, 2 or 5
// times a power of ten. It refuses fewer than two values, values that are not finite or do not vary.
func GridFor(pilot []float64) (width, origin float64, err error) {
	if len(pilot) < 2 {
		return 0, 0, refusal.Few("values", len(pilot), 2)
	}
	if err := refusal.Finite("values", pilot); err != nil {
		return 0, 0, err
	}
	mean, sd := dist.MeanSD(pilot)
	if !(sd > 0) {
		return 0, 0, refusal.Constant("values", len(pilot))
	}
	w := sd / BinsPerSD
	power := math.Pow(10, math.Floor(math.Log10(w)))
	width = power
	for _, step := range []float64{2, 5} {
		if step*power <= w {
			width = step * power
		}
	}
	if !(width > 0) || !(math.Abs(mean)/width < 1e12) {
		return 0, 0, refusal.Unsolved("the values vary so little beside their size that rounding hides it")
	}
	return width, math.Floor(mean/width) * width, nil
}

// NewScan begins a scan on a grid. It refuses a width that is not above zero or is beyond 1e140 (whose squares would overflow), and an origin that is not finite.
func NewScan(width, origin float64) (*Scan, error) {
	if !(width > 0 && width <= 1e140) {
		return nil, refusal.Setting("the bin width", width, "must be above 0 and at most 1e140")
	}
	if err := refusal.Finite("origins", []float64{origin}); err != nil {
		return nil, err
	}
	return &Scan{Width: width, Origin: origin, cells: map[cellKey]*scanCell{}}, nil
}

// Add takes a value of a stream and block, both counted from 0. It refuses values that are not finite or lie more than two
// thousand million bins from the origin.
func (s *Scan) Add(stream, block int, x float64) error {
	d := (x - s.Origin) / s.Width
	k := math.Floor(d)
	if !(math.Abs(k) <= math.MaxInt32-1) {
		return &refusal.Error{Reason: refusal.NonFinite, What: "values", Index: 0, Value: x}
	}
	key := cellKey{stream, block}
	c := s.cells[key]
	if c == nil {
		c = &scanCell{least: x, greatest: x}
		s.cells[key] = c
	}
	c.n++
	c.sums.add(int64(k), d-k)
	c.least, c.greatest = min(c.least, x), max(c.greatest, x)
	c.count(int32(k))
	return nil
}

// Cells gives what was kept, by stream, then block.
func (s *Scan) Cells() []Cell {
	out := make([]Cell, 0, len(s.cells))
	for key, c := range s.cells {
		mean, ss := c.sums.moments(c.n)
		cell := Cell{Stream: key.stream, Block: key.block, N: c.n, Mean: s.Origin + s.Width*mean, SS: s.Width * (s.Width * ss), Least: c.least, Greatest: c.greatest}
		c.settle()
		cell.Bins, cell.Counts = slices.Clone(c.bins), slices.Clone(c.counts)
		out = append(out, cell)
	}
	slices.SortFunc(out, func(a, b Cell) int {
		if a.Stream != b.Stream {
			return a.Stream - b.Stream
		}
		return a.Block - b.Block
	})
	return out
}

// Grid is the outcome of a scan: its cells with their grid. It is never changed and safe for concurrent use.
type Grid struct {
	Width  float64 `json:"width"`
	Origin float64 `json:"origin"`
	Cells  []Cell  `json:"cells"`
}

// Grid ends the scan.
func (s *Scan) Grid() Grid { return Grid{s.Width, s.Origin, s.Cells()} }

// Where keeps the cells for which keep is true.
func (g Grid) Where(keep func(c *Cell) bool) Grid {
	out := Grid{Width: g.Width, Origin: g.Origin}
	for i := range g.Cells {
		if keep(&g.Cells[i]) {
			out.Cells = append(out.Cells, g.Cells[i])
		}
	}
	return out
}

// N is the number of values.
func (g Grid) N() int {
	n := 0
	for i := range g.Cells {
		n += g.Cells[i].N
	}
	return n
}

// Groups are the moments of the cells, gathered by what by tells of each; cells of one number are joined. Groups come in the order
// of those numbers.
func (g Grid) Groups(by func(c *Cell) int) []Group {
	parts := map[int][]Group{}
	for i := range g.Cells {
		c := &g.Cells[i]
		k := by(c)
		parts[k] = append(parts[k], Group{c.N, c.Mean, c.SS})
	}
	keys := make([]int, 0, len(parts))
	for k := range parts {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	out := make([]Group, len(keys))
	for i, k := range keys {
		out[i] = join(parts[k])
	}
	return out
}

// join is the moments of several groups together.
func join(groups []Group) Group {
	var sum, ss dist.Accumulator
	n := 0
	for _, g := range groups {
		n += g.N
		sum.Add(float64(g.N) * g.Mean)
	}
	if n == 0 {
		return Group{}
	}
	mean := sum.Sum() / float64(n)
	for _, g := range groups {
		ss.Add(g.SS)
		ss.Add(float64(g.N) * (g.Mean - mean) * (g.Mean - mean))
	}
	return Group{n, mean, ss.Sum()}
}

// Range is the least and the greatest value. It panics without cells.
func (g Grid) Range() (least, greatest float64) {
	least, greatest = g.Cells[0].Least, g.Cells[0].Greatest
	for i := range g.Cells {
		least, greatest = min(least, g.Cells[i].Least), max(greatest, g.Cells[i].Greatest)
	}
	return least, greatest
}

// Sample is all values as one fine histogram, with the cells of each block as that block's share of it, in the order of the
// blocks' numbers. shift, where not nil, moves each stream's values by so much (levelled moulds): to the nearest whole bin of
// a grid a tenth as wide. It refuses a grid without values, and one that spans more than four million bins.
func (g Grid) Sample(shift func(stream int) float64) (*fit.Sample, []fit.Block, error) {
	if len(g.Cells) == 0 {
		return nil, nil, refusal.Few("values", 0, 1)
	}
	fine := int64(1)
	if shift != nil {
		fine = 10
	}
	low, high := int64(math.MaxInt64), int64(math.MinInt64)
	moved := func(c *Cell) int64 {
		if shift == nil {
			return 0
		}
		return int64(math.Round(shift(c.Stream) / g.Width * float64(fine)))
	}
	for i := range g.Cells {
		c := &g.Cells[i]
		if len(c.Bins) == 0 {
			continue
		}
		m := moved(c)
		low, high = min(low, int64(c.Bins[0])*fine+m), max(high, int64(c.Bins[len(c.Bins)-1])*fine+m+fine-1)
	}
	if high < low || high-low >= 4<<20 {
		return nil, nil, refusal.Unsolved("the values lie so far apart that a histogram of them has too many bins: look for values that are wrong by a factor")
	}
	// Where bins are finer than the values are known, a value stands for the whole of its own bin: in the middle of it.
	middle := (fine - 1) / 2
	counts := make([]int, high-low+1)
	order := make([]int, len(g.Cells)) // by block
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return g.Cells[a].Block - g.Cells[b].Block })
	blocks := 0
	for j, i := range order {
		if j == 0 || g.Cells[i].Block != g.Cells[order[j-1]].Block {
			blocks++
		}
	}
	out := make([]fit.Block, 0, blocks)
	part := make([]int32, len(counts)) // of the block under way, and where it is not zero
	var filled []int32
	for j := 0; j < len(order); {
		filled = filled[:0]
		for block := g.Cells[order[j]].Block; j < len(order) && g.Cells[order[j]].Block == block; j++ {
			c := &g.Cells[order[j]]
			m := moved(c) + middle - low
			for i, k := range c.Bins {
				at := int64(k)*fine + m
				counts[at] += int(c.Counts[i])
				if part[at] == 0 {
					filled = append(filled, int32(at))
				}
				part[at] += c.Counts[i]
			}
		}
		slices.Sort(filled)
		b := fit.Block{Place: slices.Clone(filled), Count: make([]int32, len(filled))}
		for i, at := range filled {
			b.Count[i], part[at] = part[at], 0
		}
		out = append(out, b)
	}
	width := g.Width / float64(fine)
	edges := make([]float64, len(counts)+1)
	for i := range edges {
		edges[i] = g.Origin + float64(low+int64(i))*width
	}
	s, err := fit.Binned(edges, counts)
	if err != nil {
		return nil, nil, err
	}
	first := 0 // Binned drops empty bins at the ends
	for counts[first] == 0 {
		first++
	}
	for i := range out {
		for j := range out[i].Place {
			out[i].Place[j] -= int32(first)
		}
	}
	return s, out, nil
}

// Coarser joins every k neighbouring bins, counted from the origin, into one; moments stay as they are. A fit to a histogram takes the
// probabilities of its bins, so bins of a tenth of the standard deviation serve a refit (Bootstrap by ByFit) as well as fine ones,
// in a tenth of the time; percentiles of the values themselves need the fine ones. k below 2 gives the grid as it is.
func (g Grid) Coarser(k int) Grid {
	if k < 2 {
		return g
	}
	out := Grid{Width: g.Width * float64(k), Origin: g.Origin, Cells: slices.Clone(g.Cells)}
	for i := range out.Cells {
		c := &out.Cells[i]
		bins, counts := c.Bins, c.Counts
		c.Bins, c.Counts = nil, nil
		for j, b := range bins {
			at := b / int32(k)
			if b < 0 && at*int32(k) != b {
				at--
			}
			if n := len(c.Bins); n > 0 && c.Bins[n-1] == at {
				c.Counts[n-1] += counts[j]
				continue
			}
			c.Bins, c.Counts = append(c.Bins, at), append(c.Counts, counts[j])
		}
	}
	return out
}
