package assets_test

import (
	"fmt"
	"math"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/web/assets"
)

// colours reads the custom properties of the block that begins with selector.
func colours(t *testing.T, css, selector string) map[string]string {
	t.Helper()
	_, block, ok := strings.Cut(css, selector)
	require.True(t, ok, selector)
	block, _, _ = strings.Cut(block, "}")
	out := map[string]string{}
	for _, m := range regexp.MustCompile(`--([\w-]+):\s*#([0-9A-Fa-f]{6})`).FindAllStringSubmatch(block, -1) {
		out[m[1]] = m[2]
	}
	return out
}

// luminance is the relative luminance of WCAG 2.2 (from memory: its definition, section "relative luminance").
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(hex, 16, 32)
	require.NoError(t, err)
	sum := 0.0
	for i, weight := range []float64{.2126, .7152, .0722} {
		c := float64(n>>(16-8*i)&255) / 255
		if c <= .04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

// WCAG 2.2, success criteria 1.4.3 (text, 4.5) and 1.4.11 (marks, 3).
func TestContrast(t *testing.T) {
	css := get(t, http.MethodGet, assets.Path("tokens.css"), "").Body.String()
	light := colours(t, css, ":root {\n  color-scheme: light")
	darkOnly := colours(t, css, `:root[data-theme="dark"] {`+"\n  color-scheme: dark")
	require.Equal(t, darkOnly, colours(t, css, ":root:not([data-theme]) {"), "the dark theme stands twice and both must agree")
	dark := map[string]string{}
	for _, theme := range []map[string]string{light, darkOnly} {
		for k, v := range theme {
			dark[k] = v
		}
	}
	type pair struct {
		front, back string
		atLeast     float64
	}
	var pairs []pair
	for _, ground := range []string{"paper", "sheet"} {
		for _, text := range []string{"ink", "ink-2", "pencil", "good", "bad", "unsure", "held", "none", "low", "high"} {
			pairs = append(pairs, pair{text, ground, 4.5})
		}
		pairs = append(pairs, pair{"ink-3", ground, 3})
	}
	for _, state := range []string{"good", "bad", "unsure", "held"} {
		pairs = append(pairs, pair{state, state + "-tint", 4.5}, pair{"ink", state + "-tint", 4.5})
	}
	for _, state := range []string{"good", "bad", "unsure", "none"} {
		pairs = append(pairs, pair{"on-slab", "slab-" + state, 4.5})
	}
	for _, state := range []string{"good", "bad", "unsure"} {
		pairs = append(pairs, pair{state + "-fill", "paper", 3})
	}
	pairs = append(pairs, pair{"ink", "wash", 4.5}, pair{"ink-2", "wash", 4.5}, pair{"pencil", "pencil-wash", 4.5}, pair{"paper", "ink", 4.5}, pair{"paper", "pencil", 4.5})
	for name, theme := range map[string]map[string]string{"light": light, "dark": dark} {
		for _, p := range pairs {
			a, b := luminance(t, theme[p.front]), luminance(t, theme[p.back])
			ratio := (max(a, b) + .05) / (min(a, b) + .05)
			require.GreaterOrEqual(t, ratio, p.atLeast, fmt.Sprintf("%s: %s on %s", name, p.front, p.back))
		}
	}
}
