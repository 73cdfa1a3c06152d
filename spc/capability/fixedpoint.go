package capability

import (
	"math"
	"math/big"
	"math/bits"
)

// fractionBits are the binary places of a deviation in bin widths: what lies below moves a standard deviation of BinsPerSD
// bins by less than one part in 10^14, less than the rounding of the values themselves in most cases.
const fractionBits = 40

// sums are the sum and the sum of squares of deviations from the grid's origin, each a whole number q of 2^-40 bin widths, kept
// exactly as integers, so that they depend neither on the order of arrival nor on how scans were merged:
//
//	q = k 2^40 + f,  sum q = 2^40 sum k + sum f,  sum q^2 = 2^80 sum k^2 + 2^41 sum k f + sum f^2
type sums struct {
	k          int64 // sum of the bins' numbers
	f          wide  // of the places inside bins
	kk, kf, ff wide
}

// wide is an integer of 128 bits in two's complement.
type wide struct{ hi, lo uint64 }

func (w *wide) add(o wide) {
	var carry uint64
	w.lo, carry = bits.Add64(w.lo, o.lo, 0)
	w.hi += o.hi + carry
}

// times is the product of a signed and a positive number.
func times(a int64, b uint64) wide {
	hi, lo := bits.Mul64(uint64(a), b)
	if a < 0 {
		hi -= b
	}
	return wide{hi, lo}
}

func (w wide) big() *big.Int {
	z := new(big.Int).SetInt64(int64(w.hi))
	return z.Lsh(z, 64).Add(z, new(big.Int).SetUint64(w.lo))
}

// add takes in a value in bin k, place being its distance from the bin's lower edge in bin widths, from 0 to 1.
func (s *sums) add(k int64, place float64) {
	f := uint64(place * (1 << fractionBits))
	s.k += k
	s.f.add(wide{0, f})
	s.kk.add(times(max(k, -k), uint64(max(k, -k))))
	s.kf.add(times(k, f))
	s.ff.add(times(int64(f), f))
}

func (s *sums) merge(o *sums) {
	s.k += o.k
	s.f.add(o.f)
	s.kk.add(o.kk)
	s.kf.add(o.kf)
	s.ff.add(o.ff)
}

// moments are the mean deviation from the origin and the sum of squares about the mean of n values, in bin widths and their
// squares; each is rounded once.
func (s *sums) moments(n int) (mean, ss float64) {
	q := big.NewInt(s.k)
	q.Lsh(q, fractionBits).Add(q, s.f.big())
	qq := s.kk.big()
	qq.Lsh(qq, fractionBits-1).Add(qq, s.kf.big()).Lsh(qq, fractionBits+1).Add(qq, s.ff.big())
	count := big.NewInt(int64(n))
	mean = math.Ldexp(quotient(q, count), -fractionBits)
	// n sum q^2 - (sum q)^2, nothing of which cancels in integers.
	qq.Mul(qq, count).Sub(qq, q.Mul(q, q))
	return mean, math.Ldexp(quotient(qq, count), -2*fractionBits)
}

func quotient(a, b *big.Int) float64 {
	x := new(big.Float).SetPrec(256).SetInt(a)
	v, _ := x.Quo(x, new(big.Float).SetInt(b)).Float64()
	return v
}
