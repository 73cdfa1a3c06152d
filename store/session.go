package store

import (
	"context"
	"time"

	"github.com/alexedwards/scs/pgxstore"
)

// sessionSweep is how often expired sessions are deleted.
const sessionSweep = 5 * time.Minute

// Sessions is the browser sessions' table for the session library. Expired ones are swept until Close; call it once.
// (The library's own sweeping is not used: stopping it races with its start.)
func (s *Store) Sessions() *pgxstore.PostgresStore {
	go func() {
		tick := time.NewTicker(sessionSweep)
		defer tick.Stop()
		for {
			select {
			case <-s.life.Done():
				return
			case <-tick.C:
				// What fails now is tried again in the next round.
				_, _ = s.DeleteExpiredSessions(s.life)
			}
		}
	}()
	return pgxstore.NewWithCleanupInterval(s.pool, 0)
}

// DeleteExpiredSessions says how many there were.
func (s *Store) DeleteExpiredSessions(ctx context.Context) (int64, error) {
	tag, err := s.pool.Exec(ctx, `DELETE FROM sessions WHERE expiry < now()`) // sessions_expiry_idx
	return tag.RowsAffected(), wrap(err, "delete expired sessions")
}
