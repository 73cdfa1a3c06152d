// Package proof compares what the computing packages give with what stands in published sources and with what general
// numeric libraries give, check by check. Run gives the whole table; `make verify` prints it, and the page "Where the
// numbers come from" shows it.
//
// A check never repeats our own formula: the expected value comes from the files of testdata/reference, each value of
// which carries its mark (READ, COMPUTED, MEMORY), or is written here with its source.
package proof

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Origin says how the expected value was obtained.
type Origin string

// Origins. Only the first two count: a remembered value is shown and proves nothing.
const (
	Published Origin = "published" // read in the source, or in a public copy of its text or data
	Computed  Origin = "computed"  // by the general library named in By, from published data or a published formula
	Memory    Origin = "from memory"
)

// Section is a heading of the table, in the order of the methods.
type Section string

// Sections.
const (
	Sphere      Section = "Sphere"
	Surface     Section = "Contour and shape"
	Charts      Section = "Control charts"
	RunLengths  Section = "Run rules and run lengths"
	ChangePoint Section = "Change point"
	Capability  Section = "Capability"
	Gauge       Section = "Gauge"
	Numerics    Section = "Distributions and numerics"
)

// Sections lists the sections in their order.
var Sections = []Section{Sphere, Surface, Charts, RunLengths, ChangePoint, Capability, Gauge, Numerics}

// Check is one line of the table.
type Check struct {
	Section Section `json:"section"`
	Method  string  `json:"method"` // "Cpk, confidence interval"
	Case    string  `json:"case"`   // which value: "n = 20, Cpk = 1.33, lower 95 % limit"
	Source  string  `json:"source"` // title, section or table
	Origin  Origin  `json:"origin"`
	By      string  `json:"by,omitempty"` // the general library, with version, of a computed value
	// Recalled is the source's value as remembered, shown beside a computed one; it decides nothing.
	Recalled string  `json:"recalled,omitempty"`
	Want     float64 `json:"-"`
	Got      float64 `json:"-"`
	// Tol is the greatest difference allowed, of Want where Relative.
	Tol      float64 `json:"tol"`
	Relative bool    `json:"relative,omitempty"`
	// Worst of how many values this line stands for; 0 and 1 mean the one that is shown.
	Of   int    `json:"of,omitempty"`
	Note string `json:"note,omitempty"` // formula from memory, rounding in the source, why the tolerance
	// Trouble is the refusal that came in place of a value.
	Trouble string `json:"trouble,omitempty"`

	// Filled in by Run.
	Expected string  `json:"expected"`
	Value    string  `json:"value"`
	Digits   float64 `json:"digits"`
	Pass     bool    `json:"pass"`
}

// Counts is true where the check is evidence: its expected value is not a remembered one.
func (c *Check) Counts() bool { return c.Origin != Memory }

// Digits is the number of agreeing significant digits, -log10(|got - want| / |want|), or -log10|got| where want is
// zero; from 0 to 15.
//
// Source: B. D. McCullough, "Assessing the reliability of statistical software: Part I", The American Statistician 52
// (1998), 358-366.
func Digits(want, got float64) float64 {
	if want == got {
		return 15
	}
	e := math.Abs(got - want)
	if want != 0 {
		e /= math.Abs(want)
	}
	if !(e < math.Inf(1)) {
		return 0
	}
	return math.Max(0, math.Min(15, -math.Log10(e)))
}

// agrees tells whether got is as near as the check demands.
func (c *Check) agrees() bool {
	if c.Trouble != "" {
		return false
	}
	if c.Want == c.Got {
		return true
	}
	tol := c.Tol
	if c.Relative {
		tol *= math.Abs(c.Want)
	}
	return math.Abs(c.Got-c.Want) <= tol
}

// Table is the outcome of all checks.
type Table struct {
	Checks []Check  `json:"checks"`
	Files  []string `json:"files"`  // reference files that were used
	Unused []string `json:"unused"` // reference files that no check reads
}

// Failed are the checks that count and do not agree.
func (t *Table) Failed() []Check {
	return slices.Collect(func(yield func(Check) bool) {
		for _, c := range t.Checks {
			if c.Counts() && !c.Pass && !yield(c) {
				return
			}
		}
	})
}

// Counted is the number of checks that are evidence.
func (t *Table) Counted() int {
	n := 0
	for i := range t.Checks {
		if t.Checks[i].Counts() {
			n++
		}
	}
	return n
}

// topics are the functions that make the checks, one or more for each section.
var topics = []func(*run){sphereChecks, surfaceChecks, numericsChecks, chartChecks, autocorrelationChecks, multivariateChecks, runLengthChecks,
	changePointChecks, fitChecks, fittedFractionChecks, capabilityChecks, componentChecks, mixedChecks, gaugeChecks}

