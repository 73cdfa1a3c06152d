package store_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// insert stores rows one batch and returns what became of them.
func insert(t testing.TB, s *store.Store, rows ...*store.Row) []store.Outcome {
	t.Helper()
	out, err := s.Insert(t.Context(), site, rows)
	require.NoError(t, err)
	require.Len(t, out, len(rows))
	return out
}

func statuses(out []store.Outcome) string {
	var words []string
	for _, o := range out {
		words = append(words, o.Status)
	}
	return strings.Join(words, " ")
}

func TestInsertRoundTrip(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	width, u, lower := 512.31, 0.02, 510.984
	two, fifty := int64(2), int64(50)
	full := storetest.Row(7, func(r *store.Row) {
		r.Readings[3] = math.NaN()
		r.Characteristics = map[string]float64{"width": width, "minus zero": math.Copysign(0, -1), "tiny": 5e-324, "huge": math.MaxFloat64, `"o'k" ü <&>`: 1e22}
		r.Counts = map[string]spc.Count{"blister": {Nonconforming: &two, Inspected: &fifty}}
		r.Result.Verdict = spc.Undecided
		r.Result.Reasons = []string{"radius 1101.4 mm is below 1101.5 mm", `{"a", NULL, \N}`}
		r.Result.Items = []spc.Item{{Name: "width", Value: &width, U: &u, Lower: &lower, Unit: "mm", Verdict: spc.Conforms}, {Name: "height", Verdict: spc.NotJudged, Why: "no value"}}
		r.Result.SuspectPlaces, r.Result.FaultyProbes = []int{31}, []int{4, 256}
		r.Result.Dropped = []spc.Freedom{spc.TiltX, spc.TiltY}
		r.Result.Refusal = "too few good points"
		r.Series, r.LineEstimated = "b", true
	})
	bare := storetest.Row(8, func(r *store.Row) {
		r.Readings, r.Mould, r.Lane, r.Casting, r.Cycle, r.PressedAt, r.Sequence = nil, "", "", "", spc.NoCycle, time.Time{}, spc.NoSequence
		r.Result = spc.Result{Verdict: spc.NotJudged}
	})
	before := time.Now().Add(-time.Minute)
	out := insert(t, s, full, bare)
	require.Equal(t, "stored stored", statuses(out))
	for i, want := range []*store.Row{full, bare} {
		require.Equal(t, out[i].ID, want.ID)
		got, err := s.Measurement(t.Context(), site, out[i].ID)
		require.NoError(t, err)
		require.WithinRange(t, got.StoredAt, before, time.Now().Add(time.Minute))
		requireSameRow(t, want, &got)
		require.True(t, got.Counted)
		require.Equal(t, store.Current, got.State)
		require.Equal(t, 1, got.Revision)
	}
	_, err := s.Measurement(t.Context(), site, 1<<40)
	require.ErrorIs(t, err, store.ErrNotFound)
	_, err = s.Measurement(t.Context(), "another site", full.ID)
	require.ErrorIs(t, err, store.ErrNotFound)
}

// requireSameRow compares all that is read back; floats bit by bit, which tells -0 from 0 and counts NaN as itself.
func requireSameRow(t testing.TB, want, got *store.Row) {
	t.Helper()
	a, b := *want, *got
	require.Equal(t, bits(a.Readings), bits(b.Readings))
	require.Len(t, b.Characteristics, len(a.Characteristics))
	for name, x := range a.Characteristics {
		require.Equal(t, math.Float64bits(x), math.Float64bits(b.Characteristics[name]), name)
	}
	for _, r := range []*store.Row{&a, &b} {
		r.Readings, r.Characteristics, r.ContentHash, r.StoredAt = nil, nil, [32]byte{}, time.Time{}
	}
	require.Equal(t, a, b)
}

func bits(xs []float64) []uint64 {
	if xs == nil {
		return nil
	}
	out := make([]uint64, len(xs))
	for i, x := range xs {
		out[i] = math.Float64bits(x)
	}
	return out
}

