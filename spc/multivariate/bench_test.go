package multivariate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"sagwatch/spc/multivariate"
)

func BenchmarkMEWMADesign(b *testing.B) {
	for _, delta := range []float64{0, 1} {
		b.Run(fmt.Sprintf("shift %g", delta), func(b *testing.B) {
			for b.Loop() {
				if _, err := (multivariate.MEWMADesign{P: 4, Lambda: 0.1, H: 12.73, Steady: true}).ARL(delta); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkMEWMALimit(b *testing.B) {
	for b.Loop() {
		if _, err := multivariate.MEWMALimit(11, 0.1, 500, true); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkExplain(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	base, err := multivariate.Individuals(sample(r, 300, 11), multivariate.Options{})
	if err != nil {
		b.Fatal(err)
	}
	// just beyond the limit and spread evenly over independent terms: every subset is looked at
	limit, err := base.PhaseTwoLimit(0.0027)
	if err != nil {
		b.Fatal(err)
	}
	x, cov := make([]float64, 11), make([]float64, 121)
	for j := range x {
		x[j], cov[12*j] = math.Sqrt(1.05*limit/11), 1
	}
	t, err := multivariate.NewT2(make([]float64, 11), cov, nil)
	if err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	for b.Loop() {
		if _, err := base.Explain(t, x, 0.0027); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMEWMAStep(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	base, err := multivariate.Individuals(sample(r, 300, 11), multivariate.Options{})
	if err != nil {
		b.Fatal(err)
	}
	t, err := base.T2()
	if err != nil {
		b.Fatal(err)
	}
	s, err := multivariate.NewMEWMA(multivariate.MEWMASettings{Lambda: 0.1, H: 25}, 11)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Step(t, base.Mean); err != nil {
			b.Fatal(err)
		}
	}
}
