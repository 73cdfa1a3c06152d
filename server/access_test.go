package server_test

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"
	"github.com/stretchr/testify/require"

	"sagwatch/server"
	"sagwatch/store"
)

// No route answers a stranger, except health, the pages' own files and signing in.
func TestNoRouteIsOpen(t *testing.T) {
	t.Parallel()
	s := start(t)
	stranger := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	open := map[string]bool{"/healthz": true, "/readyz": true, "/assets/*": true, "/sign-in": true, "/first": true, "/looks": true}
	seen := 0
	require.NoError(t, chi.Walk(s.server.Handler().(chi.Router), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if open[route] {
			return nil
		}
		seen++
		path := strings.NewReplacer("{id}", "1", "{press}", "A", "{serial}", "A-0000001", "*", "x").Replace(route)
		req, err := http.NewRequest(method, s.URL+path, strings.NewReader("{}"))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/json")
		res, err := stranger.Do(req)
		require.NoError(t, err)
		res.Body.Close()
		switch {
		case res.StatusCode == http.StatusUnauthorized:
		case res.StatusCode == http.StatusSeeOther && strings.HasPrefix(res.Header.Get("Location"), "/sign-in"):
		default:
			t.Errorf("%s %s answers a stranger with %s", method, route, res.Status)
		}
		return nil
	}))
	require.Greater(t, seen, 30)
}

func TestScopesBoundTokens(t *testing.T) {
	t.Parallel()
	s := start(t)
	token := server.NewToken()
	hash := server.HashToken(token)
	require.NoError(t, s.store.AddToken(context.Background(), server.EverySite, store.Token{Name: "reader", Hash: hash[:], Scopes: []string{"read"}, By: "test"}))
	reader := *s
	reader.token = token
	status, _ := reader.post(panel(1, 1108))
	require.Equal(t, 403, status)
	reader.get("/api/v1/signals")
	require.NoError(t, s.store.RevokeToken(context.Background(), server.EverySite, "reader"))
	status, _, _ = reader.send("GET", "/api/v1/signals", "", "")
	require.Equal(t, 401, status)
	reader.token = "sgw_guess"
	status, head, _ := reader.send("GET", "/api/v1/signals", "", "")
	require.Equal(t, 401, status)
	require.Contains(t, head.Get("WWW-Authenticate"), "Bearer")
}

func TestPasswords(t *testing.T) {
	t.Parallel()
	hash, err := server.HashPassword("a long enough one")
	require.NoError(t, err)
	require.True(t, server.PasswordMatches(hash, "a long enough one"))
	require.False(t, server.PasswordMatches(hash, "a long enough two"))
	require.False(t, server.PasswordMatches("", "a long enough one"))
	require.False(t, server.PasswordMatches(strings.Replace(hash, "argon2id", "plain", 1), "a long enough one"))
	again, err := server.HashPassword("a long enough one")
	require.NoError(t, err)
	require.NotEqual(t, hash, again, "each hash has its own salt")
	_, err = server.HashPassword("short")
	require.ErrorContains(t, err, "at least 10 characters")
}

func TestAFormFromAnotherSiteIsRefused(t *testing.T) {
	t.Parallel()
	s := start(t)
	c := s.browser("okafor")
	req, err := http.NewRequest("POST", s.URL+"/sign-out", nil)
	require.NoError(t, err)
	req.Header.Set("Sec-Fetch-Site", "cross-site")
	req.Header.Set("Origin", "https://elsewhere.example")
	res, err := c.Do(req)
	require.NoError(t, err)
	res.Body.Close()
	require.Equal(t, 403, res.StatusCode)
}

// The description of the machine interface names every route and no other.
func TestOpenAPIMatchesTheRoutes(t *testing.T) {
	t.Parallel()
	s := start(t)
	var described []string
	for path, methods := range s.get("/api/v1/openapi.json")["paths"].(map[string]any) {
		for method := range methods.(map[string]any) {
			described = append(described, strings.ToUpper(method)+" /api/v1"+path)
		}
	}
	var routes []string
	require.NoError(t, chi.Walk(s.server.Handler().(chi.Router), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if strings.HasPrefix(route, "/api/v1/") {
			routes = append(routes, method+" "+route)
		}
		return nil
	}))
	require.ElementsMatch(t, routes, described)
}

func TestMachinesGetProblemDetailsWhateverTheyMiss(t *testing.T) {
	s := start(t)
	for _, path := range []string{"/api", "/api/v1", "/api/v1/nothing", "/api/v2/signals"} {
		status, header, body := s.send("GET", path, "", "")
		require.Equal(t, 404, status, path)
		require.Equal(t, "application/problem+json", header.Get("Content-Type"), path)
		require.Contains(t, object(t, body)["detail"], path)
	}
}
