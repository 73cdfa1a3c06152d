package report_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/spc/gaugestudy"
	"sagwatch/store"
)

// study makes the inputs of a report from a plan and a value for each line.
func study(t *testing.T, kind string, plan store.StudyPlan, gauge *spc.Gauge, places [][2]float64, read func(store.StudyLine) store.StudyReading) []byte {
	t.Helper()
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	v := &store.Study{ID: 7, Kind: kind, Title: "CG-1", Gauge: "CG-1", Product: "P25", Plan: plan, State: store.StudyCollected, By: "okafor", At: at}
	var readings []store.StudyReading
	for i, l := range plan.Lines {
		r := read(l)
		r.Line, r.By = l.Line, "lind"
		if r.MeasuredAt.IsZero() {
			r.MeasuredAt = at.Add(time.Duration(i) * time.Minute)
		}
		readings = append(readings, r)
	}
	undone := readings[0]
	undone.WithdrawnAt, undone.Characteristics = at, map[string]float64{"width": 99}
	readings = append([]store.StudyReading{undone}, readings...)
	in := report.StudyOf(report.Head{Site: "north", Zone: "Europe/Tallinn", IssuedBy: "okafor", IssuedAt: at.Add(24 * time.Hour), Version: "test"}, v, readings, gauge, places)
	b, err := json.Marshal(in)
	require.NoError(t, err)
	return b
}

func lines(runs []gaugestudy.Run) (out []store.StudyLine) {
	for _, r := range runs {
		out = append(out, store.StudyLine{Line: r.Run, Part: r.Part, Appraiser: r.Appraiser, Trial: r.Trial})
	}
	return out
}

