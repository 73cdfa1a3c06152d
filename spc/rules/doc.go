// Package rules judges a charted series by the trade's supplementary run rules, point by point.
//
// A Set says which rules are on and with which counts; a State is what they must remember of one series. Set.Step
// takes the next point with the limits that hold for it and says which rules it completes and from which points.
// A State is a plain value of fixed size: copy it to keep a checkpoint, encode it to store one. Set it to its zero
// value at new limits or a new phase. A point that is excluded from the chart is simply not passed to Step: it
// neither extends nor breaks a run, and "in a row" means in a row among the points that are judged.
//
// # Zones
//
// "Beyond 1s" and "beyond 2s" are counted in standard deviations of the plotted point. Where the limits are
// symmetric about the centre and Sigma is given, the zones end at centre ± Sigma and centre ± 2 Sigma, whatever the
// multiple of the limits. Otherwise (probability limits of a skewed statistic, given limits without a sigma) each
// side's distance from centre to limit is cut into thirds, and the zones end at the first and second third. For
// limits at 3 sigma the two agree. A point on a line is not beyond it. A point on the centre is on no side.
//
// A side without a limit (the lower side of most range and spread charts) has no zones: no point is beyond 1s, 2s
// or the limit there. Rules that look at both sides at once, fifteen-within-1s and eight-outside-1s, need both limits
// and otherwise never fire. Without a centre only beyond-limits, trend and alternating are judged.
//
// # Points of varying limits
//
// Each point is placed in a zone by its own limits (cycles of different completeness). Trend and alternating compare
// the values as plotted. A value equal to the one before ends a trend or an alternation: the next one starts at the
// later of the two.
//
// Sources: Nelson 1984, The Shewhart control chart - tests for special causes, Journal of Quality Technology 16(4);
// ISO 7870-2 (Shewhart control charts); both from memory, and the standard's own counts differ between editions,
// which is one reason why the counts can be set.
package rules
