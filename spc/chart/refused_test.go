package chart_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// Every refusal of the charts, by reason and words.
func TestEveryRefusal(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	second := func(_ any, err error) error { return err }
	third := func(_, _ any, err error) error { return err }
	one := func(g []float64) [][]float64 { return [][]float64{{1, 2}, g} }
	ewma := func(s chart.EWMASettings) error { _, err := chart.NewEWMA(s); return err }
	cusum := func(s chart.CUSUMSettings) error { _, err := chart.NewCUSUM(s); return err }
	limits := func(l chart.Limits) error { return chart.CheckLimits(l) }
	rejects := func(x ...chart.Rejects) error {
		_, err := chart.RejectChart(chart.Proportion, x, chart.AttributeOptions{})
		return err
	}
	defects := func(k chart.AttributeKind, x ...chart.Defects) error {
		_, err := chart.DefectChart(k, x, chart.AttributeOptions{})
		return err
	}
	without := func(e ...chart.Exclusion) error { _, err := chart.Without([]int{1, 2}, e); return err }
	group := func(m chart.GroupModel) error { _, err := chart.NewGroupChart(m, chart.Width{}); return err }
	state := chart.EWMAState{}
	sum := chart.CUSUMState{Settings: chart.CUSUMSettings{Sigma: 1e-200, H: 1}}
	minus, half := -1.0, 0.5
	step := func(x float64) error { _, err := state.Step(x); return err }
	bigStep := func(x float64) error { _, err := sum.Step(x); return err }
	q := func(s chart.QState, x float64) error { _, err := s.Step(x); return err }
	z := func(x, target, sigma float64) error {
		var s chart.StandardisedState
		_, err := s.Step(x, target, sigma)
		return err
	}
	for _, c := range []struct {
		name   string
		err    error
		reason refusal.Reason
		say    string
	}{
		{"median of none", second(chart.MedianLimits(0, 1, 1, chart.Width{})), refusal.TooFew, "needs at least 1 values in a subgroup, has 0"},
		{"median, subgroup of one", second(chart.MedianRange(one([]float64{1}), chart.Width{})), refusal.TooFew, "subgroup 2"},
		{"median, sigma", second(chart.MedianLimits(3, 1, 0, chart.Width{})), refusal.OutOfRange, "the given sigma is 0"},
		{"standard of no kind", second(chart.StandardSubgroups("mean", 1, 1, chart.Width{})), refusal.Mismatch, `of the kind "mean"`},
		{"about infinity", second(chart.SubgroupResult{}.About(inf)), refusal.OutOfRange, "the given centre is +Inf"},
		{"target not a number", second(chart.Individuals([]float64{1, 2}, chart.IndividualsOptions{Target: &nan})), refusal.OutOfRange, "the given centre is NaN"},
		{"limits crossed", limits(chart.Limits{Lower: 2, Upper: 1, HasLower: true, HasUpper: true}), refusal.LimitsCrossed, "lower 2, upper 1"},
		{"centre outside", limits(chart.Limits{Lower: 0, Upper: 1, Centre: 2, HasLower: true, HasUpper: true, HasCentre: true}), refusal.OutOfRange, "the centre is 2: it must lie between"},
		{"limit infinite", limits(chart.Limits{Upper: inf, HasUpper: true}), refusal.OutOfRange, "the upper limit is +Inf"},
		{"excluded without reason", without(chart.Exclusion{Index: 0}), refusal.Mismatch, "without a reason"},
		{"excluded twice", without(chart.Exclusion{Index: 0, Reason: "a"}, chart.Exclusion{Index: 0, Reason: "b"}), refusal.Mismatch, "twice"},
		{"excluded outside", without(chart.Exclusion{Index: 2, Reason: "a"}), refusal.Mismatch, "point 3 is excluded, but there are 2"},
		{"steady means", second(chart.BetweenWithin([][]float64{{1, 2}, {1, 2}}, chart.BetweenWithinOptions{})), refusal.ZeroVariance, "the subgroup means do not vary"},
		{"steady inside", second(chart.BetweenWithin([][]float64{{1, 1}, {2, 2}}, chart.BetweenWithinOptions{})), refusal.ZeroVariance, "inside the subgroups"},
		{"between, mean of none", second(chart.BetweenWithinResult{}.MeanLimits(0)), refusal.TooFew, "has 0"},
		{"lambda 0", ewma(chart.EWMASettings{Sigma: 1}), refusal.OutOfRange, "lambda is 0: it must be above 0 and at most 1"},
		{"lambda above 1", ewma(chart.EWMASettings{Sigma: 1, Lambda: 1.01}), refusal.OutOfRange, "lambda is 1.01"},
		{"lambda not a number", ewma(chart.EWMASettings{Sigma: 1, Lambda: nan}), refusal.OutOfRange, "lambda is NaN"},
		{"EWMA sigma", ewma(chart.EWMASettings{Lambda: 0.1}), refusal.OutOfRange, "the given sigma is 0"},
		{"EWMA target", ewma(chart.EWMASettings{Lambda: 0.1, Sigma: 1, Target: nan}), refusal.OutOfRange, "centre"},
		{"EWMA width", ewma(chart.EWMASettings{Lambda: 0.1, Sigma: 1, Width: chart.Width{K: -3}}), refusal.OutOfRange, "sigma multiple"},
		{"EWMA value", step(nan), refusal.NonFinite, "number 1"},
		{"EWMA series", second(chart.EWMA([]float64{1, inf}, chart.EWMASettings{Sigma: 1, Lambda: 1})), refusal.NonFinite, "number 2"},
		{"k below 0", cusum(chart.CUSUMSettings{Sigma: 1, K: -1, H: 4}), refusal.OutOfRange, "the reference value k is -1"},
		{"h 0", cusum(chart.CUSUMSettings{Sigma: 1, K: 0.5}), refusal.OutOfRange, "the decision interval h is 0"},
		{"head start at h", cusum(chart.CUSUMSettings{Sigma: 1, K: 0.5, H: 4, HeadStart: 4}), refusal.OutOfRange, "the head start is 4"},
		{"CUSUM sigma", cusum(chart.CUSUMSettings{K: 0.5, H: 4}), refusal.OutOfRange, "sigma is 0"},
		{"CUSUM target", cusum(chart.CUSUMSettings{K: 0.5, H: 4, Sigma: 1, Target: inf}), refusal.OutOfRange, "centre"},
		{"CUSUM value", second(chart.CUSUM([]float64{nan}, chart.CUSUMSettings{Sigma: 1, H: 1})), refusal.NonFinite, "number 1"},
		{"CUSUM value over sigma", bigStep(1), refusal.NonFinite, "values in sigma"},
		{"p chart of a c kind", second(chart.RejectChart(chart.CountOf, nil, chart.AttributeOptions{})), refusal.Mismatch, "not \"c\""},
		{"c chart of a p kind", second(chart.DefectChart(chart.Proportion, nil, chart.AttributeOptions{})), refusal.Mismatch, "not \"p\""},
		{"one subgroup", rejects(chart.Rejects{Rejected: 1, Inspected: 9}), refusal.TooFew, "needs at least 2 subgroups"},
		{"rejects below 0", rejects(chart.Rejects{Rejected: -1, Inspected: 9}), refusal.Negative, "rejects: number 1 is -1"},
		{"nothing inspected", rejects(chart.Rejects{}), refusal.TooFew, "inspected panels"},
		{"more rejected than inspected", rejects(chart.Rejects{Rejected: 3, Inspected: 2}), refusal.Mismatch, "3 rejected of 2 inspected"},
		{"too many inspected", rejects(chart.Rejects{Inspected: 2e9}), refusal.OutOfRange, "at most 1e9"},
		{"no rejects", rejects(chart.Rejects{Inspected: 9}, chart.Rejects{Inspected: 9}), refusal.ZeroVariance, "all are 0"},
		{"all rejects", rejects(chart.Rejects{Rejected: 9, Inspected: 9}, chart.Rejects{Rejected: 9, Inspected: 9}), refusal.ZeroVariance, "everything"},
		{"defects below 0", defects(chart.CountPerArea, chart.Defects{Count: -2, Area: 1}), refusal.Negative, "is -2"},
		{"too many defects", defects(chart.CountPerArea, chart.Defects{Count: 2e9, Area: 1}), refusal.OutOfRange, "at most 1e9"},
		{"no area", defects(chart.CountPerArea, chart.Defects{Count: 2}), refusal.OutOfRange, "the area of opportunity is 0"},
		{"c chart, unequal areas", defects(chart.CountOf, chart.Defects{Count: 2, Area: 1}, chart.Defects{Count: 2, Area: 2}), refusal.Mismatch, "take a u chart"},
		{"standard proportion", second(chart.RejectChart(chart.Proportion, []chart.Rejects{{1, 9}, {2, 9}}, chart.AttributeOptions{Standard: &minus})), refusal.OutOfRange, "the proportion rejected is -1"},
		{"adjusted, steady", second(chart.RejectChart(chart.Proportion, []chart.Rejects{{1, 9}, {1, 9}}, chart.AttributeOptions{Adjusted: true})), refusal.ZeroVariance, "the counts do not vary"},
		{"limits of a broken number", second(chart.AttributeResult{Kind: chart.Proportion, Level: half, SigmaZ: 1}.Limits(2.5)), refusal.OutOfRange, "whole number"},
		{"limits of no factor", second(chart.AttributeResult{Kind: chart.CountPerArea, Level: half}.Limits(2)), refusal.OutOfRange, "dispersion factor is 0"},
		{"reject limits of a c kind", second(chart.RejectLimits(chart.CountOf, 9, 0.1, chart.Width{})), refusal.Mismatch, "not \"c\""},
		{"reject limits, none inspected", second(chart.RejectLimits(chart.Proportion, 0, 0.1, chart.Width{})), refusal.OutOfRange, "the number inspected is 0"},
		{"reject limits, proportion 1", second(chart.RejectLimits(chart.Proportion, 9, 1, chart.Width{})), refusal.OutOfRange, "the proportion rejected is 1"},
		{"defect limits of a p kind", second(chart.DefectLimits(chart.NumberOf, 9, 0.1, chart.Width{})), refusal.Mismatch, "not \"np\""},
		{"defect limits, rate", second(chart.DefectLimits(chart.CountOf, 1, nan, chart.Width{})), refusal.OutOfRange, "the rate of defects is NaN"},
		{"defect limits, area", second(chart.DefectLimits(chart.CountOf, inf, 1, chart.Width{})), refusal.OutOfRange, "the area of opportunity is +Inf"},
		{"one time", second(chart.Intervals([]float64{1}, chart.IntervalOptions{})), refusal.TooFew, "times between rejects"},
		{"time below 0", second(chart.Intervals([]float64{1, -1}, chart.IntervalOptions{})), refusal.Negative, "number 2 is -1"},
		{"time not a number", second(chart.Intervals([]float64{1, nan}, chart.IntervalOptions{})), refusal.NonFinite, "number 2"},
		{"times 0", second(chart.Intervals([]float64{0, 0}, chart.IntervalOptions{})), refusal.ZeroVariance, "times between rejects"},
		{"times steady, transformed", second(chart.Intervals([]float64{2, 2}, chart.IntervalOptions{Transformed: true})), refusal.ZeroVariance, "do not vary"},
		{"rejects to a point", second(chart.Intervals([]float64{2, 3}, chart.IntervalOptions{Rejects: -1})), refusal.OutOfRange, "the number of rejects to a point is -1"},
		{"mean time", second(chart.TimeLimits(1, 0, chart.Width{})), refusal.OutOfRange, "the mean time between rejects is 0"},
		{"individuals, another estimator", second(chart.Individuals([]float64{1, 2, 3}, chart.IndividualsOptions{From: "median"})), refusal.Mismatch, "not from \"median\""},
		{"panels, proportion", second(chart.PanelLimits(1, 1, chart.Width{})), refusal.OutOfRange, "the proportion rejected is 1"},
		{"panels, rejects", second(chart.PanelLimits(0, 0.1, chart.Width{})), refusal.OutOfRange, "to a point is 0"},
		{"short runs of one", second(chart.DeviationsFromTarget([]chart.ShortRun{{Values: []float64{1}}}, chart.Width{})), refusal.TooFew, "neighbouring values of one run"},
		{"short runs steady", second(chart.DeviationsFromTarget([]chart.ShortRun{{Values: []float64{1, 1}}}, chart.Width{})), refusal.ZeroVariance, "inside the runs"},
		{"short run target", second(chart.DeviationsFromTarget([]chart.ShortRun{{Target: nan}}, chart.Width{})), refusal.NonFinite, "targets"},
		{"short run value", second(chart.DeviationsFromTarget([]chart.ShortRun{{Values: []float64{inf}}}, chart.Width{})), refusal.NonFinite, "values of a run"},
		{"standardised value", z(nan, 0, 1), refusal.NonFinite, "values"},
		{"standardised target", z(1, nan, 1), refusal.OutOfRange, "centre"},
		{"standardised sigma", z(1, 0, 0), refusal.OutOfRange, "sigma is 0"},
		{"standardised too far", z(1, 0, 1e-200), refusal.NonFinite, "standardised"},
		{"Q value", q(chart.QState{}, nan), refusal.NonFinite, "number 1"},
		{"Q mean", q(chart.QState{Mean: &nan}, 1), refusal.OutOfRange, "centre"},
		{"Q sigma", q(chart.QState{Sigma: &minus}, 1), refusal.OutOfRange, "sigma is -1"},
		{"group of one", second(chart.GroupLimitFor(1, true, chart.Width{})), refusal.TooFew, "needs at least 2 streams in a cycle"},
		{"group too large", second(chart.GroupLimitFor(1001, true, chart.Width{})), refusal.OutOfRange, "at most 1000"},
		{"group, sigmas missing", group(chart.GroupModel{Centres: []float64{1, 2}}), refusal.Mismatch, "2 centres and 0 sigmas"},
		{"group, one stream", group(chart.GroupModel{Centres: []float64{1}, Sigmas: []float64{1}}), refusal.TooFew, "streams"},
		{"group, sigma below 0", group(chart.GroupModel{Centres: []float64{1, 2}, Sigmas: []float64{1, -1}}), refusal.Negative, "sigmas"},
		{"group, sigmas 0", group(chart.GroupModel{Centres: []float64{1, 2}, Sigmas: []float64{0, 0}}), refusal.ZeroVariance, "streams"},
		{"group, sigma not a number", group(chart.GroupModel{Centres: []float64{1, 2}, Sigmas: []float64{1, nan}}), refusal.NonFinite, "sigmas"},
		{"group, alike but not", group(chart.GroupModel{Centres: []float64{1, 2}, Sigmas: []float64{1, 2}, Alike: true}), refusal.Mismatch, "stream 2"},
		{"pooled, none", third(chart.PooledSD(nil, nil)), refusal.TooFew, "standard deviations"},
		{"pooled, shapes", third(chart.PooledSD([]float64{1}, nil)), refusal.Mismatch, "1 standard deviations and 0"},
		{"pooled, negative", third(chart.PooledSD([]float64{-1}, []int{1})), refusal.Negative, "is -1"},
		{"pooled, freedom", third(chart.PooledSD([]float64{1}, []int{0})), refusal.TooFew, "degrees of freedom"},
		{"pooled limit, freedom", second(chart.PooledSDLimit(1, 0, 5, 0.05)), refusal.TooFew, "degrees of freedom"},
		{"pooled limit, sigma", second(chart.PooledSDLimit(0, 9, 5, 0.05)), refusal.OutOfRange, "sigma is 0"},
		{"pooled limit, alpha", second(chart.PooledSDLimit(1, 9, 5, 0)), refusal.OutOfRange, "false alarm is 0"},
		{"runs of three", second(chart.RunsTest([]float64{1, 2, 3})), refusal.TooFew, "needs at least 4 values"},
		{"runs of steady values", second(chart.RunsTest([]float64{1, 1, 1, 1})), refusal.ZeroVariance, "below the median"},
		{"runs, not a number", second(chart.RunsTest([]float64{1, 1, nan, 1})), refusal.NonFinite, "number 3"},
		{"run length of one stream", second(chart.GroupRunLength(1, 3)), refusal.TooFew, "streams"},
		{"run length of no cycle", second(chart.GroupRunLength(3, 0)), refusal.OutOfRange, "successive"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var refused *refusal.Error
			require.ErrorAs(t, c.err, &refused)
			require.Equal(t, c.reason, refused.Reason, refused.Error())
			require.Contains(t, refused.Error(), c.say)
		})
	}
	require.Zero(t, state.N, "a refused value leaves the state as it was")
	require.NoError(t, chart.CheckLimits(chart.Limits{Lower: 1, Centre: 1.5, Upper: 2, HasLower: true, HasCentre: true, HasUpper: true}))
	kept, err := chart.Without([]int{1, 2, 3}, []chart.Exclusion{{Index: 1, Reason: "gauge serviced"}})
	require.NoError(t, err)
	require.Equal(t, []int{1, 3}, kept)
}

