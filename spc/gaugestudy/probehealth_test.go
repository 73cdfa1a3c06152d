package gaugestudy_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
)

// plant makes panels of a press: each mould has its signature, each panel its noise and, with phi, what its predecessor
// had; probe biases come on top.
type plant struct {
	r         *rand.Rand
	signature [][]float64
	last      []float64
	phi, sd   float64
	bias      func(panel int64, probe, mould int) float64
	panel     int64
	buffer    []float64
}

func newPlant(seed uint64, moulds, probes int, phi float64) *plant {
	p := &plant{r: rand.New(rand.NewPCG(seed, 1)), phi: phi, sd: 4, last: make([]float64, probes), buffer: make([]float64, probes),
		bias: func(int64, int, int) float64 { return 0 }}
	for range moulds {
		s := make([]float64, probes)
		for i := range s {
			s[i] = 10 * p.r.NormFloat64()
		}
		p.signature = append(p.signature, s)
	}
	return p
}

func (p *plant) next() (mould int, residuals []float64) {
	mould = int(p.panel) % len(p.signature)
	for i := range p.buffer {
		p.last[i] = p.phi*p.last[i] + math.Sqrt(1-p.phi*p.phi)*p.sd*p.r.NormFloat64()
		p.buffer[i] = p.signature[mould][i] + p.last[i] + p.bias(p.panel, i, mould)
	}
	p.panel++
	return mould, p.buffer
}

func TestProbeHealthFalseAlarms(t *testing.T) {
	// At a run length of 1000 panels the share of panels beyond the limit is at most 1/1000, with the luck of 60 baselines as
	// standard error, and not so much less that the limit would be idle; findings begin more seldom still.
	const presses, panels, runLength = 60, 1_500, 1_000
	for _, phi := range []float64{0, 0.4} {
		shares, findings, watched := make([]float64, presses), 0.0, 0.0
		for seed := range uint64(presses) {
			p := newPlant(1000+seed, 11, 24, phi)
			h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 24, Moulds: 11, RunLength: runLength})
			require.NoError(t, err)
			beyond := 0.0
			for range panels {
				s, err := h.Step(p.next())
				require.NoError(t, err)
				if s.Beyond {
					beyond++
				}
				findings += float64(len(s.Findings))
			}
			shares[seed] = beyond / float64(h.Watched) * runLength
			watched += float64(h.Watched)
		}
		mean, sd := dist.MeanSD(shares)
		se := sd / math.Sqrt(presses)
		t.Logf("phi %.1f: %.2f of the allowed share of panels beyond, standard error %.2f; %.2f of the allowed findings", phi, mean, se, findings/watched*runLength)
		require.Less(t, mean, 1+4*se)
		require.Greater(t, mean, 0.3)
		require.Less(t, findings/watched*runLength, 1.0)
	}
}

func TestProbeHealthFindsThePlantedProbe(t *testing.T) {
	// A probe that steps by 2 standard deviations at panel 2500 is found, with its size, beginning and moulds.
	const seeds, onset, size = 20, 2500, 8.0
	covered, delays := 0, 0.0
	for seed := range uint64(seeds) {
		p := newPlant(100+seed, 11, 48, 0)
		p.bias = func(panel int64, probe, _ int) float64 {
			if probe == 30 && panel >= onset {
				return size
			}
			return 0
		}
		h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 48, Moulds: 11})
		require.NoError(t, err)
		var found *gaugestudy.ProbeFinding
		for range 4000 {
			s, err := h.Step(p.next())
			require.NoError(t, err)
			for i := range s.Findings {
				require.Equal(t, 30, s.Findings[i].Probe)
				require.GreaterOrEqual(t, s.Panel, int64(onset))
				if found == nil {
					found = &s.Findings[i]
					delays += float64(s.Panel - onset)
				}
			}
		}
		require.NotNil(t, found, "seed %d", seed)
		require.GreaterOrEqual(t, len(found.Moulds), 3)
		require.Zero(t, found.Others)
		require.LessOrEqual(t, found.Earliest, found.Since)
		require.InDelta(t, onset, found.Since, 25)
		now := h.Findings()
		require.Len(t, now, 1)
		require.GreaterOrEqual(t, len(now[0].Moulds), 8)
		require.InDelta(t, onset, now[0].Since, 260, "an eighth of its age")
		if now[0].Interval.Contains(size) {
			covered++
		}
		state := h.Probes()[30]
		require.True(t, state.Found)
		require.Greater(t, state.EWMAUM, state.LimitUM)
	}
	t.Logf("mean delay %.0f panels, %d of %d intervals hold the size", delays/seeds, covered, seeds)
	require.Less(t, delays/seeds, 90.0)
	require.GreaterOrEqual(t, covered, 16, "95 %% of 20, less three standard errors")
}

