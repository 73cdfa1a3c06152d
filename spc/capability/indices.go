package capability

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// Indices are point estimates of capability (within) or performance (overall); a figure that its specification does not allow
// is NaN: C needs two limits, CL a lower and CU an upper one.
type Indices struct {
	C  float64 // Cp or Pp
	CL float64 // Cpl or Ppl
	CU float64 // Cpu or Ppu
	CK float64 // Cpk or Ppk, the lesser of the two that there are
}

// between puts indices together from what lies below and above a middle: half a natural spread on each side.
func (s Spec) between(middle, below, above float64) Indices {
	nan := math.NaN()
	i := Indices{nan, nan, nan, nan}
	lower, upper := s.sides()
	if lower && below > 0 {
		i.CL = (middle - s.Lower) / below
		i.CK = i.CL
	}
	if upper && above > 0 {
		i.CU = (s.Upper - middle) / above
		if !(i.CK < i.CU) {
			i.CK = i.CU
		}
	}
	if lower && upper && below+above > 0 {
		i.C = (s.Upper - s.Lower) / (below + above)
	}
	return i
}

// Normal gives the indices of a normal characteristic with this mean and standard deviation, in the characteristic's unit:
//
//	C = (U - L) / (6 sd),  CL = (mean - L) / (3 sd),  CU = (U - mean) / (3 sd),  CK = min(CL, CU)
//
// It refuses what Spec.Check refuses, a mean that is not finite, an sd that is not above zero or lost in the rounding of the mean, and
// limits so far away (indices beyond 1e12) that they must be in another unit.
//
// Source: ISO 22514-2; NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6.
func Normal(mean, sd float64, s Spec) (Indices, error) {
	if err := s.Check(); err != nil {
		return Indices{}, err
	}
	if err := refusal.Finite("mean and standard deviation", []float64{mean, sd}); err != nil {
		return Indices{}, err
	}
	if !(sd > 0) {
		return Indices{}, refusal.Constant("values", 0)
	}
	if err := resolved(mean, sd); err != nil {
		return Indices{}, err
	}
	return s.between(mean, 3*sd, 3*sd).sane()
}

// resolved refuses a spread about a middle that is no more than the rounding of the numbers there.
func resolved(middle, spread float64) error {
	if spread <= 4*0x1p-52*math.Abs(middle) || spread < 1e-150 { // squares below are lost
		return refusal.Unsolved("the values vary by no more than the rounding of their numbers: take more digits, or values from a nearer zero")
	}
	return nil
}

// sane refuses indices that no process has: limits and values are not in one unit.
func (i Indices) sane() (Indices, error) {
	for _, v := range []float64{i.C, i.CL, i.CU} {
		if math.Abs(v) > 1e12 {
			return Indices{}, refusal.Unsolved("the limits lie more than a million million spreads of the values away, so that an index says nothing: see whether limits and values are in one unit")
		}
	}
	return i, nil
}

// Cpm is the index about the target T,
//
//	Cpm = (U - L) / (6 sqrt(sd^2 + (mean - T)^2))
//
// for a specification with two limits; without a target the middle counts. It refuses as Normal, and one limit only.
//
// Source: L. K. Chan, S. W. Cheng, F. A. Spiring, "A new measure of process capability: Cpm", J. Quality Technology 20 (1988),
// 162-175; from memory.
func Cpm(mean, sd float64, s Spec) (float64, error) {
	if _, err := Normal(mean, sd, s); err != nil {
		return 0, err
	}
	if lower, upper := s.sides(); !lower || !upper {
		return 0, refusal.Shapes("Cpm needs a lower and an upper limit")
	}
	t, _ := s.Middle()
	return (s.Upper - s.Lower) / (6 * math.Hypot(sd, mean-t)), nil
}

// Percentile gives the indices of any distribution by its percentiles x,
//
//	C = (U - L) / (x99.865 - x0.135),  CL = (x50 - L) / (x50 - x0.135),  CU = (U - x50) / (x99.865 - x50),  CK = min(CL, CU)
//
// which are those of Normal for a normal one. It refuses what Spec.Check refuses, percentiles that are not
// finite or do not ascend, and, as Normal, a spread lost in rounding and limits in another unit.
//
// Source: ISO 22514-2, percentile method.
func Percentile(d fit.Distribution, s Spec) (Indices, error) {
	if err := s.Check(); err != nil {
		return Indices{}, err
	}
	return s.percentiles(d.Quantile(fit.OuterTail), d.Quantile(0.5), d.QuantileUpper(fit.OuterTail))
}

