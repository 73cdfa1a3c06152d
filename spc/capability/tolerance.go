package capability

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// content refuses a content or a confidence outside (0, 1) and fewer than two values.
func content(n int, share, confidence float64) error {
	if n < 2 {
		return refusal.Few("values", n, 2)
	}
	if !(share > 0 && share < 1) {
		return refusal.Setting("the content", share, "must lie between 0 and 1")
	}
	return level(confidence)
}

// HoweFactor is the approximate factor k of the two-sided tolerance interval mean ± k sd that holds the share of a normal
// population with this confidence,
//
//	k = z((1 + share)/2) sqrt((n - 1)(1 + 1/n) / chi2(1 - confidence; n - 1))
//
// for n values. It refuses fewer than two values, and a share or confidence outside (0, 1).
//
// Source: W. G. Howe, "Two-sided tolerance limits for normal populations - some improvements", J. American Statistical
// Association 64 (1969), 610-620; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
func HoweFactor(n int, share, confidence float64) (float64, error) {
	if err := content(n, share, confidence); err != nil {
		return 0, err
	}
	df := float64(n - 1)
	return dist.NormalQuantileUpper((1-share)/2) * math.Sqrt(df*(1+1/float64(n))/dist.ChiSquareQuantile(1-confidence, df)), nil
}

// GuentherCorrection is the factor w by which W. C. Guenther multiplies Howe's factor,
//
//	w = sqrt(1 + (n - 3 - chi2(1 - confidence; n - 1)) / (2 (n + 1)^2))
//
// It refuses as HoweFactor.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3, whose printed number follows from another quantile.
func GuentherCorrection(n int, confidence float64) (float64, error) {
	if err := content(n, 0.5, confidence); err != nil {
		return 0, err
	}
	m := float64(n)
	return math.Sqrt(1 + (m-3-dist.ChiSquareQuantile(1-confidence, m-1))/(2*(m+1)*(m+1))), nil
}

// TwoSidedFactor is the exact factor k of mean ± k sd for n values and df degrees of freedom of sd: the k at which
//
//	2 sqrt(n) integral_0^inf phi(sqrt(n) u) P(chi2_df > df r(u)^2 / k^2) du = confidence,  Phi(u + r) - Phi(u - r) = share
//
// by Gauss-Legendre quadrature and root finding; relative error about 1e-10. It refuses as HoweFactor.
//
// Source: ISO 16269-6; K. Krishnamoorthy, T. Mathew, Statistical Tolerance Regions (2009), section 2.3.
func TwoSidedFactor(n int, df, share, confidence float64) (float64, error) {
	if err := content(n, share, confidence); err != nil {
		return 0, err
	}
	if !(df > 0 && df <= 1e9) {
		return 0, refusal.Setting("the degrees of freedom", df, "must be above 0")
	}
	root := math.Sqrt(float64(n))
	// The half width r(u) that holds the share about a point u off the mean does not hang on k.
	const panels, most = 24, 9.0
	type node struct{ w, r2 float64 }
	var at, weight [8]float64
	quad.Legendre{}.FixedLocations(at[:], weight[:], -1, 1)
	var nodes []node
	for p := range panels {
		a, b := most/root*float64(p)/panels, most/root*float64(p+1)/panels
		for i, x := range at {
			u := (a+b)/2 + x*(b-a)/2
			r, err := halfWidth(u, share)
			if err != nil {
				return 0, err
			}
			nodes = append(nodes, node{weight[i] * (b - a) / 2 * 2 * root * dist.NormalPDF(root*u), r * r})
		}
	}
	held := func(k float64) float64 {
		var sum dist.Accumulator
		for _, n := range nodes {
			sum.Add(n.w * dist.ChiSquareTail(df*n.r2/(k*k), df))
		}
		return sum.Sum() - confidence
	}
	z := dist.NormalQuantileUpper((1 - share) / 2)
	low, high := z*0.1, z*2
	for range 60 {
		if held(high) > 0 {
			break
		}
		high *= 2
	}
	return dist.Root(held, low, high)
}

