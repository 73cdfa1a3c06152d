// Package runlength works out how long control charts run before they signal: the average run length, its standard
// deviation, its quantiles and the probability of a signal within so many points, in control and after a change of
// the mean, of the spread or of both.
//
// A chart (Shewhart with any set of run rules, EWMA, CUSUM, IndividualsMR) is a value in the unit of its points; its
// method RunLength takes the distribution that the points really follow and gives a RunLength, which says by which
// Route it was found:
//
//	markov-chain        zone rules: an absorbing chain whose states are the rules' windows; exact
//	integral-equation   EWMA, CUSUM, moving ranges, trends: Gauss-Legendre quadrature; exact to the digits stated
//	closed-form         independent points, one probability
//	monte-carlo         the rest: seeded simulation, with its standard error
//
// A run length counts points, the one that signals included. Points are independent unless a function says otherwise;
// a residual chart of an autoregressive model has independent points again (see ResidualShift).
//
// DesignEWMA, DesignCUSUM and ShewhartMultiple go the other way, from a wanted run length to a chart. Budget splits a
// number of false signals a shift over the charts of a press. Estimated says what limits from a finite baseline leave
// of the run length that was wanted.
//
// What data can cause is refused with a *refusal.Error; it never gives NaN or an infinite result.
package runlength
