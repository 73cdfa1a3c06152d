// Package testdata carries the published check values in the binary, so that an installed service can prove its numbers on
// the machine where it runs.
package testdata

import (
	"embed"
	"io/fs"
)

//go:embed reference
var files embed.FS

// Reference is the folder reference: published values with their sources and marks.
func Reference() fs.FS {
	sub, err := fs.Sub(files, "reference")
	if err != nil {
		panic(err) // the name is constant and valid
	}
	return sub
}