// PercentileIndices is Percentile with the percentiles 0.135 %, 50 % and 99.865 % known: those of the values themselves, say, by Order.
func PercentileIndices(low, half, high float64, s Spec) (Indices, error) {
	if err := s.Check(); err != nil {
		return Indices{}, err
	}
	return s.percentiles(low, half, high)
}

func (s Spec) percentiles(low, half, high float64) (Indices, error) {
	if err := refusal.Finite("percentiles", []float64{low, half, high}); err != nil {
		return Indices{}, err
	}
	lower, upper := s.sides()
	if lower && !(low < half) || upper && !(half < high) {
		return Indices{}, refusal.Constant("percentiles", 3)
	}
	if lower {
		if err := resolved(half, half-low); err != nil {
			return Indices{}, err
		}
	}
	if upper {
		if err := resolved(half, high-half); err != nil {
			return Indices{}, err
		}
	}
	return s.between(half, half-low, high-half).sane()
}

// natural are the probabilities of the percentile method, ascending.
var natural = []float64{fit.OuterTail, 0.5, 1 - fit.OuterTail}

// EnoughForPercentiles is the number of values from which on at least one is expected beyond each outer percentile; with
// fewer the empirical percentile is little else than the extreme value.
const EnoughForPercentiles = 741

// Empirical gives the indices from the sample's own percentiles x,
//
//	C = (U - L) / (x99.865 - x0.135),  CL = (x50 - L) / (x50 - x0.135),  CU = (U - x50) / (x99.865 - x50),  CK = min(CL, CU)
//
// with percentiles of values by interpolation between neighbours and of a histogram inside bins (see fit.Sample.Quantiles). Fewer than
// EnoughForPercentiles values bring a warning. It refuses what Spec.Check refuses, percentiles that do not ascend (values that do not
// vary, or more than half of which are tied at an end of the sample), and, as Normal, a spread lost in rounding and limits in another unit.
//
// Source: ISO 22514-2, percentile method.
func Empirical(s *fit.Sample, spec Spec) (Indices, []refusal.Warning, error) {
	if err := spec.Check(); err != nil {
		return Indices{}, nil, err
	}
	var q [3]float64
	s.Quantiles(q[:], natural, nil)
	i, err := spec.percentiles(q[0], q[1], q[2])
	if err != nil {
		return Indices{}, nil, err
	}
	var warnings []refusal.Warning
	if n := s.N(); n < EnoughForPercentiles {
		w := refusal.Small("values", n, EnoughForPercentiles)
		w.Detail = "The outer percentiles are little else than the least and the greatest value."
		warnings = append(warnings, w)
	}
	return i, warnings, nil
}

// Enough is the number of independent values at which a two-sided interval of a normal Ck of about c is as narrow as ± share of it:
//
//	n = 1 + z^2 (1 / (9 c^2) + 1/2) / share^2
//
// from Bissell's variance; c 0 means a Cp, whose mean does not enter. It refuses a share outside (0, 1), a c below 0 and a
// confidence outside (0, 1).
func Enough(c, share, confidence float64) (int, error) {
	if err := level(confidence); err != nil {
		return 0, err
	}
	if !(share > 0 && share < 1) {
		return 0, refusal.Setting("the wanted half width", share, "must be a share of the index between 0 and 1")
	}
	if !(c >= 0 && c <= 1e6) {
		return 0, refusal.Setting("the index", c, "must be 0 or above")
	}
	z := dist.NormalQuantileUpper((1 - confidence) / 2)
	v := 0.5
	if c > 0 {
		v += 1 / (9 * c * c)
	}
	n := 1 + z*z*v/(share*share)
	return int(math.Ceil(min(n, 1e9))), nil
}

// small warns of fewer values than pin an index of about c down to ± 10 % (95 %); c 0 means an index in which the mean does not
// enter. Of an index near zero a share says nothing: there it is ± 0.033.
func small(n int, c float64) []refusal.Warning {
	if c != 0 {
		c = max(math.Abs(c), 0.33)
	}
	enough, err := Enough(c, 0.1, 0.95)
	if err != nil || n >= enough {
		return nil
	}
	w := refusal.Small("values", n, enough)
	w.Detail = "Then the interval would be no wider than ± 10 % of the index."
	return []refusal.Warning{w}
}
