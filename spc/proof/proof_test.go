package proof_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/internal/ref"
	"sagwatch/spc/proof"
)

func TestEveryCheckThatCountsAgrees(t *testing.T) {
	table, err := proof.Run(os.DirFS(filepath.Clean(ref.Path(t))))
	require.NoError(t, err)
	for _, c := range table.Failed() {
		t.Errorf("%s, %s (%s): expected %s, got %s, tolerance %g %s", c.Method, c.Case, c.Source, c.Expected, c.Value, c.Tol, c.Trouble)
	}
}
