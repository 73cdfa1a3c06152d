package gaugestudy_test

import (
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
)

func requireReason(t *testing.T, err error, want refusal.Reason) {
	t.Helper()
	var e *refusal.Error
	require.True(t, errors.As(err, &e), "%v", err)
	require.Equal(t, want, e.Reason, err.Error())
	require.NotEmpty(t, err.Error())
}

func flatCube(p, a, n int, v float64) [][][]float64 {
	y := make([][][]float64, p)
	for i := range y {
		y[i] = make([][]float64, a)
		for j := range y[i] {
			for range n {
				y[i][j] = append(y[i][j], v)
			}
		}
	}
	return y
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	second := func(_ any, err error) error { return err }
	gap := flatCube(3, 2, 2, 1)
	gap[1][1] = gap[1][1][:1]
	hole := flatCube(3, 2, 2, 1)
	hole[2] = hole[2][:1]
	bad := flatCube(3, 2, 2, 1)
	bad[0][0][0] = nan
	minus := -0.1
	master := gaugestudy.SingleMasterOptions{Tolerance: 1}
	tol := gaugestudy.Between(0, 1)
	proc := gaugestudy.Process{SD: 1}
	levels := [][][]gaugestudy.Occasion{{{{Mean: 1, SD: 0.1}, {Mean: 2, SD: 0.1}}, {{Mean: 1, SD: 0.1}, {Mean: 3, SD: 0.1}}}}
	ragged := [][][]gaugestudy.Occasion{levels[0], {levels[0][0]}}
	negative := [][][]gaugestudy.Occasion{{{{Mean: 1, SD: -0.1}, {Mean: 2, SD: 0.1}}}}
	for name, c := range map[string]struct {
		err  error
		want refusal.Reason
	}{
		"master, few":             {second(gaugestudy.SingleMaster([]float64{1}, master)), refusal.TooFew},
		"master, nan":             {second(gaugestudy.SingleMaster([]float64{1, nan}, master)), refusal.NonFinite},
		"master, constant":        {second(gaugestudy.SingleMaster([]float64{0.1, 0.1, 0.1}, master)), refusal.ZeroVariance},
		"master, tolerance":       {second(gaugestudy.SingleMaster([]float64{1, 2}, gaugestudy.SingleMasterOptions{})), refusal.OutOfRange},
		"master, confidence":      {second(gaugestudy.SingleMaster([]float64{1, 2}, gaugestudy.SingleMasterOptions{Tolerance: 1, Confidence: 95})), refusal.OutOfRange},
		"master, share":           {second(gaugestudy.SingleMaster([]float64{1, 2}, gaugestudy.SingleMasterOptions{Tolerance: 1, Share: 2})), refusal.OutOfRange},
		"system, negative":        {second(gaugestudy.MeasuringSystem{Bias: -1}.Judge(1, 15)), refusal.OutOfRange},
		"system, nothing":         {second(gaugestudy.MeasuringSystem{}.Judge(1, 15)), refusal.ZeroVariance},
		"crossed, empty":          {second(gaugestudy.Crossed(nil, gaugestudy.StudyOptions{})), refusal.TooFew},
		"crossed, one trial":      {second(gaugestudy.Crossed(flatCube(3, 2, 1, 1), gaugestudy.StudyOptions{})), refusal.TooFew},
		"crossed, one part":       {second(gaugestudy.Crossed(flatCube(1, 2, 2, 1), gaugestudy.StudyOptions{})), refusal.TooFew},
		"crossed, gap":            {second(gaugestudy.Crossed(gap, gaugestudy.StudyOptions{})), refusal.Mismatch},
		"crossed, hole":           {second(gaugestudy.Crossed(hole, gaugestudy.StudyOptions{})), refusal.Mismatch},
		"crossed, nan":            {second(gaugestudy.Crossed(bad, gaugestudy.StudyOptions{})), refusal.NonFinite},
		"crossed, constant":       {second(gaugestudy.Crossed(flatCube(3, 2, 2, 0.1), gaugestudy.StudyOptions{})), refusal.ZeroVariance},
		"crossed, pool":           {second(gaugestudy.Crossed(flatCube(3, 2, 2, 0.1), gaugestudy.StudyOptions{PoolAbove: &minus})), refusal.OutOfRange},
		"crossed, method":         {second(gaugestudy.Crossed(flatCube(3, 2, 2, 0.1), gaugestudy.StudyOptions{Intervals: "best"})), refusal.Mismatch},
		"nested, one appraiser":   {second(gaugestudy.Nested(flatCube(1, 2, 2, 0.1), gaugestudy.StudyOptions{})), refusal.TooFew},
		"nested, constant":        {second(gaugestudy.Nested(flatCube(2, 2, 2, 0.1), gaugestudy.StudyOptions{})), refusal.ZeroVariance},
		"ranges, constant":        {second(gaugestudy.AverageRange(flatCube(2, 2, 2, 0.1), gaugestudy.StudyOptions{}, nil)), refusal.ZeroVariance},
		"plan, trials":            {second(gaugestudy.Plan(3, 2, 1, 1)), refusal.TooFew},
		"plan, appraisers":        {second(gaugestudy.Plan(3, 0, 2, 1)), refusal.TooFew},
		"plan, large":             {second(gaugestudy.Plan(1<<40, 1<<40, 1<<40, 1)), refusal.OutOfRange},
		"calibration, lengths":    {second(gaugestudy.Calibration([]float64{1, 2, 3}, []float64{1, 2})), refusal.Mismatch},
		"calibration, few":        {second(gaugestudy.Calibration([]float64{1, 2}, []float64{1, 2})), refusal.TooFew},
		"calibration, one master": {second(gaugestudy.Calibration([]float64{1, 1, 1}, []float64{1, 2, 3})), refusal.ZeroVariance},
		"calibration, exact":      {second(gaugestudy.Calibration([]float64{1, 2, 3}, []float64{1, 2, 3})), refusal.ZeroVariance},
		"linearity, few":          {second(gaugestudy.Linearity([]float64{1, 2}, [][]float64{{1, 2}, {2, 3}}, gaugestudy.LinearityOptions{})), refusal.TooFew},
		"linearity, no readings":  {second(gaugestudy.Linearity([]float64{1, 2, 3}, [][]float64{{1, 2}, {2, 3}, {}}, gaugestudy.LinearityOptions{})), refusal.Mismatch},
		"linearity, no repeats":   {second(gaugestudy.Linearity([]float64{1, 2, 3}, [][]float64{{1}, {2}, {3}}, gaugestudy.LinearityOptions{})), refusal.TooFew},
		"linearity, weights":      {second(gaugestudy.Linearity([]float64{1, 2, 3}, [][]float64{{1, 2}, {2, 3}, {3, 4}}, gaugestudy.LinearityOptions{Weighted: true})), refusal.Mismatch},
		"agreement, lengths":      {second(gaugestudy.LimitsOfAgreement([]float64{1, 2, 3}, []float64{1}, gaugestudy.AgreementOptions{})), refusal.Mismatch},
		"agreement, constant":     {second(gaugestudy.LimitsOfAgreement([]float64{1, 2, 3}, []float64{1, 2, 3}, gaugestudy.AgreementOptions{})), refusal.ZeroVariance},
		"deming, few":             {second(gaugestudy.Deming([]float64{1, 2, 3}, []float64{1, 2, 4}, 1, 0)), refusal.TooFew},
		"deming, ratio":           {second(gaugestudy.Deming([]float64{1, 2, 3, 4, 5}, []float64{1, 2, 4, 3, 5}, 0, 0)), refusal.OutOfRange},
		"deming, unrelated":       {second(gaugestudy.Deming([]float64{1, -1, 1, -1, 0, 0}, []float64{1, 1, -1, -1, 0, 0}, 1, 0)), refusal.NoSolution},
		"deming, constant":        {second(gaugestudy.Deming([]float64{1, 1, 1, 1, 1}, []float64{1, 2, 4, 3, 5}, 1, 0)), refusal.ZeroVariance},
		"stability, few":          {second(gaugestudy.Stability([]float64{1, 2}, []float64{1, 2}, chart.IndividualsOptions{}, 0)), refusal.TooFew},
		"stability, order":        {second(gaugestudy.Stability([]float64{1, 2, 3, 2, 5}, []float64{1, 2, 3, 4, 4}, chart.IndividualsOptions{}, 0)), refusal.Mismatch},
		"check standard, sd":      {second(gaugestudy.CheckStandard([]float64{1, 2, 3}, []float64{1, -2, 3}, 5, gaugestudy.CheckStandardOptions{})), refusal.Negative},
		"check standard, few":     {second(gaugestudy.CheckStandard([]float64{1, 2}, []float64{1, 2}, 5, gaugestudy.CheckStandardOptions{})), refusal.TooFew},
		"check standard, df":      {second(gaugestudy.CheckStandard([]float64{1, 2, 4}, []float64{1, 2, 3}, 0, gaugestudy.CheckStandardOptions{})), refusal.OutOfRange},
		"levels, ragged":          {second(gaugestudy.Levels(ragged, 6)), refusal.Mismatch},
		"levels, negative":        {second(gaugestudy.Levels(negative, 6)), refusal.Negative},
		"levels, readings":        {second(gaugestudy.Levels(levels, 1)), refusal.TooFew},
		"instruments, one":        {second(gaugestudy.InstrumentBias([][][]float64{{{1}, {2}}}, 0)), refusal.TooFew},
		"instruments, which":      {second(gaugestudy.InstrumentBias([][][]float64{{{1, 2}, {2, 4}}}, 2)), refusal.OutOfRange},
		"paired, constant":        {second(gaugestudy.Paired([]float64{1, 2}, []float64{2, 3}, 0)), refusal.ZeroVariance},
		"cohen, not square":       {second(gaugestudy.CohenKappa([][]int{{1, 2}, {3}}, 0)), refusal.Mismatch},
		"cohen, negative":         {second(gaugestudy.CohenKappa([][]int{{1, 2}, {3, -1}}, 0)), refusal.Negative},
		"cohen, one category":     {second(gaugestudy.CohenKappa([][]int{{9, 0}, {0, 0}}, 0)), refusal.ZeroVariance},
		"fleiss, raters":          {second(gaugestudy.FleissKappa([][]int{{1, 2}, {3, 0}, {2, 2}}, 0)), refusal.Mismatch},
		"fleiss, one category":    {second(gaugestudy.FleissKappa([][]int{{3, 0}, {3, 0}, {3, 0}}, 0)), refusal.ZeroVariance},
		"attributes, category":    {second(gaugestudy.Attributes([][][]int{{{0}, {1}, {2}}}, nil, 2, 0)), refusal.OutOfRange},
		"attributes, truth":       {second(gaugestudy.Attributes([][][]int{{{0}, {1}, {1}}}, []int{0}, 2, 0)), refusal.Mismatch},
		"attributes, incomplete":  {second(gaugestudy.Attributes([][][]int{{{0}, {1}, {1}}, {{0}, {1}}}, nil, 2, 0)), refusal.Mismatch},
		"conformance, no limit":   {second(gaugestudy.ConformanceProbability(gaugestudy.Tolerance{}, 1, 1)), refusal.Mismatch},
		"conformance, crossed":    {second(gaugestudy.ConformanceProbability(gaugestudy.Between(2, 1), 1, 1)), refusal.LimitsCrossed},
		"conformance, u":          {second(gaugestudy.ConformanceProbability(tol, 1, 0)), refusal.OutOfRange},
		"risk, sides":             {second(gaugestudy.GlobalRisk(proc, 0.1, tol, gaugestudy.AtMost(1))), refusal.Mismatch},
		"risk, process":           {second(gaugestudy.GlobalRisk(gaugestudy.Process{}, 0.1, tol, tol)), refusal.OutOfRange},
		"true sd":                 {second(gaugestudy.TrueSD(1, 2)), refusal.NoSolution},
		"specific, too wide":      {second(gaugestudy.SpecificGuardBand(tol, 1, 0.95)), refusal.NoSolution},
		"shrunk away":             {second(tol.Shrunk(0.5)), refusal.LimitsCrossed},
		"budget, none":            {second(gaugestudy.Combine(nil, gaugestudy.BudgetOptions{})), refusal.TooFew},
		"budget, zero":            {second(gaugestudy.Combine([]gaugestudy.Input{{U: 1}}, gaugestudy.BudgetOptions{})), refusal.ZeroVariance},
		"budget, negative":        {second(gaugestudy.Combine([]gaugestudy.Input{{U: -1, Sensitivity: 1}}, gaugestudy.BudgetOptions{})), refusal.OutOfRange},
		"budget, correlation": {second(gaugestudy.Combine([]gaugestudy.Input{{U: 1, Sensitivity: 1}, {U: 1, Sensitivity: 1}},
			gaugestudy.BudgetOptions{Correlations: []gaugestudy.Correlation{{A: 0, B: 1, R: -1}}})), refusal.NoSolution},
		"budget, itself": {second(gaugestudy.Combine([]gaugestudy.Input{{U: 1, Sensitivity: 1}},
			gaugestudy.BudgetOptions{Correlations: []gaugestudy.Correlation{{A: 0, B: 0, R: 1}}})), refusal.Mismatch},
	} {
		t.Run(name, func(t *testing.T) { requireReason(t, c.err, c.want) })
	}
	_, _, err := gaugestudy.GuardBand(gaugestudy.Process{Mean: 50, SD: 1}, 1, tol, 1e-12)
	require.NoError(t, err)
	_, _, err = gaugestudy.GuardBand(gaugestudy.Process{Mean: 0.5, SD: 0.01}, 0.1, tol, 0.01)
	requireReason(t, err, refusal.NoSolution)
	_, _, err = gaugestudy.Line{Slope: 0.1, SESlope: 1}.Corrected(1)
	requireReason(t, err, refusal.NoSolution)
}
