package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// User is a person who may sign in.
type User struct {
	Name, Display, Role string
	PasswordHash        string // argon2id in its text form
	Disabled            bool
	Created             time.Time
}

// AddUser stores a new user; ErrExists when the name is taken.
func (s *Store) AddUser(ctx context.Context, site string, u User) error {
	_, err := s.pool.Exec(ctx, `
		INSERT INTO users (site, name, display, role, password_hash, disabled) VALUES ($1, $2, $3, $4, $5, $6)`,
		site, u.Name, u.Display, u.Role, u.PasswordHash, u.Disabled)
	return wrap(err, "add user %q", u.Name)
}

// UpdateUser overwrites all but name and creation time.
func (s *Store) UpdateUser(ctx context.Context, site string, u User) error {
	tag, err := s.pool.Exec(ctx, `
		UPDATE users SET display = $3, role = $4, password_hash = $5, disabled = $6 WHERE site = $1 AND name = $2`,
		site, u.Name, u.Display, u.Role, u.PasswordHash, u.Disabled)
	if err == nil && tag.RowsAffected() == 0 {
		err = pgx.ErrNoRows
	}
	return wrap(err, "update user %q", u.Name)
}

const userColumns = `name, display, role, password_hash, disabled, created`

// User finds one by name, also a disabled one.
func (s *Store) User(ctx context.Context, site, name string) (User, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+userColumns+` FROM users WHERE site = $1 AND name = $2`, site, name)
	if err != nil {
		return User{}, wrap(err, "user %q", name)
	}
	u, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[User])
	u.Created = u.Created.UTC()
	return u, wrap(err, "user %q", name)
}

// Users lists all by name.
func (s *Store) Users(ctx context.Context, site string) ([]User, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+userColumns+` FROM users WHERE site = $1 ORDER BY name`, site)
	if err != nil {
		return nil, wrap(err, "users of site %q", site)
	}
	us, err := pgx.CollectRows(rows, pgx.RowToStructByName[User])
	for i := range us {
		us[i].Created = us[i].Created.UTC()
	}
	return us, wrap(err, "users of site %q", site)
}

// Token lets a machine in. Only the SHA-256 of its secret is kept.
type Token struct {
	Name     string
	Hash     []byte // SHA-256, 32 bytes
	Scopes   []string
	By       string
	Created  time.Time
	LastUsed time.Time // zero: never; kept to the minute
	Revoked  time.Time // zero: valid
}

// AddToken stores a new token; ErrExists when the name is taken, also by a revoked one.
func (s *Store) AddToken(ctx context.Context, site string, t Token) error {
	_, err := s.pool.Exec(ctx, `INSERT INTO token (site, name, hash, scopes, by) VALUES ($1, $2, $3, $4, $5)`,
		site, t.Name, t.Hash, t.Scopes, t.By)
	return wrap(err, "add token %q", t.Name)
}

const tokenColumns = `name, hash, scopes, by, created,
	coalesce(last_used, '0001-01-01 00:00:00Z') AS last_used, coalesce(revoked, '0001-01-01 00:00:00Z') AS revoked`

// TokenByHash finds a token that has not been revoked.
func (s *Store) TokenByHash(ctx context.Context, site string, hash [32]byte) (Token, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+tokenColumns+`
		FROM token WHERE site = $1 AND hash = $2 AND revoked IS NULL`, site, hash[:]) // token_hash_unique
	if err != nil {
		return Token{}, wrap(err, "token")
	}
	t, err := pgx.CollectExactlyOneRow(rows, rowToToken)
	return t, wrap(err, "token")
}

// Tokens lists all by name, revoked ones too.
func (s *Store) Tokens(ctx context.Context, site string) ([]Token, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+tokenColumns+` FROM token WHERE site = $1 ORDER BY name`, site)
	if err != nil {
		return nil, wrap(err, "tokens of site %q", site)
	}
	ts, err := pgx.CollectRows(rows, rowToToken)
	return ts, wrap(err, "tokens of site %q", site)
}

func rowToToken(row pgx.CollectableRow) (Token, error) {
	t, err := pgx.RowToStructByName[Token](row)
	t.Created, t.LastUsed, t.Revoked = t.Created.UTC(), t.LastUsed.UTC(), t.Revoked.UTC()
	return t, err
}

// TouchToken notes that the token was used at a time, at most once a minute to spare the disk.
func (s *Store) TouchToken(ctx context.Context, site, name string, at time.Time) error {
	_, err := s.pool.Exec(ctx, `
		UPDATE token SET last_used = $3
		WHERE site = $1 AND name = $2 AND (last_used IS NULL OR last_used < $3::timestamptz - interval '1 minute')`, site, name, at)
	return wrap(err, "touch token %q", name)
}

// RevokeToken makes a token invalid for good; ErrNotFound when there is none that is valid.
func (s *Store) RevokeToken(ctx context.Context, site, name string) error {
	tag, err := s.pool.Exec(ctx, `
		UPDATE token SET revoked = now() WHERE site = $1 AND name = $2 AND revoked IS NULL`, site, name)
	if err == nil && tag.RowsAffected() == 0 {
		err = pgx.ErrNoRows
	}
	return wrap(err, "revoke token %q", name)
}
