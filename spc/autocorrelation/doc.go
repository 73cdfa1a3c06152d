// Package autocorrelation describes series whose neighbouring points are correlated, as those of a slow process measured
// often: the sample autocorrelations and their test, autoregressive moving-average models by exact likelihood, what the
// models mean for a chart (residuals one step ahead, limits at the process's true standard deviation) and for a mean of
// correlated points (its variance, the effective sample size).
//
// Series are in time order, equally spaced, in the characteristic's unit. A point that is missing (a stopped line) is NaN;
// everything here but the estimators named after Yule and Walker, least squares and Burg takes such series.
//
// What data can cause is refused with a *refusal.Error; results that one may show but not trust carry Warnings.
package autocorrelation
