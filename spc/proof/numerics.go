package proof

// numericsChecks compares sums, least squares and distributions with certified results and with general numeric
// libraries.
func numericsChecks(r *run) {
	r.univariate()
	r.oneWay()
	r.linear()
	r.nonlinear()
	r.classicalTails()
	r.noncentralT()
	r.studentizedRange()
	r.normalMaxima()
	r.discreteLimits()
}
