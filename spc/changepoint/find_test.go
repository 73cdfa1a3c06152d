package changepoint_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/changepoint"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

type nileFile struct {
	Nile struct {
		Data     []float64 `json:"data"`
		Computed map[string]float64
	} `json:"nile"`
}

// Cobb 1978: the annual flow of the Nile fell after 1898 (values COMPUTED by least squares).
func TestNile(t *testing.T) {
	var f nileFile
	ref.JSON(t, &f, "changepoint", "changepoint.json")
	r, err := changepoint.Find([]changepoint.Stream{{Y: f.Nile.Data}}, changepoint.Options{SigmaUnknown: true})
	require.NoError(t, err)
	c := f.Nile.Computed
	require.Equal(t, int(c["k"]), r.Step.Start)
	require.Equal(t, changepoint.Step, r.Shape)
	ref.Relative(t, c["log_likelihood_gain"], r.Step.LogLik, 1e-10, "gain")
	require.Len(t, r.Step.Sizes, 1)
	s := r.Step.Sizes[0]
	ref.Relative(t, c["mean_before"], s.Before[0], 1e-12, "before")
	ref.Relative(t, c["mean_after"], s.Before[0]+s.Value, 1e-10, "after")
	ref.Relative(t, c["max_t"], math.Abs(s.Value/s.SE), 1e-10, "t")
	require.Less(t, r.Step.P, 0.0026)
	require.Greater(t, r.Step.Weight, 0.6)
	// Cobb's conditional distribution puts nearly all of its weight on 1896 to 1899.
	require.GreaterOrEqual(t, r.Step.Set95.First, 24)
	require.LessOrEqual(t, r.Step.Set95.Last, 32)
}

// coverage is the share of simulated series of which the sets hold the true start.
func coverage(t *testing.T, runs, before, after int, delta float64, known bool, shape changepoint.Shape, seed uint64) (c95, c99, width float64) {
	t.Helper()
	src := rand.New(rand.NewPCG(seed, 9))
	zero := 0.0
	for k := range runs {
		y := make([]float64, before+after)
		for i := range y {
			y[i] = src.NormFloat64()
			if i >= before {
				y[i] += delta
				if shape == changepoint.Drift {
					y[i] += delta * float64(i-before)
				}
			}
		}
		s := changepoint.Stream{Y: y}
		if known {
			s.Mean, s.Sigma = &zero, 1
		}
		r, err := changepoint.Find([]changepoint.Stream{s}, changepoint.Options{SigmaUnknown: !known, Seed: uint64(k), Only: shape, Resamples: 199})
		require.NoError(t, err)
		e := r.Chosen()
		if e.Set95.Contains(before) {
			c95++
		}
		if e.Set99.Contains(before) {
			c99++
		}
		width += float64(len(e.Set95.Indices))
	}
	return c95 / float64(runs), c99 / float64(runs), width / float64(runs)
}

// The sets hold their level for small steps too, where the chi-square distribution would not: within 4 standard errors.
func TestCoverage(t *testing.T) {
	const runs = 150
	for _, c := range []struct {
		delta float64
		after int
		known bool
		shape changepoint.Shape
	}{
		{1, 5, true, changepoint.Step}, {1, 20, false, changepoint.Step}, {2, 5, false, changepoint.Step},
		{3, 30, true, changepoint.Step}, {0.2, 12, true, changepoint.Drift},
	} {
		c95, c99, width := coverage(t, runs, 20, c.after, c.delta, c.known, c.shape, 11)
		t.Logf("%+v: %.3f %.3f, %.1f starts", c, c95, c99, width)
		require.InDelta(t, 0.95, c95, 4*math.Sqrt(0.05*0.95/runs), "%+v", c)
		require.InDelta(t, 0.99, c99, 4*math.Sqrt(0.01*0.99/runs), "%+v", c)
	}
}

