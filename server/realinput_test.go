package server_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server"
	"sagwatch/server/batch"
	"sagwatch/server/ingest"
	"sagwatch/server/plant"
	"sagwatch/server/setup"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// Published series go the whole way here: history file, import, database, fold, charts, limits, signals as the machine
// interface gives them out. testdata/realinput/README.md says what they are; every expected number stands in
// testdata/reference with its source and its mark (READ, COMPUTED, MEMORY).

// startReal defines the presses of the published series and runs the service.
func startReal(t testing.TB) *service {
	t.Helper()
	st := storetest.New(t)
	file, err := os.ReadFile(filepath.Join(realInput, "handbook.yaml"))
	require.NoError(t, err)
	p, err := setup.Read(file)
	require.NoError(t, err)
	none, err := plant.New(nil)
	require.NoError(t, err)
	require.NoError(t, p.Check(none))
	changes, err := p.Changes("north", none)
	require.NoError(t, err)
	var defs []store.Definition
	for _, c := range changes {
		defs = append(defs, store.Definition{Kind: c.Kind, ID: c.ID, Body: c.Body, EffectiveFrom: time.Unix(0, 0).UTC(), Reason: "test", By: "test"})
	}
	require.NoError(t, st.AddDefinitions(t.Context(), "north", defs))
	token := server.NewToken()
	hash := server.HashToken(token)
	require.NoError(t, st.AddToken(t.Context(), server.EverySite, store.Token{Name: "gauge computer", Hash: hash[:], Scopes: server.Scopes, By: "test"}))
	return run(t, st, token)
}

// importFile brings a history file into the service's database, beside the running service, as the import command does.
func (s *service) importFile(name string, body []byte) batch.Summary {
	s.t.Helper()
	catalogue, err := server.ReadCatalogue(s.t.Context(), s.store, "north")
	require.NoError(s.t, err)
	committer := ingest.NewCommitter(s.store, "north", slog.New(slog.DiscardHandler))
	defer committer.Stop()
	im := &batch.Importer{Service: ingest.New(ingest.Config{Site: "north", Catalogue: func() *plant.Catalogue { return catalogue }, Committer: committer, Now: time.Now}),
		Committer: committer, Store: s.store, Site: "north", Source: "import", Zone: time.UTC,
		Refused: func(file string, line int, p *ingest.Problem) { s.t.Errorf("%s line %d: %s", file, line, p.Detail) }}
	sum, err := im.File(context.Background(), name, bytes.NewReader(body))
	require.NoError(s.t, err)
	return sum
}

// chartPoint is what the machine interface says of a point.
type chartPoint struct {
	Stream string   `json:"stream"`
	Panel  string   `json:"panel"`
	Value  float64  `json:"value"`
	N      int      `json:"n"`
	Lower  *float64 `json:"lower"`
	Centre *float64 `json:"centre"`
	Upper  *float64 `json:"upper"`
	Limits string   `json:"limits"`
	Open   bool     `json:"open"`
	Rules  []string `json:"rules"`
}

func decode[T any](s *service, path string) T {
	s.t.Helper()
	status, _, body := s.send("GET", path, "", "")
	require.Equal(s.t, 200, status, body)
	var out T
	require.NoError(s.t, json.Unmarshal([]byte(body), &out), body)
	return out
}

func (s *service) points(chart string) []chartPoint {
	s.t.Helper()
	return decode[struct {
		Points []chartPoint `json:"points"`
	}](s, "/api/v1/charts/"+chart+"/points?from=2026-03-01T00:00:00Z&to=2026-03-04T00:00:00Z").Points
}

// inForce is the one set of limits of a chart.
func (s *service) inForce(chart string) monitor.LimitsInForce {
	s.t.Helper()
	all := decode[struct {
		Limits []monitor.LimitsInForce `json:"limits"`
	}](s, "/api/v1/charts/"+chart+"/limits").Limits
	require.Len(s.t, all, 1, chart)
	require.Empty(s.t, all[0].Refused, chart)
	return all[0]
}

