// Package chart works out control limits and the statistics of each chart.
//
//   - Single values: Individuals with their moving range; EWMA and CUSUM as streaming states.
//   - Subgroups of any sizes: MeanRange, MeanSD, MedianRange, BetweenWithin.
//   - The cycles of a press whose moulds have their own levels: Cycles (mean and spread), GroupBaseline and GroupChart
//     (which mould has left the others).
//   - Rejects and defects: RejectChart (p, np), DefectChart (c, u), both with exact limits and Laney's adjusted form;
//     Intervals, TimeLimits and PanelLimits between rare rejects.
//   - After a change of mould or product: DeviationsFromTarget, StandardisedState, QState.
//   - RunsTest and Lag1 ask whether a baseline comes at random.
//
// A function named after a chart takes a baseline (Phase I) and returns its estimates and limits; a function that ends
// in Limits takes given parameters (Phase II) and returns limits alone. Results are plain numbers: stored, they are the
// frozen chart. The centre line comes from the data, from a target or from a standard given, and the result says which.
// Limits lie at k sigma or at a probability (Width), by the exact distribution of the plotted statistic. Constants are
// computed for any subgroup size.
//
// Nothing here removes points: what is left out of a baseline is decided, and recorded, by the caller; Without takes it out
// and asks for the reason.
//
// What data can cause is refused with a *refusal.Error; results that one may show but not trust carry Warnings. Run rules
// are in spc/rules, run lengths and the design of EWMA and CUSUM in spc/runlength.
package chart
