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
			c = &scanCell{least: from.least, greatest: from.greatest}
			s.cells[key] = c
		}
		c.n += from.n
		c.sums.merge(&from.sums)
		c.least, c.greatest = min(c.least, from.least), max(c.greatest, from.greatest)
		c.join(from)
	}
	return nil
}

// join adds the histogram of another cell.
func (c *scanCell) join(from *scanCell) {
	for _, k := range from.late {
		c.count(k)
	}
	c.settle()
	bins, counts := make([]int32, 0, len(c.bins)+len(from.bins)), make([]int32, 0, len(c.bins)+len(from.bins))
	for i, j := 0, 0; i < len(c.bins) || j < len(from.bins); {
		switch {
		case j == len(from.bins) || i < len(c.bins) && c.bins[i] < from.bins[j]:
			bins, counts = append(bins, c.bins[i]), append(counts, c.counts[i])
			i++
		case i == len(c.bins) || from.bins[j] < c.bins[i]:
			bins, counts = append(bins, from.bins[j]), append(counts, from.counts[j])
			j++
		default:
			bins, counts = append(bins, c.bins[i]), append(counts, c.counts[i]+from.counts[j])
			i, j = i+1, j+1
		}
	}
	c.bins, c.counts = bins, counts
}
