package ref_test

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
)

// spy records whether a comparison complained.
type spy struct {
	testing.TB
	failed bool
}

func (s *spy) Helper()               {}
func (s *spy) Errorf(string, ...any) { s.failed = true }

func complains(f func(t testing.TB)) bool {
	var s spy
	f(&s)
	return s.failed
}

func TestComparisonsCanFail(t *testing.T) {
	nan := math.NaN()
	require.False(t, complains(func(t testing.TB) { ref.Absolute(t, 1, 1.001, 0.0011, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Absolute(t, 1, 1.001, 0.0009, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Absolute(t, 1, nan, 1e300, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Absolute(t, nan, 1, 1e300, "") }))
	require.False(t, complains(func(t testing.TB) { ref.Absolute(t, nan, nan, 0, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Absolute(t, math.Inf(1), math.Inf(-1), 1e300, "") }))
	require.False(t, complains(func(t testing.TB) { ref.Relative(t, -200, -200.1, 1e-3, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Relative(t, -200, -200.1, 1e-4, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Relative(t, 0, 1e-300, 1e-3, "") }))
	require.False(t, complains(func(t testing.TB) { ref.Digits(t, 1, 1+1e-9, 8.9, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Digits(t, 1, 1+1e-9, 9.1, "") }))
	require.True(t, complains(func(t testing.TB) { ref.Digits(t, 1, nan, 0.1, "") }))
	require.Equal(t, 15.0, ref.LRE(3, 3))
}

func TestNumber(t *testing.T) {
	var n []ref.Number
	require.NoError(t, json.Unmarshal([]byte(`[1.5, "2.25", null, "Infinity"]`), &n))
	require.Equal(t, ref.Number(1.5), n[0])
	require.Equal(t, ref.Number(2.25), n[1])
	require.True(t, math.IsNaN(float64(n[2])))
	require.True(t, math.IsInf(float64(n[3]), 1))
	require.Error(t, json.Unmarshal([]byte(`["two"]`), &n))
}