type chartSignal struct {
	Rule     string
	Panel    string // of the first evidence: its last panel
	Evidence []chartEvidence
}

type chartEvidence struct {
	Chart  string   `json:"chart"`
	Rule   string   `json:"rule"`
	Panels []string `json:"panels"`
}

// signalsOf lists what a chart found, signal by signal: other charts may have found the same fault.
func (s *service) signalsOf(chart string) (out []chartSignal) {
	s.t.Helper()
	for _, g := range decode[struct {
		Signals []struct {
			Evidence []chartEvidence `json:"evidence"`
		} `json:"signals"`
	}](s, "/api/v1/signals?limit=1000&state=open,acknowledged,closed").Signals {
		mine := slices.DeleteFunc(g.Evidence, func(e chartEvidence) bool { return e.Chart != chart })
		if len(mine) > 0 {
			out = append(out, chartSignal{Rule: mine[0].Rule, Panel: mine[0].Panels[len(mine[0].Panels)-1], Evidence: mine})
		}
	}
	return out
}

// marked lists the panels whose points a rule marks.
func marked(points []chartPoint, rule string) []string {
	out := []string{}
	for _, p := range points {
		if slices.Contains(p.Rules, rule) {
			out = append(out, p.Panel)
		}
	}
	return out
}

// outside lists the panels beyond limits, straight from the values.
func outside(points []chartPoint, lower, upper float64) []string {
	out := []string{}
	for _, p := range points {
		if p.Value < lower || p.Value > upper {
			out = append(out, p.Panel)
		}
	}
	return out
}

// realCharts is how many points each chart comes to.
var realCharts = map[string]int{"flow": 10, "check": 25, "check-published": 25, "check-sd": 25, "beam": 200, "yield": 70, "heat": 195, "aerosol": 559,
	"line": 30, "line-spread": 30, "line-wafers": 90, "line-sites": 90, "film": 21, "film-spread": 21, "film-zones": 84, "film-wafers": 84}

// judged waits until every chart has all its points judged.
func (s *service) judged() {
	s.t.Helper()
	for chart, n := range realCharts {
		s.eventually(fmt.Sprintf("chart %s has %d judged points", chart, n), func() bool {
			points := s.points(chart)
			return len(points) == n && !slices.ContainsFunc(points, func(p chartPoint) bool { return p.Limits == "" })
		})
	}
}

const d2 = 1.1283791670955126 // d2(2) = 2 / sqrt(pi)

