package changepoint_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// planted makes the evidence of a cause in 11 moulds, 48 places and a master, sizes in standard errors of one shift.
func planted(src *rand.Rand, cause changepoint.Cause, size float64) changepoint.Evidence {
	var e changepoint.Evidence
	for i := range 11 {
		name := fmt.Sprint(i + 1)
		s := changepoint.StreamShift{Stream: name, Value: src.NormFloat64(), SE: 1}
		m := changepoint.ResidualMap{Stream: name, SE: 1}
		for range 48 {
			m.Values = append(m.Values, src.NormFloat64())
		}
		hit := cause.Kind == changepoint.AllStreams || cause.Kind == changepoint.WholeGauge
		for _, v := range cause.Streams {
			hit = hit || v == name
		}
		if hit {
			s.Value += size
		}
		if cause.Kind == changepoint.OneProbe {
			m.Values[cause.Probe-1] += size
		}
		e.Shifts = append(e.Shifts, s)
		e.Maps = append(e.Maps, m)
	}
	e.Master = &changepoint.MasterChange{Value: 0.5 * src.NormFloat64(), SE: 0.5}
	if cause.Kind == changepoint.WholeGauge {
		e.Master.Value += size
	}
	return e
}

func TestAttributePlanted(t *testing.T) {
	const runs = 60
	for _, c := range []struct {
		cause changepoint.Cause
		size  float64
	}{
		{changepoint.Cause{Kind: changepoint.OneStream, Streams: []string{"7"}}, 6},
		{changepoint.Cause{Kind: changepoint.SomeStreams, Streams: []string{"2", "3", "9"}}, 6},
		{changepoint.Cause{Kind: changepoint.AllStreams}, 5},
		{changepoint.Cause{Kind: changepoint.WholeGauge}, 5},
		{changepoint.Cause{Kind: changepoint.OneProbe, Probe: 31}, 5},
	} {
		src := rand.New(rand.NewPCG(4, 11))
		right := 0
		for range runs {
			a, err := changepoint.Attribute(planted(src, c.cause, c.size))
			require.NoError(t, err)
			if a.Hypotheses[0].Cause.String() == c.cause.String() {
				right++
			}
			sum := 0.0
			for _, h := range a.Hypotheses {
				sum += h.Weight
			}
			require.InDelta(t, 1, sum, 1e-12)
		}
		t.Logf("%s: %d of %d", c.cause, right, runs)
		require.GreaterOrEqual(t, right, runs*95/100, c.cause.String())
	}
}

// With equal standard errors the stream named is the one with the greatest shift: the rate at which that is the right one
// is integral phi(x - size) (2 Phi(x) - 1)^(m-1), doubled for the sign.
func TestAttributeNamesTheStreamAtTheRateOfTheory(t *testing.T) {
	const runs, size = 3000, 2.0
	want := 0.0
	for x := 0.0; x < 12; x += 1e-3 {
		want += 1e-3 * (dist.NormalPDF(x-size) + dist.NormalPDF(x+size)) * math.Pow(2*dist.NormalCDF(x)-1, 4)
	}
	src := rand.New(rand.NewPCG(31, 5))
	right := 0.0
	prior := map[changepoint.CauseKind]float64{changepoint.OneStream: 1}
	for range runs {
		e := changepoint.Evidence{Prior: prior}
		for i := range 5 {
			s := changepoint.StreamShift{Stream: fmt.Sprint(i), Value: src.NormFloat64(), SE: 1}
			if i == 3 {
				s.Value += size
			}
			e.Shifts = append(e.Shifts, s)
		}
		a, err := changepoint.Attribute(e)
		require.NoError(t, err)
		require.Len(t, a.Hypotheses, 1)
		if a.Hypotheses[0].Cause.Streams[0] == "3" {
			right++
		}
	}
	require.InDelta(t, want, right/runs, 4*math.Sqrt(want*(1-want)/runs))
}

