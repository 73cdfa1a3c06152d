package server

import (
	"math/rand/v2"
	"testing"
	"time"

	must "github.com/stretchr/testify/require"

	"sagwatch/store"
)

// What is remembered of changes is less than what was told, and never says that nothing changed where something did.
func TestChangesAreNeverForgotten(t *testing.T) {
	t.Parallel()
	c := newChanges(nil, "north")
	r := rand.New(rand.NewPCG(1, 2))
	base := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	var told []touch
	exact, needless := 0, 0
	for i := range 20_000 {
		from := base.Add(time.Duration(i) * 10 * time.Second)
		if r.IntN(200) == 0 { // a late panel
			from = from.Add(-time.Duration(r.IntN(3600*24)) * time.Second)
		}
		must.False(t, c.noticed(store.Notice{Kind: store.NoticeMeasurement, Press: "A", From: from}))
		told = append(told, touch{c.moment, from})
		if i%50 != 0 {
			continue
		}
		moment, to := uint64(r.IntN(i+1)), base.Add(time.Duration(r.IntN(20*(i+1)))*time.Second)
		want := false
		for _, x := range told {
			want = want || x.moment > moment && x.from.Before(to)
		}
		got := c.since(moment, "A", to)
		must.True(t, got || !want, "%d: forgotten", i)
		if got == want {
			exact++
		} else {
			needless++
		}
		must.False(t, c.since(0, "B", to), "another press")
	}
	must.LessOrEqual(t, len(c.touched["A"]), touchesKept)
	must.Greater(t, exact, 20*needless, "what is kept is thrown away for nothing")

	c = newChanges(nil, "north")
	late := func(press string) bool { return c.since(0, press, base) }
	c.noticed(store.Notice{Kind: store.NoticeSignal, Press: "A", From: base.Add(-time.Hour)})
	c.noticed(store.Notice{Kind: store.NoticeMeasurement, Press: "A", From: base})
	must.False(t, late("A"), "to is exclusive; signals are no measurements")
	c.noticed(store.Notice{Kind: store.NoticeLimits, Press: "A", From: base.Add(-time.Hour)})
	must.True(t, late("A"), "an exclusion")
	must.False(t, late("B"))
	c.noticed(store.Notice{Kind: store.NoticeResync})
	must.True(t, late("B"), "anything may have changed")
	must.False(t, c.since(c.moment, "B", base))
	must.True(t, c.noticed(store.Notice{Kind: store.NoticeMark, Mark: "of another server"}))
}
