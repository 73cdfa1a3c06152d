package gaugestudy_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/internal/ref"
)

// Panels judged wrongly at least once, by what is right. Intervals COMPUTED with R 4.2.2: binom.test(1, 3) and binom.test(0, 2).
func TestAttributesWrongByCategory(t *testing.T) {
	s, err := gaugestudy.Attributes([][][]int{{{0, 0}, {0, 1}, {0, 0}, {1, 1}, {1, 1}}}, []int{0, 0, 0, 1, 1}, 3, 0.95)
	require.NoError(t, err)
	w := s.Appraisers[0].Wrong
	require.Len(t, w, 3)
	require.Equal(t, []int{1, 3, 0, 2, 0, 0}, []int{w[0].Agreed, w[0].Of, w[1].Agreed, w[1].Of, w[2].Agreed, w[2].Of})
	ref.Relative(t, 0.840375865961264, w[0].Interval.Lower, 1e-9, "lower")
	ref.Relative(t, 90.570067594975384, w[0].Interval.Upper, 1e-9, "upper")
	require.Zero(t, w[1].Interval.Lower)
	ref.Relative(t, 84.188611699158102, w[1].Interval.Upper, 1e-9, "upper of none in two")
	s, err = gaugestudy.Attributes([][][]int{{{0}, {0}, {1}}}, nil, 2, 0.95)
	require.NoError(t, err)
	require.Nil(t, s.Appraisers[0].Wrong, "without a truth nothing is wrong")
}
