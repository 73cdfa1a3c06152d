package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server"
	"sagwatch/server/setup"
	"sagwatch/spc"
	"sagwatch/spc/judge"
)

// definitions reads the embedded set-up file as the service does.
func definitions(t testing.TB) *setup.Plant {
	t.Helper()
	p, err := setup.Read(plantFile)
	require.NoError(t, err)
	return p
}

// judged holds the service's own computing for each line: what the readings are checked with.
type judged struct {
	plan *judge.Plan
	def  spc.Gauge
	work *judge.Work
}

func judges(t testing.TB) map[string]*judged {
	t.Helper()
	p := definitions(t)
	out := map[string]*judged{}
	for _, r := range routes {
		var gauge spc.Gauge
		var product spc.Product
		for _, g := range p.Gauges {
			if g.ID == r.gauge {
				gauge = g
			}
		}
		for _, v := range p.Products {
			if v.ID == r.product {
				product = v
			}
		}
		plan, err := judge.Compile(gauge, product)
		require.NoError(t, err)
		out[r.gauge] = &judged{plan, gauge, judge.NewWork()}
	}
	return out
}

func (j *judged) judge(m *measurement) spc.Result {
	var res spc.Result
	if m.Purpose == "master" {
		master, ok := j.def.Master(m.Panel)
		if !ok {
			panic("no such master " + m.Panel)
		}
		j.plan.Master(j.work, &master, m.Readings, m.MeasuredAt, &res)
		return res
	}
	j.plan.Judge(j.work, m.Readings, m.MeasuredAt, &res)
	return res
}

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// plantAt is the plant measuring from from, with faults forced in the second half of the time.
func plantAt(t testing.TB, from, to time.Time, faults ...string) *sim {
	t.Helper()
	s, err := newSim(7, from)
	require.NoError(t, err)
	require.NoError(t, s.force(faults, from, to))
	return s
}

func TestSetUpFileIsTaken(t *testing.T) {
	t.Parallel()
	p := definitions(t)
	require.Empty(t, p.Notes)
	require.NoError(t, server.CheckPairs(p.Gauges, p.Products))
	require.Equal(t, "TW", p.SiteID)
	require.Len(t, p.Presses, 2)
	for _, press := range p.Presses {
		require.Len(t, press.Moulds, 11)
		require.Len(t, press.Fitted, 11)
		require.Equal(t, 90*time.Minute, press.Lehr())
	}
	for _, g := range p.Gauges {
		if g.Kind != spc.Dimensions {
			require.Len(t, g.Places, 48, g.ID)
		}
	}
}

// A panel that is its contour reads as its contour, however it sits: the gauge's geometry is the contract's.
func TestPerfectPanelHasNoDeviation(t *testing.T) {
	t.Parallel()
	s := plantAt(t, noon, noon.Add(time.Hour), "none")
	all := judges(t)
	for _, l := range s.lines {
		l.gauge.noise = 0
		l.gauge.steps = 1e9
		f := form{places: make([]float64, len(l.gauge.probes))}
		for i := range uint64(20) {
			m := measurement{Gauge: l.gauge.id, Readings: l.gauge.read(&f, seat(s.chance, i), s.condition(l, noon, nil), s.chance.rng("t", i))}
			res := all[l.gauge.id].judge(&m)
			worst, ok := res.Values.Get(spc.MaxDeviationUM)
			require.True(t, ok, res.Refusal)
			// Shifts in x and y are not among the free seating: on the polynomial they leave a little.
			require.Less(t, worst, 0.15, l.gauge.id)
		}
		// A wider radius reads as one.
		f.radius = 1
		m := measurement{Gauge: l.gauge.id, Readings: l.gauge.read(&f, seat(s.chance), s.condition(l, noon, nil), s.chance.rng("t"))}
		res := all[l.gauge.id].judge(&m)
		r, ok := res.Values.Get(spc.RadiusMM)
		require.True(t, ok)
		if l.product == "P25" {
			require.InDelta(t, 1108.5, r, 1e-4)
		} else {
			require.InDelta(t, 942, r, 2)
		}
	}
}

func TestSoundPlantMostlyConforms(t *testing.T) {
	t.Parallel()
	s := plantAt(t, noon, noon.Add(4*time.Hour), "none")
	all := judges(t)
	verdicts := map[string]map[spc.Verdict]int{}
	level := map[string]*[2]float64{}
	for _, m := range s.between(noon, noon.Add(4*time.Hour)) {
		j := all[m.Gauge]
		if j == nil {
			require.Equal(t, periphery, m.Gauge)
			continue
		}
		res := j.judge(&m)
		require.Empty(t, res.Refusal)
		if verdicts[m.Gauge+m.Purpose] == nil {
			verdicts[m.Gauge+m.Purpose] = map[spc.Verdict]int{}
			level[m.Gauge+m.Purpose] = &[2]float64{}
		}
		verdicts[m.Gauge+m.Purpose][res.Verdict]++
		r, _ := res.Values.Get(spc.RadiusMM)
		level[m.Gauge+m.Purpose][0] += r
		level[m.Gauge+m.Purpose][1]++
	}
	for _, g := range []string{"CG-1", "CG-2"} {
		require.Greater(t, verdicts[g][spc.Conforms], 1350, "%v", verdicts)
		require.Less(t, verdicts[g][spc.Undecided]+verdicts[g][spc.DoesNotConform], 3, "%v", verdicts)
		require.Equal(t, 1, verdicts[g+"master"][spc.Conforms], "%v", verdicts)
	}
	// The limits of the second product stand about its own level.
	mean := level["CG-2"][0] / level["CG-2"][1]
	require.InDelta(t, 940.5, mean, 1)
}
