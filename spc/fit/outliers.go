package fit

import (
	"math"
	"math/rand/v2"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Side is where outliers are looked for.
type Side string

// Sides.
const (
	BothSides Side = "both"
	LowSide   Side = "low"
	HighSide  Side = "high"
)

// Outlier is the outcome of Grubbs' test.
type Outlier struct {
	Index    int // of the suspect, from 0 in the order given
	Value    float64
	G        float64
	Critical float64
	P        float64 // by Bonferroni's bound, at most 1; exact where it is small
	Outlier  bool
	Warnings []refusal.Warning
}

// Grubbs tests whether the value that lies farthest from the mean is an outlier of a normal sample,
//
//	G = max |x_i - mean| / s,   critical: (n-1)/sqrt n sqrt(t^2 / (n - 2 + t^2))
//
// with s of denominator n-1 and t the upper alpha/(2n) point (one-sided: alpha/n) of Student's t with n-2 degrees of
// freedom. Refused are fewer than three values, values that do not vary or are not finite, and alpha outside (0, 1); below
// seven values a warning.
//
// Source: F. E. Grubbs, "Procedures for detecting outlying observations in samples", Technometrics 11 (1969), 1-21;
// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
func Grubbs(x []float64, side Side, alpha float64) (*Outlier, error) {
	if err := outlierInput(x, alpha, 3); err != nil {
		return nil, err
	}
	tests := float64(len(x))
	switch side {
	case BothSides:
		tests *= 2
	case LowSide, HighSide:
	default:
		return nil, refusal.Shapes("outliers are looked for on one of the sides both, low and high, not on %q", side)
	}
	n := float64(len(x))
	mean, sd := dist.MeanSD(x)
	r := &Outlier{Index: farthest(x, mean, side)}
	r.Value = x[r.Index]
	r.G = math.Abs(r.Value-mean) / sd
	t := dist.StudentTQuantileUpper(math.Min(0.5, alpha/tests), n-2)
	r.Critical = (n - 1) / math.Sqrt(n) * math.Sqrt(t*t/(n-2+t*t))
	if left := (n-1)*(n-1) - n*r.G*r.G; left > 0 {
		r.P = math.Min(1, tests*dist.StudentTTail(r.G*math.Sqrt(n*(n-2)/left), n-2))
	}
	r.Outlier = r.G > r.Critical
	if len(x) < 7 {
		r.Warnings = append(r.Warnings, refusal.Small("values", len(x), 7))
	}
	return r, nil
}

func outlierInput(x []float64, alpha float64, need int) error {
	if !(alpha > 0 && alpha < 1) {
		return refusal.Setting("alpha", alpha, "it must lie between 0 and 1")
	}
	if len(x) < need {
		return refusal.Few("values", len(x), need)
	}
	if err := refusal.Finite("values", x); err != nil {
		return err
	}
	if _, sd := dist.MeanSD(x); !(sd > 0) {
		return refusal.Constant("values", len(x))
	}
	return nil
}

// farthest is the index of the value farthest from mean on a side, the first of equals.
func farthest(x []float64, mean float64, side Side) int {
	best, at := math.Inf(-1), 0
	for i, v := range x {
		d := v - mean
		switch side {
		case BothSides:
			d = math.Abs(d)
		case LowSide:
			d = -d
		}
		if d > best {
			best, at = d, i
		}
	}
	return at
}

// Suspect is one step of the generalised ESD procedure.
type Suspect struct {
	Index     int // in the order given
	Value     float64
	R, Lambda float64
}

// Outliers is the outcome of GeneralisedESD: of Suspects, which come in the order in which they are taken out, the first
// Count are outliers.
type Outliers struct {
	Suspects []Suspect
	Count    int
	Warnings []refusal.Warning
}

// GeneralisedESD looks for up to most outliers of a normal sample, none masking another: the value farthest from the mean
// is taken out again and again, R_i = |x - mean|/s of those left, and compared with
//
//	lambda_i = (n-i) t / sqrt((n-i-1+t^2)(n-i+1)),   t upper alpha/(2(n-i+1)) point with n-i-1 degrees of freedom;
//
// the number of outliers is the greatest i with R_i > lambda_i. Refused are fewer than most + 3 values, most below 1, and
// what Grubbs refuses; below 25 values a warning, for the level is then only roughly alpha. Where the values left do not
// vary the search ends.
//
// Source: B. Rosner, "Percentage points for a generalized ESD many-outlier procedure", Technometrics 25 (1983), 165-172;
// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3.
func GeneralisedESD(x []float64, most int, alpha float64) (*Outliers, error) {
	if most < 1 {
		return nil, refusal.Setting("the number of outliers to look for", float64(most), "it must be at least 1")
	}
	if err := outlierInput(x, alpha, most+3); err != nil {
		return nil, err
	}
	r := &Outliers{}
	left := slices.Clone(x)
	index := make([]int, len(x))
	for i := range index {
		index[i] = i
	}
	n := float64(len(x))
	for i := 1; i <= most; i++ {
		mean, sd := dist.MeanSD(left)
		if !(sd > 0) {
			break
		}
		k := farthest(left, mean, BothSides)
		f := float64(i)
		t := dist.StudentTQuantileUpper(alpha/(2*(n-f+1)), n-f-1)
		s := Suspect{Index: index[k], Value: left[k], R: math.Abs(left[k]-mean) / sd,
			Lambda: (n - f) * t / math.Sqrt((n-f-1+t*t)*(n-f+1))}
		r.Suspects = append(r.Suspects, s)
		if s.R > s.Lambda {
			r.Count = i
		}
		left, index = slices.Delete(left, k, k+1), slices.Delete(index, k, k+1)
	}
	if len(x) < 25 {
		r.Warnings = append(r.Warnings, refusal.Small("values", len(x), 25))
	}
	return r, nil
}

// TietjenMoore is the outcome of the test of that name.
type TietjenMoore struct {
	Indices []int // of the suspects, in the order given
	E       float64
	// Critical is the simulated lower alpha point of E for a normal sample; P the simulated p-value with standard error.
	Critical, P, SE float64
	Resamples       int
	Outliers        bool
	Warnings        []refusal.Warning
}

// TestTietjenMoore tests whether exactly k values, those farthest from the mean, are outliers of a normal sample: E is the
// sum of squares of the others about their own mean over that of all about the mean of all, small for outliers,
//
//	E = sum over the others (x - m_k)^2 / sum over all (x - m)^2
//
// Its distribution is simulated (o.Resamples samples, 0: 10 000, seeded). Refused are k outside 1 .. n/2, fewer than five
// values and what Grubbs refuses.
//
// Source: G. L. Tietjen and R. H. Moore, "Some Grubbs-type statistics for the detection of several outliers",
// Technometrics 14 (1972), 583-597; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.2.
func TestTietjenMoore(x []float64, k int, alpha float64, o Resampling) (*TietjenMoore, error) {
	if err := outlierInput(x, alpha, 5); err != nil {
		return nil, err
	}
	if k < 1 || 2*k > len(x) {
		return nil, refusal.Setting("the number of outliers to test", float64(k), "it must be at least 1 and at most half of the values")
	}
	if o.Resamples <= 0 {
		o.Resamples = 10_000
	}
	r := &TietjenMoore{Resamples: o.Resamples}
	r.E, r.Indices = tietjenMoore(x, k)
	e := make([]float64, o.Resamples)
	o.Each(func() func(int, *rand.Rand) {
		z := make([]float64, len(x))
		return func(i int, rnd *rand.Rand) {
			for j := range z {
				z[j] = rnd.NormFloat64()
			}
			e[i], _ = tietjenMoore(z, k)
		}
	})
	lower := 0
	for _, v := range e {
		if v <= r.E {
			lower++
		}
	}
	s, err := Values(e)
	if err != nil {
		return nil, err
	}
	r.Critical = s.Quantiles(nil, []float64{alpha}, nil)[0]
	r.P = float64(1+lower) / float64(1+o.Resamples)
	r.SE = math.Sqrt(r.P * (1 - r.P) / float64(o.Resamples))
	r.Outliers = r.E < r.Critical
	return r, nil
}

func tietjenMoore(x []float64, k int) (float64, []int) {
	mean, sd := dist.MeanSD(x)
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch da, db := math.Abs(x[a]-mean), math.Abs(x[b]-mean); {
		case da < db:
			return -1
		case da > db:
			return 1
		}
		return 0
	})
	inner := make([]float64, 0, len(x)-k)
	for _, i := range order[:len(x)-k] {
		inner = append(inner, x[i])
	}
	_, s := dist.MeanSD(inner)
	return float64(len(inner)-1) * s * s / (float64(len(x)-1) * sd * sd), order[len(x)-k:]
}