// exported are the values of the sheet of figures by id, as they stand in the XLSX file and in the CSV files.
func exported(t *testing.T, d *report.Document) (xlsx, csvs map[string]float64) {
	t.Helper()
	b, err := d.XLSX()
	require.NoError(t, err)
	f, err := excelize.OpenReader(bytes.NewReader(b))
	require.NoError(t, err)
	rows, err := f.GetRows("Figures", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	values := func(rows [][]string) map[string]float64 {
		out := map[string]float64{}
		for _, r := range rows {
			if len(r) > 3 {
				if v, err := strconv.ParseFloat(r[3], 64); err == nil {
					out[r[0]] = v
				}
			}
		}
		return out
	}
	xlsx = values(rows)
	if b, err = d.CSV(); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	for _, file := range z.File {
		if file.Name == "figures.csv" {
			r, err := file.Open()
			require.NoError(t, err)
			all, err := csv.NewReader(r).ReadAll()
			require.NoError(t, err)
			csvs = values(all)
		}
	}
	require.Equal(t, len(xlsx), len(csvs))
	return xlsx, csvs
}

func reference(t *testing.T, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", "gauge", name))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, into))
}

// The crossed study of Montgomery and Runger (1993), from its data through the report to the figures in the files.
func TestCrossedStudyReport(t *testing.T) {
	var ref struct {
		Cases []struct {
			Data     []float64
			Dims     []int
			Computed struct {
				SSPart  float64            `json:"ss_part"`
				Without map[string]float64 `json:"without_interaction"`
			}
		}
	}
	reference(t, "crossed_grr.json", &ref)
	c := ref.Cases[0]
	runs, err := gaugestudy.Plan(c.Dims[0], c.Dims[1], c.Dims[2], 41)
	require.NoError(t, err)
	lower, upper := 5.0, 60.0
	plan := store.StudyPlan{Trials: c.Dims[2], Appraisers: []string{"Lind", "Tamm", "Okafor"}, Seed: 41, Lines: lines(runs),
		Characteristics: []store.StudyCharacteristic{{Name: "width", Unit: "mm", Lower: &lower, Upper: &upper}}}
	y := make([][][]float64, c.Dims[0])
	for p := range y {
		plan.Parts = append(plan.Parts, store.StudyPart{Panel: "A-" + strconv.Itoa(p+1)})
		for a := range c.Dims[1] {
			at := (p*c.Dims[1] + a) * c.Dims[2]
			y[p] = append(y[p], c.Data[at:at+c.Dims[2]])
		}
	}
	inputs := study(t, store.CrossedStudy, plan, nil, nil, func(l store.StudyLine) store.StudyReading {
		return store.StudyReading{Characteristics: map[string]float64{"width": y[l.Part-1][l.Appraiser-1][l.Trial-1]}}
	})
	d, err := report.Make(store.StudyReport, inputs)
	require.NoError(t, err)
	require.Contains(t, d.Statement, "of the tolerance for the width")
	want, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{Tolerance: upper - lower})
	require.NoError(t, err)
	require.True(t, want.Pooled)
	xlsx, csvs := exported(t, d)
	for id, v := range map[string]float64{"repeatability": want.Repeat.SD, "appraiser": want.Appraiser.SD, "reproducibility": want.Reproduce.SD, "gauge": want.Gauge.SD, "part": want.Part.SD,
		"total": want.Total.SD, "distinct": want.Distinct, "percent_study": want.Gauge.PercentStudy, "percent_tolerance": want.Gauge.PercentTolerance, "u": want.Gauge.SD} {
		require.InEpsilon(t, v, xlsx[id+".width"], 1e-9, id)
		require.InEpsilon(t, v, csvs[id+".width"], 1e-9, id)
	}
	for id, name := range map[string]string{"repeatability": "ev", "appraiser": "av", "gauge": "grr", "part": "pv", "total": "tv", "percent_study": "pct_grr_tv"} { // its number of categories has 1.41 in place of the root of two
		require.InEpsilon(t, c.Computed.Without[name], xlsx[id+".width"], 1e-9, "%s as computed from the published data", id)
	}
	risk, err := gaugestudy.GlobalRisk(gaugestudy.Process{Mean: want.Mean, SD: want.Part.SD}, want.Gauge.SD, gaugestudy.Between(lower, upper), gaugestudy.Between(lower, upper))
	require.NoError(t, err)
	require.InEpsilon(t, 1e6*risk.Consumer, xlsx["consumer.width"], 1e-9)
	pdf, err := d.PDF()
	require.NoError(t, err)
	if dir := os.Getenv("SAGWATCH_SHOTS"); dir != "" {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "study.pdf"), pdf, 0o644))
	}
	again, err := report.Make(store.StudyReport, inputs)
	require.NoError(t, err)
	pdf2, err := again.PDF()
	require.NoError(t, err)
	require.True(t, bytes.Equal(pdf, pdf2), "made again to the byte")
	text := pdfText(t, pdf)
	require.Contains(t, text, "Repeatability")
	// Every reading is in the files, the undone one marked.
	require.Equal(t, "Readings", d.Sheets[0].Name)
	require.Len(t, d.Sheets[0].Rows, len(c.Data)+1)
	require.Equal(t, true, d.Sheets[0].Rows[0][len(d.Sheets[0].Cols)-1])
}

