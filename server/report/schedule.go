package report

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"sagwatch/server/plant"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/store"
)

// How often a schedule issues.
const (
	EveryShift = "shift"
	EveryWeek  = "week"
)

const (
	// settle is how long after the end of a period its report is issued: what was under way is stored by then.
	settle = 5 * time.Minute
	// every is how often schedules are looked at, soon after how long while one waits for its charts.
	every, soon = time.Minute, 2 * time.Second
	// patience is how long a report waits for charts that are not up to date before it is issued with that doubt.
	patience = 15 * time.Minute
	// madeUpFor is how many ended periods a schedule makes up for when the service was down.
	madeUpFor = 8
)

// Period is the shift or the week that holds at a plant time. A week begins on Monday with the first shift of the day.
func Period(site spc.Site, every string, at time.Time) (plant.Shift, error) {
	switch every {
	case EveryShift:
		return plant.ShiftAt(site.Shifts, at), nil
	case EveryWeek:
		back := (int(at.Weekday()) + 6) % 7
		from := firstShift(site, at, -back)
		if from.After(at) { // Monday before the first shift
			back += 7
			from = firstShift(site, at, -back)
		}
		return plant.Shift{Name: "week", From: from, To: firstShift(site, at, 7-back)}, nil
	}
	return plant.Shift{}, fmt.Errorf("a report every %q: %w", every, store.ErrInvalid)
}

// firstShift is when the first shift begins so many days after the day of a plant time.
func firstShift(site spc.Site, at time.Time, days int) time.Time {
	var clock time.Time // midnight where no shifts are defined
	if len(site.Shifts) > 0 {
		if c, err := time.Parse("15:04", site.Shifts[0]); err == nil {
			clock = c
		}
	}
	return time.Date(at.Year(), at.Month(), at.Day()+days, clock.Hour(), clock.Minute(), 0, 0, at.Location())
}

// Due lists the periods of a schedule that have ended and wait for their report, oldest first: those after the last one issued, not
// those that ended before the schedule began, and no more than are made up for.
func Due(site spc.Site, zone *time.Location, s store.ReportSchedule, last, now time.Time) ([]plant.Shift, error) {
	after := s.Begins
	if last.After(after) {
		after = last
	}
	p, err := Period(site, s.Every, now.Add(-settle).In(zone))
	if err != nil {
		return nil, err
	}
	var out []plant.Shift
	for len(out) < madeUpFor {
		if p, err = Period(site, s.Every, p.From.Add(-time.Second)); err != nil {
			return nil, err
		}
		if !p.To.After(after) {
			break
		}
		out = append(out, p)
	}
	slices.Reverse(out)
	return out, nil
}

// Next tells when a schedule issues its next report, in plant time.
func Next(site spc.Site, zone *time.Location, s store.ReportSchedule, now time.Time) (time.Time, error) {
	at := now
	if s.Begins.After(at) {
		at = s.Begins
	}
	p, err := Period(site, s.Every, at.Add(-settle).In(zone))
	return p.To.Add(settle).In(zone), err
}

// gatherers read what each kind of scheduled report is made from.
var gatherers = map[string]func(ctx context.Context, src *Source, query json.RawMessage, period plant.Shift, by string, at time.Time) (h *Head, inputs any, behind []string, err error){
	store.HandOverReport: func(ctx context.Context, src *Source, query json.RawMessage, period plant.Shift, by string, at time.Time) (*Head, any, []string, error) {
		var q HandOverQuery
		if err := json.Unmarshal(query, &q); err != nil {
			return nil, nil, nil, err
		}
		in, err := GatherHandOver(ctx, src, q, period, by, at)
		if err != nil {
			return nil, nil, nil, err
		}
		for _, p := range in.Presses {
			if !slices.Contains(in.Behind, p.ID) && src.pending(p.ID) {
				in.Behind = append(in.Behind, p.ID)
			}
		}
		return &in.Head, in, in.Behind, nil
	},
	store.CapabilityReport: func(ctx context.Context, src *Source, query json.RawMessage, period plant.Shift, by string, at time.Time) (*Head, any, []string, error) {
		var q CapabilityQuery
		if err := json.Unmarshal(query, &q); err != nil {
			return nil, nil, nil, err
		}
		in, err := GatherCapability(ctx, src, q, period.From, period.To, by, at)
		if err != nil {
			return nil, nil, nil, err
		}
		in.Behind = in.Behind || in.Panels > 0 && src.pending(in.Press)
		if !in.Behind {
			return &in.Head, in, nil, nil
		}
		return &in.Head, in, []string{in.Press}, nil
	},
}

