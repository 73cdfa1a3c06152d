package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/setup"
	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/surface"
)

func scenarioNamed(t testing.TB, name string) scenario {
	t.Helper()
	all := scenarios()
	i := slices.IndexFunc(all, func(s scenario) bool { return s.name == name })
	require.GreaterOrEqual(t, i, 0, name)
	return all[i]
}

func trialOf(t testing.TB, name string, seed uint64) *trial {
	t.Helper()
	out, err := newTrial(scenarioNamed(t, name), seed, 1)
	require.NoError(t, err)
	return out
}

// Every row of the table of causes is played, at least 24 faults and 8 quiet ones, each under a name of its own.
func TestScenarios(t *testing.T) {
	t.Parallel()
	names, played := map[string]bool{}, map[string]bool{}
	faults, quiets := 0, 0
	for _, s := range scenarios() {
		require.False(t, names[s.name], s.name)
		names[s.name] = true
		if s.quiet() {
			quiets++
			continue
		}
		faults++
		played[s.cause] = true
	}
	require.GreaterOrEqual(t, faults, 24)
	require.GreaterOrEqual(t, quiets, 8)
	for _, c := range causes {
		require.True(t, played[c.name], c.name)
	}
	out, errs := call(t, 0, "score", "--list")
	require.Empty(t, errs)
	require.Equal(t, len(names), bytes.Count([]byte(out), []byte("\n")))
	_, errs = call(t, 1, "score", "--list", "--scenario", "no such thing")
	require.Contains(t, errs, "--list names them")
}

// The same seed plays the same, to the byte; another draws everything anew.
func TestTrialFollowsFromItsSeed(t *testing.T) {
	t.Parallel()
	played := func(seed uint64) []byte {
		var b bytes.Buffer
		for _, x := range trialOf(t, "mould-step 3, moulds differ, late", seed).play() {
			b.Write(x.line)
		}
		return b.Bytes()
	}
	one := played(1)
	require.True(t, bytes.Equal(one, played(1)))
	require.False(t, bytes.Equal(one, played(2)))

	moulds, kinds := map[int]bool{}, map[string]bool{}
	at := map[int]bool{}
	for seed := range uint64(30) {
		x := trialOf(t, "mould-step 2", seed)
		moulds[len(x.line.moulds)], kinds[x.kind], at[x.moulds[0]] = true, true, true
	}
	require.Equal(t, map[int]bool{7: true, 11: true, 14: true}, moulds)
	require.Equal(t, map[string]bool{"radial": true, "axial": true, "deviation": true}, kinds)
	require.Greater(t, len(at), 5)
}

// sigma is what the service itself will see: the panels of a quiet press are worked out as it does, and the spread of each
// stream's own panels about the cycle effect is taken.
func TestSigmaIsWhatTheGaugeSees(t *testing.T) {
	t.Parallel()
	for _, of := range []struct {
		name string
		seed uint64
	}{{"quiet, white", 1}, {"quiet, white", 2}, {"quiet, white", 5}, {"quiet, skewed form error", 1}, {"quiet, autocorrelated", 3}} {
		x := trialOf(t, of.name, of.seed)
		file, err := setUpFile([]*trial{x})
		require.NoError(t, err)
		plant, err := setup.Read(file)
		require.NoError(t, err)
		plan, err := judge.Compile(plant.Gauges[0], plant.Products[0])
		require.NoError(t, err)
		work := judge.NewWork()
		const cycles = 700
		m := len(x.line.moulds)
		want := map[spc.Computed]float64{spc.RadiusMM: x.law.radius, spc.TwistUM: x.law.shape[surface.Twist], spc.TwofoldUM: x.law.shape[surface.Twofold],
			spc.Cubic3UM: x.law.shape[surface.Cubic3]}
		values := map[spc.Computed][]float64{}
		for n := range cycles * m {
			f := x.law.press(n)
			readings := x.line.gauge.read(&f, seat(x.chance, uint64(n)), x.onGauge(n), x.chance.rng("score probes", uint64(n)))
			var res spc.Result
			plan.Judge(work, readings, x.pressed(n), &res)
			for c := range want {
				v, ok := res.Values.Get(c)
				require.True(t, ok)
				values[c] = append(values[c], v)
			}
		}
		for c, sigma := range want {
			require.InEpsilon(t, sigma, ownSD(values[c], m), 0.06, "%s, seed %d, %s gauge: %s", of.name, of.seed, x.kind, c)
		}
	}
}