// The interval of the size covers at about its level.
func TestSizeInterval(t *testing.T) {
	const runs = 150
	src := rand.New(rand.NewPCG(21, 2))
	hit := 0.0
	for range runs {
		y := make([]float64, 40)
		for i := range y {
			y[i] = src.NormFloat64()
			if i >= 25 {
				y[i] += 1.5
			}
		}
		r, err := changepoint.Find([]changepoint.Stream{{Y: y, Sigma: 1}}, changepoint.Options{Only: changepoint.Step, Resamples: 199})
		require.NoError(t, err)
		if s := r.Step.Sizes[0]; s.Lower <= 1.5 && 1.5 <= s.Upper {
			hit++
		}
	}
	t.Logf("%.3f", hit/runs)
	require.InDelta(t, 0.95, hit/runs, 4*math.Sqrt(0.05*0.95/runs))
}

// The estimate misses the true start at the rates of Hinkley's distribution, with 60 points on both sides.
func TestStartErrorOfEstimates(t *testing.T) {
	for _, delta := range []float64{1, 2, 3} {
		const runs, side = 2500, 60
		p, err := changepoint.StartError(delta, 3)
		require.NoError(t, err)
		src := rand.New(rand.NewPCG(13, uint64(delta)))
		zero := 0.0
		c, err := changepoint.NewChart(changepoint.ChartOptions{Known: true, Mean: zero, Sigma: 1, ARL0: 500})
		require.NoError(t, err)
		var count [4]float64
		for range runs {
			var s changepoint.ChartState
			var last changepoint.ChartPoint
			for i := range 2 * side {
				x := src.NormFloat64()
				if i >= side {
					x += delta
				}
				last = c.Step(&s, x)
			}
			if e := 2*side - last.Since - side; e >= -3 && e <= 3 {
				count[max(e, -e)]++
			}
		}
		for e := range count {
			want := p[e]
			if e > 0 {
				want *= 2
			}
			// The size is estimated from 60 points, which the theory takes as known: 1 % for that.
			require.InDelta(t, want, count[e]/runs, 4*math.Sqrt(want*(1-want)/runs)+0.01, "%g sigma, %d off", delta, e)
		}
	}
}

// dense likelihood of a normal series by generalised least squares with the full covariance matrix.
func denseLogLik(y []float64, covariance *mat.SymDense, columns [][]float64) float64 {
	n := len(y)
	var chol mat.Cholesky
	if !chol.Factorize(covariance) {
		panic("not positive definite")
	}
	v := mat.NewVecDense(n, y)
	var vy mat.VecDense
	if err := chol.SolveVecTo(&vy, v); err != nil {
		panic(err)
	}
	ss := mat.Dot(v, &vy)
	if len(columns) > 0 {
		x := mat.NewDense(n, len(columns), nil)
		for j, c := range columns {
			x.SetCol(j, c)
		}
		var vx, xx mat.Dense
		if err := chol.SolveTo(&vx, x); err != nil {
			panic(err)
		}
		xx.Mul(x.T(), &vx)
		var xy, b mat.VecDense
		xy.MulVec(x.T(), &vy)
		if err := b.SolveVec(&xx, &xy); err != nil {
			panic(err)
		}
		ss -= mat.Dot(&xy, &b)
	}
	return -ss / 2
}

