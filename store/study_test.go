package store_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func invented() store.Study {
	lower, upper := 1101.5, 1113.5
	return store.Study{Kind: store.CrossedStudy, Title: "CG-1, radius", Gauge: "CG-1", Product: "P25", Takes: true, By: "okafor",
		Plan: store.StudyPlan{Parts: []store.StudyPart{{Panel: "A-1"}, {Panel: "A-2"}}, Appraisers: []string{"Lind"}, Trials: 2, Seed: 1<<53 - 1,
			Characteristics: []store.StudyCharacteristic{{Name: "radius_mm", Unit: "mm", Lower: &lower, Upper: &upper}},
			Lines:           []store.StudyLine{{Line: 1, Part: 2, Appraiser: 1, Trial: 1}, {Line: 2, Part: 1, Appraiser: 1, Trial: 1}}}}
}

func TestStudies(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	v, err := s.AddStudy(ctx, site, invented(), nil)
	require.NoError(t, err)
	require.Equal(t, store.StudyCollecting, v.State)
	_, err = s.AddStudy(ctx, site, invented(), nil)
	require.ErrorIs(t, err, store.ErrExists, "one study at a gauge takes its readings")
	keyed := invented()
	keyed.Takes = false
	other, err := s.AddStudy(ctx, site, keyed, nil)
	require.NoError(t, err, "keyed-in studies do not stand in each other's way")

	back, err := s.Study(ctx, site, v.ID)
	require.NoError(t, err)
	require.Equal(t, v, back)
	_, err = s.Study(ctx, "south", v.ID)
	require.ErrorIs(t, err, store.ErrNotFound)

	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	first, err := s.TakeStudyReading(ctx, site, v.ID, store.StudyReading{Line: 1, Measurement: 7, MeasuredAt: at, Characteristics: map[string]float64{"radius_mm": 1107.1234567890123},
		Deviations: []float64{1.25, math.NaN()}, By: "gauge computer"})
	require.NoError(t, err)
	_, err = s.TakeStudyReading(ctx, site, v.ID, store.StudyReading{Line: 1, MeasuredAt: at, By: "lind"})
	require.ErrorIs(t, err, store.ErrExists, "the line has its reading")
	_, err = s.TakeStudyReading(ctx, site, v.ID, store.StudyReading{Line: 2, Measurement: 7, MeasuredAt: at, By: "lind"})
	require.ErrorIs(t, err, store.ErrExists, "a measurement is taken once")
	_, err = s.TakeStudyReading(ctx, site, v.ID, store.StudyReading{Line: 3, MeasuredAt: at, By: "lind"})
	require.ErrorIs(t, err, store.ErrInvalid)
	require.ErrorIs(t, s.AdoptStudy(ctx, site, v.ID, nil, store.StudyEntry{By: "okafor"}, none), store.ErrConflict, "it is not complete")

	require.NoError(t, s.UndoStudyReading(ctx, site, v.ID, first.Seq, "lind"))
	require.ErrorIs(t, s.UndoStudyReading(ctx, site, v.ID, first.Seq, "lind"), store.ErrNotFound)
	for line := 1; line <= 2; line++ {
		_, err = s.TakeStudyReading(ctx, site, v.ID, store.StudyReading{Line: line, MeasuredAt: at, Characteristics: map[string]float64{"radius_mm": 1107}, By: "lind"})
		require.NoError(t, err)
	}
	back, err = s.Study(ctx, site, v.ID)
	require.NoError(t, err)
	require.Equal(t, store.StudyCollected, back.State)
	require.Equal(t, 2, back.Taken)
	readings, err := s.StudyReadings(ctx, site, v.ID)
	require.NoError(t, err)
	require.Len(t, readings, 3, "what was undone stays")
	require.Equal(t, "lind", readings[0].WithdrawnBy)
	require.Equal(t, 1107.1234567890123, readings[0].Characteristics["radius_mm"])
	require.Equal(t, 1.25, readings[0].Deviations[0])
	require.True(t, math.IsNaN(readings[0].Deviations[1]))

	defs := []store.Definition{{Kind: "gauge", ID: "CG-1", Body: json.RawMessage(`{"id":"CG-1"}`), EffectiveFrom: at, Reason: "study", By: "okafor"}}
	require.NoError(t, s.AdoptStudy(ctx, site, v.ID, defs, store.StudyEntry{Reason: "study", By: "okafor"}, func(d []store.Definition) (json.RawMessage, error) {
		require.Equal(t, 1, d[0].Revision)
		return json.RawMessage(`{"revision":1}`), nil
	}))
	all, err := s.Definitions(ctx, site)
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.ErrorIs(t, s.AbandonStudy(ctx, site, v.ID, "no", "okafor"), store.ErrConflict)
	log, err := s.StudyLog(ctx, site, v.ID)
	require.NoError(t, err)
	var states []string
	for _, e := range log {
		states = append(states, e.State)
	}
	require.Equal(t, []string{store.StudyCollecting, store.StudyCollected, store.StudyAdopted}, states)
	require.JSONEq(t, `{"revision":1}`, string(log[2].Detail))

	require.NoError(t, s.AbandonStudy(ctx, site, other.ID, "the gauge went for service", "okafor"))
	_, err = s.TakeStudyReading(ctx, site, other.ID, store.StudyReading{Line: 1, MeasuredAt: at, By: "lind"})
	require.ErrorIs(t, err, store.ErrConflict)
	list, err := s.Studies(ctx, site, 0, 10)
	require.NoError(t, err)
	require.Equal(t, []int64{other.ID, v.ID}, []int64{list[0].ID, list[1].ID})
}

func none([]store.Definition) (json.RawMessage, error) { return nil, nil }

// Only what the gauge measured for the study since it was planned is offered, in order of measuring, and each once.
func TestStudyMeasurements(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	before := storetest.Row(0, func(r *store.Row) { r.Purpose = spc.Study })
	_, err := s.Insert(ctx, site, []*store.Row{before})
	require.NoError(t, err)
	v, err := s.AddStudy(ctx, site, invented(), nil)
	require.NoError(t, err)
	rows := []*store.Row{storetest.Row(3, func(r *store.Row) { r.Purpose = spc.Study }), storetest.Row(2, func(r *store.Row) { r.Purpose = spc.Study }), storetest.Row(4),
		storetest.Row(5, func(r *store.Row) { r.Purpose, r.Gauge = spc.Study, "CG-2" })}
	_, err = s.Insert(ctx, site, rows)
	require.NoError(t, err)
	got, err := s.StudyMeasurements(ctx, site, &v, storetest.Start)
	require.NoError(t, err)
	require.Len(t, got, 2)
	require.Equal(t, []string{rows[1].Panel, rows[0].Panel}, []string{got[0].Panel, got[1].Panel})
	_, err = s.TakeStudyReading(ctx, site, v.ID, store.StudyReading{Line: 1, Measurement: got[0].ID, MeasuredAt: got[0].MeasuredAt, By: "line-a"})
	require.NoError(t, err)
	got, err = s.StudyMeasurements(ctx, site, &v, storetest.Start)
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.NoError(t, s.Void(ctx, site, got[0].ID, "wrong panel", "lind"))
	got, err = s.StudyMeasurements(ctx, site, &v, storetest.Start)
	require.NoError(t, err)
	require.Empty(t, got, "a void measurement is none")
}
