package batch

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"sagwatch/server/ingest"
	"sagwatch/spc"
	"sagwatch/store"
)

// Importer brings history in. Running it again over the same files continues where it stopped: what is stored already is
// recognised by its identity.
type Importer struct {
	Service   *ingest.Service
	Committer *ingest.Committer
	Store     *store.Store
	Site      string
	Source    string
	// Defaults fill members that a row does not have.
	Defaults ingest.Message
	// Zone reads times without an offset.
	Zone *time.Location
	// Match recognises a row without sequence that is stored with one, by gauge, panel and time measured.
	Match bool
	// Refused is called for each row that is not stored, with its line (1-based) and what is wrong.
	Refused func(file string, line int, p *ingest.Problem)
	// Progress is called now and then with the bytes read so far.
	Progress func(done int64)
}

// Summary counts what became of the rows.
type Summary struct {
	Stored, Duplicates, Conflicts, Refused int
}

// Add adds another summary.
func (s *Summary) Add(o Summary) {
	s.Stored += o.Stored
	s.Duplicates += o.Duplicates
	s.Conflicts += o.Conflicts
	s.Refused += o.Refused
}

// String says it in words.
func (s Summary) String() string {
	return fmt.Sprintf("%d stored, %d there already, %d in conflict with other content, %d refused", s.Stored, s.Duplicates, s.Conflicts, s.Refused)
}

// File imports one file: CSV when its name ends so, else NDJSON.
func (im *Importer) File(ctx context.Context, name string, in io.Reader) (Summary, error) {
	counted := &countingReader{r: in, tell: im.Progress}
	run := &importRun{im: im, file: filepath.Base(name)}
	var err error
	if strings.EqualFold(filepath.Ext(name), ".csv") {
		err = run.csv(ctx, counted)
	} else {
		err = run.ndjson(ctx, counted)
	}
	run.under.Wait()
	return run.sum, errors.Join(err, run.err)
}

type importRun struct {
	im    *Importer
	file  string
	under sync.WaitGroup // rows under way

	mu  sync.Mutex
	sum Summary
	err error // the database failed: nothing more is tried
}

func (r *importRun) refuse(line int, p *ingest.Problem) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if p.Type == ingest.TypeConflict {
		r.sum.Conflicts++
	} else {
		r.sum.Refused++
	}
	if r.im.Refused != nil {
		r.im.Refused(r.file, line, p)
	}
}

