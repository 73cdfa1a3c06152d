// Package chart works out control limits and the statistics of each chart: individuals and moving range, mean and
// range, mean and standard deviation, and the cycle charts of a press whose moulds have their own levels.
//
// A function named after a chart takes a baseline (Phase I) and returns its estimates and limits; a function that ends
// in Limits takes given parameters (Phase II) and returns limits alone. Constants are computed for any subgroup size.
// Nothing here removes points: what is left out of a baseline is decided, and recorded, by the caller.
//
// What data can cause is refused with a *refusal.Error; results that one may show but not trust carry Warnings.
package chart
