package capability_test

import (
	"math/rand/v2"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/components"
	"sagwatch/spc/fit"
)

// BenchmarkYearOfAPress is the whole way for a year of one press: 3 150 000 panels of 22 moulds in 1 095 shifts, three characteristics,
// scanned once; of each the percentile indices with limits from resampled shifts, the normal ones within and overall, and the
// components of mould and shift with what levelled moulds would give. The issue allows 5 s and 200 MiB.
func BenchmarkYearOfAPress(b *testing.B) {
	const panels, moulds, shifts, characteristics = 3_150_000, 22, 1095, 3
	spec := capability.Spec{Upper: 300, HasUpper: true}
	for b.Loop() {
		r := rand.New(rand.NewPCG(1, 2))
		level, drift := make([]float64, moulds), make([]float64, shifts)
		for i := range level {
			level[i] = 8 * r.NormFloat64()
		}
		for i := range drift {
			drift[i] = 4 * r.NormFloat64()
		}
		var scans [characteristics]*capability.Scan
		for i := range scans {
			var err error
			scans[i], err = capability.NewScan(0.25, 0)
			require.NoError(b, err)
		}
		for i := range panels {
			m, s := i%moulds, i*shifts/panels
			for _, scan := range scans {
				if err := scan.Add(m, s, 150+level[m]+drift[s]+25*r.NormFloat64()); err != nil {
					b.Fatal(err)
				}
			}
		}
		for i := range scans {
			g := scans[i].Grid()
			scans[i] = nil
			sample, blocks, err := g.Sample(nil)
			require.NoError(b, err)
			_, err = capability.Bootstrap(sample, blocks, spec, capability.ByPercentiles, "", 0.95, fit.Resampling{Seed: 1})
			require.NoError(b, err)
			var rows components.Rows
			fs := []components.Factor{{Name: "mould"}, {Name: "shift"}}
			groups := make([][]capability.Group, shifts)
			for _, c := range g.Cells {
				rows.Mean, rows.N, rows.SS = append(rows.Mean, c.Mean), append(rows.N, c.N), append(rows.SS, c.SS)
				fs[0].Level, fs[1].Level = append(fs[0].Level, c.Stream), append(fs[1].Level, c.Block)
				groups[c.Block] = append(groups[c.Block], capability.Group{N: c.N, Mean: c.Mean, SS: c.SS})
			}
			_, _, err = capability.BootstrapGroups(groups, spec, 0.95, fit.Resampling{Seed: 1})
			require.NoError(b, err)
			parts, err := components.FitMixed(rows, fs, components.Options{})
			require.NoError(b, err)
			require.InDelta(b, 625, parts.Components[2].Variance, 5)
			_, err = capability.FromComponents(parts, "mould")
			require.NoError(b, err)
			if i == 0 {
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				b.ReportMetric(float64(m.Sys)/(1<<20), "MiB-held")
			}
		}
	}
}