// Any 64 bits are a float64: readings and characteristics come back as the same ones.
func TestReadingsComeBackBitForBit(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rng := rand.New(rand.NewPCG(1, 2))
	rows := make([]*store.Row, 200)
	for i := range rows {
		rows[i] = storetest.Row(i, func(r *store.Row) {
			r.Readings = make([]float64, rng.IntN(257))
			for j := range r.Readings {
				r.Readings[j] = math.Float64frombits(rng.Uint64())
			}
			r.Characteristics = map[string]float64{}
			for _, name := range []string{"a", "b", "c", "d"} {
				if x := math.Float64frombits(rng.Uint64()); !math.IsNaN(x) && !math.IsInf(x, 0) { // JSON has neither
					r.Characteristics[name] = x
				}
			}
			x := math.Float64frombits(rng.Uint64())
			r.Result.Values.Set(spc.Computed(i%int(spc.NumComputed)), x)
			if math.IsNaN(x) {
				r.Result.Values.Set(spc.Computed(i%int(spc.NumComputed)), -0.5)
			}
		})
	}
	insert(t, s, rows...)
	got, next, err := s.Measurements(t.Context(), site, store.MeasurementFilter{Limit: 1000})
	require.NoError(t, err)
	require.Nil(t, next)
	require.Len(t, got, len(rows))
	for i := range rows {
		requireSameRow(t, rows[i], &got[i])
	}
}

func TestInsertAgain(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	first := insert(t, s, storetest.Rows(0, 50)...)
	// Running twice changes nothing, in any order and cut.
	again := storetest.Rows(0, 60)
	rand.New(rand.NewPCG(3, 4)).Shuffle(len(again), func(i, j int) { again[i], again[j] = again[j], again[i] })
	for i, o := range insert(t, s, again...) {
		n := int(again[i].Sequence)
		if n >= 50 {
			require.Equal(t, store.Stored, o.Status)
			require.Nil(t, o.Existing)
			continue
		}
		require.Equal(t, store.Duplicate, o.Status)
		require.Equal(t, first[n].ID, o.ID)
		require.Equal(t, again[i].Panel, o.Existing.Panel)
		require.Equal(t, 1107.5+float64((n*37)%101-50)/100, *o.Existing.Result.Values.Ptr(spc.RadiusMM))
	}
	got, _, err := s.Measurements(t.Context(), site, store.MeasurementFilter{Limit: 1000, EveryState: true})
	require.NoError(t, err)
	require.Len(t, got, 60)
}

func TestInsertWithinOneBatch(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	other := func(r *store.Row) { r.Readings[0]++ }
	noSequence := func(r *store.Row) { r.Sequence = spc.NoSequence }
	out := insert(t, s, storetest.Row(1), storetest.Row(1), storetest.Row(1, other), storetest.Row(1, other),
		storetest.Row(2, noSequence), storetest.Row(2, noSequence), storetest.Row(2, noSequence, other), storetest.Row(2))
	require.Equal(t, "stored duplicate conflict conflict stored duplicate conflict stored", statuses(out))
	require.Equal(t, out[0].ID, out[1].ID)
	require.Equal(t, out[0].ID, out[2].ID)
	require.Equal(t, out[2].Conflict, out[3].Conflict, "the same content is kept once")
	require.Equal(t, out[4].ID, out[6].ID)
	require.NotEqual(t, out[2].Conflict, out[6].Conflict)
	require.NotEqual(t, out[4].ID, out[7].ID, "with a sequence and without are two identities")
	for i, o := range out {
		require.Equal(t, o.Status != store.Stored, o.Existing != nil, i)
	}
	cs, err := s.Conflicts(t.Context(), site, true)
	require.NoError(t, err)
	require.Len(t, cs, 2)
}

// The identity ends at the site, gauge and series.
func TestIdentity(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	insert(t, s, storetest.Row(1))
	out := insert(t, s, storetest.Row(1, func(r *store.Row) { r.Series = "b" }), storetest.Row(1, func(r *store.Row) { r.Gauge = "CG-2" }))
	require.Equal(t, "stored stored", statuses(out))
	out, err := s.Insert(t.Context(), "south", []*store.Row{storetest.Row(1)})
	require.NoError(t, err)
	require.Equal(t, "stored", statuses(out))
}

