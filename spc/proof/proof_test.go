package proof_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
	"sagwatch/spc/proof"
)

var run = sync.OnceValues(func() (*proof.Table, error) { return proof.Run(os.DirFS(filepath.Clean(path))) })

var path string

func table(t *testing.T) *proof.Table {
	t.Helper()
	path = ref.Path(t)
	table, err := run()
	require.NoError(t, err)
	return table
}

func TestEveryCheckThatCountsAgrees(t *testing.T) {
	table := table(t)
	for _, c := range table.Failed() {
		t.Errorf("%s, %s (%s): expected %s, got %s, tolerance %g %s", c.Method, c.Case, c.Source, c.Expected, c.Value, c.Tol, c.Trouble)
	}
}

// A computed value names the library or language that gave it, and no line is counted twice.
func TestLinesNameTheirLibraryAndStandOnce(t *testing.T) {
	table := table(t)
	named := regexp.MustCompile(`^(SciPy|NumPy|mpmath|R|Python|lme4|statsmodels|scikit)\b.*\d`)
	seen := map[string]bool{}
	for _, c := range table.Checks {
		if c.Origin == proof.Computed {
			require.Regexp(t, named, c.By, "%s, %s", c.Method, c.Case)
		}
		key := fmt.Sprint(c.Method, "|", c.Case, "|", c.Expected)
		require.False(t, seen[key], "twice: %s", key)
		seen[key] = true
	}
}