// The whitened profile is that of the full covariance matrix of an AR(1) process with gaps and unequal variances.
func TestExactLikelihoodOfAR1(t *testing.T) {
	src := rand.New(rand.NewPCG(2, 5))
	const n, phi, sigma = 24, 0.6, 1.7
	y, sd := make([]float64, n), make([]float64, n)
	var at []int
	for i := range y {
		y[i], sd[i] = 5+2*src.NormFloat64(), 0.5+src.Float64()
		if i == 3 || i == 11 || i == 12 || i == 23 {
			y[i] = math.NaN()
			continue
		}
		at = append(at, i)
	}
	m := len(at)
	seen, ones := make([]float64, m), make([]float64, m)
	cov := mat.NewSymDense(m, nil)
	for i, a := range at {
		seen[i], ones[i] = y[a], 1
		for j, b := range at {
			cov.SetSym(i, j, sigma*sigma*sd[a]*sd[b]*math.Pow(phi, math.Abs(float64(a-b))))
		}
	}
	mean := 4.5
	for _, known := range []bool{false, true} {
		s := changepoint.Stream{Y: y, Sigma: sigma, SD: sd, Phi: phi}
		var base [][]float64
		obs := seen
		if known {
			s.Mean = &mean
			obs = make([]float64, m)
			for i := range obs {
				obs[i] = seen[i] - mean
			}
		} else {
			base = [][]float64{ones}
		}
		r, err := changepoint.Find([]changepoint.Stream{s}, changepoint.Options{Resamples: 199})
		require.NoError(t, err)
		none := denseLogLik(obs, cov, base)
		for start := 1; start < 23; start++ {
			step, drift := make([]float64, m), make([]float64, m)
			for i, a := range at {
				if a >= start {
					step[i], drift[i] = 1, float64(a-start+1)
				}
			}
			require.InDelta(t, denseLogLik(obs, cov, append(base[:len(base):len(base)], step))-none, r.Step.Profile[start], 1e-9, "step at %d", start)
			require.InDelta(t, denseLogLik(obs, cov, append(base[:len(base):len(base)], drift))-none, r.Drift.Profile[start], 1e-9, "drift at %d", start)
		}
		// A start inside a gap splits the observations like the next one, and shares its fate.
		require.Equal(t, r.Step.Set99.Contains(11), r.Step.Set99.Contains(12))
		require.Equal(t, r.Step.Set99.Contains(11), r.Step.Set99.Contains(13))
	}
}

// press makes moulds with their own levels of which some step together.
func press(src *rand.Rand, moulds, n, start int, size float64, hit ...int) []changepoint.Stream {
	var all []changepoint.Stream
	for m := range moulds {
		y := make([]float64, n)
		for t := range y {
			y[t] = 1107 + float64(m)/7 + 0.3*src.NormFloat64()
			for _, h := range hit {
				if h == m && t >= start {
					y[t] += size
				}
			}
		}
		all = append(all, changepoint.Stream{Name: string(rune('a' + m)), Y: y, Sigma: 0.3})
	}
	return all
}

// Streams that share the start add their evidence: the set of three moulds together is narrower than of one, and a common
// size is estimated more closely than own ones.
func TestStreamsShareTheStart(t *testing.T) {
	src := rand.New(rand.NewPCG(40, 1))
	s := press(src, 5, 80, 50, 0.45, 0, 2, 3)
	s[1].Still, s[4].Still = true, true
	o := changepoint.Options{Resamples: 399}
	own, err := changepoint.Find(s, o)
	require.NoError(t, err)
	one, err := changepoint.Find(s[:1], o)
	require.NoError(t, err)
	o.CommonSize = true
	common, err := changepoint.Find(s, o)
	require.NoError(t, err)
	require.Len(t, own.Step.Sizes, 3)
	require.Equal(t, []string{"d"}, own.Step.Sizes[2].Streams)
	require.Len(t, common.Step.Sizes, 1)
	require.Equal(t, []string{"a", "c", "d"}, common.Step.Sizes[0].Streams)
	require.InDelta(t, 50, common.Step.Start, 1)
	require.Less(t, len(common.Step.Set95.Indices), len(one.Step.Set95.Indices))
	require.Less(t, common.Step.Sizes[0].SE, own.Step.Sizes[0].SE)
	require.InDelta(t, own.Step.Sizes[0].SE/math.Sqrt(3), common.Step.Sizes[0].SE, 1e-3)
	require.GreaterOrEqual(t, own.Step.LogLik, common.Step.LogLik)
	// Still streams tell about an unknown scale.
	o.SigmaUnknown = true
	scaled, err := changepoint.Find(s, o)
	require.NoError(t, err)
	require.InDelta(t, 1, scaled.Step.Sigma, 0.1)
	// The order of the streams does not matter to the likelihood.
	s[0], s[3] = s[3], s[0]
	turned, err := changepoint.Find(s, o)
	require.NoError(t, err)
	for i := range scaled.Step.Profile {
		require.InDelta(t, scaled.Step.Profile[i], turned.Step.Profile[i], 1e-9)
	}
}

