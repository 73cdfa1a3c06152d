package server_test

import (
	"context"
	"log/slog"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"sagwatch/server"
	"sagwatch/server/report"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

const issuingVariable = "SAGWATCH_TEST_ISSUES_ON"

// weekly issues what is due of the schedules.
func weekly(t testing.TB, st *store.Store, now time.Time) error {
	catalogue, err := server.ReadCatalogue(t.Context(), st, "north")
	require.NoError(t, err)
	r := &report.Runner{Now: func() time.Time { return now }, Log: slog.New(slog.NewTextHandler(testWriter{t}, nil)), Source: func() *report.Source {
		return &report.Source{Store: st, Site: "north", Catalogue: catalogue, Version: "test"}
	}}
	return r.Once(t.Context())
}

var monday = time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC)

// TestIssuingProcess is the process that TestKilledWhileIssuing kills; by itself it does nothing.
func TestIssuingProcess(t *testing.T) {
	dsn := os.Getenv(issuingVariable)
	if dsn == "" {
		return
	}
	st, err := store.Open(t.Context(), dsn, store.Options{Application: "to be killed"})
	require.NoError(t, err)
	defer st.Close()
	require.NoError(t, weekly(t, st, monday))
}

// A process that is killed while it stores a report leaves the whole report or nothing, and the next one issues what is missing, once.
func TestKilledWhileIssuing(t *testing.T) {
	t.Parallel()
	dsn := storetest.DSN(t)
	st, err := store.Open(t.Context(), dsn, store.Options{MaxConns: 16})
	require.NoError(t, err)
	t.Cleanup(st.Close)
	s := startOn(t, st, plantYAML())
	var lines []string
	for n := range 60 {
		lines = append(lines, panel(n, 1107.5+0.1*float64(n%7-3)).json())
	}
	s.stream(lines...)
	_, err = st.AddReportSchedule(t.Context(), "north", store.ReportSchedule{Kind: store.CapabilityReport, Every: report.EveryWeek, Query: []byte(`{"press": "A", "product": "P25"}`),
		Begins: time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC), By: "anna"})
	require.NoError(t, err)
	conn, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	locker, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer locker.Close(context.Background())

	for _, serverToo := range []bool{true, false} { // whether the database's side of the connection ends too, or finishes what it was told
		tx, err := locker.Begin(t.Context())
		require.NoError(t, err)
		_, err = tx.Exec(t.Context(), `LOCK TABLE report IN SHARE ROW EXCLUSIVE MODE`) // an INSERT waits
		require.NoError(t, err)
		var out strings.Builder
		child := exec.Command(os.Args[0], "-test.run=^TestIssuingProcess$")
		child.Env = append(os.Environ(), issuingVariable+"="+dsn)
		child.Stdout, child.Stderr = &out, &out
		require.NoError(t, child.Start())
		waiting := 0
		s.eventually("the process stores its report", func() bool {
			return conn.QueryRow(t.Context(), `SELECT pid FROM pg_stat_activity WHERE application_name = 'to be killed' AND wait_event_type = 'Lock' AND datname = current_database()
				AND query LIKE '%INSERT INTO report (%'`).Scan(&waiting) == nil
		})
		require.NoError(t, child.Process.Kill())
		require.ErrorContains(t, child.Wait(), "killed", out.String())
		if serverToo {
			_, err = conn.Exec(t.Context(), `SELECT pg_terminate_backend($1)`, waiting)
			require.NoError(t, err)
		}
		require.NoError(t, tx.Rollback(t.Context()))
		s.eventually("the connection of the dead process is over", func() bool {
			n := -1
			return conn.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE application_name = 'to be killed' AND datname = current_database()`).Scan(&n) == nil && n == 0
		})
		list, err := st.Reports(t.Context(), "north", 0, 10)
		require.NoError(t, err)
		if serverToo {
			require.Empty(t, list, "nothing half")
			continue
		}
		require.LessOrEqual(t, len(list), 1)
		require.NoError(t, weekly(t, st, monday))
		require.NoError(t, weekly(t, st, monday))
		list, err = st.Reports(t.Context(), "north", 0, 10)
		require.NoError(t, err)
		require.Len(t, list, 1, "the period was issued, once")
		same, err := report.Check(t.Context(), st, "north", list[0].ID)
		require.NoError(t, err)
		require.True(t, same)
	}
}
