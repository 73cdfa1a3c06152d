package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// call runs the program and returns what it printed.
func call(t *testing.T, want int, args ...string) (out, errs string) {
	t.Helper()
	var o, e shared
	code := run(context.Background(), args, &o, &e)
	require.Equal(t, want, code, "%v: %s", args, e.String())
	return o.String(), e.String()
}

// shared is a buffer that the program and a service that it starts may write to at once, as to a terminal.
type shared struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (s *shared) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.Write(p)
}

func (s *shared) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.String()
}

func TestSameSeedSameReadings(t *testing.T) {
	t.Parallel()
	args := []string{"history", "--hours", "2", "--end", "2026-03-02T12:00:00Z"}
	one, _ := call(t, 0, args...)
	again, _ := call(t, 0, args...)
	require.Equal(t, one, again)
	other, _ := call(t, 0, append(args, "--seed", "2")...)
	require.NotEqual(t, one, other)
	first := strings.SplitN(one, "\n", 2)[0]
	require.NotEqual(t, first, strings.SplitN(other, "\n", 2)[0])
}

// The plant is a function of time: in whatever pieces it is asked for, the same comes out. So a gauge that starts again
// goes on where it was.
func TestPiecesGiveTheWhole(t *testing.T) {
	t.Parallel()
	to := noon.Add(9 * time.Hour)
	s, err := newSim(3, noon)
	require.NoError(t, err)
	text := func(list []measurement) string {
		var b bytes.Buffer
		for i := range list {
			b.Write(list[i].line())
		}
		return b.String()
	}
	whole := text(s.between(noon, to))
	var pieces strings.Builder
	for i, at := 0, noon; at.Before(to); i++ {
		end := at.Add([]time.Duration{200 * time.Millisecond, 7 * time.Second, 41 * time.Minute, 3 * time.Hour}[i%4])
		if end.After(to) {
			end = to
		}
		pieces.WriteString(text(s.between(at, end)))
		at = end
	}
	require.True(t, whole == pieces.String())
	// The first panel that the service lists gives the begin again, and with it all faults.
	again, err := newSim(3, noon.Add(4*time.Hour))
	require.NoError(t, err)
	for _, m := range s.between(noon, noon.Add(time.Minute)) {
		if m.Press == "A" && m.Gauge == "CG-1" {
			again.schedule.begin = *m.PressedAt
			break
		}
	}
	require.True(t, text(s.between(to.Add(-time.Hour), to)) == text(again.between(to.Add(-time.Hour), to)))
}

func TestPanelsComeAsFromALine(t *testing.T) {
	t.Parallel()
	to := noon.Add(24 * time.Hour)
	s := plantAt(t, noon, to, "none")
	last := map[string]measurement{}
	count := map[string]int{}
	var before time.Time
	for _, m := range s.between(noon, to) {
		require.False(t, m.MeasuredAt.Before(before), "in the order of measuring")
		require.False(t, m.MeasuredAt.Before(noon))
		require.True(t, m.MeasuredAt.Before(to))
		before = m.MeasuredAt
		count[m.Gauge+" "+m.Purpose]++
		if m.Sequence == nil {
			continue
		}
		if was, ok := last[m.Gauge]; ok {
			require.Greater(t, *m.Sequence, *was.Sequence)
			require.NotEqual(t, was.Panel, m.Panel)
			if m.Cycle != nil {
				require.LessOrEqual(t, *was.Cycle, *m.Cycle)
				require.Equal(t, 90*time.Minute, m.MeasuredAt.Sub(*m.PressedAt).Round(5*time.Second).Round(time.Minute))
			}
		}
		last[m.Gauge] = m
	}
	for _, g := range []string{"CG-1 ", "CG-2 "} {
		missing := 1 - float64(count[g])/8640
		require.InDelta(t, missingShare+emptyShare, missing, 0.003, "some panels never reach the gauge")
		require.Equal(t, 6, count[g+"master"], "every four hours")
	}
	require.InDelta(t, 2*8640/samplePeriphery, count["PG-1 "], 30)
}