func TestPublishedSeries(t *testing.T) {
	t.Parallel()
	s := startReal(t)
	for press, list := range realSeries(t) {
		sum := s.importFile(press+".csv", csvOf(t, list))
		require.Equal(t, batch.Summary{Stored: len(list)}, sum, press)
		sum = s.importFile(press+".csv", csvOf(t, list))
		require.Equal(t, batch.Summary{Duplicates: len(list)}, sum, "%s again", press)
	}
	s.judged()

	// NIST/SEMATECH e-Handbook 6.3.2.2 (data and results MEMORY, recomputed; see reference/README.md). The handbook divides
	// the mean moving range by 1.128, the rounded d2(2).
	t.Run("flow rate", func(t *testing.T) {
		e := example(t, "individuals_6_3_2_2")
		l := s.inForce("flow")
		e.within(t, "mean", "MEMORY", l.Limits.Centre)
		e.within(t, "mrbar", "MEMORY", l.MRLimits.Centre)
		e.within(t, "mrbar", "MEMORY", l.SigmaWithin*d2)
		e.within(t, "ucl", "MEMORY", l.Limits.Centre+(l.Limits.Upper-l.Limits.Centre)*d2/1.128)
		e.within(t, "lcl", "MEMORY", l.Limits.Centre-(l.Limits.Centre-l.Limits.Lower)*d2/1.128)
		require.Equal(t, 10, l.N)
		require.Empty(t, s.signalsOf("flow"), "no flow rate lies beyond the limits")
		for i, p := range s.points("flow") {
			require.Equal(t, e.Inline.X[i], p.Value, "the published value comes back as it went in")
			require.Empty(t, p.Rules)
			require.InDelta(t, l.Limits.Upper, *p.Upper, 0)
			require.InDelta(t, l.Limits.Lower, *p.Lower, 0)
		}
	})

	// NIST/SEMATECH e-Handbook 2.6.2, check standard 137 (data and limits READ): the handbook's limits are 2 standard
	// deviations of the 25 values, and the one-sided limit of the standard deviation is s1 sqrt(F(0.95; 5, 125)).
	t.Run("check standard", func(t *testing.T) {
		e := example(t, "checkstd_2_6_2")
		l := s.inForce("check")
		e.within(t, "center", "READ", l.Limits.Centre)
		e.within(t, "s2", "READ", l.SigmaOverall)
		e.within(t, "lcl", "READ", l.Limits.Centre-2*l.SigmaOverall)
		e.within(t, "ucl", "READ", l.Limits.Centre+2*l.SigmaOverall)
		require.False(t, l.Lag1Found)
		points := s.points("check")
		require.Equal(t, outside(points, l.Limits.Lower, l.Limits.Upper), marked(points, "beyond-limits"))

		lower, _ := e.value(t, "lcl", "READ")
		upper, _ := e.value(t, "ucl", "READ")
		points = s.points("check-published")
		require.Equal(t, lower, *points[0].Lower)
		require.Equal(t, upper, *points[0].Upper)
		beyond := outside(points, lower, upper)
		require.Len(t, beyond, 2)
		require.Equal(t, beyond, marked(points, "beyond-limits"))
		require.Equal(t, beyond[0], s.signalsOf("check-published")[0].Panel)

		points = s.points("check-sd")
		squares := 0.0
		for _, p := range points {
			squares += p.Value * p.Value / float64(len(points))
		}
		e.within(t, "s1", "READ", math.Sqrt(squares))
		upper, _ = e.value(t, "ucl_s", "READ")
		require.Equal(t, outside(points, math.Inf(-1), upper), marked(points, "beyond-limits"))
	})

	// StRD Lew, steel beam deflections (READ, certified to 15 digits): alternating values, so limits from moving ranges
	// would be too wide; the chart says so and takes the overall standard deviation.
	t.Run("beam deflections", func(t *testing.T) {
		certified, _ := readBeam(t)
		l := s.inForce("beam")
		require.InEpsilon(t, certified["mean"], l.Limits.Centre, 1e-13)
		require.InEpsilon(t, certified["sd"], l.SigmaOverall, 1e-13)
		require.InEpsilon(t, certified["lag1_autocorrelation"], l.Lag1, 1e-13)
		require.True(t, l.Lag1Found)
		require.InEpsilon(t, 3*l.SigmaOverall, l.Limits.Upper-l.Limits.Centre, 1e-12)
		require.Less(t, l.SigmaOverall, l.SigmaWithin)
		require.Contains(t, strings.Join(l.Notes, " "), "too wide, so they are narrowed")
		require.Empty(t, s.signalsOf("beam"))
	})

	// Box and Jenkins, Series F, in the handbook's 6.4.4.9 (data and the lag-1 autocorrelation READ).
	t.Run("batch yields", func(t *testing.T) {
		l := s.inForce("yield")
		example(t, "series_f_6_4_4_9").within(t, "acf[1]", "READ", l.Lag1)
		require.True(t, l.Lag1Found)
		require.Contains(t, strings.Join(l.Notes, " "), "(-0.39, ")
	})

	// Heat flow meter, handbook 1.3.5.2 (data, mean and standard deviation READ). Neighbours are correlated: the chart widens.
	// Nine in a row on one side of the centre are found anew from the values alone.
	t.Run("heat flow meter", func(t *testing.T) {
		e := example(t, "heatflow_1_3_5_2")
		l := s.inForce("heat")
		e.within(t, "mean", "READ", l.Limits.Centre)
		e.within(t, "sd", "READ", l.SigmaOverall)
		require.True(t, l.Lag1Found)
		require.Contains(t, strings.Join(l.Notes, " "), "too tight, so they are widened")
		points := s.points("heat")
		require.Len(t, outside(points, l.Limits.Centre-3*l.SigmaWithin, l.Limits.Centre+3*l.SigmaWithin), 3, "moving ranges alone would give false signals")
		require.Empty(t, marked(points, "beyond-limits"))
		runs := []string{}
		above, below := 0, 0
		for _, p := range points {
			switch above, below = above+1, below+1; {
			case p.Value > l.Limits.Centre:
				below = 0
			case p.Value < l.Limits.Centre:
				above = 0
			default:
				above, below = 0, 0
			}
			if above >= 9 || below >= 9 {
				runs = append(runs, p.Panel)
			}
		}
		require.Equal(t, runs, marked(points, "run-one-side"))
	})

	// Aerosol particle size, handbook 6.6.2 (data READ, expected numbers COMPUTED, changepoint/residual_charts.json): the
	// level wanders so strongly that limits from moving ranges would put 432 of 559 values outside.
	t.Run("aerosol", func(t *testing.T) {
		type wandering struct {
			ID       string `json:"id"`
			Computed struct {
				Mean    float64 `json:"mean"`
				R1      float64 `json:"r1"`
				MRBar   float64 `json:"raw_mrbar"`
				Outside int     `json:"n_raw_outside"`
				Upper   float64 `json:"raw_ucl"`
				Lower   float64 `json:"raw_lcl"`
			} `json:"computed"`
		}
		var all struct {
			Series []wandering `json:"series"`
		}
		readJSON(t, &all, "changepoint", "residual_charts.json")
		i := slices.IndexFunc(all.Series, func(x wandering) bool { return x.ID == "aerosol_level" })
		require.GreaterOrEqual(t, i, 0)
		want := all.Series[i].Computed
		l := s.inForce("aerosol")
		require.InEpsilon(t, want.Mean, l.Limits.Centre, 1e-11)
		require.InEpsilon(t, want.R1, l.Lag1, 1e-10)
		require.InEpsilon(t, want.MRBar, l.SigmaWithin*d2, 1e-10)
		require.Contains(t, strings.Join(l.Notes, " "), "too tight, so they are widened")
		require.Greater(t, l.Limits.Sigma, 6*l.SigmaWithin)
		points := s.points("aerosol")
		require.Len(t, outside(points, want.Lower, want.Upper), want.Outside)
		require.Empty(t, s.signalsOf("aerosol"), "the widened limits hold the whole series")
	})

	t.Run("lithography", func(t *testing.T) { s.lithography(t) })
	t.Run("furnace", func(t *testing.T) { s.furnace(t) })
}

