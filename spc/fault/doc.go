// Package fault says what a signal is about. From the panels around it, the master's checks and what is left of the
// readings after the shape terms, Diagnose works out glass or gauge, which moulds, lane or probe, since when with its
// confidence set, step, drift or spread. Same tells whether two findings are of one fault.
//
// Everything is pure and safe for concurrent use. Chance in resampling comes from a fixed seed.
//
// # Model
//
// A value of mould j in cycle i is y_ij = m_j + e_i + d_ij: the mould's own level, the effect of the cycle, which all its
// panels share and which may resemble that of the cycle before, and the panel's own deviation. A change adds size · x_i to the
// streams concerned, x_i being 0 before the start, and after it 1 (a step) or rising from 0 to 1 (a drift).
//
//   - since when: changepoint.Find on the series that shows the cause best: the deviations of the moulds concerned, the effects
//     of the cycles for all moulds, the difference of a lane from the others;
//   - what: at that start each mould (each mould on each lane) gets its shift by least squares, the effects' own scatter
//     about the change taken off; changepoint.Attribute weighs the causes, knowing by how much all shifts may have
//     wandered together. The two take turns until they agree.
package fault
