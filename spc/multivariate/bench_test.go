package multivariate_test

import (
	"fmt"
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
	t, err := base.T2()
	if err != nil {
		b.Fatal(err)
	}
	x := append([]float64(nil), base.Mean...)
	for j := range x { // spread over all terms, so that every subset is looked at
		x[j] += []float64{1, -1}[j%2] * 1.05 * t.Covariance()[j*11+j]
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