// The single-master example of the reference pack.
func TestSingleMasterReport(t *testing.T) {
	var ref struct {
		Data      []float64
		Reference float64
		Tolerance float64
		Computed  map[string]float64
	}
	reference(t, "single_master.json", &ref)
	lower, upper := ref.Reference-ref.Tolerance/2, ref.Reference+ref.Tolerance/2
	plan := store.StudyPlan{Trials: len(ref.Data), Appraisers: []string{"Lind"}, Parts: []store.StudyPart{{Panel: "M-2", Reference: &ref.Reference, ReferenceU: 0.0004}},
		Characteristics: []store.StudyCharacteristic{{Name: "width", Unit: "mm", Lower: &lower, Upper: &upper, Resolution: 0.001}}}
	for i := range ref.Data {
		plan.Lines = append(plan.Lines, store.StudyLine{Line: i + 1, Part: 1, Appraiser: 1, Trial: i + 1})
	}
	d, err := report.Make(store.StudyReport, study(t, store.SingleMasterStudy, plan, nil, nil, func(l store.StudyLine) store.StudyReading {
		return store.StudyReading{Characteristics: map[string]float64{"width": ref.Data[l.Line-1]}}
	}))
	require.NoError(t, err)
	xlsx, csvs := exported(t, d)
	for id, name := range map[string]string{"mean": "mean", "sd": "sd", "bias": "bias", "t": "t_bias", "p": "p_bias", "cg": "Cg", "cgk": "Cgk"} {
		require.InEpsilon(t, ref.Computed[name], xlsx[id], 1e-8, id) // the pack gives 12 digits; the bias is a difference of like numbers
		require.InEpsilon(t, xlsx[id], csvs[id], 1e-14, id)
	}
	s, err := gaugestudy.SingleMaster(ref.Data, gaugestudy.SingleMasterOptions{Reference: ref.Reference, ReferenceU: 0.0004, Tolerance: upper - lower, Resolution: 0.001})
	require.NoError(t, err)
	require.InEpsilon(t, s.Cgk, xlsx["cgk"], 1e-9)
	m, err := gaugestudy.MeasuringSystem{Calibration: 0.0004, Repeatability: s.URepeatability, Resolution: s.UResolution, Bias: s.UBias}.Judge(upper-lower, 15)
	require.NoError(t, err)
	require.InEpsilon(t, m.U, xlsx["u.width"], 1e-9)
	require.InEpsilon(t, m.QPercent, csvs["q.width"], 1e-9)
}

