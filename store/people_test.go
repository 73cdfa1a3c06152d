package store_test

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func TestUsers(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	u := store.User{Name: "anna", Display: "Anna Õ'Tamm", Role: "engineer", PasswordHash: "$argon2id$v=19$m=1,t=1,p=1$c2FsdA$aGFzaA"}
	require.NoError(t, s.AddUser(ctx, site, u))
	require.ErrorIs(t, s.AddUser(ctx, site, u), store.ErrExists)
	require.NoError(t, s.AddUser(ctx, "south", u), "another site's users are others")
	got, err := s.User(ctx, site, "anna")
	require.NoError(t, err)
	require.WithinDuration(t, time.Now(), got.Created, time.Minute)
	u.Created = got.Created
	require.Equal(t, u, got)
	u.Role, u.Disabled = "operator", true
	require.NoError(t, s.UpdateUser(ctx, site, u))
	all, err := s.Users(ctx, site)
	require.NoError(t, err)
	require.Equal(t, []store.User{u}, all)
	_, err = s.User(ctx, site, "bert")
	require.ErrorIs(t, err, store.ErrNotFound)
	require.ErrorIs(t, s.UpdateUser(ctx, site, store.User{Name: "bert"}), store.ErrNotFound)
	other, err := s.User(ctx, "south", "anna")
	require.NoError(t, err)
	require.Equal(t, "engineer", other.Role)
}

func TestTokens(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	hash := sha256.Sum256([]byte("secret"))
	require.NoError(t, s.AddToken(ctx, site, store.Token{Name: "line-a", Hash: hash[:], Scopes: []string{"ingest", "read"}, By: "anna"}))
	require.ErrorIs(t, s.AddToken(ctx, site, store.Token{Name: "line-a", Hash: make([]byte, 32), Scopes: []string{}}), store.ErrExists)
	require.ErrorIs(t, s.AddToken(ctx, site, store.Token{Name: "line-b", Hash: hash[:5], Scopes: []string{}}), store.ErrInvalid)
	got, err := s.TokenByHash(ctx, site, hash)
	require.NoError(t, err)
	require.Equal(t, []string{"ingest", "read"}, got.Scopes)
	require.True(t, got.LastUsed.IsZero() && got.Revoked.IsZero())
	used := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for _, at := range []time.Time{used, used.Add(59 * time.Second), used.Add(-time.Hour)} {
		require.NoError(t, s.TouchToken(ctx, site, "line-a", at))
		got, err = s.TokenByHash(ctx, site, hash)
		require.NoError(t, err)
		require.Equal(t, used, got.LastUsed, "once a minute, never backwards")
	}
	_, err = s.TokenByHash(ctx, "south", hash)
	require.ErrorIs(t, err, store.ErrNotFound)
	require.NoError(t, s.RevokeToken(ctx, site, "line-a"))
	_, err = s.TokenByHash(ctx, site, hash)
	require.ErrorIs(t, err, store.ErrNotFound)
	require.ErrorIs(t, s.RevokeToken(ctx, site, "line-a"), store.ErrNotFound)
	all, err := s.Tokens(ctx, site)
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.False(t, all[0].Revoked.IsZero())
}

// The session library finds its table as it wants it.
func TestSessions(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	sessions := s.Sessions()
	var _ scs.Store = sessions
	require.NoError(t, sessions.Commit("t", []byte("data"), time.Now().Add(time.Hour)))
	require.NoError(t, sessions.Commit("old", []byte("data"), time.Now().Add(-time.Hour)))
	b, found, err := sessions.Find("t")
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, "data", string(b))
	_, found, err = sessions.Find("old")
	require.NoError(t, err)
	require.False(t, found)
	n, err := s.DeleteExpiredSessions(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 1, n)
	all, err := sessions.All()
	require.NoError(t, err)
	require.Len(t, all, 1)
}

func TestAudit(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	for i := range 5 {
		require.NoError(t, s.AddAudit(t.Context(), site, store.AuditEntry{By: "anna", Action: "user.add", Object: fmt.Sprint(i), Detail: json.RawMessage(`{"n": 1.0}`)}))
	}
	page, err := s.Audit(t.Context(), site, 0, 2)
	require.NoError(t, err)
	require.Equal(t, []string{"4", "3"}, []string{page[0].Object, page[1].Object})
	require.Equal(t, `{"n": 1.0}`, string(page[0].Detail))
	page, err = s.Audit(t.Context(), site, page[1].Seq, 10)
	require.NoError(t, err)
	require.Len(t, page, 3)
}

