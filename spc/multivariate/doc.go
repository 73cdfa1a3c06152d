// Package multivariate watches several characteristics of one panel together, such as the terms of its shape: Hotelling's
// T^2 for individuals and subgroups, which terms drive a signal, the multivariate exponentially weighted moving average,
// the squared prediction error beside the principal components, and the run lengths of these charts.
//
// An observation is a slice of p numbers, one for each term, always in the same order; terms may have different units,
// T^2 does not depend on them. Matrices are p x p in rows.
//
// What data can cause is refused with a *refusal.Error; results that one may show but not trust carry Warnings.
package multivariate