// Shifting and scaling a series changes nothing but the sizes; turning it back to front mirrors the starts of a step.
func TestInvariance(t *testing.T) {
	src := rand.New(rand.NewPCG(1, 44))
	n := 50
	y, moved, back := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range y {
		y[i] = src.NormFloat64()
		if i >= 30 {
			y[i] += 2
		}
		moved[i], back[n-1-i] = 1000+3*y[i], y[i]
	}
	find := func(y []float64) changepoint.Result {
		r, err := changepoint.Find([]changepoint.Stream{{Y: y}}, changepoint.Options{SigmaUnknown: true, Resamples: 199, Seed: 3})
		require.NoError(t, err)
		return r
	}
	a, b, c := find(y), find(moved), find(back)
	for i := range n {
		require.InDelta(t, a.Step.Profile[i], b.Step.Profile[i], 1e-8)
		require.InDelta(t, a.Drift.Profile[i], b.Drift.Profile[i], 1e-8)
		if i > 0 {
			require.InDelta(t, a.Step.Profile[i], c.Step.Profile[n-i], 1e-8)
		}
	}
	require.InDelta(t, 3*a.Step.Sizes[0].Value, b.Step.Sizes[0].Value, 1e-8)
	require.InDelta(t, 3*a.Step.Sizes[0].Lower, b.Step.Sizes[0].Lower, 1e-7)
	require.InDelta(t, 1000+3*a.Step.Sizes[0].Before[0], b.Step.Sizes[0].Before[0], 1e-8)
	require.Equal(t, a.Step.Set95, b.Step.Set95)
	require.Equal(t, find(y), a)
}

// A drift is told from a step, and the earliest credible start lies before it.
func TestStepOrDrift(t *testing.T) {
	src := rand.New(rand.NewPCG(17, 1))
	right := map[changepoint.Shape]int{}
	const runs = 25
	for range runs {
		for _, shape := range []changepoint.Shape{changepoint.Step, changepoint.Drift} {
			y := make([]float64, 80)
			for i := range y {
				y[i] = src.NormFloat64()
				if i >= 40 && shape == changepoint.Step {
					y[i] += 3
				}
				if i >= 40 && shape == changepoint.Drift {
					y[i] += 0.15 * float64(i-39)
				}
			}
			zero := 0.0
			r, err := changepoint.Find([]changepoint.Stream{{Y: y, Mean: &zero, Sigma: 1}}, changepoint.Options{Resamples: 199})
			require.NoError(t, err)
			require.InDelta(t, 1, r.NoneWeight+r.Step.Weight+r.Drift.Weight, 1e-12)
			if r.Shape == shape {
				right[shape]++
			}
			require.LessOrEqual(t, r.Earliest(0.05), r.Chosen().Start)
			require.LessOrEqual(t, r.Earliest(0), r.Earliest(1))
		}
	}
	require.GreaterOrEqual(t, right[changepoint.Step], runs*9/10)
	require.GreaterOrEqual(t, right[changepoint.Drift], runs*9/10)
}

func TestFindRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	y := []float64{1, 2, 3, 4, 5, 6}
	type s = []changepoint.Stream
	for name, c := range map[string]struct {
		s      s
		o      changepoint.Options
		reason refusal.Reason
	}{
		"no streams":      {nil, changepoint.Options{}, refusal.TooFew},
		"few":             {s{{Y: []float64{1, nan, 2}, Sigma: 1}}, changepoint.Options{}, refusal.TooFew},
		"few for scale":   {s{{Y: []float64{1, 2, nan}}}, changepoint.Options{SigmaUnknown: true}, refusal.TooFew},
		"lengths":         {s{{Y: y, Sigma: 1}, {Y: y[:3], Sigma: 1}}, changepoint.Options{}, refusal.Mismatch},
		"SD lengths":      {s{{Y: y, Sigma: 1, SD: y[:2]}}, changepoint.Options{}, refusal.Mismatch},
		"infinite":        {s{{Y: []float64{1, 2, inf, 3}, Sigma: 1}}, changepoint.Options{}, refusal.NonFinite},
		"mean":            {s{{Y: y, Sigma: 1, Mean: &nan}}, changepoint.Options{}, refusal.NonFinite},
		"no sigma":        {s{{Y: y}}, changepoint.Options{}, refusal.OutOfRange},
		"negative SD":     {s{{Y: y, Sigma: 1, SD: []float64{1, 1, -1, 1, 1, 1}}}, changepoint.Options{}, refusal.OutOfRange},
		"phi":             {s{{Y: y, Sigma: 1, Phi: 1}}, changepoint.Options{}, refusal.OutOfRange},
		"constant":        {s{{Y: []float64{3, 3, 3, 3, 3}}}, changepoint.Options{SigmaUnknown: true}, refusal.ZeroVariance},
		"resamples":       {s{{Y: y, Sigma: 1}}, changepoint.Options{Resamples: 50}, refusal.OutOfRange},
		"shape":           {s{{Y: y, Sigma: 1}}, changepoint.Options{Only: "wave"}, refusal.Mismatch},
		"all still":       {s{{Y: y, Sigma: 1, Still: true}}, changepoint.Options{}, refusal.Mismatch},
		"one observation": {s{{Y: []float64{1, nan, nan}, Sigma: 1}, {Y: []float64{2, nan, nan}, Sigma: 1}, {Y: []float64{2, nan, nan}, Sigma: 1}}, changepoint.Options{}, refusal.NoSolution},
	} {
		_, err := changepoint.Find(c.s, c.o)
		var r *refusal.Error
		require.ErrorAs(t, err, &r, name)
		require.Equal(t, c.reason, r.Reason, "%s: %v", name, err)
		require.NotEmpty(t, r.Error())
	}
	// Few points since the change, and a change that may be chance, are said.
	r, err := changepoint.Find(s{{Y: []float64{1, -1, 0.5, -0.5, 1, 0.2, 0.3}, Sigma: 1}}, changepoint.Options{})
	require.NoError(t, err)
	require.NotEmpty(t, r.Warnings)
	require.Contains(t, r.Warnings[0].String(), "10 would be enough")
}

// Any series is answered with finite numbers or refused.
// Values and standard deviations whose squares no longer are numbers are refused before anything is worked out with them.
func TestFarApart(t *testing.T) {
	wave := func(unit float64) []float64 {
		y := make([]float64, 12)
		for i := range y {
			y[i] = unit * math.Sin(float64(i*i))
		}
		return y
	}
	mean := 1e139
	for name, c := range map[string]struct {
		streams []changepoint.Stream
		unknown bool
		reason  refusal.Reason
	}{
		"large values, small sigma":      {[]changepoint.Stream{{Y: wave(1e139), Sigma: 1}}, false, refusal.Mismatch},
		"one value far out":              {[]changepoint.Stream{{Y: append(wave(1e-300), 1e139), Sigma: 1}}, false, refusal.Mismatch},
		"the known mean far out":         {[]changepoint.Stream{{Y: wave(1), Mean: &mean, Sigma: 1}}, false, refusal.Mismatch},
		"large sigma":                    {[]changepoint.Stream{{Y: wave(1), Sigma: 1}, {Y: wave(1e-300), Sigma: 1e139}}, false, refusal.OutOfRange},
		"small sigma":                    {[]changepoint.Stream{{Y: wave(1e-140), Sigma: 1e-140}}, false, refusal.OutOfRange},
		"small standard deviations":      {[]changepoint.Stream{{Y: wave(1), Sigma: 1e-40, SD: slices.Repeat([]float64{1e-20}, 12)}}, false, refusal.OutOfRange},
		"large values, unknown scale":    {[]changepoint.Stream{{Y: wave(1e139)}}, true, refusal.Mismatch},
		"small values, unknown scale":    {[]changepoint.Stream{{Y: wave(1e-140)}}, true, refusal.Mismatch},
		"streams apart, unknown scale":   {[]changepoint.Stream{{Y: wave(1e139)}, {Y: wave(1e-300)}}, true, refusal.Mismatch},
		"relative sigmas, unknown scale": {[]changepoint.Stream{{Y: wave(1), Sigma: 1e139}, {Y: wave(1), Sigma: 1e-140}}, true, refusal.OutOfRange},
	} {
		t.Run(name, func(t *testing.T) {
			for _, common := range []bool{false, true} {
				_, err := changepoint.Find(c.streams, changepoint.Options{SigmaUnknown: c.unknown, CommonSize: common, Resamples: 199})
				var e *refusal.Error
				require.ErrorAs(t, err, &e)
				require.Equal(t, c.reason, e.Reason)
			}
		})
	}
	// At the bounds all figures are numbers.
	for _, unit := range []float64{2e-50, 1e-20, 1e20, 5e49} {
		r, err := changepoint.Find([]changepoint.Stream{{Y: wave(unit), Sigma: unit, Phi: 0.99}, {Y: wave(1), Sigma: 1}}, changepoint.Options{Resamples: 199})
		require.NoError(t, err)
		for _, e := range []changepoint.Estimate{r.Step, r.Drift} {
			for _, s := range e.Sizes {
				require.Greater(t, s.SE, 0.0)
				require.False(t, math.IsInf(s.SE, 0) || math.IsNaN(s.Value+s.Lower+s.Upper))
			}
		}
	}
}