func TestProbeHealthFindsSlowAndCorrelated(t *testing.T) {
	// A drift of a quarter of a standard deviation per 100 panels, and a step of 2 among panels that resemble their
	// neighbours.
	for name, c := range map[string]struct {
		phi  float64
		bias func(since int64) float64
		most int64
	}{
		"drift":                  {0, func(since int64) float64 { return 0.01 * float64(since) }, 1000},
		"correlated":             {0.4, func(int64) float64 { return 8 }, 250},
		"downwards":              {0, func(int64) float64 { return -8 }, 120},
		"one standard deviation": {0, func(int64) float64 { return 4 }, 600},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(5) {
				p := newPlant(200+seed, 11, 48, c.phi)
				p.bias = func(panel int64, probe, _ int) float64 {
					if probe == 17 && panel >= 2000 {
						return c.bias(panel - 2000)
					}
					return 0
				}
				h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 48, Moulds: 11})
				require.NoError(t, err)
				delay := int64(-1)
				for delay < 0 && h.Panels < 4000 {
					s, err := h.Step(p.next())
					require.NoError(t, err)
					for _, f := range s.Findings {
						require.Equal(t, 17, f.Probe)
						require.Equal(t, c.bias(100) > 0, f.SizeUM > 0)
						require.LessOrEqual(t, f.Earliest, s.Panel)
						delay = s.Panel - 2000
					}
				}
				t.Logf("seed %d: found after %d panels", seed, delay)
				require.GreaterOrEqual(t, delay, int64(0))
				require.LessOrEqual(t, delay, c.most)
			}
		})
	}
}

func TestOneMouldIsNotTheGauge(t *testing.T) {
	// A large step of one mould at one place is glass: never a finding about a probe.
	p := newPlant(7, 11, 48, 0)
	p.bias = func(panel int64, probe, mould int) float64 {
		if mould == 4 && probe == 12 && panel >= 2000 {
			return 60
		}
		return 0
	}
	h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 48, Moulds: 11})
	require.NoError(t, err)
	for range 6000 {
		s, err := h.Step(p.next())
		require.NoError(t, err)
		require.Empty(t, s.Findings)
	}
	require.Equal(t, 1, h.Probes()[12].Up)
}

func TestProbeHealthStateIsKeptAndMissingReadingsAreSkipped(t *testing.T) {
	o := gaugestudy.ProbeOptions{Probes: 12, Moulds: 5, Baseline: 20}
	a, err := gaugestudy.NewProbeHealth(o)
	require.NoError(t, err)
	b, err := gaugestudy.NewProbeHealth(o)
	require.NoError(t, err)
	p := newPlant(3, 5, 12, 0)
	p.bias = func(panel int64, probe, _ int) float64 {
		if probe == 2 && panel > 500 {
			return 15
		}
		return 0
	}
	for i := range 1500 {
		m, r := p.next()
		if i%7 == 0 {
			r[5] = math.NaN()
		}
		sa, err := a.Step(m, r)
		require.NoError(t, err)
		sb, err := b.Step(m, r)
		require.NoError(t, err)
		require.Equal(t, sa, sb)
		if i%400 == 399 { // kept and taken up again
			raw, err := json.Marshal(b)
			require.NoError(t, err)
			b = new(gaugestudy.ProbeHealth)
			require.NoError(t, json.Unmarshal(raw, b))
		}
	}
	require.Equal(t, a.Findings(), b.Findings())
	require.Len(t, a.Findings(), 1)
	states := a.Probes()
	require.Less(t, states[5].N, states[4].N)
	require.False(t, states[5].Found)

	require.NoError(t, a.Relearn(0))
	s, err := a.Step(0, make([]float64, 12))
	require.NoError(t, err)
	require.False(t, s.Watched)
	require.Len(t, a.Findings(), 1, "four moulds still say so")
}

func TestProbeHealthRefusals(t *testing.T) {
	for _, o := range []gaugestudy.ProbeOptions{
		{Probes: 1, Moulds: 3}, {Probes: 48}, {Probes: 48, Moulds: 3, Lambda: 1.1}, {Probes: 48, Moulds: 3, MouldLambda: -0.1},
		{Probes: 48, Moulds: 3, Together: 1}, {Probes: 48, Moulds: 3, RunLength: 10}, {Probes: 48, Moulds: 3, Baseline: 2}, {Probes: 48, Moulds: 3, Confidence: 1},
	} {
		_, err := gaugestudy.NewProbeHealth(o)
		requireReason(t, err, refusal.OutOfRange)
	}
	h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 3, Moulds: 2})
	require.NoError(t, err)
	_, err = h.Step(0, []float64{1, 2})
	requireReason(t, err, refusal.Mismatch)
	_, err = h.Step(2, []float64{1, 2, 3})
	requireReason(t, err, refusal.OutOfRange)
	_, err = h.Step(1, []float64{1, math.Inf(1), 3})
	requireReason(t, err, refusal.NonFinite)
	require.Zero(t, h.Panels, "a refused panel changes nothing")
	requireReason(t, h.Relearn(-1), refusal.OutOfRange)
}

func BenchmarkProbeHealth(b *testing.B) {
	p := newPlant(1, 11, 48, 0)
	h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 48, Moulds: 11})
	require.NoError(b, err)
	maps := make([][]float64, 1100)
	for i := range maps {
		_, r := p.next()
		maps[i] = append([]float64(nil), r...)
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		k := i % len(maps)
		if _, err := h.Step(k%11, maps[k]); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "panels/s")
}
