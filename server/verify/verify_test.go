package verify_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/server/verify"
	"sagwatch/spc/proof"
)

// The page shows the table of the release: it must be what the checks give.
func TestReleasedTableIsWhatTheChecksGive(t *testing.T) {
	now, err := verify.Run()
	require.NoError(t, err)
	kept := verify.Released()
	require.Empty(t, now.Unused, "reference files that no check reads")
	require.Equal(t, kept.Files, now.Files, "make verify writes the table anew")
	require.Len(t, kept.Checks, len(now.Checks), "make verify writes the table anew")
	for i, got := range now.Checks {
		want := kept.Checks[i]
		// Another processor may round the last digits of a long computation otherwise.
		if want.Digits > 11 && got.Digits > 11 || abs(want.Digits-got.Digits) < 0.5 {
			got.Digits, got.Value, got.Case = want.Digits, want.Value, want.Case
			if want.Of > 1 {
				got.Expected, got.Tol = want.Expected, want.Tol // another of its values may be the worst by a hair
			}
		}
		got.Want, got.Got = 0, 0
		require.Equal(t, want, got, "make verify writes the table anew")
	}
}

func abs(x float64) float64 { return max(x, -x) }

func TestTableReadsBack(t *testing.T) {
	in := &proof.Table{Checks: []proof.Check{{Section: proof.Charts, Method: "d2", Source: "s", Origin: proof.Computed, By: "mpmath 1.2.1", Expected: "1", Value: "1", Digits: 15, Pass: true}},
		Files: []string{"constants/computed.csv"}, Unused: []string{}}
	var b bytes.Buffer
	require.NoError(t, verify.Encode(&b, in))
	var out proof.Table
	require.NoError(t, json.Unmarshal(b.Bytes(), &out))
	require.Equal(t, in, &out)
}

func TestPrintTellsWhatFails(t *testing.T) {
	table := &proof.Table{Checks: []proof.Check{
		{Section: proof.Charts, Method: "d2", Case: "n = 2", Source: "a table", Origin: proof.Published, Expected: "1.128", Value: "1.2", Digits: 1.2},
		{Section: proof.Charts, Method: "d3", Source: "a table", Origin: proof.Memory, Expected: "1", Value: "2"},
	}}
	var b bytes.Buffer
	require.False(t, verify.Print(&b, table), "a published value that disagrees")
	require.Contains(t, b.String(), "FAIL  | d2: n = 2 | a table | expected 1.128 | computed 1.2 | 1.2 digits | published\n")
	require.Contains(t, b.String(), "shown | d3")
	require.Contains(t, b.String(), "1 checks count, 1 of them fail; 1 remembered")
	table.Checks[0].Pass = true
	require.True(t, verify.Print(&b, table), "a remembered value decides nothing")
}