// With what the hypotheses take for granted the weights are frequencies: of the cases to which they give nine tenths,
// nine tenths are right.
func TestAttributeWeightsAreHonest(t *testing.T) {
	src := rand.New(rand.NewPCG(12, 1))
	const runs, scale = 3000, 3.0
	kinds := []changepoint.CauseKind{changepoint.NoCause, changepoint.OneStream, changepoint.AllStreams, changepoint.WholeGauge}
	prior := map[changepoint.CauseKind]float64{}
	for _, k := range kinds {
		prior[k] = 1
	}
	var claimed, right float64
	for range runs {
		kind := kinds[src.IntN(len(kinds))]
		size := scale * src.NormFloat64()
		one := src.IntN(6)
		own := src.IntN(2) == 1
		e := changepoint.Evidence{Scale: scale, Prior: prior, Master: &changepoint.MasterChange{Value: src.NormFloat64(), SE: 1}}
		for i := range 6 {
			s := changepoint.StreamShift{Stream: fmt.Sprint(i), Value: src.NormFloat64(), SE: 1}
			switch {
			case kind == changepoint.OneStream && i == one, kind == changepoint.WholeGauge, kind == changepoint.AllStreams && !own:
				s.Value += size
			case kind == changepoint.AllStreams:
				s.Value += scale * src.NormFloat64()
			}
			e.Shifts = append(e.Shifts, s)
		}
		if kind == changepoint.WholeGauge {
			e.Master.Value += size
		}
		a, err := changepoint.Attribute(e)
		require.NoError(t, err)
		claimed += a.Hypotheses[0].Weight
		if a.Hypotheses[0].Cause.Kind == kind {
			right++
		}
	}
	t.Logf("claimed %.3f, right %.3f", claimed/runs, right/runs)
	require.InDelta(t, claimed/runs, right/runs, 4*math.Sqrt(0.25/runs))
}

// Without a master, all moulds and the gauge cannot be told apart, and the weights say so; with one they can.
func TestGlassOrGaugeNeedsTheMaster(t *testing.T) {
	e := changepoint.Evidence{Scale: 3, Prior: map[changepoint.CauseKind]float64{changepoint.AllStreams: 1, changepoint.WholeGauge: 1}}
	for i := range 8 {
		e.Shifts = append(e.Shifts, changepoint.StreamShift{Stream: fmt.Sprint(i), Value: 4, SE: 0.5})
	}
	a, err := changepoint.Attribute(e)
	require.NoError(t, err)
	require.InDelta(t, 2.0/3, a.Gauge, 0.01) // half of all-streams goes to sizes of their own, which these equal ones refute
	e.Master = &changepoint.MasterChange{Value: 0, SE: 0.5}
	a, err = changepoint.Attribute(e)
	require.NoError(t, err)
	require.Greater(t, a.Glass, 0.999)
	require.InDelta(t, 0, a.Split.Master, 1e-12)
	e.Master.Value = 4.1
	a, err = changepoint.Attribute(e)
	require.NoError(t, err)
	require.Greater(t, a.Gauge, 0.999)
	require.InDelta(t, 4.1/4, a.Split.Master, 1e-12)
	require.Equal(t, "the gauge", a.Hypotheses[0].Cause.String())
}

// A lane of the lehr carries all moulds; the cells are mould by lane.
func TestAttributeLane(t *testing.T) {
	src := rand.New(rand.NewPCG(6, 6))
	e := changepoint.Evidence{DF: 200}
	for m := range 5 {
		for l := range 4 {
			s := changepoint.StreamShift{Stream: fmt.Sprint(m + 1), Lane: string(rune('A' + l)), Value: src.NormFloat64(), SE: 1}
			if l == 2 {
				s.Value += 5
			}
			e.Shifts = append(e.Shifts, s)
		}
	}
	a, err := changepoint.Attribute(e)
	require.NoError(t, err)
	require.Equal(t, "one lane (C)", a.Hypotheses[0].Cause.String())
	require.Greater(t, a.Hypotheses[0].Weight, 0.95)
	require.InDelta(t, 1, a.Split.Common+a.Split.Lane+a.Split.Stream+a.Split.Rest, 1e-12)
	require.Greater(t, a.Split.Lane, 0.5)
	df := 0
	for _, f := range a.Split.Tests {
		df += f.DF
	}
	require.Equal(t, 20, df)
}

// The F tests hold their level.
func TestSplitLevel(t *testing.T) {
	src := rand.New(rand.NewPCG(2, 9))
	const runs = 1500
	low := map[string]float64{}
	for range runs {
		e := planted(src, changepoint.Cause{Kind: changepoint.NoCause}, 0)
		a, err := changepoint.Attribute(changepoint.Evidence{Shifts: e.Shifts[:5], Maps: e.Maps[:5], Master: e.Master})
		require.NoError(t, err)
		for _, f := range a.Split.Tests {
			if f.P < 0.05 {
				low[f.Term]++
			}
		}
	}
	require.Len(t, low, 5)
	for term, n := range low {
		require.InDelta(t, 0.05, n/runs, 4*math.Sqrt(0.05*0.95/runs), term)
	}
}