// ownSD is the standard deviation of the streams' own values: about their means and their cycles' effects.
func ownSD(values []float64, m int) float64 {
	cycles := len(values) / m
	stream, cycle, all := make([]float64, m), make([]float64, cycles), 0.0
	for n, v := range values {
		stream[n%m] += v / float64(cycles)
		cycle[n/m] += v / float64(m)
		all += v / float64(len(values))
	}
	ss := 0.0
	for n, v := range values {
		ss += math.Pow(v-stream[n%m]-cycle[n/m]+all, 2)
	}
	return math.Sqrt(ss / float64((m-1)*(cycles-1)))
}

// A hand-made press of 7 moulds and 3 lanes, 20 cycles, panel 75 missing.
func handTrial(cause string, size float64) *trial {
	x := &trial{scenario: scenario{name: cause, cause: cause, size: size}, cycles: 20, onset: 72, end: 120, moulds: []int{2}, lane: 1, begin: epoch,
		missing: make([]bool, 140), line: &line{press: "S001", moulds: []string{"1", "2", "3", "4", "5", "6", "7"}, lanes: []string{"1", "2", "3"},
			gauge: &gauge{id: "G001"}, takt: 10 * time.Second, lehr: time.Hour}}
	x.missing[75] = true
	return x
}

func TestTruth(t *testing.T) {
	t.Parallel()
	// Mould 3 is pressed as panels 2, 9, 16 ..: 72 begins the fault, 114 is its last before 120.
	v := handTrial("mould-step", 2).truth()
	require.Equal(t, []string{"mould:3"}, v.Streams)
	require.Equal(t, []int{72, 79, 86, 93, 100, 107, 114}, v.Affected)
	require.True(t, v.Glass)
	require.InDelta(t, 140*10.0/3600, v.Hours, 1e-9)

	// A drift to 2 sigma in 40 panels has moved by half a sigma with its tenth panel, 81.
	x := handTrial("press-drift", 2)
	x.ramp = 40
	v = x.truth()
	require.Equal(t, []string{"press:S001"}, v.Streams)
	require.Equal(t, 81, v.Affected[0])
	require.Len(t, v.Affected, 120-81)
	require.Equal(t, 72, v.Onset)

	// All panels but the missing one; a lane's are every third.
	require.Len(t, handTrial("probe-step", 2).truth().Affected, 47)
	require.Equal(t, []int{73, 76, 79, 82}, handTrial("lehr-lane", 2).truth().Affected[:4])
	x = handTrial("blister", 0)
	x.singles = map[int]bool{74: true, 90: true}
	require.Equal(t, []int{74, 90}, x.truth().Affected)
	x = handTrial("", 0)
	require.Empty(t, x.truth().Affected)
}

