package report_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/server/report"
)

// A report names every revision that held in its period, from the one in force at its start: panels of the morning were judged by the
// revision of the morning.
func TestDefinitionsOfAPeriod(t *testing.T) {
	t.Parallel()
	at := func(hour int) time.Time { return time.Date(2026, 3, 5, hour, 0, 0, 0, time.UTC) }
	c := &plant.Catalogue{}
	for _, r := range []struct{ number, hour int }{{1, 2}, {2, 5}, {3, 9}, {4, 11}, {5, 11}, {6, 20}} {
		c.Revisions = append(c.Revisions, plant.Revision{Kind: plant.KindProduct, ID: "P25", Number: r.number, EffectiveFrom: at(r.hour)})
	}
	c.Revisions = append(c.Revisions, plant.Revision{Kind: plant.KindPress, ID: "P25", Number: 8, EffectiveFrom: at(9)})
	for _, p := range []struct {
		from, to int
		want     string
	}{
		{6, 9, "product P25 revision 2"}, // a revision from the end of the period on is not of it
		{5, 8, "product P25 revision 2"},
		{6, 10, "product P25 revisions 2 and 3 (from 2026-03-05 09:00)"},
		{6, 14, "product P25 revisions 2, 3 (from 2026-03-05 09:00) and 5 (from 2026-03-05 11:00)"}, // 4 was replaced before it held
		{0, 1, "product P25 revision 1"},                                                            // before the first one the first
		{21, 23, "product P25 revision 6"},
	} {
		require.Equal(t, p.want, report.DefinitionDuring(c, plant.KindProduct, "P25", at(p.from), at(p.to)))
	}
	require.Empty(t, report.DefinitionDuring(c, plant.KindGauge, "CG-1", at(0), at(9)))
}
