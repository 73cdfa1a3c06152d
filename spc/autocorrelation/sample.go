package autocorrelation

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Correlogram holds the sample autocorrelations of a series.
type Correlogram struct {
	N       int       `json:"n"`       // points present
	Missing int       `json:"missing"` // points missing
	R       []float64 `json:"r"`       // R[k-1] is the autocorrelation at lag k
	// Partial[k-1] is the partial autocorrelation at lag k: the last coefficient of the autoregression of order k.
	Partial []float64 `json:"partial"`
	// White is the half width of the band in which each R and Partial lies with the given confidence where there is no
	// correlation at all: z / sqrt(N).
	White float64 `json:"white"`
	// Bartlett[k-1] is the half width of the band of R[k-1] where there is none from lag k on:
	// z sqrt((1 + 2 sum_(j<k) r_j^2) / N).
	Bartlett []float64 `json:"bartlett"`

	pairs []float64 // pairs present at each lag, over N - k of a complete series
	n     int       // length with the missing points
}

// Correlate works out the sample autocorrelations of x in time order at lags 1 to lags,
//
//	r_k = c_k / c_0,  c_k = (1/n) sum (x_t - m)(x_(t+k) - m),  m = mean(x)
//
// with bands at the given confidence (0.95 where 0). Where points are missing (NaN) c_k is (1 - k/n) times the mean product
// of the pairs that are present, c_0 the mean square of the points that are; partial autocorrelations may then leave
// (-1, 1). Lags without any pair have r = 0.
//
// It refuses fewer than 3 points, lags outside 1 to n - 1, a confidence outside (0, 1), infinite values and values that do
// not vary.
//
// Source: G. E. P. Box and G. M. Jenkins, Time Series Analysis (1970), 2.1.5; M. S. Bartlett, J. Royal Statistical Society
// Supplement 8 (1946), 27-41, (9); partial: J. Durbin, Review of the International Statistical Institute 28 (1960), 233-244;
// missing points: E. Parzen, Sankhya A 25 (1963), 383-392 (from memory); NIST/SEMATECH e-Handbook 1.3.3.1.
func Correlate(x []float64, lags int, confidence float64) (*Correlogram, error) {
	if confidence == 0 {
		confidence = 0.95
	}
	if !(confidence > 0 && confidence < 1) {
		return nil, refusal.Setting("the confidence of the bands", confidence, "it must lie between 0 and 1")
	}
	s, err := take(x, 3)
	if err != nil {
		return nil, err
	}
	n := len(x)
	if lags < 1 || lags > n-1 {
		return nil, refusal.Setting("the number of lags", float64(lags), "it must be from 1 to one less than the number of points")
	}
	c := &Correlogram{N: s.n, Missing: n - s.n, R: make([]float64, lags), Bartlett: make([]float64, lags), pairs: make([]float64, lags), n: n}
	y := s.standard
	var sum dist.Accumulator
	for _, v := range y {
		if !math.IsNaN(v) {
			sum.Add(v * v)
		}
	}
	c0 := sum.Sum() / float64(s.n)
	z := dist.NormalQuantileUpper((1 - confidence) / 2)
	c.White = z / math.Sqrt(float64(s.n))
	v := 1.0
	for k := 1; k <= lags; k++ {
		var sum dist.Accumulator
		pairs := 0
		for t := k; t < n; t++ {
			if p := y[t] * y[t-k]; !math.IsNaN(p) {
				sum.Add(p)
				pairs++
			}
		}
		if pairs > 0 {
			c.R[k-1] = sum.Sum() / float64(pairs) / c0 * (float64(n-k) / float64(n))
		}
		c.pairs[k-1] = float64(pairs)
		c.Bartlett[k-1] = z * math.Sqrt(v/float64(s.n))
		v += 2 * c.R[k-1] * c.R[k-1]
	}
	c.Partial, _ = durbin(c.R)
	return c, nil
}

