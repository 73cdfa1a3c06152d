package components_test

import (
	"math/rand/v2"
	"testing"

	"sagwatch/spc/components"
)

// year is a year of hourly means of moulds: 8760 hours, some moulds out of use at times.
func year(moulds int) []components.Cell {
	r := rand.New(rand.NewPCG(1, 1))
	em := make([]float64, moulds)
	for i := range em {
		em[i] = 0.6 * r.NormFloat64()
	}
	var cells []components.Cell
	for h := range 8760 {
		e := 0.3 * r.NormFloat64()
		for m := range moulds {
			if r.Float64() < 0.02 {
				continue
			}
			n := 30 + r.IntN(4)
			ss := 0.25 * float64(n-1) * (1 + 0.2*r.NormFloat64())
			cells = append(cells, components.Cell{A: m, B: h, N: n, Mean: 1107.5 + em[m] + e + 0.15*r.NormFloat64(), SS: ss})
		}
	}
	return cells
}

func benchYear(b *testing.B, moulds int, single, interaction bool) {
	cells := year(moulds)
	if single {
		for i := range cells {
			cells[i].N, cells[i].SS = 1, 0
		}
	}
	b.ResetTimer()
	for b.Loop() {
		r, err := components.FitCrossed(cells, components.Options{Interaction: interaction})
		if err != nil || !r.Converged {
			b.Fatal(err)
		}
		b.ReportMetric(float64(r.Iterations), "steps")
	}
}

// The issue asks for a year of hourly mould means in less than one second.
func BenchmarkYearOf11Moulds(b *testing.B)            { benchYear(b, 11, true, false) }
func BenchmarkYearOf22Moulds(b *testing.B)            { benchYear(b, 22, true, false) }
func BenchmarkYearOf22MouldsInteraction(b *testing.B) { benchYear(b, 22, false, true) }
