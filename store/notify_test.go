package store_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func TestListen(t *testing.T) {
	t.Parallel()
	dsn := storetest.DSN(t)
	s, err := store.Open(t.Context(), dsn, store.Options{Application: "listener"})
	require.NoError(t, err)
	t.Cleanup(s.Close)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	notices := make(chan store.Notice, 100)
	ended := make(chan error, 1)
	go func() {
		ended <- s.Listen(ctx, func(n store.Notice) error { notices <- n; return nil })
	}()
	next := func() store.Notice {
		t.Helper()
		select {
		case n := <-notices:
			return n
		case <-ctx.Done():
			t.Fatal("no notice came")
			return store.Notice{}
		}
	}
	require.Equal(t, store.NoticeResync, next().Kind)

	// One notice a press and gauge and transaction, with the earliest line time and the last panel.
	rows := []*store.Row{storetest.Row(5), storetest.Row(3), storetest.Row(4), storetest.Row(9, func(r *store.Row) { r.Gauge = "CG-2" })}
	insert(t, s, rows...)
	require.Equal(t, store.Notice{Site: site, Kind: store.NoticeMeasurement, Press: "A", Gauge: "CG-1", Panel: rows[0].Panel, From: rows[1].LineAt}, next())
	require.Equal(t, store.Notice{Site: site, Kind: store.NoticeMeasurement, Press: "A", Gauge: "CG-2", Panel: rows[3].Panel, From: rows[3].LineAt}, next())
	insert(t, s, storetest.Row(5)) // a duplicate is no news
	require.NoError(t, s.Void(t.Context(), site, rows[2].ID, "", "anna"))
	require.Equal(t, rows[2].LineAt, next().From)
	_, err = s.AddEvent(t.Context(), site, spc.Event{Press: "A", Kind: "stop", At: storetest.Start})
	require.NoError(t, err)
	require.Equal(t, store.Notice{Site: site, Kind: store.NoticeEvent, Press: "A", From: storetest.Start}, next())
	require.NoError(t, s.AddDefinitions(t.Context(), site, []store.Definition{{Kind: "press", ID: "A", EffectiveFrom: storetest.Start, Body: []byte(`{}`)}}))
	require.Equal(t, store.NoticeDefinition, next().Kind)
	require.NoError(t, s.SaveFold(t.Context(), site, store.Fold{Press: "A", Signals: []spc.Fault{signal("a", 2)}}))
	require.Equal(t, store.Notice{Site: site, Kind: store.NoticeSignal, Press: "A", From: storetest.Start.Add(2 * time.Minute)}, next())
	_, err = s.AddPostedLimits(t.Context(), site, spc.PostedLimits{Chart: "c", EffectiveFrom: storetest.Start})
	require.NoError(t, err)
	require.Equal(t, store.NoticeLimits, next().Kind)

	// The longest names that need the longest escapes still fit a payload.
	long := strings.Repeat("\u0001", 200)
	insert(t, s, storetest.Row(50, func(r *store.Row) { r.Press, r.Gauge, r.Panel = long, long, long }))
	require.Equal(t, long, next().Panel)

	// Somebody else's text on the channel is passed over, and a killed connection is made anew.
	conn, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), `SELECT pg_notify('sagwatch', 'hello')`)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity
		WHERE datname = current_database() AND query LIKE 'LISTEN%'`)
	require.NoError(t, err)
	require.Equal(t, store.NoticeResync, next().Kind)
	_, err = s.AddEvent(t.Context(), site, spc.Event{Press: "A", Kind: "start", At: storetest.Start})
	require.NoError(t, err)
	require.Equal(t, store.NoticeEvent, next().Kind)
	cancel()
	require.ErrorIs(t, <-ended, context.Canceled)

	stop := errors.New("stop")
	require.Equal(t, stop, s.Listen(t.Context(), func(store.Notice) error { return stop }))
}
