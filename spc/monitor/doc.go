// Package monitor is the fold from ordered measurements to cycles, phases, limits, charted points and signals, for one
// press, or for one gauge's master checks.
//
// A Monitor is a pure function of the observations, which its caller adds in the order of their keys, and of the
// Config: chart definitions, posted limits and events. Whatever the order in which measurements arrived, the same set
// gives the same points and signals to the bit. When one arrives late, its caller restores a checkpoint (Snapshot,
// Restore; Track keeps some in memory) that lies before it and folds on from there.
//
// # Streams
//
// An individuals chart has one stream for each mould ("mould:7"), lane ("lane:2"), gauge ("gauge:CG-1") or one for
// the whole press ("press:A"), by its By. Cycle charts have one stream, the press; a group chart has the press, whose points
// are the moulds that lie farthest out, and one for each mould, whose deviations open the signals. Moving averages, cumulative
// sums and step charts are by mould, lane or gauge, of single panels, or by press, of the cycle means. A chart with a product passes over
// panels of others. A panel without the characteristic makes no point.
//
// # Cycles
//
// Where a panel brings its cycle's number, a number other than that of the panel before begins a cycle; a panel that
// brings the number of the cycle just ended is left out of the cycle charts. Otherwise a cycle begins when the mould's
// place on the press is not after that of the panel before, or when (moulds - 1/2) takt have gone by since its first
// panel. Panels without mould, and moulds that the press does not have, are in no cycle. A plunger or product change cuts
// a cycle; a mould change does not. When a mould comes twice in a cycle, its first panel enters. The point exists once a panel of a later cycle
// comes; until then it is hollow, in Pending. Fewer than half the moulds make no point.
//
// Each mould's own centre is taken off before panels of a cycle are compared (see chart.Cycle). The cycle mean is
// plotted at the mean level of the phase's centres plus the cycle's effect, so a missing mould does not shift it.
// Limits are those of a cycle of as many panels as it has.
//
// # Phases and provisional limits
//
// A stream's phase begins at its first panel, at a plunger or product change, at a change of its mould (that mould's
// own charts), at a service of the gauge (gauge charts). Its first 200 points (Chart.Baseline) give provisional
// limits; of a cycle chart the first 200 complete cycles, or the first 400 of any size should complete ones not
// come (a station that is out of use must not keep the press without limits; mould centres are then those of least
// squares, see chart.StreamCentres). Then those points are judged too, in order, and become final.
// Until then they are held: Pending lists them. A baseline that cannot give limits (its values do not vary) lets its
// points go unjudged, says why in the log, and the next one begins.
//
// Meanwhile, from the 11th point of a phase on (of a cycle spread the 21st, ten cycles showing
// the moulds' centres), the limits of the phase before guard it, moved to the new centre:
//
//	centre = mean of the n points of the phase so far, n >= 10 (of a cycle chart: complete cycles)
//	limits = centre + (earlier limits - earlier centre) sqrt(1 + 1/n)
//
// The factor keeps the rate of false signals while the centre is itself uncertain. Where limits were worked out on
// logarithms the same holds for logarithms. They judge beyond-limits alone. Signals of the guard stand when
// the provisional limits come; a point found beyond these too, inside such a signal, joins it.
//
// A changed mould keeps its press's cycle charts in their phase: it alone is left out of the cycle figures until it
// has its own centre, from as many panels as a baseline has (their distance from the effect of the cycle they came
// in). In the provisional baseline of a cycle chart the old and the new casting count as two moulds; one with
// less than half a baseline waits in the same way.
//
// # Limits
//
// Individuals: mean ± k sigma with sigma from the mean moving range; where the baseline's lag-1 autocorrelation is
// significant, from its overall standard deviation, and the limits say so. Cycle mean: as an individual, from the overall
// variation of the cycles' effects, never from the spread inside them. Cycle spread: a standard deviation of m-1
// degrees of freedom. Characteristics that are largest, root-mean-square or range figures (Skewed) are above zero and
// skewed; their limits are those of a lognormal model at the probability that the k sigma would have under a normal
// one: individuals on logarithms; the mean of a cycle with the lognormal of the same mean and standard deviation;
// spreads on the logarithms of the baseline's own spreads. The centre line of those is then the median.
//
// Posted limits hold from the first point at or after their EffectiveFrom, never before their baseline's end, and judge
// nothing earlier: points held for a provisional baseline go unjudged. On a cycle chart they wait until the moulds have
// centres. Limits given in the chart's definition hold from the first point (of a cycle chart: once the moulds
// have centres), in every phase. At new limits rules start afresh and no moving range crosses.
//
// Where a run length is wanted (arl0), limits are those with which normal points and the chart's rules have it.
//
// # Group charts
//
// Each mould's deviation d from the effect of its cycle, its own centre taken off, is judged by the limit of the greatest of
// so many: exact where the moulds vary alike, else each by its own standard deviation with an equal share of the
// probability. A mould that has left the others draws the effect after it, so while the farthest is beyond its limit it is
// taken away and the others are judged among themselves, as long as more than half of the cycle is left. At a mould change
// that mould's stream begins a phase; it is left out until it has a centre. Skewed characteristics: deviations of logarithms.
//
// # Charts that gather over points
//
// Moving averages (ewma), cumulative sums (cusum) and step charts (change-point) take values in standard deviations
// from the centre of the limits in force, each cycle mean in its own standard deviation, so that all steps have one variance. They
// start afresh where rules do, pass over excluded panels (which make no point), go on through a signal, and have no guard:
// until there is a baseline they make no points. Where neighbours of the baseline resemble each other, the standard
// deviation counts as much more as what is gathered then varies more. Settings that a definition leaves open are designed
// for a shift of one standard deviation. Their points hang together, so beyond-limits is their only rule.
//
// # Subgroups
//
// Charts of subgroups (mean-range, mean-sd, median-range, between-within) take so many panels of a stream that follow each other,
// excluded ones left out; the point is that of the last. A phase drops the subgroup that it cuts. A spread beyond its
// limits is a hit of its own beside the rules. A baseline is as many subgroups as hold 200 panels, at least 25.
//
// # Counts
//
// Charts of rejects (p, np) and of defects (c, u) take the count of their name that measurements bring: one makes a point, or so many
// of a stream that follow each other (Chart.Subgroup) do, added up. Each point has the limits of its own number inspected, or of units; one that brings
// the other form of count makes none. A baseline is 25 points (Chart.Baseline) with at least 10 rejects or defects in them; where those do not come it waits, to four
// times its length. Meanwhile the level so far guards by the exact test of two rates. Adjusted limits (Laney) follow the variation that the counts
// really have. An interval chart makes a point of every reject, or of every so many: how many were inspected, or units, since the one before; several rejects of one
// measurement are taken as evenly spread over it. It has no guard, and no moving range crosses from count to count.
//
// # Charts of several terms
//
// T2 and the multivariate moving average (t2, mewma) of the shape terms are of single panels by mould, lane or gauge, or of the
// cycle means by press, each term with its moulds' own centres. Mean and covariance are those of the baseline; in a cycle of fewer
// panels each term's deviation counts as much less as its own standard deviation is greater. Evidence names the terms that
// drive a signal. They too make no points until there is a baseline, and have beyond-limits as their only rule.
//
// # Moving range
//
// A moving range beyond its upper limit (normal ranges of two, k sigma or probability as the chart's) marks the point
// with Jumped, where the chart has the rule beyond-limits. It would treble the chart's rate of false signals if it
// opened signals of its own (the range of two normal values exceeds its 3 sigma limit with probability 0.009), and
// says nothing on level that the chart does not; so it only joins the evidence of an open signal.
//
// # Signals
//
// One fault makes one signal for each chart and stream. It opens at the first point with a hit; later hits extend it;
// it ends after Quiet judged points in a row without one (the longest window of the chart's rules if that is more), at
// new limits and at a new phase. Its identity is a hash of site, chart, stream, phase and first panel (of a gauge's
// master checks, where the same panel comes again, also of the time). Of its evidence the first EvidenceFirst and the
// latest EvidenceLatest hits are kept; Finding.Hits counts them all.
package monitor
