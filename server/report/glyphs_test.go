package report_test

import (
	"encoding/binary"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/web/assets"
	"sagwatch/web/plot"
)

// glyphs are the characters that a TrueType face can print: those of its character map that lead to a glyph other than "missing".
// Layout of the tables from memory of the OpenType specification ("cmap", format 4).
func glyphs(face []byte) (out map[rune]bool, err error) {
	defer func() {
		if recover() != nil {
			err = errors.New("the face ends within a table")
		}
	}()
	u16 := func(at int) int { return int(binary.BigEndian.Uint16(face[at:])) }
	u32 := func(at int) int { return int(binary.BigEndian.Uint32(face[at:])) }
	for i := range u16(4) {
		record := 12 + 16*i
		if string(face[record:record+4]) != "cmap" {
			continue
		}
		table := u32(record + 8)
		for k := range u16(table + 2) {
			at := table + u32(table+4+8*k+4)
			if u16(at) != 4 {
				continue
			}
			out = map[rune]bool{}
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
			return out, nil
		}
	}
	return nil, errors.New("the face has no character map of format 4")
}

// Every character that the text of a report can hold by its own words is one that the printed face has, or is replaced by such ones:
// a character without a glyph prints as an empty box.
func TestPrintedWordsHaveGlyphs(t *testing.T) {
	t.Parallel()
	regular, err := glyphs(assets.PrintRegular)
	require.NoError(t, err)
	strong, err := glyphs(assets.PrintStrong)
	require.NoError(t, err)
	require.True(t, regular['µ'] && regular['A'] && !regular['√'] && !regular['鐘'], "the map is read rightly")
	read := 0
	for _, dir := range []string{".", "../../web/plot", "../../web/ui", "../../spc", "../../spc/*", "../plant", "../watch"} {
		names, err := filepath.Glob(filepath.Join(dir, "*.go"))
		require.NoError(t, err)
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") || strings.HasSuffix(name, "_templ.go") || filepath.Base(name) == "pdf.go" && strings.HasSuffix(dir, "plot") {
				continue // tests print nothing, nor do pages; plot's pdf.go names what it replaces
			}
			fset := token.NewFileSet()
			file, err := parser.ParseFile(fset, name, nil, 0)
			require.NoError(t, err)
			ast.Inspect(file, func(n ast.Node) bool {
				lit, ok := n.(*ast.BasicLit)
				if !ok || lit.Kind != token.STRING {
					return true
				}
				text, err := strconv.Unquote(lit.Value)
				require.NoError(t, err)
				for _, c := range plot.PDFText(strings.ToValidUTF8(text, "")) {
					if read++; c >= ' ' && (!regular[c] || !strong[c]) {
						t.Errorf("%s: %q (%U) has no glyph in the printed face", fset.Position(lit.Pos()), c, c)
					}
				}
				return true
			})
		}
	}
	require.Greater(t, read, 10_000)
}
