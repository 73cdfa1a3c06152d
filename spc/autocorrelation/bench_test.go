package autocorrelation_test

import (
	"testing"

	"sagwatch/spc/autocorrelation"
)

// Fits of 10 000 points; wanted: under 100 ms each.
func BenchmarkFitModel(b *testing.B) {
	x := simulate(autocorrelation.Model{Order: autocorrelation.ARMA11, AR1: 0.9, MA: -0.4, Mean: 100, Sigma: 1}, 10000, 1)
	for _, order := range []autocorrelation.Order{autocorrelation.AR1, autocorrelation.AR2, autocorrelation.ARMA11} {
		b.Run(order.String(), func(b *testing.B) {
			for b.Loop() {
				if _, err := autocorrelation.FitModel(x, order, autocorrelation.Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkResidual(b *testing.B) {
	s, err := autocorrelation.NewResiduals(autocorrelation.Model{Order: autocorrelation.ARMA11, AR1: 0.9, MA: -0.4, Mean: 100, Sigma: 1})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Step(101); err != nil {
			b.Fatal(err)
		}
	}
}
