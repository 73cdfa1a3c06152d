package assets_test

import (
	"io/fs"
	"net/http"
	"net/http/httptest"
	"path"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/web/assets"
)

func get(t *testing.T, method, url, match string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, url, nil)
	if match != "" {
		r.Header.Set("If-None-Match", match)
	}
	w := httptest.NewRecorder()
	assets.Handler().ServeHTTP(w, r)
	return w
}

func TestPathServesEveryFileForEver(t *testing.T) {
	require.Regexp(t, `^/assets/sagwatch\.[0-9a-f]{12}\.css$`, assets.Path("sagwatch.css"))
	require.NoError(t, fs.WalkDir(assets.FS, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		w := get(t, http.MethodGet, assets.Path(name), "")
		require.Equal(t, http.StatusOK, w.Code, name)
		require.Contains(t, w.Header().Get("Cache-Control"), "immutable", name)
		require.NotContains(t, w.Header().Get("Content-Type"), "octet-stream", name)
		require.NotZero(t, w.Body.Len(), name)
		return nil
	}))
	require.PanicsWithValue(t, `assets: no file "sagwach.css" is embedded`, func() { assets.Path("sagwach.css") })
}

func TestStyleSheetsResolveTheirFonts(t *testing.T) {
	url := assets.Path("tokens.css")
	body := get(t, http.MethodGet, url, "").Body.String()
	found := regexp.MustCompile(`url\("([^"]+)"\)`).FindAllStringSubmatch(body, -1)
	require.Len(t, found, 5)
	for _, m := range found {
		w := get(t, http.MethodGet, path.Join(path.Dir(url), m[1]), "")
		require.Equal(t, http.StatusOK, w.Code, m[1])
		require.Equal(t, "font/woff2", w.Header().Get("Content-Type"))
		require.Contains(t, w.Header().Get("Cache-Control"), "immutable")
	}
	require.Contains(t, get(t, http.MethodGet, assets.Path("sagwatch.css"), "").Body.String(), "url(#wait)")
}

func TestHandler(t *testing.T) {
	t.Run("plain name is asked for again", func(t *testing.T) {
		w := get(t, http.MethodGet, "/assets/sagwatch.css", "")
		require.Equal(t, http.StatusOK, w.Code)
		require.Equal(t, "no-cache", w.Header().Get("Cache-Control"))
		require.Equal(t, http.StatusNotModified, get(t, http.MethodGet, "/assets/sagwatch.css", w.Header().Get("ETag")).Code)
	})
	t.Run("head has no body", func(t *testing.T) {
		w := get(t, http.MethodHead, assets.Path("favicon.svg"), "")
		require.Equal(t, http.StatusOK, w.Code)
		require.Zero(t, w.Body.Len())
		require.NotEqual(t, "0", w.Header().Get("Content-Length"))
	})
	for _, url := range []string{"/assets/", "/assets/fonts", "/assets/../go.mod", "/assets/sagwatch.000000000000.css", "/assets/embed.go"} {
		require.Equal(t, http.StatusNotFound, get(t, http.MethodGet, url, "").Code, url)
	}
	require.Equal(t, http.StatusMethodNotAllowed, get(t, http.MethodPost, assets.Path("favicon.svg"), "").Code)
}

// A strict content policy forbids what styles or scripts a page from inside its markup or from elsewhere.
func TestNothingIsLoadedFromElsewhere(t *testing.T) {
	for _, name := range []string{"tokens.css", "sagwatch.css"} {
		body := get(t, http.MethodGet, assets.Path(name), "").Body.String()
		for _, bad := range []string{"http:", "https:", "@import", "//"} {
			require.False(t, strings.Contains(body, bad), "%s has %s", name, bad)
		}
	}
}
