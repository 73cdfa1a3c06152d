package chart_test

import (
	"bytes"
	"encoding/csv"
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
)

// readCSV gives the rows below the heading, each by column name.
func readCSV(t *testing.T, path ...string) []map[string]string {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(ref.Bytes(t, path...))).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1)
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// example is one worked example of the NIST/SEMATECH e-Handbook, https://doi.org/10.18434/M32189.
type example struct {
	ID     string `json:"id"`
	Inline struct {
		X []float64 `json:"x"`
	} `json:"inline_data"`
	Values []struct {
		Name       string  `json:"name"`
		Value      float64 `json:"value"`
		Tol        float64 `json:"tol"`
		Provenance string  `json:"provenance"`
	} `json:"values"`
}

func handbook(t *testing.T, id string) example {
	t.Helper()
	var all struct {
		Examples []example `json:"examples"`
	}
	ref.JSON(t, &all, "handbook", "published.json")
	for _, e := range all.Examples {
		if e.ID == id {
			return e
		}
	}
	require.FailNow(t, "no such example", id)
	return example{}
}

// within checks a computed value against a published one, with the published tolerance.
func (e example) within(t *testing.T, name string, got float64) {
	t.Helper()
	for _, v := range e.Values {
		if v.Name == name {
			require.InDelta(t, v.Value, got, v.Tol, "%s %s (%s)", e.ID, name, v.Provenance)
			return
		}
	}
	require.FailNow(t, "no such value", name)
}

// relative checks that got is within tol of want, relative to want.
func relative(t *testing.T, want, got, tol float64, msg ...any) {
	t.Helper()
	require.False(t, math.IsNaN(got) || math.IsInf(got, 0), msg...)
	require.LessOrEqual(t, math.Abs(got-want), tol*math.Abs(want), append([]any{"want %v, got %v: %v", want, got}, msg...)...)
}