// halfWidth is the r with Phi(u + r) - Phi(u - r) = share.
func halfWidth(u, share float64) (float64, error) {
	// Upper tails: 1 - share = T(u + r) + T(r - u).
	f := func(r float64) float64 { return (1 - share) - dist.NormalTail(r+u) - dist.NormalTail(r-u) }
	z := dist.NormalQuantileUpper((1 - share) / 2)
	return dist.Root(f, z*(1-1e-12), z+u+1e-9)
}

// OneSidedFactor is the exact factor k of the one-sided tolerance limit mean + k sd (or mean - k sd),
//
//	k = t'(confidence; df, z(share) sqrt(n)) / sqrt(n)
//
// with t' the quantile of the non-central t distribution. It refuses as TwoSidedFactor.
//
// Source: ISO 16269-6; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
func OneSidedFactor(n int, df, share, confidence float64) (float64, error) {
	if err := content(n, share, confidence); err != nil {
		return 0, err
	}
	if !(df > 0 && df <= 1e9) {
		return 0, refusal.Setting("the degrees of freedom", df, "must be above 0")
	}
	root := math.Sqrt(float64(n))
	return dist.NoncentralTQuantile(confidence, df, dist.NormalQuantileUpper(1-share)*root) / root, nil
}

// OneSidedNatrella is the approximate one-sided factor of M. G. Natrella,
//
//	k = (z + sqrt(z^2 - a b)) / a,  a = 1 - z_c^2 / (2 (n - 1)),  b = z^2 - z_c^2 / n
//
// with z and z_c the normal quantiles of content and confidence. It refuses as HoweFactor, and n so small that a is not above 0.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
func OneSidedNatrella(n int, share, confidence float64) (float64, error) {
	if err := content(n, share, confidence); err != nil {
		return 0, err
	}
	z, zc := dist.NormalQuantileUpper(1-share), dist.NormalQuantileUpper(1-confidence)
	a, b := 1-zc*zc/(2*float64(n-1)), z*z-zc*zc/float64(n)
	if !(a > 0) || z*z-a*b < 0 {
		return 0, refusal.Few("values for this approximation", n, int(zc*zc/2)+3)
	}
	return (z + math.Sqrt(z*z-a*b)) / a, nil
}

// FreeConfidence is the confidence with which the interval from the r-th least to the s-th greatest of n values (r, s >= 1; 0
// leaves that side open) holds at least the share of any continuous population,
//
//	P(B <= n - r - s),  B binomial (n, share)
//
// It refuses r + s that leave no interval, and a share outside (0, 1).
//
// Source: S. S. Wilks, Annals of Mathematical Statistics 12 (1941), 91-96; ISO 16269-6.
func FreeConfidence(n, r, s int, share float64) (float64, error) {
	if err := content(n, share, 0.5); err != nil {
		return 0, err
	}
	if r < 0 || s < 0 || r+s < 1 || r+s > n {
		return 0, refusal.Shapes("the %d-th least and the %d-th greatest of %d values bound no interval", r, s, n)
	}
	return dist.BinomialCDF(n-r-s, n, share), nil
}

// FreeSize is the least number of values whose whole range (with oneSided: whose least or greatest value) holds the share with
// the confidence. It refuses as HoweFactor.
//
// Source: Wilks 1941.
func FreeSize(share, confidence float64, oneSided bool) (int, error) {
	if err := content(2, share, confidence); err != nil {
		return 0, err
	}
	if oneSided {
		return int(math.Ceil(math.Log1p(-confidence)/math.Log(share) - 1e-12)), nil
	}
	low, high := 1, 2
	holds := func(n int) bool { return dist.BinomialCDF(n-2, n, share) >= confidence }
	for !holds(high) {
		if high > 1<<40 {
			return 0, refusal.Setting("the content", share, "is too near to 1: no number of values is enough")
		}
		low, high = high, high*2
	}
	for low+1 < high {
		if mid := low + (high-low)/2; holds(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high, nil
}
