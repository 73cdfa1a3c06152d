package judge_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/surface"
)

// sound demands that a result holds no NaN or Inf but the places left out, and that its verdict has its reasons.
func sound(t *testing.T, res *spc.Result) {
	t.Helper()
	for c := spc.Computed(0); c < spc.NumComputed; c++ {
		if v, ok := res.Values.Get(c); ok && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Fatalf("%s is %g", c, v)
		}
	}
	for _, it := range res.Items {
		for _, v := range []*float64{it.Value, it.U} {
			if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
				t.Fatalf("item %s holds %g", it.Name, *v)
			}
		}
		require.Equal(t, it.Verdict == spc.NotJudged, it.Why != "", "%+v", it)
	}
	left := map[int]bool{}
	for _, i := range res.FaultyProbes {
		left[i-1] = true
	}
	_, has := res.Values.Get(spc.MaxDeviationUM)
	for i, d := range res.DeviationsUM {
		require.False(t, math.IsInf(d, 0))
		require.Equal(t, left[i] || !has, math.IsNaN(d))
	}
	for _, i := range res.SuspectPlaces {
		require.False(t, left[i-1])
		require.NotEqual(t, spc.Conforms, res.Verdict)
	}
	require.Equal(t, res.Verdict == spc.Conforms, len(res.Reasons) == 0, "%s: %v", res.Verdict, res.Reasons)
	for _, r := range res.Reasons {
		require.NotContains(t, r, "NaN")
		require.NotContains(t, r, "Inf")
	}
}

func FuzzJudge(f *testing.F) {
	var plans []*judge.Plan
	var good [][]float64
	for _, c := range []string{"sphere", "biradial", "polynomial"} {
		s := newSurface(f, contours[c], spc.Concave)
		for _, kind := range []spc.GaugeKind{spc.Radial, spc.Axial, spc.Deviation, spc.LocalRadius} {
			prod := product(contours[c])
			prod.MinimumGoodPoints = 12
			prod.Limits["twist_um"] = spc.Interval{Upper: ptr(30)}
			prod.Limits["radius_x_mm"] = spc.Interval{Upper: ptr(3000)}
			plans = append(plans, plan(f, gauge(kind), prod))
			r := make([]float64, 48)
			if kind == spc.LocalRadius {
				for i := range r {
					r[i] = 1107
				}
			} else {
				r = measure(f, gauge(kind), s, s, surface.Seat{}, nil)
			}
			good = append(good, r)
		}
	}
	f.Add(uint8(0), uint64(1), []byte{0, 0, 0, 0, 0, 0, 0, 0, 1})
	f.Add(uint8(5), uint64(2), binary.LittleEndian.AppendUint64(nil, math.Float64bits(math.NaN())))
	f.Add(uint8(9), uint64(3), binary.LittleEndian.AppendUint64(nil, math.Float64bits(1e300)))
	f.Add(uint8(2), uint64(4), binary.LittleEndian.AppendUint64(nil, math.Float64bits(5e-324)))
	w := judge.NewWork()
	f.Fuzz(func(t *testing.T, which uint8, seed uint64, raw []byte) {
		k := int(which) % len(plans)
		rnd := rand.New(rand.NewPCG(seed, 0))
		readings := append([]float64(nil), good[k]...)
		scale := math.Pow(10, 8*rnd.Float64()-5)
		for i := range readings {
			readings[i] += scale * rnd.NormFloat64()
		}
		// Eight bytes a value, put at places by chance; a rest of one byte leaves that many places out.
		for ; len(raw) >= 8; raw = raw[8:] {
			readings[rnd.IntN(48)] = math.Float64frombits(binary.LittleEndian.Uint64(raw))
		}
		for _, b := range raw {
			for range b % 40 {
				readings[rnd.IntN(48)] = math.NaN()
			}
		}
		var res spc.Result
		plans[k].Judge(w, readings, noon, &res)
		sound(t, &res)
		m := spc.Master{Panel: "M", RadiusMM: ptr(1107.5), AllowedUM: 5}
		plans[k].Master(w, &m, readings, noon, &res)
		for c := spc.Computed(0); c < spc.NumComputed; c++ {
			if v, ok := res.Values.Get(c); ok {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
			}
		}
	})
}
