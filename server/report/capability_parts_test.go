package report_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/spc/components"
	"sagwatch/store"
)

// The lithography data of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.6.1: five sites as moulds, thirty cassettes as shifts
// of three wafers each. From panels to the figures the components are those of the raw values, also by the general mixed model, which
// shares no code with the crossed one.
func TestCapabilityPartsOfLithography(t *testing.T) {
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", "handbook", "lithography_6_6_1.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"cassette", "wafer", "site", "linewidth"}, rows[0][:4])
	var site, cassette []int
	var y []float64
	for _, r := range rows[1:] {
		c, err := strconv.Atoi(r[0])
		require.NoError(t, err)
		s, err := strconv.Atoi(r[2])
		require.NoError(t, err)
		x, err := strconv.ParseFloat(r[3], 64)
		require.NoError(t, err)
		site, cassette, y = append(site, s), append(cassette, c), append(y, x)
	}
	require.Len(t, y, 450)

	lower, upper := 1.0, 4.5
	c := capabilityPlant(t, 5, spc.Product{Characteristics: []spc.Characteristic{{Name: "linewidth", Unit: "um", Lower: &lower, Upper: &upper}}})
	early := capabilityFrom.Add(6 * time.Hour)
	in, w, figures := worked(t, c, report.CapabilityQuery{}, 11, panelsOf(len(y), 5, 0, func(i int, o *store.Obs) {
		o.Key.Panel = "B-" + strconv.Itoa(i)
		o.Key.LineAt = early.Add(time.Duration(cassette[i]-1)*8*time.Hour + time.Duration(i%15)*30*time.Minute)
		o.Mould = strconv.Itoa(site[i])
		o.Characteristics = map[string]float64{"linewidth": y[i]}
	}))
	require.Len(t, in.Blocks, 30, "a cassette is a shift")

	cells, err := components.Cells(site, cassette, y)
	require.NoError(t, err)
	crossed, err := components.FitCrossed(cells, components.Options{Confidence: 0.95, Names: []string{"mould", "shift"}, Residual: "panel", Interaction: true, Interval: components.Profile})
	require.NoError(t, err)
	sites, cassettes := components.Factor{Name: "site", Level: site}, components.Factor{Name: "cassette", Level: cassette}
	mixed, err := components.FitMixed(components.Values(y), []components.Factor{sites, cassettes, components.Within(cassettes, sites)}, components.Options{})
	require.NoError(t, err)

	parts := w.Worked[0].Parts
	require.NotNil(t, parts)
	require.Equal(t, 450, parts.N)
	require.Len(t, parts.Components, 4)
	for i, p := range parts.Components {
		require.Equal(t, crossed.Components[i].Name, p.Name)
		require.InDelta(t, crossed.Components[i].Variance, p.Variance, 1e-9, p.Name)
		require.InDelta(t, crossed.Components[i].Interval.Lower, p.Interval.Lower, 1e-7, p.Name)
		require.InDelta(t, crossed.Components[i].Interval.Upper, p.Interval.Upper, 1e-7, p.Name)
		require.InDelta(t, mixed.Components[i].Variance, p.Variance, 1e-6, p.Name)
		shown := figures["sd-"+strings.ReplaceAll(p.Name, " ", "-")+".linewidth"]
		require.NotNil(t, shown, p.Name)
		require.InDelta(t, math.Sqrt(crossed.Components[i].Variance), float64(shown.Value), 1e-8, p.Name)
	}
	// The most of it lies between cassettes, as in the handbook (6.6.1.3).
	require.Greater(t, parts.Components[1].Share, 0.4)
	writtenAndReadBack(t, in, w, figures)
}
