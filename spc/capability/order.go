package capability

import (
	"math"
	"slices"

	"sagwatch/spc/refusal"
)

// Order keeps what order statistics need of millions of values in one pass, beside a Scan on the same grid: the orderEnd least and
// greatest values; of each bin its values while they are few, and from then on, in orderParts parts of the bin, how many there are, the
// least and the greatest. A quantile is that of the values themselves (fit.Sample.Quantiles of values): exactly within orderEnd ranks
// of an end, which holds the natural percentiles of up to six million values, and where its two neighbours lie in bins of at most
// orderFew values or in parts of at most two; elsewhere it is off by less than Width / orderParts, which with GridFor is 8e-5 of a
// standard deviation, and in practice by a tenth of that. It also keeps a spread of the values, in the order of their coming. Memory
// follows the number of filled bins: at most 3 kB for each. Not safe for concurrent use.
type Order struct {
	width, origin float64
	n             int
	near          [orderNear]*orderBin // those about the origin, which nearly all values are in
	bins          map[int32]*orderBin
	least         end
	greatest      end       // of the values turned negative
	kept          []float64 // every every-th value from the first
	every         int
}

const (
	orderFew    = 64
	orderParts  = 128
	orderEnd    = 8192
	orderNear   = 2048
	orderSpread = 10_000 // most values that Spread can give
)

// end keeps the orderEnd least values.
type end struct {
	x    []float64
	edge float64 // what lies above it is not among them, once there are so many
}

func (e *end) add(x float64) {
	if len(e.x) >= orderEnd && x >= e.edge {
		return
	}
	if e.x = append(e.x, x); len(e.x) == 2*orderEnd {
		e.settle()
	}
}

// settle sorts what is kept.
func (e *end) settle() []float64 {
	slices.Sort(e.x)
	if len(e.x) >= orderEnd {
		e.x = e.x[:orderEnd]
		e.edge = e.x[orderEnd-1]
	}
	return e.x
}

type orderBin struct {
	few   []float64
	parts *[orderParts]orderPart
}

type orderPart struct {
	n               uint32
	least, greatest float64
}

// NewOrder begins on a grid. It refuses as NewScan.
func NewOrder(width, origin float64) (*Order, error) {
	if _, err := NewScan(width, origin); err != nil {
		return nil, err
	}
	return &Order{width: width, origin: origin, bins: map[int32]*orderBin{}, least: end{edge: math.Inf(1)}, greatest: end{edge: math.Inf(1)}, every: 1}, nil
}

// Add takes the next value. It refuses as Scan.Add.
func (o *Order) Add(x float64) error {
	d := (x - o.origin) / o.width
	k := math.Floor(d)
	if !(math.Abs(k) <= math.MaxInt32-1) {
		return &refusal.Error{Reason: refusal.NonFinite, What: "values", Index: 0, Value: x}
	}
	o.least.add(x)
	o.greatest.add(-x)
	o.bin(int32(k)).add(x, d-k, o)
	if o.n%o.every == 0 {
		if len(o.kept) == 2*orderSpread {
			o.thin()
		}
		if o.n%o.every == 0 {
			o.kept = append(o.kept, x)
		}
	}
	o.n++
	return nil
}

func (o *Order) bin(k int32) *orderBin {
	i := int64(k) + orderNear/2
	if 0 <= i && i < orderNear && o.near[i] != nil {
		return o.near[i]
	}
	b := o.bins[k]
	if b == nil {
		b = &orderBin{}
		o.bins[k] = b
		if 0 <= i && i < orderNear {
			o.near[i] = b
		}
	}
	return b
}

// add takes in a value at a place inside the bin, from 0 to 1.
func (b *orderBin) add(x, place float64, o *Order) {
	if b.parts == nil && len(b.few) < orderFew {
		b.few = append(b.few, x)
		return
	}
	b.divide(o)
	b.part(x, place)
}

// divide goes over from single values to parts.
func (b *orderBin) divide(o *Order) {
	if b.parts != nil {
		return
	}
	b.parts = new([orderParts]orderPart)
	for _, v := range b.few {
		d := (v - o.origin) / o.width
		b.part(v, d-math.Floor(d))
	}
	b.few = nil
}

