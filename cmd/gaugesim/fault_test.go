package main

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
)

// pair is one panel measured twice: by the plant with the fault, and by the same plant without. All chance is the same,
// so what differs is the fault.
type pair struct {
	m           *measurement
	with, sound spc.Result
	line        *line
}

// change of one computed value.
func (p *pair) change(t *testing.T, c spc.Computed) float64 {
	t.Helper()
	a, ok := p.with.Values.Get(c)
	require.True(t, ok, "%s %s: %s", p.m.Panel, c, p.with.Refusal)
	b, ok := p.sound.Values.Get(c)
	require.True(t, ok)
	return a - b
}

func (p *pair) at() time.Time {
	if p.m.PressedAt != nil {
		return *p.m.PressedAt
	}
	return p.m.MeasuredAt.Add(-p.line.lehr)
}

// compare measures four hours of one press with a fault in the second half, and the same without.
func compare(t *testing.T, name string, i int) (fault, []pair) {
	t.Helper()
	to := noon.Add(4 * time.Hour)
	with, sound := plantAt(t, noon, to, name), plantAt(t, noon, to, "none")
	f := with.schedule.forced[i]
	with.only, sound.only = f.line.press, f.line.press
	all := judges(t)
	clean := map[string]*measurement{}
	list := sound.between(noon, to)
	for i := range list {
		clean[list[i].Gauge+list[i].Panel+list[i].Purpose] = &list[i]
	}
	var out []pair
	list = with.between(noon, to)
	for i := range list {
		m := &list[i]
		j := all[m.Gauge]
		other := clean[m.Gauge+m.Panel+m.Purpose]
		if j == nil || other == nil {
			continue
		}
		out = append(out, pair{m, j.judge(m), j.judge(other), f.line})
	}
	require.Greater(t, len(out), 1300)
	return f, out
}

// production keeps the panels of the line during the fault (or before it).
func during(f *fault, list []pair, before bool) (out []pair) {
	for _, p := range list {
		at := p.m.MeasuredAt
		if f.glass {
			at = p.at()
		}
		if single := f.line.panel(f.panel); f.change == "single" && !before {
			if p.m.Purpose == "" && p.m.Panel == single.serial() {
				out = append(out, p)
			}
			continue
		}
		if p.m.Purpose == "" && (before && at.Before(f.from.Add(-time.Minute)) || !before && f.share(at) > 0) {
			out = append(out, p)
		}
	}
	return out
}

func mean(list []float64) float64 {
	sum := 0.0
	for _, v := range list {
		sum += v
	}
	return sum / float64(len(list))
}

func sd(list []float64) float64 {
	m, sum := mean(list), 0.0
	for _, v := range list {
		sum += (v - m) * (v - m)
	}
	return math.Sqrt(sum / float64(len(list)-1))
}

// Rounding of the readings, 1 um, and the slope under the probes leave this much where nothing changed.
const (
	aboutUM = 1.5
	aboutMM = 0.03
)

