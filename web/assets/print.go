package assets

import _ "embed"

// PrintRegular and PrintStrong are the text face of the pages for print: weights 400 and 640 as TrueType, tabular figures,
// Latin, Greek and the micro sign.
var (
	//go:embed print/sagwatch-text-regular.ttf
	PrintRegular []byte
	//go:embed print/sagwatch-text-strong.ttf
	PrintStrong []byte
)
