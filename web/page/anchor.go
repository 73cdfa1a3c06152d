package page

import (
	"encoding/hex"
	"strings"
)

// slug makes an element id's part of a name: letters, digits and hyphens stay; anything else is written as its hexadecimal bytes, so
// that different names never meet.
func slug(name string) string {
	var b strings.Builder
	for _, r := range name {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			b.WriteRune(r)
		} else {
			b.WriteString("_" + hex.EncodeToString([]byte(string(r))))
		}
	}
	return b.String()
}