// take hands a message on.
func (r *importRun) take(ctx context.Context, line int, m *ingest.Message) error {
	r.fill(m)
	row, p := r.im.Service.Prepare(m, r.im.Source)
	if p != nil {
		r.refuse(line, p)
		return nil
	}
	if r.im.Match && row.Sequence == spc.NoSequence {
		known, err := r.matched(ctx, row)
		if err != nil {
			return err
		}
		if known {
			r.mu.Lock()
			r.sum.Duplicates++
			r.mu.Unlock()
			return nil
		}
	}
	r.mu.Lock()
	failed := r.err
	r.mu.Unlock()
	if failed != nil {
		return nil // reported once by File
	}
	r.under.Add(1)
	err := r.im.Committer.Put(ctx, row, func(o store.Outcome, err error) {
		defer r.under.Done()
		if err != nil {
			r.mu.Lock()
			if r.err == nil {
				r.err = fmt.Errorf("line %d was not stored: %w; run the import again, it continues", line, err)
			}
			r.mu.Unlock()
			return
		}
		res := ingest.Answer(row, o)
		if res.Problem != nil {
			r.refuse(line, res.Problem)
			return
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		if o.Status == store.Duplicate {
			r.sum.Duplicates++
		} else {
			r.sum.Stored++
		}
	})
	if err != nil {
		r.under.Done()
	}
	return err
}

// fill sets what the row does not say.
func (r *importRun) fill(m *ingest.Message) {
	d := r.im.Defaults
	for _, pair := range []struct{ to, from **string }{{&m.Gauge, &d.Gauge}, {&m.Press, &d.Press}, {&m.Product, &d.Product}, {&m.Purpose, &d.Purpose}} {
		if *pair.to == nil {
			*pair.to = *pair.from
		}
	}
}

// matched looks for the same panel measured at the same moment by the same gauge.
func (r *importRun) matched(ctx context.Context, row *store.Row) (bool, error) {
	rows, _, err := r.im.Store.Measurements(ctx, r.im.Site, store.MeasurementFilter{Press: row.Press, Panel: row.Panel, Gauge: row.Gauge, EveryState: true, Limit: 1000})
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(rows, func(x store.Row) bool { return x.MeasuredAt.Equal(row.MeasuredAt) }), nil
}

// longestLine of an NDJSON history file: far more than a measurement of 256 places needs.
const longestLine = 1 << 20

func (r *importRun) ndjson(ctx context.Context, in io.Reader) error {
	lines := bufio.NewScanner(in)
	lines.Buffer(make([]byte, 64<<10), longestLine)
	for line := 1; lines.Scan(); line++ {
		raw := bytes.TrimSpace(lines.Bytes())
		if len(raw) == 0 {
			continue
		}
		var m ingest.Message
		if err := ingest.Decode(raw, &m); err != nil {
			r.refuse(line, undecoded(err).Problem)
			continue
		}
		if err := r.take(ctx, line, &m); err != nil {
			return err
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("%s: %w", r.file, err)
	}
	return nil
}

// passedOver are columns of an export that are worked out again, not read.
func passedOver(name string) bool {
	_, computed := spc.ComputedByName(name)
	return computed || slices.Contains([]string{"id", "line_at", "verdict", "on_hold", ""}, name)
}

// csv reads a table whose head names the members of a measurement; readings are columns r1, r2, ..., characteristics c.NAME.
func (r *importRun) csv(ctx context.Context, in io.Reader) error {
	table := csv.NewReader(in)
	table.FieldsPerRecord = -1
	table.ReuseRecord = true
	head, err := table.Read()
	if err != nil {
		return fmt.Errorf("%s: the head can't be read: %w", r.file, err)
	}
	head = slices.Clone(head)
	head[0] = strings.TrimPrefix(head[0], "\ufeff")
	columns, err := columnsOf(head)
	if err != nil {
		return fmt.Errorf("%s: %w", r.file, err)
	}
	for {
		record, err := table.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		line, _ := table.FieldPos(0)
		var syntax *csv.ParseError
		if errors.As(err, &syntax) {
			r.refuse(syntax.StartLine, &ingest.Problem{Type: ingest.TypeMalformed, Title: "The row can't be read", Status: 400, Detail: syntax.Err.Error()})
			continue
		}
		if err != nil {
			return fmt.Errorf("%s: %w", r.file, err)
		}
		if len(record) != len(head) {
			r.refuse(line, &ingest.Problem{Type: ingest.TypeMalformed, Title: "The row can't be read", Status: 400,
				Detail: fmt.Sprintf("the row has %d fields, the head %d", len(record), len(head))})
			continue
		}
		m, p := r.row(columns, record)
		if p != nil {
			r.refuse(line, p)
			continue
		}
		if err := r.take(ctx, line, m); err != nil {
			return err
		}
	}
}

// column says what a column holds.
type column struct {
	name    string
	reading int // 1-based; 0 for none
	own     string
}

func columnsOf(head []string) ([]column, error) {
	members := []string{"gauge", "panel", "measured_at", "press", "product", "mould", "lane", "cycle", "pressed_at", "series", "sequence", "purpose"}
	out := make([]column, len(head))
	seen := map[string]bool{}
	highest, readings := 0, 0
	for i, name := range head {
		name = strings.TrimSpace(name)
		if seen[name] && name != "" {
			return nil, fmt.Errorf("column %q stands twice", name)
		}
		seen[name] = true
		out[i].name = name
		if n, err := strconv.Atoi(strings.TrimPrefix(name, "r")); err == nil && strings.HasPrefix(name, "r") && n >= 1 && n <= 256 {
			out[i].reading = n
			highest = max(highest, n)
			readings++
			continue
		}
		if own, ok := strings.CutPrefix(name, "c."); ok {
			out[i].own = own
			continue
		}
		if !slices.Contains(members, name) && !passedOver(name) {
			return nil, fmt.Errorf("column %q is not known; the head names %s, readings r1, r2, ... and characteristics c.NAME", name, strings.Join(members, ", "))
		}
	}
	if highest != readings {
		return nil, fmt.Errorf("the readings go up to r%d but there are %d columns of them", highest, readings)
	}
	return out, nil
}

func (r *importRun) row(columns []column, record []string) (*ingest.Message, *ingest.Problem) {
	var m ingest.Message
	bad := func(field, format string, a ...any) *ingest.Problem {
		return &ingest.Problem{Type: ingest.TypeRefused, Title: "The measurement is refused", Status: 422, Field: field, Detail: fmt.Sprintf(format, a...)}
	}
	words := map[string]**string{"gauge": &m.Gauge, "panel": &m.Panel, "measured_at": &m.MeasuredAt, "press": &m.Press, "product": &m.Product,
		"mould": &m.Mould, "lane": &m.Lane, "pressed_at": &m.PressedAt, "series": &m.Series, "purpose": &m.Purpose}
	for i, c := range columns {
		text := strings.TrimSpace(record[i])
		if c.reading > 0 {
			for len(m.Readings) < c.reading {
				m.Readings = append(m.Readings, math.NaN())
			}
			if text == "" {
				continue
			}
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return nil, bad(c.name, "%s is %q, not a number; leave it empty where a probe gave none", c.name, text)
			}
			m.Readings[c.reading-1] = v
			continue
		}
		if text == "" || passedOver(c.name) && c.own == "" {
			continue
		}
		switch to, ok := words[c.name]; {
		case c.own != "":
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return nil, bad(c.name, "%s is %q, not a number", c.name, text)
			}
			if m.Characteristics == nil {
				m.Characteristics = map[string]*float64{}
			}
			m.Characteristics[c.own] = &v
		case ok && (c.name == "measured_at" || c.name == "pressed_at"):
			t, err := r.when(text)
			if err != nil {
				return nil, bad(c.name, "%s %q is not a time; write 2026-03-02T07:44:10Z or 2026-03-02 07:44:10", c.name, text)
			}
			*to = &t
		case ok:
			word := strings.Clone(text)
			*to = &word
		default: // cycle, sequence
			v, err := strconv.ParseInt(text, 10, 64)
			if err != nil {
				return nil, bad(c.name, "%s is %q, not a whole number", c.name, text)
			}
			if c.name == "cycle" {
				m.Cycle = &v
			} else {
				m.Sequence = &v
			}
		}
	}
	// A table of several gauges has reading columns that say nothing about a row of characteristics alone.
	if len(m.Characteristics) > 0 && !slices.ContainsFunc(m.Readings, func(v float64) bool { return !math.IsNaN(v) }) {
		m.Readings = nil
	}
	for i, v := range m.Readings {
		if math.IsInf(v, 0) {
			return nil, bad(fmt.Sprintf("r%d", i+1), "r%d is infinite", i+1)
		}
	}
	return &m, nil
}

// when reads a time with or without an offset.
func (r *importRun) when(text string) (string, error) {
	if _, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return strings.Clone(text), nil
	}
	for _, layout := range []string{"2006-01-02 15:04:05.999999999", "2006-01-02T15:04:05.999999999", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, text, r.im.Zone); err == nil {
			return t.UTC().Format(time.RFC3339Nano), nil
		}
	}
	return "", errors.New("not a time")
}

// countingReader tells how far a file has been read.
type countingReader struct {
	r    io.Reader
	done int64
	tell func(int64)
}

func (c *countingReader) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.done += int64(n)
	if c.tell != nil {
		c.tell(c.done)
	}
	return n, err
}