// The score of a step on mould 3, worked by hand.
func TestScore(t *testing.T) {
	t.Parallel()
	v := handTrial("mould-step", 2).truth()
	right := finding{At: 86, Streams: []string{"mould:3"}, Kind: "glass", Extent: "one-stream", Began: 65, List: []int{65, 72, 79, 86, 93, 100, 107}}
	m := v.score([]finding{
		{At: 30, Streams: []string{"mould:3"}},                                // before the fault: false
		{At: 90, Streams: []string{"mould:5"}},                                // another mould: false
		{At: 91, Streams: []string{"press:S001"}},                             // the press feels it: further
		{At: 93, Streams: []string{"mould:3"}},                                // again: further
		{At: 95, Streams: []string{"mould:3"}, withdrawn: true},               // taken back
		{At: 139, Streams: []string{"mould:3"}, Kind: "glass", Began: 72},     // within 30 cycles of the end: further
		{At: 40, Streams: []string{"press:S001"}, Later: []int{75}, Began: 1}, // before the fault, and the press alone: false
		right,
	})
	require.True(t, m.Found)
	require.Equal(t, 2.0, m.Delay) // cycle 12 after cycle 10
	require.True(t, m.Kind)
	require.True(t, m.Extent)
	require.True(t, m.Stream)
	require.Equal(t, -1.0, *m.Start) // cycle 9 for cycle 10
	require.Equal(t, -7, *m.StartPanel)
	require.InDelta(t, 6.0/7, m.Recall, 1e-12)    // 114 is not on the list
	require.InDelta(t, 6.0/7, m.Precision, 1e-12) // 65 was sound
	require.Equal(t, 3, m.False)
	require.Equal(t, 4, m.Signals)
	require.Equal(t, 3, m.Further)
	require.Equal(t, 1, m.Withdrawn)

	// What was never a panel counts against the list; what is not said is wrong and no fault of the arithmetic.
	silent := v.score([]finding{{At: 86, Streams: []string{"mould:3"}, Began: -1, unlisted: 2}})
	require.True(t, silent.Found)
	require.False(t, silent.Kind)
	require.False(t, silent.Extent)
	require.Nil(t, silent.Start)
	require.Zero(t, silent.Recall)
	require.Zero(t, silent.Precision)

	// A signal that stood already sees the fault with its later evidence, and stays false.
	standing := v.score([]finding{{At: 30, Streams: []string{"mould:3"}, Later: []int{30, 79, 93}, Began: 72}})
	require.True(t, standing.Found)
	require.Equal(t, 1.0, standing.Delay)
	require.Equal(t, 1, standing.False)
	ended := v.score([]finding{{At: 30, Streams: []string{"mould:3"}, Later: []int{30, 79}, Ended: true, EndedAt: 50}})
	require.False(t, ended.Found)

	// The press alone does not name the mould.
	require.False(t, v.score([]finding{{At: 86, Streams: []string{"press:S001"}}}).Found)

	all := handTrial("press-step", 2).truth()
	four := []string{"mould:1", "mould:2", "mould:3", "mould:4"}
	require.False(t, all.score([]finding{{At: 86, Streams: four[:3]}}).Found)
	half := all.score([]finding{{At: 86, Streams: four}})
	require.True(t, half.Found)
	require.False(t, half.Stream)
	require.True(t, all.score([]finding{{At: 86, Streams: append(four, "mould:5", "mould:6", "mould:7")}}).Stream)

	probe := handTrial("probe-step", 2)
	probe.place = 30
	pv := probe.truth()
	require.True(t, pv.score([]finding{{At: 86, Streams: []string{"probe:31", "gauge:G001"}}}).Stream)
	press := pv.score([]finding{{At: 86, Streams: []string{"press:S001"}}})
	require.True(t, press.Found)
	require.False(t, press.Stream)

	// Badly seated panels: only a signal that blames the gauge is of the fault.
	seating := handTrial("seating", 0)
	seating.singles = map[int]bool{80: true}
	sv := seating.truth()
	m = sv.score([]finding{{At: 80, Streams: []string{"press:S001"}, Kind: "glass"}, {At: 80, Streams: []string{"gauge:G001"}, Kind: "gauge"}})
	require.Equal(t, 1, m.False)
	require.Equal(t, 1, m.Signals)
	require.False(t, m.Found)

	quiet := handTrial("", 0).truth()
	require.Equal(t, 1, quiet.score([]finding{{At: 130, Streams: []string{"press:S001"}}}).False)
}