func FuzzFind(f *testing.F) {
	f.Add(uint64(1), 10, 1.0, 0.0, 0.3, true)
	f.Add(uint64(2), 3, 1e100, 1e140, -0.99, false)
	f.Add(uint64(3), 40, 1e-120, 5.0, 0.999999, true)
	f.Add(uint64(4), 20, 1e139, 1e-300, 0.0, false)
	f.Add(uint64(5), 20, 1e-140, 1e139, 0.5, true)
	f.Add(uint64(6), 20, 1e-49, 1.0, -0.999999, false)
	f.Add(uint64(7), 40, 1e49, 1e99, 0.999999, false)
	f.Add(uint64(8), 30, 1e-49, 1e-51, 0.0, true)
	f.Fuzz(func(t *testing.T, seed uint64, n int, sigma, level, phi float64, unknown bool) {
		if n < 0 || n > 40 {
			return
		}
		src := rand.New(rand.NewPCG(seed, 1))
		s := make([]changepoint.Stream, 1+seed%3)
		for i := range s {
			unit := sigma
			if seed%5 == 0 && i == 2 {
				unit = 1e-300 * level // one stream far from the others
			}
			y := make([]float64, n)
			for k := range y {
				if y[k] = level + unit*src.NormFloat64(); src.IntN(7) == 0 {
					y[k] = math.NaN()
				}
			}
			s[i] = changepoint.Stream{Y: y, Sigma: unit, Phi: phi, Still: i == 1}
		}
		r, err := changepoint.Find(s, changepoint.Options{SigmaUnknown: unknown, CommonSize: seed%2 == 0, Resamples: 199})
		if err != nil {
			return
		}
		for _, e := range []changepoint.Estimate{r.Step, r.Drift} {
			require.False(t, math.IsNaN(e.LogLik+e.P+e.BIC+e.Weight))
			require.True(t, e.Set99.Contains(e.Start))
			require.True(t, e.Set95.Contains(e.Start))
			for _, z := range e.Sizes {
				require.False(t, math.IsNaN(z.Value+z.Lower+z.Upper), "%+v", z)
				require.False(t, math.IsNaN(z.SE) || math.IsInf(z.SE, 0), "%+v", z)
			}
		}
	})
}

func BenchmarkFind(b *testing.B) {
	s := press(rand.New(rand.NewPCG(7, 7)), 11, 200, 150, 0.3, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
	for name, streams := range map[string][]changepoint.Stream{"one-stream-200": s[:1], "eleven-streams-200": s} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := changepoint.Find(streams, changepoint.Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
