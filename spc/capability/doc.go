// Package capability says how well a characteristic keeps its limits: indices with confidence limits, the fraction outside
// in parts per million with its interval, and tolerance intervals.
//
//   - Indices of a normal characteristic: Cp, Cpl, Cpu, Cpk (Within: the spread inside subgroups), Pp, Ppl, Ppu, Ppk
//     (Overall: of all values), Cpm; limits CpLimits, OneSidedLimits (exact), CpkBissell, CpkKushlerHurley, CpmLimits.
//   - Any distribution: FittedIndices by the percentile method, EmpiricalIndices from sample quantiles.
//   - Fractions outside: NormalFraction, FittedFraction, ObservedFraction.
//   - Sigma inside subgroups: PooledSigma, RangeSigma, MovingRangeSigma, ComponentSigma, each with its degrees of freedom.
//   - Tolerance intervals: exact, Howe's, Guenther's, distribution-free.
//   - Scan takes in millions of values one by one in fixed memory; Bootstrap gives intervals from resampled blocks
//     (shifts) where neighbouring values resemble each other.
//   - Analyse puts all of it together for a report, the evidence for stability first.
//
// Values, limits and sigmas are in one unit, whichever it is. What data can cause is refused with a *refusal.Error, what one
// may show but not trust carries Warnings.
package capability
