package plot

import (
	"encoding/binary"
	"fmt"
	"strings"
	"sync"

	"sagwatch/web/assets"
)

// printed are the characters for which both printed faces have a glyph.
var printed = sync.OnceValue(func() map[rune]bool {
	strong := glyphs(assets.PrintStrong)
	out := map[rune]bool{}
	for c := range glyphs(assets.PrintRegular) {
		out[c] = strong[c]
	}
	return out
})

// glyphs reads which characters a TrueType face has, from its character map of format 4 (tables from memory of the OpenType
// specification, "cmap"). A face that cannot be read has none: it is part of the program, so that a test sees it.
func glyphs(face []byte) map[rune]bool {
	out := map[rune]bool{}
	u16 := func(at int) int {
		if at < 0 || at+2 > len(face) {
			return 0
		}
		return int(binary.BigEndian.Uint16(face[at:]))
	}
	u32 := func(at int) int { return u16(at)<<16 | u16(at+2) }
	for i := range u16(4) {
		record := 12 + 16*i
		if record+16 > len(face) || string(face[record:record+4]) != "cmap" {
			continue
		}
		table := u32(record + 8)
		for k := range u16(table + 2) {
			at := table + u32(table+4+8*k+4)
			if u16(at) != 4 {
				continue
			}
			twice := u16(at + 6) // twice the number of segments
			ends, starts := at+14, at+16+twice
			for s := 0; s < twice; s += 2 {
				delta, far := u16(starts+twice+s), u16(starts+2*twice+s)
				for c := u16(starts + s); c <= u16(ends+s) && c < 0xFFFF; c++ {
					g := c
					if far != 0 {
						if g = u16(starts + 2*twice + s + far + 2*(c-u16(starts+s))); g == 0 {
							continue
						}
					}
					if (g+delta)&0xFFFF != 0 {
						out[rune(c)] = true
					}
				}
			}
			return out
		}
	}
	return out
}

// PDFText replaces what the printed face does not have: a narrow no-break space by a thin one, a no-break hyphen by a hyphen, the sign
// of a root by "sqrt", the mark of a byte that is no text by a question mark, and any other character by its number: "[U+9418]".
func PDFText(s string) string {
	s = pdfText.Replace(s)
	if Printable(s) {
		return s
	}
	var b strings.Builder
	for _, c := range s {
		if plain(c) {
			b.WriteRune(c)
		} else {
			fmt.Fprintf(&b, "[U+%04X]", c)
		}
	}
	return b.String()
}

// Printable is true of text whose every character has a glyph in the printed face, or one in its place.
func Printable(s string) bool {
	for _, c := range pdfText.Replace(s) {
		if !plain(c) {
			return false
		}
	}
	return true
}

func plain(c rune) bool { return c < ' ' || printed()[c] }

var pdfText = strings.NewReplacer("\u202f", "\u2009", "\u2011", "-", "\u2010", "-", "√(", "sqrt(", "√", "sqrt ", "\ufffd", "?")