// Refusals of a group baseline name the cycle or the stream.
func TestGroupBaselineRefusals(t *testing.T) {
	pair := func(a, b int, v float64) []chart.StreamValue {
		return []chart.StreamValue{{Stream: a, Value: v}, {Stream: b, Value: -v}}
	}
	for _, c := range []struct {
		name   string
		cycles [][]chart.StreamValue
		alike  bool
		reason refusal.Reason
		say    string
	}{
		{"one cycle", [][]chart.StreamValue{pair(0, 1, 1)}, true, refusal.TooFew, "cycles with two or more streams"},
		{"not a number", [][]chart.StreamValue{pair(0, 1, 1), pair(0, 1, math.NaN())}, true, refusal.NonFinite, "number 2"},
		{"steady", [][]chart.StreamValue{{{0, 1}, {1, 1}}, {{0, 2}, {1, 2}}}, true, refusal.ZeroVariance, "deviations"},
		{"pairs only", [][]chart.StreamValue{pair(0, 1, 1), pair(0, 1, 2), pair(0, 1, 3)}, false, refusal.NoSolution, "take the streams as alike"},
		{"stream seen once", [][]chart.StreamValue{{{0, 1}, {1, 2}, {2, 5}}, pair(0, 1, 2)}, false, refusal.TooFew, "cycles of a stream"},
	} {
		centres := []float64{0, 0}
		if c.name == "stream seen once" {
			centres = []float64{0, 0, 0}
		}
		_, err := chart.GroupBaseline(c.cycles, centres, c.alike, false)
		var refused *refusal.Error
		require.ErrorAs(t, err, &refused, c.name)
		require.Equal(t, c.reason, refused.Reason, c.name)
		require.Contains(t, refused.Error(), c.say, c.name)
	}
}
