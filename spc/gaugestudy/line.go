package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Line is a straight line y = Intercept + Slope x fitted by least squares.
type Line struct {
	N           int     `json:"n"`
	Intercept   float64 `json:"intercept"`
	Slope       float64 `json:"slope"`
	SEIntercept float64 `json:"se_intercept"`
	SESlope     float64 `json:"se_slope"`
	ResidualSD  float64 `json:"residual_sd"` // n-2 denominator
	DF          float64 `json:"df"`
	MeanX       float64 `json:"mean_x"`
	SumSquaresX float64 `json:"sum_squares_x"` // of x about its mean, weighted where the fit is
	TotalWeight float64 `json:"total_weight"`  // n where the fit is not weighted
}

// fitLine fits y on x with weights w (nil: 1 each). Shapes are the caller's to check.
func fitLine(x, y, w []float64) (Line, error) {
	if err := refusal.Finite("x values", x); err != nil {
		return Line{}, err
	}
	if err := refusal.Finite("y values", y); err != nil {
		return Line{}, err
	}
	if len(x) < 3 {
		return Line{}, refusal.Few("points", len(x), 3)
	}
	weight := func(i int) float64 {
		if w == nil {
			return 1
		}
		return w[i]
	}
	var sw, sx, sy, sxx, sxy, ss dist.Accumulator
	x0, y0 := x[0], y[0]
	for i := range x {
		sw.Add(weight(i))
		sx.Add(weight(i) * (x[i] - x0))
		sy.Add(weight(i) * (y[i] - y0))
	}
	l := Line{N: len(x), DF: float64(len(x) - 2), TotalWeight: sw.Sum()}
	mx, my := sx.Sum()/sw.Sum(), sy.Sum()/sw.Sum()
	l.MeanX = x0 + mx
	for i := range x {
		d := x[i] - x0 - mx
		sxx.Add(weight(i) * d * d)
		sxy.Add(weight(i) * d * (y[i] - y0 - my))
	}
	l.SumSquaresX = sxx.Sum()
	if steady(math.Sqrt(l.SumSquaresX/sw.Sum()), largest(x)) {
		return Line{}, refusal.Constant("x values", len(x))
	}
	l.Slope = sxy.Sum() / l.SumSquaresX
	for i := range x {
		ss.Add(weight(i) * sq(y[i]-y0-my-l.Slope*(x[i]-x0-mx)))
	}
	l.Intercept = y0 + my - l.Slope*l.MeanX
	l.ResidualSD = math.Sqrt(ss.Sum() / l.DF)
	l.SESlope = l.ResidualSD / math.Sqrt(l.SumSquaresX)
	l.SEIntercept = l.ResidualSD * math.Sqrt(1/l.TotalWeight+sq(l.MeanX)/l.SumSquaresX)
	return l, nil
}

// At is the line's value at x and its standard error.
func (l Line) At(x float64) (y, se float64) {
	return l.Intercept + l.Slope*x, l.ResidualSD * math.Sqrt(1/l.TotalWeight+sq(x-l.MeanX)/l.SumSquaresX)
}

// Band is the confidence interval of the line at x: value ± t se, each end missed with probability (1 - level)/2.
func (l Line) Band(x, level float64) Interval {
	y, se := l.At(x)
	return about(y, dist.StudentTQuantileUpper((1-level)/2, l.DF)*se)
}

// Calibration fits the line by which a gauge's readings y of masters x are corrected: y = a + b x. It refuses fewer than 3
// points, x that do not vary, values that are not finite and readings that lie on the line exactly.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7.
func Calibration(x, y []float64) (Line, error) {
	if len(x) != len(y) {
		return Line{}, refusal.Shapes("%d masters and %d readings: give one reading for each", len(x), len(y))
	}
	l, err := fitLine(x, y, nil)
	if err != nil {
		return Line{}, err
	}
	if steady(l.ResidualSD, largest(y)) {
		return Line{}, refusal.Constant("readings about the line", len(y))
	}
	return l, nil
}

// Corrected is the value X = (y - a)/b that a reading y stands for, and its standard uncertainty by propagation with the
// covariance of a and b, for a reading that scatters as those of the calibration:
//
//	u = s / |b| sqrt(1 + 1/n + (X - mean x)^2 / sum (x - mean x)^2)
//
// It refuses a reading that is not finite and a slope that does not differ from zero (|b| below 4 standard errors).
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7.2 (propagation; formula from memory).
func (l Line) Corrected(y float64) (x, u float64, err error) {
	if err := single("reading", y); err != nil {
		return 0, 0, err
	}
	if !(math.Abs(l.Slope) >= 4*l.SESlope && l.Slope != 0) {
		return 0, 0, refusal.Unsolved("the slope %.6g of the calibration line does not differ from zero (standard error %.3g): readings say nothing about the masters", l.Slope, l.SESlope)
	}
	x = (y - l.Intercept) / l.Slope
	u = l.ResidualSD / math.Abs(l.Slope) * math.Sqrt(1+1/l.TotalWeight+sq(x-l.MeanX)/l.SumSquaresX)
	return x, u, nil
}

// ControlPoint is a check of the calibration line on one master.
type ControlPoint struct {
	W    float64 `json:"w"` // (y - a)/b - x
	Over bool    `json:"over"`
}

// LineControl is a check of a calibration line.
type LineControl struct {
	T      float64        `json:"t"`     // critical value for the masters of one day together
	Limit  float64        `json:"limit"` // |W| beyond it is a signal
	SD     float64        `json:"sd"`    // of the W, n-1 denominator
	Points []ControlPoint `json:"points"`
}

// Control checks whether a calibration line (or a rounded copy of it) still holds, by readings y of masters x taken later,
// perDay of them at a time:
//
//	W = (y - a)/b - x,  limits ± t s/|b|,  P(t' > t) = (1 - confidence^(1/perDay))/2
//
// with s and the degrees of freedom of the calibration. Refused: no points, lengths that differ, values that are not
// finite, a slope that does not differ from zero.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.7 (t* and limits read there).
func (l Line) Control(x, y []float64, perDay int, level float64) (LineControl, error) {
	level, err := confidence(level)
	if err != nil {
		return LineControl{}, err
	}
	if len(x) != len(y) {
		return LineControl{}, refusal.Shapes("%d masters and %d readings: give one reading for each", len(x), len(y))
	}
	if len(x) < 2 {
		return LineControl{}, refusal.Few("readings", len(x), 2)
	}
	if perDay < 1 || perDay > 1000 {
		return LineControl{}, refusal.Setting("masters a day", float64(perDay), "must be from 1 to 1000")
	}
	if err := refusal.Finite("masters", x); err != nil {
		return LineControl{}, err
	}
	if err := refusal.Finite("readings", y); err != nil {
		return LineControl{}, err
	}
	if _, _, err := l.Corrected(y[0]); err != nil {
		return LineControl{}, err
	}
	c := LineControl{T: dist.StudentTQuantileUpper(-math.Expm1(math.Log(level)/float64(perDay))/2, l.DF)}
	c.Limit = c.T * l.ResidualSD / math.Abs(l.Slope)
	w := make([]float64, len(x))
	for i := range x {
		w[i] = (y[i]-l.Intercept)/l.Slope - x[i]
		c.Points = append(c.Points, ControlPoint{W: w[i], Over: math.Abs(w[i]) > c.Limit})
	}
	_, c.SD = dist.MeanSD(w)
	return c, nil
}