// durbin gives the partial autocorrelations of r (lags 1, 2, ...) and the coefficients of the autoregression of order
// len(r), by the Durbin-Levinson recursion.
func durbin(r []float64) (partial, phi []float64) {
	partial, phi = make([]float64, len(r)), make([]float64, 0, len(r))
	old := make([]float64, len(r))
	left := 1.0 // remaining share of the variance
	for k, rk := range r {
		num := rk
		for j, f := range phi {
			num -= f * r[k-1-j]
		}
		a := 0.0
		if math.Abs(left) > 1e-14 {
			a = num / left
		}
		copy(old, phi)
		for j := range phi {
			phi[j] -= a * old[k-1-j]
		}
		phi = append(phi, a)
		partial[k] = a
		left *= 1 - a*a
	}
	return partial, phi
}

// Portmanteau is the Ljung-Box test that no autocorrelation is left in a series.
type Portmanteau struct {
	Q    float64 `json:"q"`
	Lags int     `json:"lags"`
	DF   int     `json:"df"` // lags less the coefficients fitted
	P    float64 `json:"p"`  // probability of so great a Q where there is none
}

// LjungBox tests the first lags of a correlogram together:
//
//	Q = n (n + 2) sum_(k=1..lags) r_k^2 / (n - k),  chi-square with lags - fitted degrees of freedom
//
// where fitted is the number of autoregressive and moving-average coefficients of the model whose residuals x are (0 for
// a series itself); the mean does not count. With missing points each lag counts by its pairs that are present:
// Q = (n+2)/n sum pairs_k r~_k^2, r~_k = r_k n/(n-k). lags is refused outside fitted + 1 to the correlogram's number.
//
// Source: G. M. Ljung and G. E. P. Box, "On a measure of lack of fit in time series models", Biometrika 65 (1978), 297-303;
// NIST/SEMATECH e-Handbook 6.4.4.8.1.
func (c *Correlogram) LjungBox(lags, fitted int) (Portmanteau, error) {
	if fitted < 0 {
		return Portmanteau{}, refusal.Setting("the number of fitted coefficients", float64(fitted), "it cannot be below 0")
	}
	if lags <= fitted || lags > len(c.pairs) {
		return Portmanteau{}, refusal.Setting("the number of lags", float64(lags), "it must be above the number of fitted coefficients and within the correlogram")
	}
	n, length := float64(c.N), float64(c.n)
	q := 0.0
	for k := 1; k <= lags; k++ {
		r := c.R[k-1] * length / (length - float64(k))
		q += c.pairs[k-1] * r * r
	}
	q *= (n + 2) / n
	p := Portmanteau{Q: q, Lags: lags, DF: lags - fitted}
	p.P = dist.ChiSquareTail(q, float64(p.DF))
	return p, nil
}

// LjungBox is Correlate and its test in one. Refusals as for both.
func LjungBox(x []float64, lags, fitted int) (Portmanteau, error) {
	c, err := Correlate(x, lags, 0)
	if err != nil {
		return Portmanteau{}, err
	}
	return c.LjungBox(lags, fitted)
}

// series is a series taken in: in units of its own standard deviation (n-1), about its mean.
type series struct {
	standard []float64 // NaN where missing
	n        int       // points present
	mean, sd float64
}

// take refuses fewer than least points present, infinite and huge values, and values that do not vary.
func take(x []float64, least int) (series, error) {
	present := make([]float64, 0, len(x))
	size := 0.0
	for i, v := range x {
		if math.IsNaN(v) {
			continue
		}
		if !(math.Abs(v) <= 1e150) {
			return series{}, &refusal.Error{Reason: refusal.NonFinite, What: "values", Index: i, Value: v, N: len(x)}
		}
		present = append(present, v)
		size = max(size, math.Abs(v))
	}
	s := series{n: len(present)}
	if s.n < least {
		return series{}, refusal.Few("values", s.n, least)
	}
	s.mean, s.sd = dist.MeanSD(present)
	if s.sd <= 1e-15*size || !(s.sd > 1e-150) {
		return series{}, refusal.Constant("values", s.n)
	}
	s.standard = make([]float64, len(x))
	for i, v := range x {
		s.standard[i] = (v - s.mean) / s.sd
	}
	return s, nil
}

// complete is take for estimators that need every point.
func complete(x []float64, least int) (series, error) {
	if err := refusal.Finite("values", x); err != nil {
		return series{}, err
	}
	return take(x, least)
}
