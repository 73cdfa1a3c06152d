package present_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/store"
)

func closings(counts map[string]int) (out []store.Closing) {
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for id, n := range counts {
		for range n {
			out = append(out, store.Closing{CauseID: id, Cause: "as known then", Opened: at, Closed: at.Add(90 * time.Minute)})
		}
	}
	return out
}

func TestParetoOf(t *testing.T) {
	t.Parallel()
	c, err := plant.New(nil)
	require.NoError(t, err)
	list := closings(map[string]int{"gob": 3, "plunger": 6, "ours": 1})
	risk := int64(40)
	for i := range list {
		if list[i].CauseID == "gob" {
			list[i].AtRisk = &risk
		}
	}
	p, err := present.ParetoOf(list, c, present.BySignals)
	require.NoError(t, err)
	require.Equal(t, []string{"plunger", "gob", "ours"}, []string{p.Rows[0].ID, p.Rows[1].ID, p.Rows[2].ID})
	require.Equal(t, "as known then", p.Rows[2].Name, "a cause that is on no list keeps the name it had")
	require.InDelta(t, 0.6, p.Rows[0].Share, 1e-15)
	require.InDelta(t, 0.9, p.Rows[1].Cumulative, 1e-15)
	require.InDelta(t, 15, p.Hours, 1e-12)
	// Clopper and Pearson, 6 of 10, 95 %: 0.2624 to 0.8784, COMPUTED by bisection on the binomial sums of the definition.
	require.InDelta(t, 0.262378, p.Rows[0].Lower, 5e-6)
	require.InDelta(t, 0.878448, p.Rows[0].Upper, 5e-6)

	p, err = present.ParetoOf(list, c, present.ByPanels)
	require.NoError(t, err)
	require.Equal(t, "gob", p.Rows[0].ID)
	require.InDelta(t, 120, p.Total, 0)
	require.Equal(t, 3, p.Counted)
	require.Zero(t, p.Rows[1].Value)

	p, err = present.ParetoOf(nil, c, present.BySignals)
	require.NoError(t, err)
	require.Empty(t, p.Rows)

	// From before there was a list.
	p, err = present.ParetoOf([]store.Closing{{Cause: "worn"}, {}}, c, present.BySignals)
	require.NoError(t, err)
	require.ElementsMatch(t, []string{"other", ""}, []string{p.Rows[0].ID, p.Rows[1].ID})
}

func TestStepValue(t *testing.T) {
	t.Parallel()
	cause, step, done, ok := present.StepValue("gob 3 back")
	require.Equal(t, []any{"gob", 3, false, true}, []any{cause, step, done, ok})
	for _, bad := range []string{"", "gob 3", "gob x done", "gob 3 maybe", "a b 3 done"} {
		_, _, _, ok = present.StepValue(bad)
		require.False(t, ok, bad)
	}
}