func TestInsertRefuses(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	for _, c := range []struct {
		name, words string
		edit        func(*store.Row)
	}{
		{"nanoseconds", "measured_at: 2026-03-02T07:30:10.000000001Z is finer than a microsecond", func(r *store.Row) { r.MeasuredAt = r.MeasuredAt.Add(1) }},
		{"nanoseconds of pressing", "pressed_at: ", func(r *store.Row) { r.PressedAt = r.PressedAt.Add(999) }},
		{"no line time", "line time: missing", func(r *store.Row) { r.LineAt = time.Time{} }},
		{"year 10000", "year 10000", func(r *store.Row) { r.MeasuredAt = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }},
		{"zero byte", "panel: holds a zero byte", func(r *store.Row) { r.Panel = "A\x001" }},
		{"not UTF-8", "mould: not UTF-8", func(r *store.Row) { r.Mould = "\xff" }},
		{"long", "panel: 201 bytes, at most 200", func(r *store.Row) { r.Panel = strings.Repeat("x", 201) }},
		{"no gauge", "gauge and panel must be given", func(r *store.Row) { r.Gauge = "" }},
		{"purpose", `purpose: "fun"`, func(r *store.Row) { r.Purpose = "fun" }},
		{"verdict", `verdict: ""`, func(r *store.Row) { r.Result.Verdict = "" }},
		{"sequence", "sequence: 9007199254740992, at most 2^53 - 1", func(r *store.Row) { r.Sequence = 1 << 53 }},
		{"infinite characteristic", "characteristics: ", func(r *store.Row) { r.Characteristics = map[string]float64{"width": math.Inf(1)} }},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := s.Insert(t.Context(), site, []*store.Row{storetest.Row(0), storetest.Row(1, c.edit)})
			require.ErrorIs(t, err, store.ErrInvalid)
			require.ErrorContains(t, err, c.words)
		})
	}
	_, err := s.Insert(t.Context(), site, []*store.Row{{Measurement: storetest.Row(0).Measurement}})
	require.ErrorIs(t, err, store.ErrInvalid)
	got, _, err := s.Measurements(t.Context(), site, store.MeasurementFilter{EveryState: true})
	require.NoError(t, err)
	require.Empty(t, got, "a refused batch stores nothing")
}

// Text that means something to SQL, to COPY or to arrays is only text.
func TestHostileText(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	for i, text := range []string{`'; DROP TABLE measurement; --`, `\N`, `\.`, "a\tb\nc", `{}`, `{"x"}`, `"`, `$1`, `%s`, "NULL", "\u202e", "🏭", `\x00`} {
		r := storetest.Row(i, func(r *store.Row) {
			r.Panel, r.Press, r.Mould, r.Lane, r.Series, r.Source, r.Product, r.Casting, r.Gauge = text, text, text, text, text, text, text, text, text
			r.Result.Refusal, r.Result.Reasons = text, []string{text, text}
			r.Characteristics = map[string]float64{text: 1}
		})
		out := insert(t, s, r, r)
		require.Equal(t, "stored duplicate", statuses(out))
		got, err := s.Panel(t.Context(), site, text, text)
		require.NoError(t, err)
		require.Len(t, got, 1)
		requireSameRow(t, r, &got[0])
		page, _, err := s.Measurements(t.Context(), site, store.MeasurementFilter{Press: text, Mould: text, Gauge: text, Product: text, PanelPrefix: text})
		require.NoError(t, err)
		require.Len(t, page, 1)
		bs, err := s.Buckets(t.Context(), site, store.BucketQuery{Press: text, Characteristic: text, From: r.LineAt, To: r.LineAt.Add(time.Hour), N: 1})
		require.NoError(t, err)
		require.Equal(t, []store.Bucket{{At: r.LineAt, Min: 1, Max: 1, Mean: 1, Count: 1}}, bs)
	}
}