func TestDefinitions(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	from := storetest.Start
	var wg sync.WaitGroup
	for w := range 6 { // each revision once, whoever writes
		wg.Go(func() {
			body := fmt.Sprintf(`{"id": "P25", "k": 2.0000000000000001, "writer": %d}`, w)
			defs := []store.Definition{{Kind: "product", ID: "P25", EffectiveFrom: from, Body: []byte(body), Reason: "trial", By: "anna"},
				{Kind: "product", ID: "P25", EffectiveFrom: from, Body: []byte(body), Retired: true}}
			if err := s.AddDefinitions(t.Context(), site, defs); err != nil {
				t.Error(err)
			}
			if defs[1].Revision != defs[0].Revision+1 {
				t.Error("another writer came between")
			}
		})
	}
	wg.Wait()
	require.NoError(t, s.AddDefinitions(t.Context(), site, nil))
	err := s.AddDefinitions(t.Context(), site, []store.Definition{{Kind: "press", ID: "A", EffectiveFrom: from, Body: []byte(`{}`)}, {Kind: "pot", ID: "A", EffectiveFrom: from, Body: []byte(`{}`)}})
	require.ErrorIs(t, err, store.ErrInvalid)
	require.ErrorContains(t, err, `pot "A"`)
	defs, err := s.Definitions(t.Context(), site)
	require.NoError(t, err)
	require.Len(t, defs, 12, "the refused set left nothing")
	for i, d := range defs {
		require.Equal(t, i+1, d.Revision)
		require.Equal(t, i%2 == 1, d.Retired)
		require.Equal(t, from, d.EffectiveFrom)
		require.Contains(t, string(d.Body), "2.0000000000000001", "kept as written")
	}
	defs, err = s.Definitions(t.Context(), "south")
	require.NoError(t, err)
	require.Empty(t, defs)
	require.NoError(t, s.AddDefinitions(t.Context(), "east", []store.Definition{{Kind: "site", ID: "east", EffectiveFrom: from, Body: []byte(`{}`)}}))
	sites, err := s.Sites(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"east", site}, sites)
}

func TestEventsLimitsExclusions(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	at := storetest.Start
	for i, e := range []spc.Event{{Press: "A", Kind: "mould-change", At: at.Add(time.Hour), Mould: "7", Text: "M-9", By: "anna"},
		{Gauge: "CG-1", Kind: "gauge-service", At: at}, {Press: "B", Kind: "note", At: at.Add(2 * time.Hour), Text: "'"}} {
		id, err := s.AddEvent(ctx, site, e)
		require.NoError(t, err)
		require.Equal(t, int64(i+1), id)
	}
	_, err := s.AddEvent(ctx, site, spc.Event{Kind: "party", At: at})
	require.ErrorIs(t, err, store.ErrInvalid)
	es, err := s.Events(ctx, site, store.EventFilter{})
	require.NoError(t, err)
	require.Equal(t, []int64{2, 1, 3}, []int64{es[0].ID, es[1].ID, es[2].ID})
	es, err = s.Events(ctx, site, store.EventFilter{Press: "A"})
	require.NoError(t, err)
	require.Equal(t, []spc.Event{{ID: 1, Press: "A", Kind: "mould-change", At: at.Add(time.Hour), Mould: "7", Text: "M-9", By: "anna"}}, es)
	es, err = s.Events(ctx, site, store.EventFilter{From: at, To: at.Add(time.Hour)})
	require.NoError(t, err)
	require.Len(t, es, 1)

	p := spc.PostedLimits{Chart: "c", Stream: "mould:7", BaselineFrom: at, BaselineTo: at.Add(time.Hour), EffectiveFrom: at.Add(2 * time.Hour), Reason: "r", By: "anna"}
	given := p
	given.BaselineFrom, given.BaselineTo, given.Given = time.Time{}, time.Time{}, &spc.Limits{Lower: 0.1, HasLower: true, Sigma: 1e-300}
	for i, l := range []spc.PostedLimits{p, given} {
		rev, err := s.AddPostedLimits(ctx, site, l)
		require.NoError(t, err)
		require.Equal(t, i+1, rev)
	}
	ps, err := s.PostedLimits(ctx, site, "c")
	require.NoError(t, err)
	require.Len(t, ps, 2)
	for i, want := range []spc.PostedLimits{p, given} {
		require.WithinDuration(t, time.Now(), ps[i].At, time.Minute)
		ps[i].At, want.Revision = time.Time{}, i+1
		require.Equal(t, want, ps[i])
	}

	r := storetest.Row(1)
	insert(t, s, r)
	e := spc.Exclusion{Measurement: r.ID, Reason: "hand-fed", By: "anna"}
	require.NoError(t, s.AddExclusion(ctx, site, e))
	got, err := s.Exclusions(ctx, site)
	require.NoError(t, err)
	require.Equal(t, []spc.Exclusion{e}, got)
	require.NoError(t, s.LiftExclusion(ctx, site, e))
	got, err = s.Exclusions(ctx, site)
	require.NoError(t, err)
	require.Empty(t, got)
	require.ErrorIs(t, s.AddExclusion(ctx, site, spc.Exclusion{Measurement: 1 << 40}), store.ErrNotFound)
}