// pending tells whether the charts of a press were told of changes that they have not folded yet, late panels and corrections among them.
// A report by schedule is about a period that has ended, so it can wait for a moment when there are none.
func (s *Source) pending(press string) bool {
	return s.Lags != nil && slices.ContainsFunc(s.Lags(), func(l watch.Lag) bool { return l.Fold == "press/"+press && l.Behind })
}

// Schedulable tells whether reports of a kind can be issued by schedule.
func Schedulable(kind string) bool { return gatherers[kind] != nil && makers[kind] != nil }

// Runner issues the reports of schedules. Several may run on one database: the store lets each schedule issue each period once.
type Runner struct {
	Source func() *Source // as the definitions are now
	Now    func() time.Time
	Log    *slog.Logger

	mu     sync.Mutex
	failed map[int64]string    // what last went wrong, by schedule
	tried  map[int64]time.Time // since when a schedule waits for charts that are not up to date
}

// Run issues what is due each minute, sooner while charts are waited for, until ctx ends.
func (r *Runner) Run(ctx context.Context) {
	for {
		next := every
		if err := r.Once(ctx); err != nil && ctx.Err() == nil {
			r.Log.Error("scheduled reports are not issued; trying again in a minute", "error", err)
		}
		r.mu.Lock()
		if len(r.tried) > 0 {
			next = soon
		}
		r.mu.Unlock()
		select {
		case <-ctx.Done():
			return
		case <-time.After(next):
		}
	}
}

// Once issues what is due now. What fails is logged and tried again at the next call; it does not hold up other schedules.
func (r *Runner) Once(ctx context.Context) error {
	src := r.Source()
	list, err := src.Store.ReportSchedules(ctx, src.Site)
	if err != nil {
		return err
	}
	for _, s := range list {
		if !s.Retired.IsZero() {
			continue
		}
		err := r.issueDue(ctx, src, s)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			r.Log.Error("scheduled report not issued; trying again in a minute", "schedule", s.ID, "kind", s.Kind, "error", err)
		}
		r.note(s.ID, err)
	}
	return nil
}

// Failed says what last went wrong with a schedule; "" when all is well.
func (r *Runner) Failed(schedule int64) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.failed[schedule]
}

func (r *Runner) note(schedule int64, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.failed == nil {
		r.failed = map[int64]string{}
	}
	delete(r.failed, schedule)
	if err != nil {
		r.failed[schedule] = err.Error()
	}
}

func (r *Runner) issueDue(ctx context.Context, src *Source, s store.ReportSchedule) error {
	gather := gatherers[s.Kind]
	if gather == nil {
		return fmt.Errorf("%s by schedule: %w", s.Kind, ErrKind)
	}
	last, err := src.Store.LastScheduled(ctx, src.Site, s.ID)
	if err != nil {
		return err
	}
	_, zone := src.zone()
	due, err := Due(src.Catalogue.Site(src.Site), zone, s, last, r.Now())
	if err != nil {
		return err
	}
	for _, p := range due {
		h, inputs, behind, err := gather(ctx, src, s.Query, p, fmt.Sprintf("schedule %d of %s", s.ID, s.By), r.Now())
		if err != nil {
			return err
		}
		if len(behind) > 0 && r.waits(s.ID) {
			return nil // the charts are being worked out
		}
		h.Schedule = s.ID
		issued, err := Issue(ctx, src.Store, h, inputs)
		switch {
		case errors.Is(err, store.ErrExists):
			// Another server was faster.
		case err != nil:
			return err
		default:
			r.Log.Info("report issued by schedule", "schedule", s.ID, "report", issued.ID, "title", issued.Title)
		}
	}
	r.mu.Lock()
	delete(r.tried, s.ID)
	r.mu.Unlock()
	return nil
}

// waits tells whether a schedule may still wait for charts that are not up to date.
func (r *Runner) waits(schedule int64) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.tried == nil {
		r.tried = map[int64]time.Time{}
	}
	first, ok := r.tried[schedule]
	if !ok {
		first = r.Now()
		r.tried[schedule] = first
	}
	return r.Now().Sub(first) < patience
}