// looks says for each fault of the trade how it shows on the 48 places (common practice, no source).
var looks = map[string]func(t *testing.T, f *fault, list []pair){
	"press-drift": func(t *testing.T, f *fault, list []pair) {
		byMould := map[string][]float64{}
		for _, p := range list {
			d := p.change(t, spc.RadiusMM)
			require.InDelta(t, f.share(p.at())*f.size, d, 0.05*math.Abs(f.size)+aboutMM, "the radius of every stream drifts the same way")
			byMould[p.m.Mould] = append(byMould[p.m.Mould], d)
		}
		require.Len(t, byMould, 11)
		first, last := list[0], list[len(list)*3/4]
		require.Greater(t, math.Abs(last.change(t, spc.RadiusMM))-math.Abs(first.change(t, spc.RadiusMM)), 0.7*math.Abs(f.size))
	},
	"mould-step":  oneMould(spc.RadiusMM, aboutMM),
	"mould-drift": oneMould(spc.RadiusMM, aboutMM),
	"mould-twist": oneMould(spc.TwistUM, aboutUM),
	"plunger-off-centre": func(t *testing.T, f *fault, list []pair) {
		var coma []float64
		for _, p := range list {
			coma = append(coma, math.Hypot(p.change(t, spc.Cubic3UM), p.change(t, spc.Cubic4UM)))
			require.InDelta(t, 0.6, math.Abs(p.change(t, spc.RadiusMM)), 0.1, "all streams step")
		}
		// The slope at the edges (a deviation lies along the normal, the coma along z) takes something away.
		require.InDelta(t, math.Abs(f.size), mean(coma), 0.25*math.Abs(f.size))
		require.Less(t, sd(coma), aboutUM, "the same coma in every mould")
	},
	"gob-weight": func(t *testing.T, f *fault, list []pair) {
		var with, sound []float64
		for _, p := range list {
			a, _ := p.with.Values.Get(spc.ContourRMSUM)
			b, _ := p.sound.Values.Get(spc.ContourRMSUM)
			with, sound = append(with, a), append(sound, b)
		}
		require.Greater(t, mean(with), 1.15*mean(sound), "form error goes up")
		require.Greater(t, sd(with), 1.3*sd(sound), "and scatters")
	},
	"lehr-hot": func(t *testing.T, f *fault, list []pair) {
		for _, p := range list {
			twofold, radius := p.change(t, spc.TwofoldUM), p.change(t, spc.RadiusMM)
			if p.m.Lane == f.line.lanes[f.lane] {
				require.InDelta(t, f.size, twofold, 2*aboutUM)
				require.Greater(t, math.Abs(radius), 0.15)
			} else {
				require.InDelta(t, 0, twofold, aboutUM)
				require.InDelta(t, 0, radius, aboutMM)
			}
		}
	},
	"probe-stuck": func(t *testing.T, f *fault, list []pair) {
		var at []float64
		for _, p := range list {
			at = append(at, p.with.DeviationsUM[f.place])
			require.Greater(t, p.with.DeviationsUM[f.place]*math.Copysign(1, f.size), 0.3*math.Abs(f.size), "the same probe, the same side, on every panel")
		}
		require.InDelta(t, f.size, mean(at), 0.4*math.Abs(f.size))
		oneProbe(t, f, list)
		same := list[0].m.Readings[f.place]
		for _, p := range list {
			require.InDelta(t, same, p.m.Readings[f.place], 0, "it does not move")
		}
	},
	"probe-loose": func(t *testing.T, f *fault, list []pair) {
		var at []float64
		gaps := 0
		for _, p := range list {
			if d := p.with.DeviationsUM[f.place]; math.IsNaN(d) {
				gaps++
			} else {
				at = append(at, d-p.sound.DeviationsUM[f.place])
			}
		}
		require.Greater(t, sd(at), 0.6*f.size)
		require.Positive(t, gaps)
		oneProbe(t, f, list)
	},
	"probe-drift": func(t *testing.T, f *fault, list []pair) {
		for _, p := range list {
			d := p.with.DeviationsUM[f.place] - p.sound.DeviationsUM[f.place]
			require.InDelta(t, f.share(p.m.MeasuredAt)*f.size, d, 0.25*math.Abs(f.size)+aboutUM, "in every mould")
		}
		oneProbe(t, f, list)
	},
	"gauge-warm-up": func(t *testing.T, f *fault, list []pair) {
		for _, p := range list {
			require.InDelta(t, f.share(p.m.MeasuredAt)*f.size, p.change(t, spc.BowUM), 0.03*math.Abs(f.size)+aboutUM, "all panels shift together")
		}
	},
	"bad-seating": func(t *testing.T, f *fault, list []pair) {
		require.Equal(t, 1, len(list))
		p := list[0]
		offset := math.Hypot(p.change(t, spc.SeatXMM), p.change(t, spc.SeatYMM))
		require.InDelta(t, math.Abs(f.size)*1e-3*f.line.radius, offset, 0.4, "the centre lies off")
		require.InDelta(t, 0, p.change(t, spc.ContourRMSUM), aboutUM, "the residuals stay small")
	},
	"blister": func(t *testing.T, f *fault, list []pair) {
		require.Equal(t, 1, len(list))
		p := list[0]
		require.InDelta(t, f.size, p.with.DeviationsUM[f.place]-p.sound.DeviationsUM[f.place], 0.3*math.Abs(f.size))
		require.Equal(t, []int{f.place + 1}, p.with.SuspectPlaces)
		require.NotEqual(t, spc.Conforms, p.with.Verdict)
	},
}

