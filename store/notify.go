package store

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// Kinds of notices.
const (
	NoticeMeasurement = "measurement"
	NoticeDefinition  = "definition"
	NoticeSignal      = "signal"
	NoticeLimits      = "limits" // posted limits or an exclusion
	NoticeEvent       = "event"
	// NoticeResync is sent when listening begins and after each broken connection: anything may have happened before.
	NoticeResync = "resync"
	// NoticeMark is sent by Mark.
	NoticeMark = "mark"
)

// Notice says what changed, to whoever keeps something worked out from it.
type Notice struct {
	Site  string    `json:"site"`
	Kind  string    `json:"kind"`
	Press string    `json:"press,omitempty"`
	Gauge string    `json:"gauge,omitempty"`
	Panel string    `json:"panel,omitempty"` // the last in line order
	From  time.Time `json:"from,omitzero"`   // earliest line time touched
	Mark  string    `json:"mark,omitempty"`
}

// channel of LISTEN and NOTIFY.
const channel = "sagwatch"

// notify tells listeners once the transaction commits. Texts in a notice are bounded by checkText, so that a payload
// stays well below PostgreSQL's 8000 bytes even when every byte needs an escape of six.
func notify(ctx context.Context, tx pgx.Tx, notices ...Notice) error {
	payloads := make([]string, len(notices))
	for i, n := range notices {
		b, err := json.Marshal(n)
		if err != nil {
			return err
		}
		payloads[i] = string(b)
	}
	_, err := tx.Exec(ctx, `SELECT pg_notify($1, p) FROM unnest($2::text[]) p`, channel, payloads)
	return err
}

// Mark sends a notice to all listeners that changes nothing. Notices come in the order of commits: who hears it has heard of everything
// that was stored before, or was told to resync.
func (s *Store) Mark(ctx context.Context, site, mark string) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		return notify(ctx, tx, Notice{Site: site, Kind: NoticeMark, Mark: mark})
	})
	return wrap(err, "mark")
}

// Listen calls fn with each notice, in the order of commits, until ctx ends or fn fails. A lost connection is made
// anew; what was missed meanwhile is not repeated, but fn gets a NoticeResync.
func (s *Store) Listen(ctx context.Context, fn func(Notice) error) error {
	wait := listenRetryMin
	for {
		err := s.listenOnce(ctx, func(n Notice) error {
			wait = listenRetryMin
			if err := fn(n); err != nil {
				return stopListening{err}
			}
			return nil
		})
		var stop stopListening
		if errors.As(err, &stop) {
			return stop.error
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
		wait = min(2*wait, listenRetryMax)
	}
}

const (
	listenRetryMin = 100 * time.Millisecond
	listenRetryMax = 5 * time.Second
	// A connection that is silent for so long is asked whether it still lives.
	listenSilence = 30 * time.Second
)

type stopListening struct{ error }

func (s *Store) listenOnce(ctx context.Context, fn func(Notice) error) error {
	// A connection of its own: the pool's are for short work.
	conn, err := pgx.ConnectConfig(ctx, s.pool.Config().ConnConfig)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // nothing is lost with it
	if _, err := conn.Exec(ctx, `LISTEN `+channel); err != nil {
		return err
	}
	if err := fn(Notice{Kind: NoticeResync}); err != nil {
		return err
	}
	for {
		quiet, cancel := context.WithTimeout(ctx, listenSilence)
		note, err := conn.WaitForNotification(quiet)
		cancel()
		switch {
		case err == nil:
			var n Notice
			if json.Unmarshal([]byte(note.Payload), &n) != nil {
				continue // not ours: the channel is open to anyone in the database
			}
			if err := fn(n); err != nil {
				return err
			}
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, context.DeadlineExceeded):
			if err := conn.Ping(ctx); err != nil {
				return err
			}
		default:
			return err
		}
	}
}
