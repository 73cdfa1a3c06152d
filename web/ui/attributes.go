package ui

import (
	"strconv"
	"strings"

	"github.com/a-h/templ"
)

// Fact is a name and what it is.
type Fact struct {
	Name  string
	Value Cell
}

// Entry is one happening of a log.
type Entry struct {
	ID    string
	At    string // "13:37", "Thu 03:20"
	State State
	Text  Sentence
}

// Warning is a danger in bold, then what not to do and what to wear.
type Warning struct {
	Danger string // "Caution: crushing and burns."
	Words  string
}

// Verdict is what a slab says.
type Verdict struct {
	Kind    Kind
	Word    string // Conforms, Does not conform, Undecided, Not judged
	Order   string // the next action, as an order
	Because string // value, doubt, high or low, place, limit
}

func (f Frame) theme() templ.Attributes {
	if f.Theme == Light || f.Theme == Dark {
		return templ.Attributes{"data-theme": string(f.Theme)}
	}
	return nil
}

func (f Frame) body() templ.Attributes {
	if f.Gauge {
		return templ.Attributes{"class": "gauge"}
	}
	return nil
}

func current(is bool) templ.Attributes {
	if is {
		return templ.Attributes{"aria-current": "page"}
	}
	return nil
}

func id(s string) templ.Attributes {
	if s != "" {
		return templ.Attributes{"id": s}
	}
	return nil
}

func key(s string) templ.Attributes {
	if s != "" {
		return templ.Attributes{"data-key": s}
	}
	return nil
}

func (t Table) cellClass(i int) string {
	var out []string
	if i < len(t.Cols) && t.Cols[i].Right {
		out = append(out, "r")
	}
	if i < len(t.Cols) && t.Cols[i].Drop {
		out = append(out, "drop")
	}
	if i < len(t.Cols) && t.Cols[i].Whole {
		out = append(out, "id")
	}
	return strings.Join(out, " ")
}

// head repeats a column's head on its cell, for rows that fold into blocks.
func (t Table) head(i int) templ.Attributes {
	if t.Fold && i < len(t.Cols) && t.Cols[i].Head != "" {
		return templ.Attributes{"data-h": t.Cols[i].Head}
	}
	return nil
}

// marks ties a field to its help and its problem.
func (i Input) marks() templ.Attributes {
	a := templ.Attributes{}
	var by []string
	if i.Help != "" {
		by = append(by, i.ID+"-help")
	}
	if i.Problem != "" {
		a["aria-invalid"] = "true"
		by = append(by, i.ID+"-wrong")
	}
	if len(by) > 0 {
		a["aria-describedby"] = strings.Join(by, " ")
	}
	if !i.Optional {
		a["aria-required"] = "true"
	}
	if i.Max > 0 {
		a["maxlength"] = strconv.Itoa(i.Max)
	}
	return a
}

func (i Input) kind() templ.Attributes {
	a := templ.Attributes{"autocomplete": "off"}
	if i.Type != "" {
		a["type"] = i.Type
	}
	if i.Complete != "" {
		a["autocomplete"] = i.Complete
	}
	if i.Number {
		a["inputmode"] = "decimal"
	}
	return a
}