// The same series in any order of arrival, in batches by file and by request, with another server on the same database in
// between, come to the same points and signals.
func TestPublishedSeriesInAnyOrder(t *testing.T) {
	t.Parallel()
	series := realSeries(t)
	inOrder := startReal(t)
	var all []string
	for press, list := range series {
		inOrder.importFile(press+".csv", csvOf(t, list))
		all = append(all, lines(list)...)
	}
	inOrder.judged()
	var want string
	inOrder.eventually("the fold at rest", func() bool {
		found := len(inOrder.signalsOf("line-sites")) > 0 // asked first: what stands then has it
		before := want
		want = inOrder.standing()
		return found && before == want
	})

	s := startReal(t)
	rng := rand.New(rand.NewPCG(11, 4))
	slices.Sort(all)
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	restarts := 0
	for batch := 0; len(all) > 0; batch++ {
		k := min(len(all), 1+rng.IntN(300))
		part := all[:k]
		if rng.IntN(2) == 0 {
			for _, r := range s.stream(part...) {
				require.Equal(t, "stored", r["status"], r)
			}
		} else {
			require.Equal(t, k, s.importFile("part.ndjson", []byte(strings.Join(part, "\n"))).Stored)
		}
		if all = all[k:]; batch%3 == 1 {
			s = run(t, s.store, s.token)
			restarts++
		}
	}
	require.Greater(t, restarts, 1)
	s.settled(want)
}
