package gaugestudy_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

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
	// 10 presses, 20 000 panels each, at a run length of 2 000 panels at least: no more false signals than that allows.
	// Signals of one press come in clusters, so that the mean number of beginnings stays well below; the share of panels
	// beyond the limit is the sharper figure: at most 1/2000, and not a tenth of it.
	const presses, panels, runLength = 10, 20_000, 2_000
	for _, phi := range []float64{0, 0.4} {
		beyond, findings, watched := 0.0, 0.0, 0.0
		for seed := range uint64(presses) {
			p := newPlant(seed, 11, 24, phi)
			h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 24, Moulds: 11, RunLength: runLength})
			require.NoError(t, err)
			for range panels {
				s, err := h.Step(p.next())
				require.NoError(t, err)
				if s.Watched {
					watched++
				}
				if s.Beyond {
					beyond++
				}
				findings += float64(len(s.Findings))
			}
		}
		share := beyond / watched * runLength
		t.Logf("phi %.1f: %.2f of the allowed share of panels beyond, %.2f of the allowed findings", phi, share, findings/watched*runLength)
		require.Less(t, share, 1.5)
		require.Greater(t, share, 0.1)
		require.Less(t, findings/watched*runLength, 1.0)
	}
}

func TestProbeHealthFindsThePlantedProbe(t *testing.T) {
	// A probe that steps by 2 standard deviations at panel 3000 is found, with its size, beginning and moulds.
	const seeds, onset, size = 20, 3000, 8.0
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
		for range 5000 {
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
