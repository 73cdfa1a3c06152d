// Package verify runs the checks of spc/proof on this machine, prints them, and holds the table as it was when the release
// was built, for the page "Where the numbers come from".
package verify

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"

	"sagwatch/spc/proof"
	"sagwatch/testdata"
)

// table is written by `make verify`.
//
//go:embed table.json
var table []byte

// Released is the table of this release.
var Released = sync.OnceValue(func() *proof.Table {
	var t proof.Table
	if err := json.Unmarshal(table, &t); err != nil {
		panic(fmt.Errorf("server/verify/table.json: %w", err)) // a test reads it
	}
	return &t
})

// Run makes all checks anew; it takes some seconds of one core.
func Run() (*proof.Table, error) { return proof.Run(testdata.Reference()) }

// Encode writes the table as it is kept, one check a line, so that a change shows where it happened.
func Encode(w io.Writer, t *proof.Table) error {
	var b bytes.Buffer
	b.WriteString("{\"checks\":[")
	for i, c := range t.Checks {
		line, err := json.Marshal(c)
		if err != nil {
			return err
		}
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteByte('\n')
		b.Write(line)
	}
	for _, part := range []struct {
		name  string
		files []string
	}{{"files", t.Files}, {"unused", t.Unused}} {
		line, err := json.Marshal(part.files)
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "],\n%q:[", part.name)
		b.Write(bytes.Trim(line, "[]"))
	}
	b.WriteString("]}\n")
	_, err := w.Write(b.Bytes())
	return err
}

// How says in words how a check's expected value was obtained.
func How(c *proof.Check) string {
	s := string(c.Origin)
	if c.By != "" {
		s = "computed by " + c.By
	}
	if c.Recalled != "" {
		s += "; the source, from memory: " + c.Recalled
	}
	return s
}

// Outcome is "pass" or "FAIL", and "shown" for a remembered value, which counts as neither.
func Outcome(c *proof.Check) string {
	switch {
	case !c.Counts():
		return "shown"
	case c.Pass:
		return "pass"
	}
	return "FAIL"
}

// What names the value: the method, the case and how many values the line stands for.
func What(c *proof.Check) string {
	s := c.Method
	if c.Case != "" {
		s += ": " + c.Case
	}
	if c.Of > 1 {
		s += fmt.Sprintf(" (the worst of %d values)", c.Of)
	}
	return s
}

// Print writes one line for each check and a summary. It tells whether all that count agree.
func Print(w io.Writer, t *proof.Table) bool {
	var section proof.Section
	for i := range t.Checks {
		c := &t.Checks[i]
		if c.Section != section {
			section = c.Section
			fmt.Fprintf(w, "\n%s\n", section)
		}
		value := c.Value
		if c.Trouble != "" {
			value = c.Trouble
		}
		fmt.Fprintf(w, "%-5s | %s | %s | expected %s | computed %s | %.1f digits | %s", Outcome(c), What(c), c.Source, c.Expected, value, c.Digits, How(c))
		if c.Note != "" {
			fmt.Fprintf(w, " | %s", c.Note)
		}
		fmt.Fprintln(w)
	}
	failed := t.Failed()
	fmt.Fprintf(w, "\n%d checks count, %d of them fail; %d remembered values are shown beside and prove nothing; %d reference files used, %d not.\n",
		t.Counted(), len(failed), len(t.Checks)-t.Counted(), len(t.Files), len(t.Unused))
	return len(failed) == 0
}

// CSV writes the table for a spreadsheet.
func CSV(w io.Writer, t *proof.Table) error {
	out := csv.NewWriter(w)
	rows := [][]string{{"section", "method", "case", "source", "expected", "computed", "digits", "tolerance", "relative", "how", "values", "outcome", "note"}}
	for i := range t.Checks {
		c := &t.Checks[i]
		note := strings.TrimSpace(c.Note + " " + c.Trouble)
		rows = append(rows, []string{string(c.Section), c.Method, c.Case, c.Source, c.Expected, c.Value, strconv.FormatFloat(c.Digits, 'f', 1, 64),
			strconv.FormatFloat(c.Tol, 'g', -1, 64), strconv.FormatBool(c.Relative), How(c), strconv.Itoa(max(1, c.Of)), Outcome(c), note})
	}
	return out.WriteAll(rows)
}