func TestAttributeRefuses(t *testing.T) {
	good := changepoint.StreamShift{Stream: "1", Value: 1, SE: 1}
	for name, c := range map[string]struct {
		e      changepoint.Evidence
		reason refusal.Reason
	}{
		"no shifts":        {changepoint.Evidence{}, refusal.TooFew},
		"no error":         {changepoint.Evidence{Shifts: []changepoint.StreamShift{{Stream: "1", Value: 1}}}, refusal.OutOfRange},
		"not finite":       {changepoint.Evidence{Shifts: []changepoint.StreamShift{{Stream: "1", Value: math.Inf(1), SE: 1}}}, refusal.NonFinite},
		"twice":            {changepoint.Evidence{Shifts: []changepoint.StreamShift{good, good}}, refusal.Mismatch},
		"half the lanes":   {changepoint.Evidence{Shifts: []changepoint.StreamShift{good, {Stream: "2", Lane: "A", SE: 1}}}, refusal.Mismatch},
		"map of nobody":    {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, Maps: []changepoint.ResidualMap{{Stream: "2", SE: 1, Values: []float64{1}}}}, refusal.Mismatch},
		"no places":        {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, Maps: []changepoint.ResidualMap{{Stream: "1", SE: 1}}}, refusal.Mismatch},
		"map without SE":   {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, Maps: []changepoint.ResidualMap{{Stream: "1", Values: []float64{1}}}}, refusal.OutOfRange},
		"negative scale":   {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, Scale: -1}, refusal.OutOfRange},
		"negative prior":   {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, Prior: map[changepoint.CauseKind]float64{changepoint.OneStream: -1}}, refusal.OutOfRange},
		"no prior at all":  {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, Prior: map[changepoint.CauseKind]float64{}}, refusal.NoSolution},
		"master without u": {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, Master: &changepoint.MasterChange{Value: 1}}, refusal.OutOfRange},
		"negative df":      {changepoint.Evidence{Shifts: []changepoint.StreamShift{good}, DF: -1}, refusal.OutOfRange},
	} {
		_, err := changepoint.Attribute(c.e)
		var r *refusal.Error
		require.ErrorAs(t, err, &r, name)
		require.Equal(t, c.reason, r.Reason, name)
		require.NotEmpty(t, r.Error(), name)
	}
}

// Any evidence gives weights that add up to 1, whatever the order of the streams, or is refused.
func FuzzAttribute(f *testing.F) {
	f.Add(uint64(1), 3, 4, 1.0, 0.5)
	f.Add(uint64(2), 16, 2, 1e90, 1e-90)
	f.Add(uint64(3), 1, 0, -4.0, 2.0)
	f.Fuzz(func(t *testing.T, seed uint64, streams, places int, size, se float64) {
		if streams < 0 || streams > 16 || places < 0 || places > 8 {
			return
		}
		src := rand.New(rand.NewPCG(seed, 3))
		var e, back changepoint.Evidence
		for i := range streams {
			e.Shifts = append(e.Shifts, changepoint.StreamShift{Stream: fmt.Sprint(i), Value: size * src.NormFloat64(), SE: se * (1 + src.Float64())})
			if places > 0 {
				m := changepoint.ResidualMap{Stream: fmt.Sprint(i), SE: se}
				for range places {
					m.Values = append(m.Values, size*src.NormFloat64())
				}
				e.Maps = append(e.Maps, m)
			}
		}
		for i := range e.Shifts {
			back.Shifts = append(back.Shifts, e.Shifts[len(e.Shifts)-1-i])
		}
		back.Maps = e.Maps
		a, err := changepoint.Attribute(e)
		if err != nil {
			return
		}
		sum := 0.0
		for _, h := range a.Hypotheses {
			sum += h.Weight
		}
		require.InDelta(t, 1, sum, 1e-9)
		require.False(t, math.IsNaN(a.Split.Common+a.Split.Stream+a.Split.Rest+a.Split.Probe+a.Split.MapCommon))
		b, err := changepoint.Attribute(back)
		require.NoError(t, err)
		require.InDelta(t, a.Gauge, b.Gauge, 1e-6)
	})
}
