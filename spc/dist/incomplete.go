package dist

import "math"

// The incomplete gamma and beta functions here keep their relative accuracy for parameters up to 10^7 and more: the
// powers and factorials before the series are taken about their maximum, where no large logarithms cancel.

// log1pRest is log(1+x) - x without cancellation, x > -1.
func log1pRest(x float64) float64 {
	if x < -0.3 || x > 0.4 {
		return math.Log1p(x) - x
	}
	// With r = x/(2+x): log(1+x) = 2 (r + r^3/3 + r^5/5 + ...) and 2r - x = -r x.
	r := x / (2 + x)
	q, t, s := r*r, 1.0, 0.0
	for k := 3.0; ; k += 2 {
		t *= q
		s += t / k
		if t < 1e-17 {
			break
		}
	}
	return 2*r*s - r*x
}

// gammaTerm is x^a e^-x / Gamma(a+1).
func gammaTerm(a, x float64) float64 {
	return math.Exp(gammaExponent(a, x)-stirlingRest(a)) / math.Sqrt(2*math.Pi*a)
}

// gammaExponent is a log(x/a) - x + a.
func gammaExponent(a, x float64) float64 {
	if r := (x - a) / a; r > -0.9 {
		return a * log1pRest(r)
	}
	return a*math.Log(x/a) - x + a
}

// incompleteGamma gives P(a, x) and Q(a, x) = 1 - P, the regularised incomplete gamma functions, x > 0: the series for
// P where x < a + 1, else the continued fraction for Q. That of the two is worked out which keeps its relative accuracy.
//
// Source: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), 6.5.29 and 6.5.31.
func incompleteGamma(a, x float64) (lower, upper float64) {
	if math.IsInf(x, 1) {
		return 1, 0
	}
	front := gammaTerm(a, x)
	if x < a+1 {
		s, t := 1.0, 1.0
		for k := 1.0; t > 1e-17*s; k++ {
			t *= x / (a + k)
			s += t
		}
		p := math.Min(1, front*s)
		return p, 1 - p
	}
	// Gamma(a, x) = x^a e^-x / (x+1-a - 1(1-a)/(x+3-a - 2(2-a)/(x+5-a - ...))), by Lentz.
	b := x + 1 - a
	c, d := 1e300, 1/b
	f := d
	for k := 1.0; k < 1e7; k++ {
		n := k * (a - k)
		b += 2
		d = 1 / (b + n*d)
		c = b + n/c
		f *= c * d
		if math.Abs(c*d-1) < 2e-16 {
			break
		}
	}
	q := math.Min(1, front*a*f)
	return 1 - q, q
}

// incompleteBeta gives I_x(a, b) and 1 - I_x(a, b) = I_y(b, a) for x + y = 1, of which both are given, so that neither
// loses digits.
//
// Source: A. R. DiDonato and A. H. Morris, "Algorithm 708", ACM Transactions on Mathematical Software 18 (1992),
// 360-373, equation (9): the continued fraction whose terms do not cancel.
func incompleteBeta(a, b, x, y float64) (lower, upper float64) {
	switch {
	case x <= 0:
		return 0, 1
	case y <= 0:
		return 1, 0
	}
	if x*(a+b+2) > a+1 {
		upper, lower = betaFraction(b, a, y, x)
		return lower, upper
	}
	return betaFraction(a, b, x, y)
}

func betaFraction(a, b, x, y float64) (lower, upper float64) {
	// x^a y^b / B(a, b) about its maximum x = a/(a+b), from which x is off by e.
	n := a + b
	e := (b*x - a*y) / n
	front := math.Exp(a*logRatio(x, a/n, e)+b*logRatio(y, b/n, -e)+
		stirlingRest(n)-stirlingRest(a)-stirlingRest(b)) * math.Sqrt(a/n*b/(2*math.Pi))
	// beta_0 + alpha_1/(beta_1 + alpha_2/(beta_2 + ...)) by Lentz; a y - b x stands for a - (a+b) x.
	beta := func(m float64) float64 {
		v := (a + m) * (a*y - b*x + 1 + m*(1+y)) / (a + 2*m + 1)
		if m > 0 {
			v += m + m*(b-m)*x/(a+2*m-1)
		}
		return v
	}
	f := nonZero(beta(0))
	c, d := f, 0.0
	for m := 1.0; m < 1e7; m++ {
		k := x / (a + 2*m - 1)
		alpha, next := (a+m-1)*(n+m-1)*m*(b-m)*k*k, beta(m)
		d = 1 / nonZero(next+alpha*d)
		c = nonZero(next + alpha/c)
		f *= c * d
		if math.Abs(c*d-1) < 2e-16 {
			break
		}
	}
	p := math.Max(0, math.Min(1, front/f))
	return p, 1 - p
}

// logRatio is log(x/x0) - e/x0 for x = x0 + e; in the sum of both parameters the terms in e cancel.
func logRatio(x, x0, e float64) float64 {
	if r := e / x0; r > -0.9 && r < 10 {
		return log1pRest(r)
	}
	return math.Log(x/x0) - e/x0
}

func nonZero(x float64) float64 {
	if math.Abs(x) < 1e-300 {
		return 1e-300
	}
	return x
}
