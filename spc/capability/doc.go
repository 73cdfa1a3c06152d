// Package capability says how well a process keeps a specification: indices with their confidence limits, the fraction
// expected outside, tolerance intervals, and what they would be if the moulds were levelled.
//
// Within and overall. Cp, Cpl, Cpu and Cpk take the standard deviation within short times, Pp, Ppl, Ppu and Ppk the one over
// the whole period; the arithmetic is the same and is given once, as Indices. Which sigma went in is the caller's to say
// (Sigma names its own origin). Shipped panels belong in the overall figures whatever their cause; causes may be left out of
// the figures within only.
//
// Models. For a normal characteristic indices are multiples of the standard deviation; for any other they come from the
// percentiles 0.135 %, 50 % and 99.865 % of a fitted distribution or of the values themselves, which gives the same for a
// normal one (ISO 22514-2).
//
// An index of an unstable process predicts nothing: Grade turns the evidence of stability into what the figures may be called.
//
// What data can cause is refused with a *refusal.Error; what one may show but not trust carries Warnings. Everything here is
// safe for concurrent use but a Scan, which one goroutine fills.
package capability
