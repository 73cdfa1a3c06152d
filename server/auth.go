package server

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"sagwatch/store"
)

// EverySite is the site under which people and tokens are kept: they belong to the whole database, since a plant is named only when its
// set-up file is applied.
const EverySite = "*"

// Role of a person.
type Role string

// The roles, from the least to the greatest reach.
const (
	Viewer        Role = "viewer"
	Technician    Role = "technician"
	Supervisor    Role = "supervisor"
	Engineer      Role = "engineer"
	Administrator Role = "administrator"
)

// Roles lists all roles.
var Roles = []Role{Viewer, Technician, Supervisor, Engineer, Administrator}

// Scopes of a machine's token.
const (
	ScopeIngest = "ingest"
	ScopeRead   = "read"
	ScopeWrite  = "write"
)

// Scopes lists all scopes.
var Scopes = []string{ScopeIngest, ScopeRead, ScopeWrite}

// What a person may do beyond looking.
type act string

const (
	mayMeasure  act = "key in and correct measurements"
	maySignals  act = "acknowledge and close signals"
	mayPlans    act = "begin reaction plans and tick their steps"
	mayVoid     act = "void measurements"
	mayHold     act = "put panels on hold and send them to be measured again"
	mayRelease  act = "decide on panels on hold, and end and close holds"
	mayReports  act = "issue reports and keep their schedules"
	mayEngineer act = "set limits, resolve conflicts and exclude points"
)

var permitted = map[act][]Role{
	mayMeasure:  {Technician, Supervisor, Engineer, Administrator},
	maySignals:  {Supervisor, Engineer, Administrator},
	mayPlans:    {Technician, Supervisor, Engineer, Administrator},
	mayVoid:     {Supervisor, Engineer, Administrator},
	mayHold:     {Technician, Supervisor, Engineer, Administrator},
	mayRelease:  {Supervisor, Engineer, Administrator},
	mayReports:  {Supervisor, Engineer, Administrator},
	mayEngineer: {Engineer, Administrator},
}

// Who is on the other side of a request: a person or a machine.
type Who struct {
	Name, Display string
	Role          Role
	Scopes        []string // of a machine's token; nil for a person
}

// May tells whether a person may do something. Machines act by their scopes.
func (w Who) May(a act) bool { return slices.Contains(permitted[a], w.Role) }

type whoKey struct{}

func who(ctx context.Context) Who {
	w, _ := ctx.Value(whoKey{}).(Who)
	return w
}

// source is the name that a stored measurement carries: the token's or the person's.
func source(ctx context.Context) string { return who(ctx).Name }

// HashToken is what is kept of a token.
func HashToken(token string) [32]byte { return sha256.Sum256([]byte(token)) }

// NewToken makes a token: 130 random bits behind a mark by which a leaked one is recognised.
func NewToken() string { return "sgw_" + rand.Text() }

// machineOrPerson lets a request of the machine interface through with a bearer token of the scope, or with a signed-in
// person's session.
func (s *Server) machineOrPerson(scope string) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			s.api(func(w http.ResponseWriter, r *http.Request) error {
				u, err := s.identify(r)
				if err != nil {
					return err
				}
				if u.Name == "" {
					w.Header().Set("WWW-Authenticate", `Bearer realm="sagwatch"`)
					return &Trouble{Status: http.StatusUnauthorized, Say: "No valid token came with the request.",
						Do: "Send the header Authorization: Bearer TOKEN; an administrator makes one with sagwatch token add."}
				}
				if !u.has(scope) {
					return &Trouble{Status: http.StatusForbidden, Say: fmt.Sprintf("%s may not do this: it needs the scope %s.", u.Name, scope)}
				}
				next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), whoKey{}, u)))
				return nil
			})(w, r)
		})
	}
}

// has tells whether the scope is granted: to a machine by its token, to a person by the role.
func (w Who) has(scope string) bool {
	if w.Scopes != nil {
		return slices.Contains(w.Scopes, scope)
	}
	switch scope {
	case ScopeRead:
		return w.Role != ""
	case ScopeIngest:
		return w.May(mayMeasure)
	}
	return w.May(mayEngineer)
}

// identify finds who sent a request; a zero Who for nobody.
func (s *Server) identify(r *http.Request) (Who, error) {
	if h := r.Header.Get("Authorization"); h != "" {
		token, ok := strings.CutPrefix(h, "Bearer ")
		if !ok {
			return Who{}, nil
		}
		t, err := s.store.TokenByHash(r.Context(), EverySite, HashToken(strings.TrimSpace(token)))
		if errors.Is(err, store.ErrNotFound) {
			return Who{}, nil
		}
		if err != nil {
			return Who{}, err
		}
		if now := s.cfg.Now(); now.Sub(t.LastUsed) > time.Minute {
			if err := s.store.TouchToken(r.Context(), EverySite, t.Name, now); err != nil {
				s.log.Warn("time of last use not kept", "token", t.Name, "error", err)
			}
		}
		return Who{Name: t.Name, Display: t.Name, Scopes: t.Scopes}, nil
	}
	name := s.sessions.GetString(r.Context(), "user")
	if name == "" {
		return Who{}, nil
	}
	u, err := s.store.User(r.Context(), EverySite, name)
	if errors.Is(err, store.ErrNotFound) || err == nil && u.Disabled {
		return Who{}, nil
	}
	if err != nil {
		return Who{}, err
	}
	return Who{Name: u.Name, Display: u.Display, Role: Role(u.Role)}, nil
}

