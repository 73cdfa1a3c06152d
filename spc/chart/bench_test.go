package chart_test

import (
	"math/rand/v2"
	"testing"

	"sagwatch/spc/chart"
)

func BenchmarkEWMAStep(b *testing.B) {
	s, err := chart.NewEWMA(chart.EWMASettings{Sigma: 1, Lambda: 0.2})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Step(0.3); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCUSUMStep(b *testing.B) {
	s, err := chart.NewCUSUM(chart.CUSUMSettings{Sigma: 1, K: 0.5, H: 5})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Step(0.3); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkGroupStep(b *testing.B) {
	sigmas := make([]float64, len(levels))
	for i := range sigmas {
		sigmas[i] = 0.5
	}
	g, err := chart.NewGroupChart(chart.GroupModel{Centres: levels, Sigmas: sigmas, Alike: true}, chart.Width{})
	if err != nil {
		b.Fatal(err)
	}
	cycle := press(rand.New(rand.NewPCG(7, 8)), 1, levels, 0.2, 0.5, 0)[0]
	dst := make([]chart.StreamDeviation, 0, len(levels))
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := g.Step(dst, cycle); err != nil {
			b.Fatal(err)
		}
	}
}

// A group chart of 24 moulds with its exact limits for every number present.
func BenchmarkNewGroupChart(b *testing.B) {
	m := chart.GroupModel{Centres: make([]float64, 24), Sigmas: make([]float64, 24), Alike: true}
	for i := range m.Sigmas {
		m.Sigmas[i] = 1
	}
	for b.Loop() {
		if _, err := chart.NewGroupChart(m, chart.Width{}); err != nil {
			b.Fatal(err)
		}
	}
}
