package runlength

import (
	"math"

	"sagwatch/spc/refusal"
)

// Autocorrelated is a chart of the points themselves of a first-order autoregressive process
//
//	x_i - mean = Phi (x_(i-1) - mean) + e_i
//
// with limits at ±K of the true standard deviation sigma_x of the points, sigma_x^2 = sigma_e^2 / (1 - Phi^2): limits
// widened from what moving ranges would give. It signals beyond a limit.
type Autocorrelated struct{ Phi, K float64 }

func checkPhi(phi float64) error {
	if !(math.Abs(phi) <= 0.999) {
		return refusal.Setting("the autoregressive coefficient", phi, "it must lie within ±0.999")
	}
	return nil
}

// RunLength is the run length when the mean shifts by that many sigma_x before the first point, 0 in control; the first
// point follows the stationary distribution. Solved as for EWMA (z' = Phi z + b x, b = sqrt(1 - Phi^2)); relative error
// about 1e-10.
//
// It refuses |Phi| above 0.999 and K outside (0, 20].
//
// Source: the integral equation of Crowder 1987 with another kernel; stationary start: from memory, common practice.
func (c Autocorrelated) RunLength(shift float64) (RunLength, error) {
	if err := checkPhi(c.Phi); err != nil {
		return RunLength{}, err
	}
	if !(c.K > 0 && c.K <= 20) {
		return RunLength{}, refusal.Setting("the multiple of the limits", c.K, "it must be above 0 and at most 20")
	}
	if !(math.Abs(shift) <= 1e3) {
		return RunLength{}, refusal.Setting("the shift", shift, "it must lie within ±1000 standard deviations")
	}
	b := math.Sqrt(1 - c.Phi*c.Phi)
	lin := linear{c.Phi, b, c.K}
	n, err := nodes(c.K, b)
	if err != nil {
		return RunLength{}, err
	}
	p := lin.density(n, 0)
	start, later := lin, Normal{(1 - c.Phi) * shift / b, 1}
	start.a, start.b = 0, 1
	i := 0
	l, err := follow(n*n, func() (float64, float64) {
		if i++; i == 1 { // the first point: x itself
			p.c = start
			h, moved := p.step(Normal{shift, 1}, firstPoint, c.K)
			p.c = lin
			return h, moved
		}
		return p.step(later, afterwards, c.K)
	})
	if err != nil {
		return RunLength{}, err
	}
	return l.result(IntegralEquation, n)
}

// ARL is the average run length when the points really have the mean and standard deviation of d, in units of the
// sigma_x that the chart believes in; d must be Normal. It serves Estimated. It refuses as RunLength.
func (c Autocorrelated) ARL(d Distribution) (float64, error) {
	n, ok := d.(Normal)
	if !ok {
		return 0, refusal.Shapes("the points of this chart must be normal")
	}
	if err := known(n); err != nil {
		return 0, err
	}
	r, err := Autocorrelated{c.Phi, c.K / n.SD}.RunLength(n.Mean / n.SD)
	return r.ARL, err
}

// ResidualShift is what the residuals e_i = x_i - Phi x_(i-1) of a first-order autoregressive process show of a shift of its
// mean by that many standard deviations sigma_x of the points, in units of their own standard deviation
// sigma_x sqrt(1 - Phi^2): the first residual sees the whole shift, every later one the share 1 - Phi.
//
//	first = shift / sqrt(1 - Phi^2),  later = (1 - Phi) shift / sqrt(1 - Phi^2)
//
// Both are for Options.First and RunLength; residuals are independent, so every chart here applies to them.
// It refuses |phi| above 0.999 and a shift beyond ±1000 standard deviations.
//
// Source: L. C. Alwan and H. V. Roberts, "Time-series modeling for statistical process control", J. Business & Economic
// Statistics 6 (1988), 87-95; D. J. Wardell, H. Moskowitz and R. D. Plante, Technometrics 36 (1994), 3-17; from memory.
func ResidualShift(phi, shift float64) (first, later Normal, err error) {
	if err := checkPhi(phi); err != nil {
		return Normal{}, Normal{}, err
	}
	if !(math.Abs(shift) <= 1e3) {
		return Normal{}, Normal{}, refusal.Setting("the shift", shift, "it must lie within ±1000 standard deviations")
	}
	b := math.Sqrt(1 - phi*phi)
	return Normal{shift / b, 1}, Normal{(1 - phi) * shift / b, 1}, nil
}