// Every kind comes before any comes again, and the limits get their quiet first.
func TestScheduleShowsEverything(t *testing.T) {
	t.Parallel()
	s, err := newSim(1, noon)
	require.NoError(t, err)
	to := noon.Add(time.Duration(quietCycles)*110*time.Second + time.Duration(len(lasting())+1)*faultEvery + 3*time.Hour)
	seen := map[string]map[string]int{"A": {}, "B": {}}
	for _, f := range s.schedule.between(s.lines, noon, to) {
		seen[f.line.press][f.name]++
		if f.change != "single" {
			require.True(t, f.to.After(f.from.Add(9*time.Minute)))
			require.False(t, f.from.Before(s.schedule.begin.Add(200*110*time.Second)), "%s", f.name)
		}
	}
	for press, names := range seen {
		for _, k := range kinds {
			require.Positive(t, names[k.name], "%s on press %s", k.name, press)
		}
	}
	// What the demonstration's eight hours hold, and hold still at their end.
	told := map[string]truth{}
	for _, f := range s.truth(noon, noon.Add(8*time.Hour)) {
		told[f.Press+" "+f.What] = f
	}
	step, drift := told["A mould-step"], told["B press-drift"]
	require.Equal(t, "one-stream", step.Extent)
	require.True(t, step.To.Add(90*time.Minute).After(noon.Add(7*time.Hour+45*time.Minute)), "%v", step.To)
	require.Equal(t, "all-streams", drift.Extent)
	require.Equal(t, "glass", drift.Kind)
}

func TestHistoryCommand(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file, truthFile := filepath.Join(dir, "h.ndjson"), filepath.Join(dir, "t.jsonl")
	call(t, 0, "history", "--hours", "2.5", "--end", "2026-03-02T12:00:00Z", "--press", "B", "--fault", "probe-drift", "-o", file, "--truth", truthFile)
	data, err := os.ReadFile(file)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(data)), "\n")
	require.Greater(t, len(lines), 850)
	for _, l := range lines {
		var m struct{ Press, Gauge, Purpose string }
		require.NoError(t, json.Unmarshal([]byte(l), &m))
		require.True(t, m.Press == "B" || m.Purpose == "master" && m.Gauge == "CG-2", l)
	}
	data, err = os.ReadFile(truthFile)
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(string(data), "\n"))
	var tr truth
	require.NoError(t, json.Unmarshal(data, &tr))
	require.Equal(t, "probe-drift", tr.What)
	require.Equal(t, "gauge", tr.Kind)
	require.Equal(t, "one-probe", tr.Extent)
	require.Equal(t, "CG-2", tr.Gauge)
	require.Regexp(t, `^probe:\d+$`, tr.Streams[0])
}

func TestWords(t *testing.T) {
	t.Parallel()
	out, _ := call(t, 0, "plant")
	require.Equal(t, string(plantFile), out)
	out, _ = call(t, 0, "faults")
	for _, k := range kinds {
		require.Contains(t, out, k.name)
	}
	for _, command := range []string{"", "demo", "history", "plant", "load", "faults"} {
		out, _ = call(t, 0, strings.Fields(command+" --help")...)
		require.Contains(t, out, "Usage: gaugesim")
	}
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"unknown fault":    {[]string{"history", "--fault", "gremlins"}, `there is no fault "gremlins"; the faults are press-drift`},
		"no hours":         {[]string{"history", "--hours", "0"}, "--hours 0: more than 0"},
		"before the plant": {[]string{"history", "--end", "2020-01-01T00:00:00Z"}, "the plant began on 2026-01-01"},
		"speed":            {[]string{"demo", "--speed", "0.5"}, "--speed 0.5: from 1 to 10000"},
		"rate":             {[]string{"load", "--token", "x", "--rate", "0"}, "--rate 0"},
		"no service":       {[]string{"demo", "--sagwatch", "/nowhere/sagwatch"}, "/nowhere/sagwatch"},
	} {
		_, errs := call(t, 1, c.args...)
		require.Contains(t, errs, c.says, name)
	}
	_, errs := call(t, 2, "histroy")
	require.Contains(t, errs, "histroy")
}

func TestPlainDurations(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{8 * time.Hour: "8 h", 185 * time.Second: "3 minutes", 95 * time.Minute: "1 h 35 min", 10 * time.Second: "0 minutes"} {
		require.Equal(t, want, plain(d))
	}
}

// The plant's clock runs ahead of the wall's and never past it.
func TestClock(t *testing.T) {
	t.Parallel()
	c := plantClock{wall: noon, begin: noon.Add(-time.Hour), speed: 60}
	require.Equal(t, noon.Add(-time.Hour), c.at(noon))
	require.Equal(t, noon.Add(-30*time.Minute), c.at(noon.Add(30*time.Second)))
	require.Equal(t, noon.Add(2*time.Minute), c.at(noon.Add(2*time.Minute)))
}