// Every other kind gives its figures, with the values of spc behind them.
func TestOtherStudyReports(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	ref := func(v float64) *float64 { return &v }
	lower, upper := 500.0, 520.0
	width := []store.StudyCharacteristic{{Name: "width", Unit: "mm", Lower: &lower, Upper: &upper}}

	t.Run("nested", func(t *testing.T) {
		runs, err := gaugestudy.Plan(4, 3, 2, 5)
		require.NoError(t, err)
		plan := store.StudyPlan{Trials: 2, Appraisers: []string{"a", "b", "c"}, Seed: 5, Characteristics: width}
		for i := range 12 {
			plan.Parts = append(plan.Parts, store.StudyPart{Panel: strconv.Itoa(i)})
		}
		for _, l := range lines(runs) {
			l.Part += (l.Appraiser - 1) * 4
			plan.Lines = append(plan.Lines, l)
		}
		y := [3][4][2]float64{}
		for i := range 24 {
			y[i/8][i/2%4][i%2] = 510 + rng.NormFloat64() + float64(i/2%4)
		}
		d, err := report.Make(store.StudyReport, study(t, store.NestedStudy, plan, nil, nil, func(l store.StudyLine) store.StudyReading {
			return store.StudyReading{Characteristics: map[string]float64{"width": y[l.Appraiser-1][(l.Part-1)%4][l.Trial-1]}}
		}))
		require.NoError(t, err)
		in := make([][][]float64, 3)
		for a := range in {
			for p := range 4 {
				in[a] = append(in[a], y[a][p][:])
			}
		}
		want, err := gaugestudy.Nested(in, gaugestudy.StudyOptions{Tolerance: 20})
		require.NoError(t, err)
		xlsx, _ := exported(t, d)
		require.InEpsilon(t, want.Gauge.SD, xlsx["gauge.width"], 1e-9)
		require.InEpsilon(t, want.Repeat.SD, xlsx["repeatability.width"], 1e-9)
	})
	t.Run("linearity", func(t *testing.T) {
		runs, err := gaugestudy.Plan(4, 1, 5, 5)
		require.NoError(t, err)
		plan := store.StudyPlan{Trials: 5, Appraisers: []string{"a"}, Seed: 5, Characteristics: width, Lines: lines(runs)}
		for i := range 4 {
			plan.Parts = append(plan.Parts, store.StudyPart{Panel: strconv.Itoa(i), Reference: ref(500 + 5*float64(i)), ReferenceU: 0.01})
		}
		d, err := report.Make(store.StudyReport, study(t, store.LinearityStudy, plan, nil, nil, func(l store.StudyLine) store.StudyReading {
			r := 500 + 5*float64(l.Part-1)
			return store.StudyReading{Characteristics: map[string]float64{"width": r + 0.02*(r-500) + 0.01*rng.NormFloat64()}}
		}))
		require.NoError(t, err)
		xlsx, _ := exported(t, d)
		require.InDelta(t, 0.02, xlsx["slope"], 0.003)
		require.Contains(t, d.Statement, "the bias changes by")
	})
	t.Run("stability", func(t *testing.T) {
		plan := store.StudyPlan{Trials: 30, Appraisers: []string{"master checks"}, Parts: []store.StudyPart{{Panel: "M-2"}}, Characteristics: []store.StudyCharacteristic{{Name: "master_radius_error_mm", Unit: "mm"}}}
		for i := range 30 {
			plan.Lines = append(plan.Lines, store.StudyLine{Line: i + 1, Part: 1, Appraiser: 1, Trial: i + 1})
		}
		d, err := report.Make(store.StudyReport, study(t, store.StabilityStudy, plan, nil, nil, func(l store.StudyLine) store.StudyReading {
			return store.StudyReading{Characteristics: map[string]float64{"master_radius_error_mm": 0.01*float64(l.Line) + 0.005*rng.NormFloat64()}, MeasuredAt: time.Date(2026, 3, l.Line, 6, 0, 0, 0, time.UTC)}
		}))
		require.NoError(t, err)
		xlsx, _ := exported(t, d)
		require.InDelta(t, 0.01, xlsx["drift"], 0.001)
		require.Contains(t, d.Statement, "drifts by")
	})
	t.Run("attributes", func(t *testing.T) {
		runs, err := gaugestudy.Plan(10, 2, 2, 5)
		require.NoError(t, err)
		plan := store.StudyPlan{Trials: 2, Appraisers: []string{"a", "b"}, Seed: 5, Categories: []string{"good", "bad"}, Lines: lines(runs)}
		for i := range 10 {
			truth := i % 2
			plan.Parts = append(plan.Parts, store.StudyPart{Panel: strconv.Itoa(i), Truth: &truth})
		}
		d, err := report.Make(store.StudyReport, study(t, store.AttributeStudy, plan, nil, nil, func(l store.StudyLine) store.StudyReading {
			c := (l.Part - 1) % 2
			if l.Part == 1 && l.Appraiser == 2 && l.Trial == 2 {
				c = 1
			}
			return store.StudyReading{Category: &c}
		}))
		require.NoError(t, err)
		require.Contains(t, d.Statement, "On 9 of 10 panels")
		xlsx, _ := exported(t, d)
		require.InDelta(t, 90, xlsx["all_right"], 1e-9)
		require.InDelta(t, 1, xlsx["kappa.1"], 1e-9)
		require.Contains(t, xlsx, "wrong.1.1", "false alarms and escapes have their figures")
	})
	t.Run("half turn", func(t *testing.T) {
		var places [][2]float64
		for i := range 8 {
			for j := range 6 {
				places = append(places, [2]float64{70 * (float64(i) - 3.5), 72 * (float64(j) - 2.5)})
			}
		}
		plan := store.StudyPlan{Trials: 2, Appraisers: []string{"a"}}
		for p := range 3 {
			plan.Parts = append(plan.Parts, store.StudyPart{Panel: strconv.Itoa(p)})
			plan.Lines = append(plan.Lines, store.StudyLine{Line: 2*p + 1, Part: p + 1, Appraiser: 1, Trial: 1, Turned: p == 1}, store.StudyLine{Line: 2*p + 2, Part: p + 1, Appraiser: 1, Trial: 2, Turned: p != 1})
		}
		d, err := report.Make(store.StudyReport, study(t, store.HalfTurnStudy, plan, &spc.Gauge{Seating: []spc.Freedom{"z", "tilt_x", "tilt_y"}}, places, func(store.StudyLine) store.StudyReading {
			m := make([]float64, len(places))
			for i := range m {
				m[i] = rng.NormFloat64()
			}
			m[13] += 30
			return store.StudyReading{Measurement: 1, Deviations: m}
		}))
		require.NoError(t, err)
		require.Contains(t, d.Statement, "CG-1 itself puts")
		require.Equal(t, "Deviations", d.Sheets[len(d.Sheets)-1].Name)
		xlsx, _ := exported(t, d)
		require.Greater(t, xlsx["gauge_rms"], xlsx["glass_rms"])
		require.Contains(t, xlsx, "drift_rms", "one panel was turned first")
	})
	t.Run("incomplete", func(t *testing.T) {
		plan := store.StudyPlan{Trials: 3, Appraisers: []string{"a"}, Parts: []store.StudyPart{{Panel: "1"}}, Characteristics: width}
		for i := range 3 {
			plan.Lines = append(plan.Lines, store.StudyLine{Line: i + 1, Part: 1, Appraiser: 1, Trial: i + 1})
		}
		v := &store.Study{Kind: store.SingleMasterStudy, Plan: plan, At: time.Unix(0, 0)}
		r := report.AnalyseStudy(report.StudyOf(report.Head{}, v, nil, nil, nil))
		require.False(t, r.Complete)
		require.Contains(t, r.Statement, "3 of 3 readings are still to be taken")
	})
}

