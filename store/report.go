package store

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Kinds of reports.
const (
	CapabilityReport = "capability"
	HandOverReport   = "hand-over"
	StudyReport      = "gauge-study"
)

// Report is a report as it was issued, without its files.
type Report struct {
	ID           int64 // set by the database
	Kind         string
	Title        string
	Press        string
	From, To     time.Time       // period by line time, to exclusive
	Query        json.RawMessage // what was asked for
	InputsDigest [32]byte        // SHA-256 of the inputs
	PDFDigest    [32]byte        // SHA-256 of the PDF
	Version      string          // software that worked it out
	IssuedBy     string
	IssuedAt     time.Time
	Schedule     int64 // 0: a person asked for it
}

const reportColumns = `id, kind, title, press, period_from, period_to, query, inputs_digest, pdf_digest, version, issued_by, issued_at, COALESCE(schedule, 0)`

func scanReport(row pgx.CollectableRow) (Report, error) {
	var r Report
	var inputs, pdf []byte
	err := row.Scan(&r.ID, &r.Kind, &r.Title, &r.Press, &r.From, &r.To, &r.Query, &inputs, &pdf, &r.Version, &r.IssuedBy, &r.IssuedAt, &r.Schedule)
	copy(r.InputsDigest[:], inputs)
	copy(r.PDFDigest[:], pdf)
	r.From, r.To, r.IssuedAt = r.From.UTC(), r.To.UTC(), r.IssuedAt.UTC()
	return r, err
}

// IssueReport keeps a report for good and gives it its number. Inputs is what it is made again from, as JSON; the digests are worked out
// here. ErrExists: its schedule has already issued this period.
func (s *Store) IssueReport(ctx context.Context, site string, r Report, inputs, pdf []byte) (Report, error) {
	r.InputsDigest, r.PDFDigest = sha256.Sum256(inputs), sha256.Sum256(pdf)
	if len(inputs) == 0 || len(pdf) == 0 || !json.Valid(r.Query) {
		return r, wrap(fmt.Errorf("inputs, PDF and query must be given: %w", ErrInvalid), "issue report %q", r.Title)
	}
	var schedule *int64
	if r.Schedule != 0 {
		schedule = &r.Schedule
	}
	packed, err := pack(inputs)
	if err != nil {
		return r, wrap(err, "issue report %q", r.Title)
	}
	err = s.pool.QueryRow(ctx, `
		INSERT INTO report (site, kind, title, press, period_from, period_to, query, inputs, inputs_digest, pdf, pdf_digest, version, issued_by, issued_at, schedule)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15) RETURNING id`,
		site, r.Kind, r.Title, r.Press, r.From, r.To, r.Query, packed, r.InputsDigest[:], pdf, r.PDFDigest[:], r.Version, r.IssuedBy, r.IssuedAt, schedule).Scan(&r.ID)
	return r, wrap(err, "issue report %q", r.Title)
}

// Report is one report; ErrNotFound.
func (s *Store) Report(ctx context.Context, site string, id int64) (Report, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+reportColumns+` FROM report WHERE site = $1 AND id = $2`, site, id) // report_pkey
	if err != nil {
		return Report{}, wrap(err, "report %d", id)
	}
	r, err := pgx.CollectExactlyOneRow(rows, scanReport)
	return r, wrap(err, "report %d", id)
}

// ReportFiles are the inputs (JSON) and the PDF of a report; ErrNotFound.
func (s *Store) ReportFiles(ctx context.Context, site string, id int64) (inputs, pdf []byte, err error) {
	var packed []byte
	if err = s.pool.QueryRow(ctx, `SELECT inputs, pdf FROM report WHERE site = $1 AND id = $2`, site, id).Scan(&packed, &pdf); err != nil { // report_pkey
		return nil, nil, wrap(err, "files of report %d", id)
	}
	inputs, err = unpack(packed)
	return inputs, pdf, wrap(err, "files of report %d", id)
}

