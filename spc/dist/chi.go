package dist

import "math"

// ChiTail is P(X > x) of the chi distribution with df degrees of freedom, the root of a chi-square variable.
func ChiTail(x, df float64) float64 {
	checkNumber(x)
	return ChiSquareTail(math.Max(x, 0)*math.Max(x, 0), df)
}

// ChiCDF is P(X <= x) of the chi distribution, exact in the lower tail.
func ChiCDF(x, df float64) float64 {
	checkNumber(x)
	return ChiSquareCDF(math.Max(x, 0)*math.Max(x, 0), df)
}

// ChiQuantileUpper is the x with P(X > x) = p: sigma ChiQuantileUpper(p, n-1)/sqrt(n-1) is a probability limit of a
// standard-deviation chart.
func ChiQuantileUpper(p, df float64) float64 { return math.Sqrt(ChiSquareQuantileUpper(p, df)) }

// ChiQuantile is the x with P(X <= x) = p.
func ChiQuantile(p, df float64) float64 { return math.Sqrt(ChiSquareQuantile(p, df)) }

// ChiMean is the mean sqrt(2) Gamma((df+1)/2)/Gamma(df/2) of the chi distribution, df > 0.
func ChiMean(df float64) float64 {
	checkDF(df)
	if df < 0.5 { // Gamma(a) = Gamma(a+1)/a
		return df * ChiMean(df+2) / (df + 1)
	}
	return math.Sqrt(df) * math.Exp(logChiRatio(df))
}

// logChiRatio is the logarithm of the mean of sqrt(chi-square/df), by Stirling's formula with its rest: of a factor near one.
func logChiRatio(df float64) float64 {
	a := df / 2
	return a*math.Log1p(0.5/a) - 0.5 + stirlingRest(a+0.5) - stirlingRest(a)
}

// ChiDF is the degrees of freedom of the chi variable whose squared coefficient of variation is v, 0 < v <= 100,
//
//	df / ChiMean(df)^2 - 1 = v
//
// those of an estimate of sigma that is not a root mean square: a mean range, a mean moving range.
//
// Source: P. B. Patnaik, "The use of mean range as an estimator of variance in statistical tests", Biometrika 37 (1950), 78-87.
func ChiDF(v float64) float64 {
	if !(v > 0 && v <= 100) {
		panic("dist: no chi variable has this coefficient of variation, or hardly one")
	}
	if v < 1e-7 {
		return 1/(2*v) + 0.25 // v = 1/(2 df) + 1/(8 df^2) + ...
	}
	df, err := Root(func(df float64) float64 { return math.Expm1(-2*logChiRatio(df)) - v }, 1e-3, 1/v+2)
	if err != nil {
		panic("dist: " + err.Error()) // the left side falls from above 600 to below v
	}
	return df
}

// NoncentralChiSquareTail is P(X > x) of the sum of df squared normal variables of unit variance whose means have squares
// that sum to lambda >= 0: chi-square tails with df + 2j degrees of freedom in the mean over a Poisson variable j of mean
// lambda/2. It gives the run length of a chi-square chart at a shift.
//
// Source: Abramowitz and Stegun (1964), 26.4.25.
func NoncentralChiSquareTail(x, df, lambda float64) float64 {
	checkDF(df)
	checkNumber(x)
	return overPoisson(lambda, func(j float64) float64 { return ChiSquareTail(x, df+2*j) })
}

// NoncentralChiSquareCDF is P(X <= x) (see NoncentralChiSquareTail), exact in the lower tail.
func NoncentralChiSquareCDF(x, df, lambda float64) float64 {
	checkDF(df)
	checkNumber(x)
	return overPoisson(lambda, func(j float64) float64 { return ChiSquareCDF(x, df+2*j) })
}

// NoncentralFTail is P(F > x) of the ratio of a non-central chi-square variable over d1 to a central one over d2: the
// power of an F test, the run length of a T^2 chart at a shift.
//
// Source: Abramowitz and Stegun (1964), 26.6.18.
func NoncentralFTail(x, d1, d2, lambda float64) float64 {
	checkDF(d1)
	checkDF(d2)
	checkNumber(x)
	if x <= 0 {
		return 1
	}
	return overPoisson(lambda, func(j float64) float64 { return FTail(x*d1/(d1+2*j), d1+2*j, d2) })
}

// overPoisson is the mean of g(j), monotone and not negative, over a Poisson variable of mean lambda/2, summed both ways
// from the greatest term.
func overPoisson(lambda float64, g func(j float64) float64) float64 {
	checkFinite(lambda)
	if lambda < 0 {
		panic("dist: a non-centrality is below zero")
	}
	if lambda == 0 {
		return g(0)
	}
	mean := lambda / 2
	term := func(j float64) float64 { return poissonTerm(j, mean) * g(j) }
	// The terms are unimodal: climb from the Poisson mean.
	top := math.Floor(mean)
	most := term(top)
	step := math.Max(1, math.Floor(math.Sqrt(mean)))
	for step >= 1 {
		switch up, down := term(top+step), term(math.Max(0, top-step)); {
		case up > most:
			top, most = top+step, up
		case down > most:
			top, most = math.Max(0, top-step), down
		default:
			step = math.Floor(step / 2)
		}
	}
	if most == 0 {
		return 0
	}
	var a Accumulator
	for j := top; ; j++ {
		t := term(j)
		a.Add(t)
		if t < 1e-17*most {
			break
		}
	}
	for j := top - 1; j >= 0; j-- {
		t := term(j)
		a.Add(t)
		if t < 1e-17*most {
			break
		}
	}
	return math.Min(1, a.Sum())
}

// poissonTerm is mean^j e^-mean / j!.
func poissonTerm(j, mean float64) float64 {
	if j == 0 {
		return math.Exp(-mean)
	}
	return gammaTerm(j, mean)
}
