package store_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/store"
	"sagwatch/store/storetest"
)

func TestReports(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	from := time.Date(2026, 2, 1, 4, 0, 0, 0, time.UTC)
	inputs, pdf := bytes.Repeat([]byte(`{"a":1}`), 1000), []byte("%PDF-1.7 invented")
	in := store.Report{Kind: store.CapabilityReport, Title: "Capability of press B", Press: "B", From: from, To: from.AddDate(0, 1, 0), Query: json.RawMessage(`{"press":"B"}`),
		Version: "v1", IssuedBy: "okafor", IssuedAt: from.AddDate(0, 1, 1)}
	got, err := s.IssueReport(ctx, site, in, inputs, pdf)
	require.NoError(t, err)
	require.NotZero(t, got.ID)
	back, err := s.Report(ctx, site, got.ID)
	require.NoError(t, err)
	require.Equal(t, got, back)
	require.Equal(t, sha256.Sum256(inputs), back.InputsDigest)
	i, p, err := s.ReportFiles(ctx, site, got.ID)
	require.NoError(t, err)
	require.Equal(t, inputs, i, "to the byte")
	require.Equal(t, pdf, p)
	for _, digest := range [][32]byte{sha256.Sum256(inputs), sha256.Sum256(pdf)} {
		found, err := s.ReportByDigest(ctx, site, digest)
		require.NoError(t, err)
		require.Equal(t, got.ID, found.ID)
		_, err = s.ReportByDigest(ctx, "south", digest)
		require.ErrorIs(t, err, store.ErrNotFound, "another site issued nothing")
	}
	_, err = s.ReportByDigest(ctx, site, sha256.Sum256([]byte("a forged file")))
	require.ErrorIs(t, err, store.ErrNotFound)
	_, err = s.IssueReport(ctx, site, in, nil, pdf)
	require.ErrorIs(t, err, store.ErrInvalid, "a report without inputs cannot be made again")
	second, err := s.IssueReport(ctx, site, in, inputs, pdf)
	require.NoError(t, err)
	list, err := s.Reports(ctx, site, 0, 10)
	require.NoError(t, err)
	require.Equal(t, []store.Report{second, got}, list)
	list, err = s.Reports(ctx, site, second.ID, 10)
	require.NoError(t, err)
	require.Equal(t, []store.Report{got}, list)
}

// Two servers that wake at the end of a shift issue one report.
func TestSchedulesIssueAPeriodOnce(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	begins := time.Date(2026, 3, 2, 4, 0, 0, 0, time.UTC)
	sched, err := s.AddReportSchedule(ctx, site, store.ReportSchedule{Kind: store.HandOverReport, Every: "shift", Query: json.RawMessage(`{"press":"A"}`), Begins: begins, By: "tamm"})
	require.NoError(t, err)
	_, err = s.AddReportSchedule(ctx, site, store.ReportSchedule{Kind: store.HandOverReport, Every: "minute", Query: json.RawMessage(`{}`), Begins: begins})
	require.ErrorIs(t, err, store.ErrInvalid)
	last, err := s.LastScheduled(ctx, site, sched.ID)
	require.NoError(t, err)
	require.True(t, last.IsZero())
	r := store.Report{Kind: store.HandOverReport, Title: "Hand-over", Press: "A", From: begins, To: begins.Add(8 * time.Hour), Query: sched.Query, Version: "v1", IssuedBy: "schedule", IssuedAt: begins.Add(9 * time.Hour), Schedule: sched.ID}
	_, err = s.IssueReport(ctx, site, r, []byte(`{}`), []byte("%PDF"))
	require.NoError(t, err)
	_, err = s.IssueReport(ctx, site, r, []byte(`{}`), []byte("%PDF"))
	require.ErrorIs(t, err, store.ErrExists)
	last, err = s.LastScheduled(ctx, site, sched.ID)
	require.NoError(t, err)
	require.Equal(t, r.To, last)
	all, err := s.ReportSchedules(ctx, site)
	require.NoError(t, err)
	require.Equal(t, []store.ReportSchedule{sched}, all)
	require.NoError(t, s.RetireReportSchedule(ctx, site, sched.ID))
	require.ErrorIs(t, s.RetireReportSchedule(ctx, site, sched.ID), store.ErrNotFound)
}