func TestSummaryAndAims(t *testing.T) {
	t.Parallel()
	minus, plus, panels := -4.0, 2.0, 10
	list := []mark{
		{Scenario: "a", Size: 2, Found: true, Delay: 3, Kind: true, Extent: true, Recall: 1, Precision: 0.9, Start: &minus, StartPanel: &panels, Signals: 1, Hours: 12},
		{Scenario: "a", Size: 2, Found: true, Delay: 5, Kind: true, Recall: 0.5, Precision: 0.7, Start: &plus, StartPanel: &panels, Signals: 3, Further: 2, False: 1, Hours: 12},
		{Scenario: "a", Size: 2, Signals: 2, Further: 1, Hours: 8},
		{Scenario: "b", Quiet: true, False: 6, Hours: 16},
	}
	got := summarise(list)
	require.Len(t, got, 2)
	a := got[0]
	require.Equal(t, 3, a.Trials)
	require.Equal(t, 1, a.Missed)
	require.Equal(t, 4.0, *a.Delay)
	require.Equal(t, 1.0, *a.Kind)
	require.Equal(t, 0.5, *a.Extent)
	require.Equal(t, 3.0, *a.Start)
	require.Equal(t, 0.75, *a.Recall)
	require.Equal(t, 2.0, *a.Signals)
	require.InDelta(t, 0.25, a.False, 1e-12)   // 1 in 4 shifts
	require.InDelta(t, 0.75, a.Further, 1e-12) // 3 in 4 shifts
	require.Nil(t, got[1].Delay)
	require.InDelta(t, 3, got[1].False, 1e-12)

	values := map[string]aim{}
	for _, x := range aims(list) {
		values[x.What] = x
	}
	require.Equal(t, aim{"faults of 2 sigma or more that are missed", "none", 1, false}, values["faults of 2 sigma or more that are missed"])
	require.True(t, values["glass or gauge right, of the found"].Met)
	require.False(t, values["extent right, of the found"].Met)
	require.False(t, values["listed panels truly affected (precision)"].Met)
	require.InDelta(t, 7.0/6, values["false signals a shift and press"].Value, 1e-12)
	require.InDelta(t, 10.0/6, values["the same with further signals of one fault"].Value, 1e-12)
	require.InDelta(t, 3, values["false signals a shift in the worst scenario"].Value, 1e-12)
	require.NotContains(t, values, "single panels at fault whose answer says so")

	s := score{Trials: list, Plain: list, Lines: got, PlainLines: got, Aims: aims(list)}
	var b bytes.Buffer
	require.NoError(t, s.write(&b, true))
	require.Contains(t, b.String(), "NOT MET")
}

// Two moulds a whole unit apart, six panels of baseline: every moving range is 1, so sigma is 1/1.128 and the limits lie
// 2.66 either side of 0.5.
func TestPlainChart(t *testing.T) {
	t.Parallel()
	values := []float64{0, 1, 0, 1, 0, 1, 3.1, 3.2, 3.3, 0, -2.2, 1}
	radius := map[int]float64{}
	for n, v := range values {
		radius[n] = v
	}
	delete(radius, 9)
	got := plainChart(radius, 6, len(values), 2, "S001")
	require.Len(t, got, 1)
	require.Equal(t, 7, got[0].At) // 3.1 is within 3.16
	require.Equal(t, []int{7, 8, 10, 11}, got[0].List)
	require.Equal(t, []string{"press:S001", "mould:2"}, got[0].Streams)
	radius[10] = -2.3
	require.Len(t, plainChart(radius, 6, len(values), 2, "S001"), 1) // one run of panels beyond
	radius[9] = 0
	require.Len(t, plainChart(radius, 6, len(values), 2, "S001"), 2)

	// A signal of the plain chart is of the fault when its panel is at fault.
	v := handTrial("mould-step", 2).truth()
	m := v.scorePlain([]finding{{At: 73, Streams: []string{"press:S001"}}, {At: 79, Streams: []string{"press:S001"}, Extent: "all-streams", Began: 79, List: []int{79, 80}}})
	require.True(t, m.Found)
	require.Equal(t, 1, m.False)
	require.Equal(t, 1.0, m.Delay)
	require.False(t, m.Kind || m.Extent || m.Stream)
	require.InDelta(t, 0.5, m.Precision, 1e-12)
}