// oneMould: one stream changes, the others hold.
func oneMould(c spc.Computed, about float64) func(t *testing.T, f *fault, list []pair) {
	return func(t *testing.T, f *fault, list []pair) {
		n := 0
		for _, p := range list {
			d := p.change(t, c)
			if p.m.Mould != f.line.moulds[f.mould] {
				require.InDelta(t, 0, d, about, "the rest hold")
				continue
			}
			n++
			require.InDelta(t, f.share(p.at())*f.size, d, 0.05*math.Abs(f.size)+about)
		}
		require.Greater(t, n, 20)
	}
}

// oneProbe: no other probe shows more than the fit spreads of it.
func oneProbe(t *testing.T, f *fault, list []pair) {
	t.Helper()
	moulds := map[string]bool{}
	for _, p := range list {
		moulds[p.m.Mould] = true
		at := math.Abs(p.with.DeviationsUM[f.place] - p.sound.DeviationsUM[f.place])
		if math.IsNaN(at) {
			continue
		}
		for i := range p.with.DeviationsUM {
			if i != f.place {
				require.LessOrEqual(t, math.Abs(p.with.DeviationsUM[i]-p.sound.DeviationsUM[i]), 0.2*at+aboutUM)
			}
		}
	}
	require.Len(t, moulds, 11)
}

func TestFaultsShowAsTheTradeKnowsThem(t *testing.T) {
	t.Parallel()
	require.Len(t, looks, len(kinds), "each kind has its look")
	for _, k := range kinds {
		for i := range routes {
			t.Run(k.name+" on press "+routes[i].press, func(t *testing.T) {
				t.Parallel()
				f, list := compare(t, k.name, i)
				require.Equal(t, routes[i].press, f.line.press)
				require.GreaterOrEqual(t, math.Abs(f.size), k.lo)
				require.LessOrEqual(t, math.Abs(f.size), k.hi)
				before := during(&f, list, true)
				require.Greater(t, len(before), 500)
				for _, p := range before {
					require.Equal(t, p.sound.Values, p.with.Values, "nothing shows before it begins")
				}
				now := during(&f, list, false)
				require.Positive(t, len(now))
				looks[k.name](t, &f, now)
			})
		}
	}
}

// What lies in the gauge shows on the master too; what lies in the glass does not.
func TestMasterTellsGaugeFromGlass(t *testing.T) {
	t.Parallel()
	for name, shows := range map[string]bool{"gauge-warm-up": true, "press-drift": false} {
		to := noon.Add(4 * time.Hour)
		s := plantAt(t, noon, to, name)
		j := judges(t)["CG-1"]
		beyond := 0
		for _, m := range s.between(noon, to) {
			if m.Purpose == "master" && m.Gauge == "CG-1" {
				if res := j.judge(&m); res.Verdict == spc.DoesNotConform {
					beyond++
				}
			}
		}
		require.Equal(t, shows, beyond > 0, name)
	}
}

// A badly seated panel is measured again and then sits well.
func TestBadSeatingIsMeasuredAgain(t *testing.T) {
	t.Parallel()
	to := noon.Add(4 * time.Hour)
	s := plantAt(t, noon, to, "bad-seating")
	f := s.schedule.forced[0]
	p := f.line.panel(f.panel)
	var seats []float64
	for _, m := range s.between(noon, to) {
		if m.Panel == p.serial() && m.Gauge == "CG-1" {
			res := judges(t)["CG-1"].judge(&m)
			x, _ := res.Values.Get(spc.SeatXMM)
			y, _ := res.Values.Get(spc.SeatYMM)
			seats = append(seats, math.Hypot(x, y))
			require.Equal(t, map[bool]string{true: "", false: "recheck"}[len(seats) == 1], m.Purpose)
		}
	}
	require.Len(t, seats, 2)
	require.Greater(t, seats[0], 3*seats[1])
}

// Irregular edges go with a wrong gob.
func TestGobWeightScattersTheEdges(t *testing.T) {
	t.Parallel()
	spread := func(fault string) float64 {
		to := noon.Add(4 * time.Hour)
		s := plantAt(t, noon, to, fault)
		s.only = "A"
		var widths []float64
		for _, m := range s.between(noon.Add(2*time.Hour+5*time.Minute), noon.Add(3*time.Hour+30*time.Minute)) {
			if m.Gauge == periphery {
				widths = append(widths, m.Characteristics["width"])
			}
		}
		require.Greater(t, len(widths), 10)
		return sd(widths)
	}
	require.Greater(t, spread("gob-weight"), 1.4*spread("none"))
}
