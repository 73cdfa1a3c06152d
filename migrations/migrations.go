// Package migrations holds the database's schema as numbered SQL files that only ever go forward: a file that has
// landed is never edited, removed or renumbered; what it got wrong, a later one puts right.
package migrations

import "embed"

// FS holds the SQL files.
//
//go:embed *.sql
var FS embed.FS
