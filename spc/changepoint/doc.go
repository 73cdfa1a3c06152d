// Package changepoint answers the questions that follow a signal: since when, how much, step or drift, and what has
// changed: one mould, some, all, a lane, a probe or the whole gauge.
//
//   - Find, FindCounts: the maximum-likelihood start of a step or a drift, with confidence sets that hold their level for
//     steps of any size.
//   - StartError: how far the estimated start of a step lies from the true one (Hinkley 1970).
//   - Chart: the likelihood-ratio chart for a step or a drift of unknown size, with known or unknown parameters, point by
//     point in a state of fixed size.
//   - Attribute: which hypothesis about the cause explains shifts of streams, residual maps and the master's check, and
//     how sure that is.
//
// Everything is pure and safe for concurrent use; chance comes from seeds. What data can cause is refused with a
// *refusal.Error.
package changepoint