// ReportByDigest finds the report whose PDF or whose inputs have this SHA-256; ErrNotFound.
func (s *Store) ReportByDigest(ctx context.Context, site string, digest [32]byte) (Report, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT `+reportColumns+` FROM report WHERE site = $1 AND (pdf_digest = $2 OR inputs_digest = $2) ORDER BY id LIMIT 1`, site, digest[:]) // report_pdf_digest, report_inputs_digest
	if err != nil {
		return Report{}, wrap(err, "report by digest")
	}
	r, err := pgx.CollectExactlyOneRow(rows, scanReport)
	return r, wrap(err, "report by digest")
}

// Reports lists up to limit reports before a number (0: the newest), newest first.
func (s *Store) Reports(ctx context.Context, site string, before int64, limit int) ([]Report, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT `+reportColumns+` FROM report WHERE site = $1 AND ($2 = 0 OR id < $2) ORDER BY id DESC LIMIT $3`, site, before, limit) // report_pkey
	if err != nil {
		return nil, wrap(err, "reports of site %q", site)
	}
	rs, err := pgx.CollectRows(rows, scanReport)
	return rs, wrap(err, "reports of site %q", site)
}

// ReportSchedule is a report that the service issues by itself at the end of each shift or week.
type ReportSchedule struct {
	ID      int64 // set by the database
	Kind    string
	Every   string // shift | week
	Query   json.RawMessage
	Begins  time.Time // periods that end before are not made up for
	By      string
	At      time.Time // set by the database
	Retired time.Time // zero: in force
}

// AddReportSchedule begins a schedule and gives it its number.
func (s *Store) AddReportSchedule(ctx context.Context, site string, r ReportSchedule) (ReportSchedule, error) {
	err := s.pool.QueryRow(ctx, `
		INSERT INTO report_schedule (site, kind, every, query, begins, by) VALUES ($1, $2, $3, $4, $5, $6) RETURNING id, at`,
		site, r.Kind, r.Every, r.Query, r.Begins, r.By).Scan(&r.ID, &r.At)
	r.At = r.At.UTC()
	return r, wrap(err, "schedule a %s report every %s", r.Kind, r.Every)
}

// ReportSchedules lists the schedules, those in force first.
func (s *Store) ReportSchedules(ctx context.Context, site string) ([]ReportSchedule, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT id, kind, every, query, begins, by, at, retired FROM report_schedule WHERE site = $1 ORDER BY retired IS NOT NULL, id`, site)
	if err != nil {
		return nil, wrap(err, "report schedules of site %q", site)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (ReportSchedule, error) {
		var r ReportSchedule
		var retired *time.Time
		err := row.Scan(&r.ID, &r.Kind, &r.Every, &r.Query, &r.Begins, &r.By, &r.At, &retired)
		r.Begins, r.At = r.Begins.UTC(), r.At.UTC()
		if retired != nil {
			r.Retired = retired.UTC()
		}
		return r, err
	})
	return out, wrap(err, "report schedules of site %q", site)
}

// RetireReportSchedule ends a schedule; what it issued stays. ErrNotFound when there is none in force.
func (s *Store) RetireReportSchedule(ctx context.Context, site string, id int64) error {
	tag, err := s.pool.Exec(ctx, `UPDATE report_schedule SET retired = now() WHERE site = $1 AND id = $2 AND retired IS NULL`, site, id)
	if err == nil && tag.RowsAffected() == 0 {
		err = ErrNotFound
	}
	return wrap(err, "end report schedule %d", id)
}

// LastScheduled is the end of the last period that a schedule has issued; zero for none.
func (s *Store) LastScheduled(ctx context.Context, site string, id int64) (time.Time, error) {
	var at *time.Time
	err := s.pool.QueryRow(ctx, `SELECT max(period_to) FROM report WHERE site = $1 AND schedule = $2`, site, id).Scan(&at) // report_scheduled_once
	if err != nil || at == nil {
		return time.Time{}, wrap(err, "last report of schedule %d", id)
	}
	return at.UTC(), nil
}