// person lets only signed-in people through, and sends others to sign in and back.
func (s *Server) person(next http.Handler) http.Handler {
	return s.page(func(w http.ResponseWriter, r *http.Request) error {
		u, err := s.identify(r)
		if err != nil {
			return err
		}
		if u.Name == "" || u.Scopes != nil {
			if r.Method != http.MethodGet || r.URL.Path == "/live" {
				return &Trouble{Status: http.StatusUnauthorized, Say: "You are not signed in any more; nothing was stored.", Do: "Sign in again, then repeat it."}
			}
			http.Redirect(w, r, "/sign-in?back="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
			return nil
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), whoKey{}, u)))
		return nil
	})
}

// require refuses what a role may not do.
func require(r *http.Request, a act) error {
	if u := who(r.Context()); !u.May(a) {
		return &Trouble{Status: http.StatusForbidden, Say: fmt.Sprintf("As %s you may not %s.", article(u.Role), a), Do: "Ask somebody whose role allows it."}
	}
	return nil
}

func article(r Role) string {
	if r == Engineer || r == Administrator {
		return "an " + string(r)
	}
	return "a " + string(r)
}

// signIn checks name and password. The work is the same for an unknown name, so that names can't be found out by time.
func (s *Server) signIn(ctx context.Context, name, password string) (store.User, bool, error) {
	u, err := s.store.User(ctx, EverySite, name)
	hash := u.PasswordHash
	if errors.Is(err, store.ErrNotFound) {
		hash, err = unknownHash()
	}
	if err != nil {
		return u, false, err
	}
	ok := PasswordMatches(hash, password)
	return u, ok && u.Name != "" && !u.Disabled, nil
}

// unknownHash matches no password: it costs what a real one costs.
var unknownHash = sync.OnceValues(func() (string, error) { return HashPassword(rand.Text()) })

// open makes a session for a person, under a new key so that one planted before is worth nothing.
func (s *Server) open(ctx context.Context, name string) error {
	if err := s.sessions.RenewToken(ctx); err != nil {
		return err
	}
	s.sessions.Put(ctx, "user", name)
	return nil
}

// demoPeople are invented, one for each role.
var demoPeople = []store.User{
	{Name: "sorby", Display: "A. Sørby", Role: string(Technician)},
	{Name: "tamm", Display: "R. Tamm", Role: string(Supervisor)},
	{Name: "okafor", Display: "M. Okafor", Role: string(Engineer)},
	{Name: "lind", Display: "V. Lind", Role: string(Viewer)},
	{Name: "ahn", Display: "K. Ahn", Role: string(Administrator)},
}

func (s *Server) addDemoPeople(ctx context.Context) error {
	for _, u := range demoPeople {
		// Without a hash no password ever matches: they can only be chosen on the demonstration's own page.
		if err := s.store.AddUser(ctx, EverySite, u); err != nil && !errors.Is(err, store.ErrExists) {
			return err
		}
	}
	return nil
}

// offerFirst makes the code of the one-time set-up when nobody exists yet.
func (s *Server) offerFirst(ctx context.Context) error {
	users, err := s.store.Users(ctx, EverySite)
	if err != nil {
		return err
	}
	s.firstMu.Lock()
	defer s.firstMu.Unlock()
	if len(users) == 0 {
		s.firstCode = rand.Text()
	}
	return nil
}

// takeFirst checks the code of the one-time set-up.
func (s *Server) firstAllowed(code string) bool {
	s.firstMu.Lock()
	defer s.firstMu.Unlock()
	return s.firstCode != "" && subtle.ConstantTimeCompare([]byte(s.firstCode), []byte(code)) == 1
}

// localPath keeps a redirect inside this service.
func localPath(back string) string {
	u, err := url.Parse(back)
	if err != nil || !strings.HasPrefix(back, "/") || strings.HasPrefix(back, "//") || strings.Contains(back, `\`) || u.Host != "" || u.Scheme != "" {
		return "/"
	}
	return back
}

// addFirst makes the first administrator and ends the one-time set-up; of two at once one wins.
func (s *Server) addFirst(r *http.Request, name, display, hash string) error {
	s.firstMu.Lock()
	defer s.firstMu.Unlock()
	if s.firstCode == "" {
		return notFound("The first administrator exists already.")
	}
	if err := s.store.AddUser(r.Context(), EverySite, store.User{Name: name, Display: display, Role: string(Administrator), PasswordHash: hash}); err != nil {
		return err
	}
	s.firstCode = ""
	return s.open(r.Context(), name)
}