// The answers of a service that says all, and of one that says little.
func TestFindings(t *testing.T) {
	t.Parallel()
	x := handTrial("mould-step", 2)
	full := `{"id": "abc", "press": "S001", "gauge": null, "chart": "c", "panel": "S001-0000086", "at": "2026-02-02T06:14:20Z", "streams": ["mould:3"],
		"stream": "mould:3", "evidence": [{"stream": "mould:3", "panels": ["S001-0000086"], "at": "2026-02-02T06:14:20Z"}], "kind": "glass",
		"extent": "one-stream", "change": "step", "began_at": "2026-02-02T06:12:00Z", "began_panel": "S001-0000072", "ended_at": null, "at_risk": {"count": 3}, "state": "open"}`
	bare := `{"id": "def", "press": "S001", "gauge": null, "panel": "S001-0000090", "at": "2026-02-02T06:15:00Z", "stream": "press:S001", "kind": null,
		"streams": null, "began_at": null, "began_panel": null, "at_risk": null, "state": "withdrawn"}`
	gauge := `{"id": "ghi", "press": null, "gauge": "G001", "panel": "MP001", "at": "2026-02-02T07:10:00Z", "streams": ["gauge:G001"], "state": "open"}`
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/signals", func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Get("gauge") != "" {
			_, _ = w.Write([]byte(`{"signals": [` + gauge + `]}`))
			return
		}
		_, _ = w.Write([]byte(`{"signals": [` + bare + "," + full + `]}`))
	})
	mux.HandleFunc("GET /api/v1/signals/{id}", func(w http.ResponseWriter, r *http.Request) {
		_, _ = w.Write([]byte(map[string]string{"abc": full, "def": bare, "ghi": gauge}[r.PathValue("id")]))
	})
	mux.HandleFunc("GET /api/v1/signals/abc/panels", func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Get("after") == "" {
			w.Header().Set("Link", `</api/v1/signals/abc/panels?limit=10000&after=x>; rel="next"`)
			_, _ = w.Write([]byte(`{"panels": [{"panel": "S001-0000072"}, "S001-0000079", {"serial": "S001-0000075"}]}`))
			return
		}
		_, _ = w.Write([]byte(`{"panels": [{"panel": "S001-0000086"}, {"state": "in the lehr"}]}`))
	})
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		_, _ = w.Write([]byte("# HELP x\nsagwatch_fold_behind{fold=\"press/S001\"} 1\nsagwatch_fold_last_panel_timestamp_seconds{fold=\"press/S001\"} 1.77e+09\nother 3\n"))
	})
	srv := httptest.NewServer(mux)
	t.Cleanup(srv.Close)
	c := newClient(srv.URL, "t")
	got, err := c.findings(context.Background(), x)
	require.NoError(t, err)
	require.Len(t, got, 3)
	by := map[string]finding{}
	for _, f := range got {
		by[f.ID] = f
	}
	require.True(t, by["def"].withdrawn)
	require.Equal(t, []string{"press:S001"}, by["def"].Streams)
	require.Equal(t, -1, by["def"].Began)
	a := by["abc"]
	require.Equal(t, []int{72, 79, 86}, a.List)
	require.Equal(t, 1, a.unlisted) // 75 never came to the gauge
	require.Equal(t, 86, a.At)
	require.Equal(t, 72, a.Began)
	require.Equal(t, 60, by["ghi"].At) // read 70 minutes after the first panel was pressed: ten minutes of panels behind an hour's lehr
	m := x.truth()
	require.True(t, (&m).score(got).Found)
	last, behind, _, err := c.folds(context.Background())
	require.NoError(t, err)
	require.True(t, behind)
	require.Equal(t, 1.77e9, last["press/S001"])
}

// One trial against the real service.
func TestScoreOfTheService(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the service")
	}
	t.Parallel()
	bin := filepath.Join(t.TempDir(), "sagwatch")
	out, err := exec.Command("go", "build", "-o", bin, "sagwatch/cmd/sagwatch").CombinedOutput()
	require.NoError(t, err, "%s", out)
	file := filepath.Join(t.TempDir(), "score.json")
	text, _ := call(t, 0, "score", "--sagwatch", bin, "--scenario", "^mould-step 4$", "--seeds", "1", "--out", file)
	require.Contains(t, text, "mould-step 4")
	body, err := os.ReadFile(file)
	require.NoError(t, err)
	var s score
	require.NoError(t, json.Unmarshal(body, &s))
	require.Len(t, s.Trials, 1)
	require.Greater(t, s.Panels, 1500)
	require.True(t, s.Trials[0].Found)
	require.Positive(t, s.Trials[0].Hours)
}
