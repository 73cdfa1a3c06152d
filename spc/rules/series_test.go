package rules_test

import (
	"bufio"
	"bytes"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/rules"
)

// seriesCase is one case of testdata/series, whose README describes the form. It is played while it is read.
type seriesCase struct {
	where  string
	name   string
	set    rules.Set
	limits spc.Limits
	state  rules.State
	points int   // numbered so far
	judged []int // numbers of the judged points since the last reset
	got    []string
	want   []string
}

func TestSeries(t *testing.T) {
	files, err := filepath.Glob(ref.Path(t, "..", "series", "*.txt"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	cases := 0
	for _, file := range files {
		for _, c := range readSeries(t, file) {
			cases++
			t.Run(strings.TrimSuffix(filepath.Base(file), ".txt")+"/"+c.name, func(t *testing.T) {
				require.Equal(t, c.want, c.got, c.where)
			})
		}
	}
	require.Greater(t, cases, 30)
}

var signalForm = regexp.MustCompile(`^\d+ \S+ (upper|lower|-) [\d,-]+ "[^"]+"$`)

func readSeries(t *testing.T, file string) []*seriesCase {
	t.Helper()
	var cases []*seriesCase
	var c *seriesCase
	lines := bufio.NewScanner(bytes.NewReader(ref.Bytes(t, "..", "series", filepath.Base(file))))
	for n := 1; lines.Scan(); n++ {
		where := fmt.Sprintf("%s:%d", filepath.Base(file), n)
		line := strings.TrimSpace(lines.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		word, rest, _ := strings.Cut(line, " ")
		if word == "case" {
			c = &seriesCase{where: where, name: rest}
			cases = append(cases, c)
			continue
		}
		require.NotNil(t, c, "%s: before the first case", where)
		switch word {
		case "limits":
			c.limits = parseLimits(t, where, strings.Fields(rest))
		case "rules":
			c.set = parseRules(t, where, strings.Fields(rest))
		case "points":
			for _, s := range strings.Fields(rest) {
				v, err := strconv.ParseFloat(s, 64)
				require.NoError(t, err, where)
				c.step(v)
			}
		case "skip":
			require.Len(t, strings.Fields(rest), 1, where)
			c.points++
		case "reset":
			c.state.Reset()
			c.judged = nil
		case "signal":
			require.Regexp(t, signalForm, rest, where)
			c.want = append(c.want, rest)
		default:
			require.FailNow(t, where+": no such line: "+word)
		}
	}
	require.NoError(t, lines.Err())
	return cases
}

func parseLimits(t *testing.T, where string, f []string) spc.Limits {
	t.Helper()
	var l spc.Limits
	require.True(t, len(f) == 3 || len(f) == 5 && f[3] == "sigma", where)
	for i, to := range []struct {
		v   *float64
		has *bool
	}{{&l.Lower, &l.HasLower}, {&l.Centre, &l.HasCentre}, {&l.Upper, &l.HasUpper}} {
		if f[i] != "-" {
			v, err := strconv.ParseFloat(f[i], 64)
			require.NoError(t, err, where)
			*to.v, *to.has = v, true
		}
	}
	if len(f) == 5 {
		v, err := strconv.ParseFloat(f[4], 64)
		require.NoError(t, err, where)
		l.Sigma = v
	}
	return l
}

func parseRules(t *testing.T, where string, f []string) rules.Set {
	t.Helper()
	var settings []spc.RuleSetting
	for _, s := range f {
		key, count, given := strings.Cut(s, "=")
		n := 0
		if given {
			v, err := strconv.Atoi(count)
			require.NoError(t, err, where)
			n = v
		}
		settings = append(settings, spc.RuleSetting{Key: key, Count: n})
	}
	set, err := rules.NewSet(settings...)
	require.NoError(t, err, where)
	return set
}

// step judges a point and writes its hits in the form of the signal lines.
func (c *seriesCase) step(v float64) {
	c.points++
	c.judged = append(c.judged, c.points)
	hits := c.set.Step(&c.state, v, c.limits)
	for _, h := range hits.All() {
		var numbers []int
		for back := range h.Made() {
			numbers = append(numbers, c.judged[len(c.judged)-1-back])
		}
		side := h.Side.String()
		if side == "" {
			side = "-"
		}
		c.got = append(c.got, fmt.Sprintf("%d %s %s %s %q", c.points, h.Rule, side, spans(numbers), h.Words()))
	}
}

// spans writes 1, 2, 3, 5 as 1-3,5.
func spans(n []int) string {
	var out []string
	for len(n) > 0 {
		k := 1
		for k < len(n) && n[k] == n[0]+k {
			k++
		}
		if k == 1 {
			out = append(out, strconv.Itoa(n[0]))
		} else {
			out = append(out, fmt.Sprintf("%d-%d", n[0], n[k-1]))
		}
		n = slices.Clone(n[k:])
	}
	return strings.Join(out, ",")
}
