// Package present turns results and rows into view models: pure functions from what is known to what a page says, already
// rounded, with units and doubt. It neither queries nor writes.
package present