// A study has no period of pressing: it says when its readings were taken, and nothing where there are none.
func TestStudyHasNoPeriodOfPressing(t *testing.T) {
	t.Parallel()
	planned := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	plan := store.StudyPlan{Trials: 2, Appraisers: []string{"a"}, Parts: []store.StudyPart{{Panel: "1"}}, Characteristics: []store.StudyCharacteristic{{Name: "width", Unit: "mm"}},
		Lines: []store.StudyLine{{Line: 1, Part: 1, Appraiser: 1, Trial: 1}, {Line: 2, Part: 1, Appraiser: 1, Trial: 2}}}
	v := &store.Study{Kind: store.SingleMasterStudy, Plan: plan, At: planned}
	head := report.Head{Zone: "UTC", From: planned, To: planned, IssuedAt: planned.Add(time.Hour)}
	in := report.StudyOf(head, v, nil, nil, nil)
	require.True(t, in.From.IsZero() && in.To.IsZero())
	moment := (&report.Document{Zone: time.UTC}).Moment
	_, ok := report.PeriodFact(in.Kind, in.From, in.To, moment)
	require.False(t, ok)
	readings := []store.StudyReading{{Line: 2, MeasuredAt: planned.Add(9 * time.Minute)}, {Line: 1, MeasuredAt: planned.Add(4 * time.Minute)}}
	in = report.StudyOf(head, v, readings, nil, nil)
	fact, ok := report.PeriodFact(in.Kind, in.From, in.To, moment)
	require.True(t, ok)
	require.Equal(t, report.Fact{Name: "Readings taken", Value: moment(planned.Add(4*time.Minute)) + " to " + moment(planned.Add(9*time.Minute))}, fact)
	fact, _ = report.PeriodFact(in.Kind, in.From, in.From, moment)
	require.Equal(t, moment(planned.Add(4*time.Minute)), fact.Value, "one moment is no stretch")
	fact, _ = report.PeriodFact(store.HandOverReport, in.From, in.To, moment)
	require.Contains(t, fact.Value, "by the time of pressing")
}