func TestAnyMonth(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	var rows []*store.Row
	for i, at := range []time.Time{
		time.Date(1990, 2, 28, 23, 59, 59, 999_999_000, time.UTC), time.Date(1990, 3, 1, 0, 0, 0, 0, time.UTC),
		time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC), time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC),
		time.Date(2026, 3, 1, 0, 30, 0, 0, time.FixedZone("", 3600)), // still February in UTC
	} {
		rows = append(rows, storetest.Row(i, func(r *store.Row) { r.MeasuredAt, r.LineAt, r.PressedAt = at, at, at }))
	}
	insert(t, s, rows...)
	for _, r := range rows {
		got, err := s.Measurement(t.Context(), site, r.ID)
		require.NoError(t, err)
		require.True(t, got.MeasuredAt.Equal(r.MeasuredAt))
	}
}

// Two writers that need the same new month at once both get it.
func TestPartitionRace(t *testing.T) {
	t.Parallel()
	dsn := storetest.DSN(t)
	var wg sync.WaitGroup
	for w := range 6 {
		s, err := store.Open(t.Context(), dsn, store.Options{MaxConns: 2})
		require.NoError(t, err)
		t.Cleanup(s.Close)
		wg.Go(func() {
			for m := range 8 {
				at := time.Date(1990, time.Month(m+1), 5, 0, 0, 0, 0, time.UTC)
				_, err := s.Insert(t.Context(), site, []*store.Row{storetest.Row(10*m+w, func(r *store.Row) { r.MeasuredAt = at })})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	s, err := store.Open(t.Context(), dsn, store.Options{})
	require.NoError(t, err)
	defer s.Close()
	got, _, err := s.Measurements(t.Context(), site, store.MeasurementFilter{})
	require.NoError(t, err)
	require.Len(t, got, 48)
}

// The same rows sent by eight at once, in batches of any order, are each stored once.
func TestSameIdentityRaced(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	const writers, n = 8, 40
	stored := make([]map[int64]int64, writers) // sequence -> id
	var wg sync.WaitGroup
	for w := range writers {
		stored[w] = map[int64]int64{}
		wg.Go(func() {
			rng := rand.New(rand.NewPCG(uint64(w), 9))
			rows := storetest.Rows(0, n)
			rng.Shuffle(n, func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
			for len(rows) > 0 {
				k := min(len(rows), 1+rng.IntN(7))
				out, err := s.Insert(t.Context(), site, rows[:k])
				if err != nil {
					t.Error(err)
					return
				}
				for i, o := range out {
					switch o.Status {
					case store.Stored:
						stored[w][rows[i].Sequence] = o.ID
					case store.Duplicate:
					default:
						t.Error(o.Status)
					}
				}
				rows = rows[k:]
			}
		})
	}
	wg.Wait()
	ids := map[int64]int64{}
	for _, m := range stored {
		for sequence, id := range m {
			require.Zero(t, ids[sequence], "stored twice")
			ids[sequence] = id
		}
	}
	require.Len(t, ids, n)
	got, _, err := s.Measurements(t.Context(), site, store.MeasurementFilter{EveryState: true})
	require.NoError(t, err)
	require.Len(t, got, n)
}

// Which measurement of a panel feeds charts does not depend on the order of arrival or on who writes.
func TestCountedIsTheFirstInLineOrder(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	const panels, each = 12, 6
	var rows []*store.Row
	for p := range panels {
		for k := range each {
			rows = append(rows, storetest.Row(p, func(r *store.Row) {
				r.Sequence = int64(1000*p + k)
				// The first in line order is not the first by sequence; one is a recheck and earlier than all.
				r.LineAt = r.LineAt.Add(time.Duration((k*5+p)%each+1) * time.Second)
				if k == each-1 {
					r.Purpose, r.LineAt = spc.Recheck, storetest.Start
				}
			}))
		}
	}
	rand.New(rand.NewPCG(5, 6)).Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			for i := w; i < len(rows); i += 8 { // two a batch
				batch := []*store.Row{rows[i]}
				if i+4 < len(rows) {
					batch = append(batch, rows[i+4])
				}
				if _, err := s.Insert(t.Context(), site, batch); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	for p := range panels {
		got, err := s.Panel(t.Context(), site, "A", storetest.Row(p).Panel)
		require.NoError(t, err)
		require.Len(t, got, each)
		first := true
		for _, r := range got { // in line order
			require.Equal(t, r.Purpose == spc.Production && first, r.Counted, "panel %d sequence %d", p, r.Sequence)
			first = first && r.Purpose != spc.Production
		}
	}
}
