package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// importCommand runs the import command beside the service, and returns its status and what it printed.
func (p *program) importCommand(ctx context.Context, args ...string) (status int, out, errs string) {
	p.t.Helper()
	var o bytes.Buffer
	e := &safeBuffer{}
	status = run(ctx, append([]string{"--data-dir", p.dir, "import"}, args...), strings.NewReader(""), &o, e)
	return status, o.String(), e.String()
}

// historyCSV writes panels from first on as a table with readings, in the plant's own time without offset.
func historyCSV(t *testing.T, first, n int, from time.Time, sequence bool) string {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Tallinn")
	require.NoError(t, err)
	var b strings.Builder
	b.WriteString("panel,measured_at,pressed_at,mould")
	if sequence {
		b.WriteString(",sequence")
	}
	for i := range grid {
		fmt.Fprintf(&b, ",r%d", i+1)
	}
	b.WriteByte('\n')
	for i := first; i < first+n; i++ {
		pressed := from.Add(time.Duration(i) * 10 * time.Second)
		var m struct {
			Readings []json.Number `json:"readings"`
		}
		require.NoError(t, json.Unmarshal(panelJSON(i, 1107.5, pressed), &m))
		const layout = "2006-01-02 15:04:05"
		fmt.Fprintf(&b, "A-%07d,%s,%s,%d", i, pressed.Add(90*time.Minute).In(zone).Format(layout), pressed.In(zone).Format(layout), i%3+1)
		if sequence {
			fmt.Fprintf(&b, ",%d", i)
		}
		for _, r := range m.Readings {
			b.WriteString("," + r.String())
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func file(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// count is the number of measurements of press A that the service gives out.
func (p *program) count(token string) int {
	p.t.Helper()
	var out struct {
		Measurements []json.RawMessage `json:"measurements"`
	}
	require.NoError(p.t, json.Unmarshal([]byte(p.get(token, "/api/v1/measurements?press=A&limit=10000")), &out))
	return len(out.Measurements)
}

// History comes in by table and by lines beside the running service, is broken off and begun again, and holds rows that
// are wrong: what is right is stored once, what is wrong is named.
func TestImport(t *testing.T) {
	t.Parallel()
	p := serve(t, dataDir(t))
	p.command("setup", "apply", plantFile(t), "--effective-from", "2026-01-01T00:00:00Z")
	token := p.token()
	from := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	ctx := context.Background()
	byHead := []string{"--gauge", "CG-1", "--press", "A", "--product", "P25"}

	// A table: what every row has in common stands on the command line.
	table := file(t, "march.csv", historyCSV(t, 0, 150, from, true))
	status, out, errs := p.importCommand(ctx, append(byHead, table)...)
	require.Zero(t, status, errs)
	require.Contains(t, out, "150 stored, 0 there already, 0 in conflict with other content, 0 refused")
	require.Contains(t, errs, "\r[", "a progress bar")
	require.Contains(t, errs, " %")
	require.Equal(t, 150, p.count(token))
	first := p.get(token, "/api/v1/measurements?panel=A-0000000")
	require.Contains(t, first, `"measured_at":"2026-03-02T07:30:00Z"`, "times without offset are the plant's own")
	require.Contains(t, first, `"pressed_at":"2026-03-02T06:00:00Z"`)

	// Once more changes nothing; the same panels by lines are the same measurements.
	status, out, errs = p.importCommand(ctx, append(byHead, "--quiet", table)...)
	require.Zero(t, status, errs)
	require.Contains(t, out, "0 stored, 150 there already")
	require.NotContains(t, errs, "[", "no bar")
	var lines strings.Builder
	for i := range 150 {
		lines.Write(panelJSON(i, 1107.5, from.Add(time.Duration(i)*10*time.Second)))
		lines.WriteByte('\n')
	}
	status, out, errs = p.importCommand(ctx, file(t, "march.ndjson", lines.String()))
	require.Zero(t, status, errs)
	require.Contains(t, out, "0 stored, 150 there already", "a table and lines of the same content are the same")

	// Rows without sequence have another identity: --match recognises them by gauge, panel and time.
	bare := historyCSV(t, 140, 20, from, false)
	status, out, errs = p.importCommand(ctx, append(byHead, "--match", file(t, "bare.csv", bare))...)
	require.Zero(t, status, errs)
	require.Contains(t, out, "10 stored, 10 there already")
	require.Equal(t, 160, p.count(token))

	// The charts have taken the history in: 160 panels on three moulds, baseline 40.
	require.Eventually(t, func() bool {
		points := p.get(token, "/api/v1/charts/A-radius/points?from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z")
		return strings.Count(points, `"panel"`) == 160 && strings.Count(points, `"limits":"provisional"`) == 160
	}, 20*time.Second, 50*time.Millisecond)

	t.Run("rows that are wrong", func(t *testing.T) { p.importWrongRows(t, token, byHead, from) })
	t.Run("broken off", func(t *testing.T) { p.importBrokenOff(t, token, from) })
}

// importWrongRows: each wrong row is named with its line, the rest is stored, the status says that something is left.
func (p *program) importWrongRows(t *testing.T, token string, byHead []string, from time.Time) {
	before := p.count(token)
	rows := strings.SplitAfter(strings.TrimSpace(historyCSV(t, 200, 8, from, true)), "\n")
	rows[2] = strings.Replace(rows[2], ",11", ",x11", 1)                         // not a number
	rows[3] = "A-0000202,yesterday" + rows[3][strings.Index(rows[3], ",2026-"):] // a field too many
	rows[4] = strings.Replace(rows[4], ",2026-", ",20-26-", 1)                   // not a time
	cut := strings.LastIndex(rows[5], ",")
	rows[5] = rows[5][:cut] + ",28.1\n"                                                // out of range
	rows[6] = strings.Replace(rows[6], fmt.Sprintf(",%d,205,", 205%3+1), ",9,205,", 1) // no such mould
	known := strings.Split(strings.SplitAfter(historyCSV(t, 3, 1, from, true), "\n")[1], ",")
	known[10] = "1108.123" // stored already, with another reading
	rows = append(rows, "\n"+strings.Join(known, ","))
	status, out, errs := p.importCommand(context.Background(), append(byHead, "--quiet", file(t, "wrong.csv", strings.Join(rows, "")))...)
	require.Equal(t, 1, status)
	require.Contains(t, out, "3 stored, 0 there already, 1 in conflict with other content, 5 refused", errs)
	require.Contains(t, errs, "6 rows are not stored as they came")
	require.Regexp(t, `wrong.csv line 3: r\d+ is "x11`, errs)
	require.Contains(t, errs, "wrong.csv line 4: the row has 54 fields, the head 53")
	require.Contains(t, errs, "wrong.csv line 5: measured_at ")
	require.Contains(t, errs, "wrong.csv line 6: place 48 reads 28.1 mm, outside the gauge's range 1090 to 1125")
	require.Contains(t, errs, `wrong.csv line 7: mould "9" is not on press "A"`)
	require.Contains(t, errs, "wrong.csv line 10: ")
	require.Equal(t, before+3, p.count(token), "what is wrong left no trace among the measurements")

	lines := []string{string(panelJSON(300, 1107.5, from.Add(time.Hour))), `{"gauge": "CG-1", "panel": `, "", string(panelJSON(301, 1107.5, from.Add(time.Hour)))}
	status, out, errs = p.importCommand(context.Background(), file(t, "broken.ndjson", strings.Join(lines, "\n")))
	require.Equal(t, 1, status)
	require.Contains(t, out, "2 stored, 0 there already, 0 in conflict with other content, 1 refused")
	require.Contains(t, errs, "broken.ndjson line 2: ")

	status, _, errs = p.importCommand(context.Background(), file(t, "head.csv", "panel,colour\nA-1,red\n"))
	require.Equal(t, 1, status)
	require.Contains(t, errs, `column "colour" is not known`)
}

// breaking ends a run once it has printed a word: an import that is broken off in the middle.
type breaking struct {
	at     string
	cancel context.CancelFunc
}

func (c breaking) Write(b []byte) (int, error) {
	if bytes.Contains(b, []byte(c.at)) {
		c.cancel()
	}
	return len(b), nil
}

// importBrokenOff: what was taken before the end is stored, and the next run brings the rest.
func (p *program) importBrokenOff(t *testing.T, token string, from time.Time) {
	before := p.count(token)
	const n, half = 2000, 1000
	var lines bytes.Buffer
	for i := range n {
		if i == half {
			lines.WriteString("{\n") // line 1001, whose refusal is printed at once
		}
		lines.Write(panelJSON(10_000+i, 1107.5, from.Add(time.Duration(10_000+i)*10*time.Second)))
		lines.WriteByte('\n')
	}
	name := file(t, "long.ndjson", lines.String())
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var out bytes.Buffer
	status := run(ctx, []string{"--data-dir", p.dir, "import", name}, strings.NewReader(""), &out, breaking{"line 1001:", cancel})
	require.Equal(t, 130, status, out.String())
	some := p.count(token) - before
	require.Positive(t, some)
	require.Less(t, some, n, "broken off")
	require.Contains(t, out.String(), fmt.Sprintf("%d stored", some), "it says what it stored")
	status, rest, errs := p.importCommand(context.Background(), name)
	require.Equal(t, 1, status, "the broken line is still there")
	require.Contains(t, errs, "long.ndjson line 1001: ")
	require.Contains(t, rest, fmt.Sprintf("%d stored, %d there already, 0 in conflict with other content, 1 refused", n-some, some))
	require.Equal(t, before+n, p.count(token))
}
