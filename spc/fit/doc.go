// Package fit fits distributions to measured values by maximum likelihood, from the values or from a fine histogram of
// millions, tests how well they fit, and gives what a study needs beside: percentiles with limits, probability limits of
// skewed characteristics, outlier tests, the Box-Cox transformation, and resampling that gives the same result on any
// number of processors.
//
// Values are in one unit, whichever it is (form errors in um, radii in mm); Parameter.Unit says for each parameter how it
// hangs on that unit. Standard deviations of fitted normal distributions have the denominator n, as maximum likelihood
// has it; Moments gives the one with n-1.
//
// What data can cause is refused with a *refusal.Error; what one may show but not trust carries Warnings. A Sample, a
// Distribution and a Fitted are never changed once made and safe for concurrent use.
package fit