// run gathers checks and remembers which reference files they read.
type run struct {
	ref    fs.FS
	used   map[string]bool
	checks []Check
}

// add takes in a check.
func (r *run) add(c Check) { r.checks = append(r.checks, c) }

// worst takes in, for many values of one method, the pair that agrees least for its tolerance.
func (r *run) worst(c Check, pairs []pair) {
	if len(pairs) == 0 {
		panic("proof: no values for " + c.Method + ", " + c.Case)
	}
	least, at := math.Inf(-1), 0
	for i, p := range pairs {
		tol := p.tol
		if c.Relative {
			tol *= math.Abs(p.want)
		}
		miss := math.Abs(p.got-p.want) / tol
		if p.want == p.got {
			miss = 0
		}
		if math.IsNaN(miss) {
			miss = math.Inf(1)
		}
		if miss > least {
			least, at = miss, i
		}
	}
	p := pairs[at]
	c.Want, c.Got, c.Tol, c.Of = p.want, p.got, p.tol, len(pairs)
	if p.what != "" {
		c.Case = strings.TrimPrefix(c.Case+"; worst: "+p.what, "; ")
	}
	r.add(c)
}

// pair is one of many values: expected, computed, the greatest difference allowed, and which it is.
type pair struct {
	want, got, tol float64
	what           string
}

// trouble is the text of an error, "" for none.
func trouble(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// bytes reads a reference file and marks it as used. A file that cannot be read is a broken build: it panics.
func (r *run) bytes(path string) []byte {
	b, err := fs.ReadFile(r.ref, path)
	if err != nil {
		panic(err)
	}
	r.used[path] = true
	return b
}

// json decodes a reference file into v. Numbers kept digit for digit are strings there: declare them as num.
func (r *run) json(path string, v any) {
	if err := json.Unmarshal(r.bytes(path), v); err != nil {
		panic(fmt.Errorf("%s: %w", path, err))
	}
}

// csv gives the rows of a reference file below its heading, by column name.
func (r *run) csv(path string) []map[string]string {
	rows, err := csv.NewReader(bytes.NewReader(r.bytes(path))).ReadAll()
	if err != nil || len(rows) < 2 {
		panic(fmt.Errorf("%s: %d rows: %v", path, len(rows), err))
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

// column gives one column of a reference file as numbers.
func (r *run) column(path, name string) []float64 {
	var out []float64
	for _, row := range r.csv(path) {
		v, err := strconv.ParseFloat(row[name], 64)
		if err != nil {
			panic(fmt.Errorf("%s, column %q: %w", path, name, err))
		}
		out = append(out, v)
	}
	return out
}

// num is a reference number written as a JSON number or as a string of digits; null is NaN, "Infinity" +Inf.
type num float64

// UnmarshalJSON reads either form.
func (n *num) UnmarshalJSON(b []byte) error {
	s := strings.Trim(string(b), `"`)
	switch s {
	case "null":
		*n = num(math.NaN())
		return nil
	case "Infinity":
		*n = num(math.Inf(1))
		return nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return err
	}
	*n = num(v)
	return nil
}

// Run makes all checks against the reference files in ref (the folder testdata/reference). It takes some seconds and
// gives the same table every time. A reference file that is missing or not readable is an error.
func Run(ref fs.FS) (t *Table, err error) {
	defer func() {
		if v := recover(); v != nil {
			e, ok := v.(error)
			if !ok {
				e = fmt.Errorf("%v", v)
			}
			t, err = nil, fmt.Errorf("proof: %w", e)
		}
	}()
	r := &run{ref: ref, used: map[string]bool{}}
	for _, topic := range topics {
		topic(r)
	}
	slices.SortStableFunc(r.checks, func(a, b Check) int {
		return slices.Index(Sections, a.Section) - slices.Index(Sections, b.Section)
	})
	t = &Table{Checks: r.checks, Files: []string{}, Unused: []string{}}
	for i := range t.Checks {
		c := &t.Checks[i]
		c.Digits, c.Pass = Digits(c.Want, c.Got), c.agrees()
		if c.Trouble != "" {
			c.Digits = 0
		}
		c.Expected, c.Value = shown(c.Want), shown(c.Got)
	}
	err = fs.WalkDir(ref, ".", func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() || !strings.Contains(path, "/"): // the notes about the files
			return nil
		case r.used[path]:
			t.Files = append(t.Files, path)
		default:
			t.Unused = append(t.Unused, path)
		}
		return nil
	})
	return t, err
}

// shown writes a number with the digits that a double carries safely.
func shown(v float64) string { return strconv.FormatFloat(v, 'g', 15, 64) }
