package capability

import "sagwatch/spc/refusal"

// Merge takes in what another scan of the same grid kept, as if its values had been added here; the other one stays as it is.
// It refuses a scan with another width or origin.
func (s *Scan) Merge(o *Scan) error {
	if s.Width != o.Width || s.Origin != o.Origin {
		return refusal.Shapes("the scans lie on different grids: bins of %g from %g and of %g from %g", s.Width, s.Origin, o.Width, o.Origin)
	}
	for key, from := range o.cells {
		c := s.cells[key]
		if c == nil {
			c = &scanCell{first: from.first, least: from.least, greatest: from.greatest, bins: make(map[int32]int32, len(from.bins))}
			s.cells[key] = c
		}
		c.n += from.n
		// The sums of the other cell are about its own first value.
		d, n, sum := from.first-c.first, float64(from.n), from.sum.Sum()
		c.sum.Add(sum)
		c.sum.Add(n * d)
		c.sumSq.Add(from.sumSq.Sum())
		c.sumSq.Add(2 * d * sum)
		c.sumSq.Add(n * d * d)
		c.least, c.greatest = min(c.least, from.least), max(c.greatest, from.greatest)
		for k, count := range from.bins {
			c.bins[k] += count
		}
	}
	return nil
}