// Follow takes in what another Order of the same grid kept of later values; that one is used up. It refuses another grid.
func (o *Order) Follow(later *Order) error {
	if o.width != later.width || o.origin != later.origin {
		return refusal.Shapes("two grids, of widths %v and %v from %v and %v, cannot be merged", o.width, later.width, o.origin, later.origin)
	}
	for k, from := range later.bins {
		to := o.bin(k)
		if from.parts == nil {
			for _, v := range from.few {
				d := (v - o.origin) / o.width
				to.add(v, d-math.Floor(d), o)
			}
			continue
		}
		to.divide(o)
		for i := range from.parts {
			to.parts[i].join(&from.parts[i])
		}
	}
	for _, v := range later.least.x {
		o.least.add(v)
	}
	for _, v := range later.greatest.x {
		o.greatest.add(v)
	}
	for o.every < later.every {
		o.thin()
	}
	for later.every < o.every {
		later.thin()
	}
	o.kept = append(o.kept, later.kept...)
	for len(o.kept) > 2*orderSpread {
		o.thin()
	}
	o.n += later.n
	return nil
}

// thin leaves every second of the kept values out.
func (o *Order) thin() {
	n := (len(o.kept) + 1) / 2
	for i := range n {
		o.kept[i] = o.kept[2*i]
	}
	o.kept, o.every = o.kept[:n], 2*o.every
}

func (p *orderPart) join(o *orderPart) {
	switch {
	case o.n == 0:
	case p.n == 0:
		*p = *o
	default:
		p.n, p.least, p.greatest = p.n+o.n, min(p.least, o.least), max(p.greatest, o.greatest)
	}
}

// part counts a value at a place inside the bin, from 0 to 1.
func (b *orderBin) part(x, place float64) {
	p := &b.parts[min(max(int(place*orderParts), 0), orderParts-1)]
	if p.n == 0 {
		p.least, p.greatest = x, x
	}
	if p.n++; x < p.least {
		p.least = x
	} else if x > p.greatest {
		p.greatest = x
	}
}

// N is the number of values.
func (o *Order) N() int { return o.n }

// Quantiles are those of the values at the probabilities ps, ascending and each from 0 to 1: with x_(1) <= ... <= x_(n) and
// h = (n-1)p + 1
//
//	x_(floor h) + (h - floor h) (x_(floor h + 1) - x_(floor h))
//
// It panics without values and for probabilities out of order or out of range.
//
// Source: R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", The American Statistician 50 (1996),
// 361-365, definition 7.
func (o *Order) Quantiles(ps []float64) []float64 {
	if o.n == 0 {
		panic("capability: quantiles of nothing")
	}
	var ranks []int // from 0, two for each probability
	last := 0.0
	for _, p := range ps {
		if !(p >= last && p <= 1) {
			panic("capability: probabilities of quantiles must ascend within 0 and 1")
		}
		last = p
		k := int(float64(o.n-1) * p)
		ranks = append(ranks, k, min(k+1, o.n-1))
	}
	at := o.ranked(ranks)
	out := make([]float64, len(ps))
	for i, p := range ps {
		h := float64(o.n-1) * p
		lo, hi := at[2*i], at[2*i+1]
		out[i] = lo + (h-math.Floor(h))*(hi-lo)
	}
	return out
}

// ranked are the values of these ranks, from 0.
func (o *Order) ranked(ranks []int) []float64 {
	order := make([]int32, 0, len(o.bins))
	for k := range o.bins {
		order = append(order, k)
	}
	slices.Sort(order)
	below := make([]int, len(order)+1) // values in bins before
	for i, k := range order {
		below[i+1] = below[i] + o.bins[k].n()
	}
	least, greatest := o.least.settle(), o.greatest.settle()
	out := make([]float64, len(ranks))
	for i, r := range ranks {
		if r < len(least) {
			out[i] = least[r]
			continue
		}
		if r = o.n - 1 - r; r < len(greatest) {
			out[i] = -greatest[r]
			continue
		}
		r = ranks[i]
		j, found := slices.BinarySearch(below, r)
		if !found {
			j--
		}
		out[i] = o.bins[order[j]].at(r - below[j])
	}
	return out
}

func (b *orderBin) n() int {
	if b.parts == nil {
		return len(b.few)
	}
	n := 0
	for i := range b.parts {
		n += int(b.parts[i].n)
	}
	return n
}

// at is the value of a rank inside the bin, from 0.
func (b *orderBin) at(rank int) float64 {
	if b.parts == nil {
		slices.Sort(b.few)
		return b.few[rank]
	}
	i := 0
	for rank >= int(b.parts[i].n) {
		rank -= int(b.parts[i].n)
		i++
	}
	p := &b.parts[i]
	if p.n == 1 {
		return p.least
	}
	return p.least + (p.greatest-p.least)*float64(rank)/float64(p.n-1)
}

// Spread is at most most of the values, themselves and in the order of their coming, as evenly spread over it as can be; never more
// than orderSpread.
func (o *Order) Spread(most int) []float64 {
	n := min(len(o.kept), most, orderSpread)
	out := make([]float64, n)
	for i := range out {
		out[i] = o.kept[int((float64(i)+0.5)*float64(len(o.kept))/float64(n))]
	}
	return out
}
