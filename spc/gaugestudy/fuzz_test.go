package gaugestudy_test

import (
	"encoding/binary"
	"errors"
	"math"
	"reflect"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
)

// finite demands that no number anywhere in a result be NaN or infinite.
func finite(t *testing.T, what string, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Float64:
		require.False(t, math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0), what)
	case reflect.Struct:
		for i := range v.NumField() {
			finite(t, what+"."+v.Type().Field(i).Name, v.Field(i))
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			finite(t, what+"[]", v.Index(i))
		}
	case reflect.Pointer:
		if !v.IsNil() {
			finite(t, what, v.Elem())
		}
	}
}

// result demands a typed refusal or finite numbers.
func result(t *testing.T, what string, v any, err error) {
	t.Helper()
	if err != nil {
		var e *refusal.Error
		require.True(t, errors.As(err, &e), "%s: %v", what, err)
		return
	}
	finite(t, what, reflect.ValueOf(v))
}

func FuzzStudies(f *testing.F) {
	seed := func(values ...float64) {
		var b []byte
		for _, v := range values {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
		f.Add(b)
	}
	seed(1, 2, 3, 4, 5, 6, 7, 9, 1, 3, 2, 5)
	seed(1e150, -1e150, 1e-160, 0, 1, 2, 3, 4, 5, 6, 7, 8)
	seed(1e15, 1e15+1, 1e15, 1e15, 1e15, 1e15+1, 1e15, 1e15)
	seed(0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.2)
	seed(1e-200, 2e-200, 3e-200, 5e-200, 1e-200, 2e-200, 3e-200, 4e-200)
	seed(math.NaN(), 1, 2, 3, math.Inf(1), 3, 4, 5)
	seed(1e100, 1, -1, 2, 1e100, 3, 1, 4)
	f.Fuzz(func(t *testing.T, b []byte) {
		var x []float64
		for ; len(b) >= 8 && len(x) < 48; b = b[8:] {
			x = append(x, math.Float64frombits(binary.LittleEndian.Uint64(b)))
		}
		if len(x) < 8 {
			return
		}
		half := len(x) / 2
		a, c := x[:half], x[half:2*half]
		v, err := gaugestudy.SingleMaster(x[1:], gaugestudy.SingleMasterOptions{Reference: x[0], Tolerance: 1})
		result(t, "single master", v, err)
		var y [][][]float64
		for i := 0; i+4 <= len(x); i += 4 {
			y = append(y, [][]float64{x[i : i+2], x[i+2 : i+4]})
		}
		s, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{Tolerance: 1})
		result(t, "crossed", s, err)
		s, err = gaugestudy.Nested(y, gaugestudy.StudyOptions{})
		result(t, "nested", s, err)
		r, err := gaugestudy.AverageRange(y, gaugestudy.StudyOptions{}, nil)
		result(t, "ranges", r, err)
		line, err := gaugestudy.Calibration(a, c)
		result(t, "calibration", line, err)
		if err == nil {
			w, err := line.Control(a, c, 3, 0)
			result(t, "control", w, err)
			_, u, err := line.Corrected(c[0])
			result(t, "corrected", u, err)
		}
		rows := make([][]float64, 4)
		for i, v := range x[4:] {
			rows[i%4] = append(rows[i%4], v)
		}
		l, err := gaugestudy.Linearity(x[:4], rows, gaugestudy.LinearityOptions{Weighted: len(x)%2 == 0})
		result(t, "linearity", l, err)
		g, err := gaugestudy.LimitsOfAgreement(a, c, gaugestudy.AgreementOptions{})
		result(t, "agreement", g, err)
		d, err := gaugestudy.Deming(a, c, 1, 0)
		result(t, "deming", d, err)
		st, err := gaugestudy.Stability(a, c, chart.IndividualsOptions{}, 0)
		result(t, "stability", st, err)
		k, err := gaugestudy.CheckStandard(a, c, 5, gaugestudy.CheckStandardOptions{})
		result(t, "check standard", k, err)
		p, err := gaugestudy.Paired(a, c, 0)
		result(t, "paired", p, err)
		bias, err := gaugestudy.InstrumentBias(y, 0)
		result(t, "instruments", bias, err)
		budget, err := gaugestudy.Combine([]gaugestudy.Input{{U: x[0], Sensitivity: x[1], DF: x[2]}, {U: x[3], Sensitivity: x[4], DF: x[5]}},
			gaugestudy.BudgetOptions{Correlations: []gaugestudy.Correlation{{A: 0, B: 1, R: x[6]}}})
		result(t, "budget", budget, err)
		risk, err := gaugestudy.GlobalRisk(gaugestudy.Process{Mean: x[0], SD: x[1]}, x[2], gaugestudy.Between(x[3], x[4]), gaugestudy.Between(x[5], x[6]))
		result(t, "risk", risk, err)
		band, risk, err := gaugestudy.GuardBand(gaugestudy.Process{Mean: x[0], SD: x[1]}, x[2], gaugestudy.Between(x[3], x[4]), 0.01)
		result(t, "guard band", []any{band, risk}, err)
		conf, err := gaugestudy.ConformanceProbability(gaugestudy.AtMost(x[0]), x[1], x[2])
		result(t, "conformance", conf, err)
		sg, err := gaugestudy.SpecificGuardBand(gaugestudy.Between(x[0], x[1]), x[2], 0.95)
		result(t, "specific", sg, err)
		z, err := gaugestudy.DecisionZones(gaugestudy.Between(x[0], x[1]), x[2], 2)
		result(t, "zones", z, err)
		n := half / 2 * 2
		var places [][2]float64
		for i := range n {
			side := float64(1 - 2*(i%2))
			places = append(places, [2]float64{side * float64(10+i/2), side * float64(i/2*i/2)})
		}
		turned := []gaugestudy.Turned{{Straight: a[:n], Turned: c[:n]}}
		ht, err := gaugestudy.HalfTurn(places, turned, gaugestudy.HalfTurnOptions{})
		result(t, "half turn", ht, err)
		hs, err := gaugestudy.HalfTurnShape(places, turned)
		result(t, "half turn, shape", hs, err)
		h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 2, Moulds: 3, Baseline: 10})
		require.NoError(t, err)
		for i := range 120 {
			step, err := h.Step(i%3, []float64{x[i%len(x)], x[(i*7+1)%len(x)]})
			result(t, "probe step", step, err)
		}
		result(t, "findings", h.Findings(), nil)
		result(t, "probes", h.Probes(), nil)
	})
}

func FuzzKappa(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9})
	f.Add([]byte{20, 5, 10, 15})
	f.Add([]byte{9, 0, 0, 0})
	f.Add([]byte{3, 0, 3, 0, 0, 3, 3, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 100 {
			return
		}
		k := 2 + len(b)%3
		var table [][]int
		for ; len(b) >= k; b = b[k:] {
			row := make([]int, k)
			for i := range row {
				row[i] = int(int8(b[i]))
			}
			table = append(table, row)
		}
		c, err := gaugestudy.CohenKappa(table, 0)
		result(t, "cohen", c, err)
		l, err := gaugestudy.FleissKappa(table, 0)
		result(t, "fleiss", l, err)
		y := [][][]int{table, table}
		a, err := gaugestudy.Attributes(y, nil, 3, 0)
		result(t, "attributes", a, err)
	})
}
