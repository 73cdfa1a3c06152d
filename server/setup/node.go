package setup

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Problem is one thing wrong with a set-up file, at a line.
type Problem struct {
	Line int
	Path string // products[0].limits.radius_mm
	Text string
}

// Error prints the problem as one line.
func (p Problem) Error() string {
	if p.Path == "" {
		return fmt.Sprintf("line %d: %s", p.Line, p.Text)
	}
	return fmt.Sprintf("line %d: %s: %s", p.Line, p.Path, p.Text)
}

// Problems is everything wrong with a file; the whole file is refused.
type Problems []Problem

// Error lists all problems, one a line, in the file's order.
func (p Problems) Error() string {
	sort.SliceStable(p, func(i, j int) bool { return p[i].Line < p[j].Line })
	lines := make([]string, len(p))
	for i, q := range p {
		lines[i] = q.Error()
	}
	return strings.Join(lines, "\n")
}

// node is a value of the file with its place in it.
type node struct {
	n    ast.Node
	path string
	f    *file
}

// file collects the problems of one reading.
type file struct {
	problems Problems
	notes    []string
}

func parse(data []byte) (node, error) {
	f := &file{}
	doc, err := parser.ParseBytes(data, 0)
	if err != nil {
		return node{}, fmt.Errorf("this is not YAML or JSON that can be read: %w", err)
	}
	var body ast.Node
	for _, d := range doc.Docs {
		if d.Body == nil {
			continue
		}
		if body != nil {
			return node{}, Problems{{Line: line(d.Body), Text: "a second document; put everything into one"}}
		}
		body = d.Body
	}
	if body == nil {
		return node{}, Problems{{Line: 1, Text: "the file is empty"}}
	}
	f.problems = follow(body)
	return node{n: body, f: f}, nil
}

// aliases collects a document's anchors and the places where an alias stands for one.
type aliases struct {
	anchors map[string]ast.Node
	found   []*ast.AliasNode
	put     []func(ast.Node)
}

// Visit is called for each node of the document.
func (a *aliases) Visit(n ast.Node) ast.Visitor {
	note := func(v ast.Node, put func(ast.Node)) {
		if alias, ok := v.(*ast.AliasNode); ok {
			a.found, a.put = append(a.found, alias), append(a.put, put)
		}
	}
	switch t := n.(type) {
	case *ast.AnchorNode:
		a.anchors[t.Name.String()] = t.Value
	case *ast.MappingValueNode:
		note(t.Value, func(v ast.Node) { t.Value = v })
	case *ast.SequenceNode:
		for i := range t.Values {
			note(t.Values[i], func(v ast.Node) { t.Values[i] = v })
		}
	}
	return a
}

// follow puts in each alias's place (*name) what its anchor (&name) holds, so that gauges can share a layout.
func follow(body ast.Node) (problems Problems) {
	a := &aliases{anchors: map[string]ast.Node{}}
	ast.Walk(a, body)
	for i, alias := range a.found {
		name := alias.Value.String()
		v, ok := a.anchors[name]
		if !ok {
			problems = append(problems, Problem{Line: line(alias), Text: fmt.Sprintf("*%s stands for nothing: there is no &%s in the file", name, name)})
			continue
		}
		a.put[i](v)
	}
	return problems
}

func line(n ast.Node) int {
	if n == nil {
		return 1
	}
	// A mapping's own token is its first colon; the key stands on the same line.
	if t := n.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line
	}
	return 1
}

func (n node) bad(format string, a ...any) {
	n.f.problems = append(n.f.problems, Problem{Line: line(n.n), Path: n.path, Text: fmt.Sprintf(format, a...)})
}

func (n node) note(format string, a ...any) {
	text := fmt.Sprintf(format, a...)
	if !slices.Contains(n.f.notes, text) {
		n.f.notes = append(n.f.notes, text)
	}
}

func (n node) at(key string) string {
	if n.path == "" {
		return key
	}
	return n.path + "." + key
}

func resolve(v ast.Node) ast.Node {
	for {
		switch t := v.(type) {
		case *ast.TagNode:
			v = t.Value
		case *ast.AnchorNode:
			v = t.Value
		default:
			return v
		}
	}
}

func (n node) isNull() bool {
	_, null := resolve(n.n).(*ast.NullNode)
	return n.n == nil || null
}

// object reads a mapping: each key must be known and appear once.
func (n node) object(known ...string) map[string]node {
	out := map[string]node{}
	var pairs []*ast.MappingValueNode
	switch t := resolve(n.n).(type) {
	case *ast.MappingNode:
		pairs = t.Values
	case *ast.MappingValueNode:
		pairs = []*ast.MappingValueNode{t}
	default:
		n.bad("should be a set of keys (%s), is %s", strings.Join(known, ", "), describe(n.n))
		return out
	}
	for _, p := range pairs {
		key, ok := scalar(p.Key)
		at := node{n: p.Key, path: n.at(key), f: n.f}
		switch {
		case !ok:
			at.bad("a key must be a word")
			continue
		case len(known) > 0 && !slices.Contains(known, key):
			at.bad("unknown key %q%s", key, nearest(key, known))
			continue
		}
		if _, twice := out[key]; twice {
			at.bad("key %q stands twice", key)
			continue
		}
		out[key] = node{n: p.Value, path: n.at(key), f: n.f}
	}
	return out
}

// keys of a mapping in the file's order.
func (n node) keys() []string {
	var keys []string
	switch t := resolve(n.n).(type) {
	case *ast.MappingNode:
		for _, p := range t.Values {
			if k, ok := scalar(p.Key); ok {
				keys = append(keys, k)
			}
		}
	case *ast.MappingValueNode:
		if k, ok := scalar(t.Key); ok {
			keys = append(keys, k)
		}
	}
	return keys
}

func (n node) list() []node {
	seq, ok := resolve(n.n).(*ast.SequenceNode)
	if !ok {
		n.bad("should be a list, is %s", describe(n.n))
		return nil
	}
	out := make([]node, len(seq.Values))
	for i, v := range seq.Values {
		out[i] = node{n: v, path: fmt.Sprintf("%s[%d]", n.path, i), f: n.f}
	}
	return out
}

func scalar(v ast.Node) (string, bool) {
	switch t := resolve(v).(type) {
	case *ast.StringNode:
		return t.Value, true
	case *ast.LiteralNode:
		return t.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return t.GetToken().Value, true
	}
	return "", false
}

// text reads a word; a bare number serves too ("moulds: [1, 2]").
func (n node) text() string {
	s, ok := scalar(n.n)
	if !ok {
		n.bad("should be a word, is %s", describe(n.n))
	}
	return s
}

// id reads an identifier: 1 to 64 letters, digits and .-_ so that it can stand in an address.
func (n node) id() string {
	s := n.text()
	if s == "" || len(s) > 64 || strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-_") != "" {
		n.bad("%q can't be an id: use 1 to 64 letters, digits, full stops, hyphens and underscores", s)
	}
	return s
}

func (n node) number() float64 {
	s, ok := scalar(n.n)
	if t, isString := resolve(n.n).(*ast.StringNode); isString && t.GetToken().Type != token.StringType {
		ok = false // quoted: a word
	}
	if !ok {
		n.bad("should be a number, is %s", describe(n.n))
		return 0
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(s, "_", ""), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		n.bad("should be a number, is %q", s)
		return 0
	}
	return v
}

func (n node) positive() float64 {
	v := n.number()
	if v <= 0 {
		n.bad("must be greater than 0, is %g", v)
	}
	return v
}

func (n node) notNegative() float64 {
	v := n.number()
	if v < 0 {
		n.bad("must not be negative, is %g", v)
	}
	return v
}

func (n node) whole(least, most int) int {
	v := n.number()
	if v != math.Trunc(v) || v < float64(least) || v > float64(most) {
		n.bad("must be a whole number from %d to %d, is %g", least, most, v)
		return least
	}
	return int(v)
}

func (n node) boolean() bool {
	if b, ok := resolve(n.n).(*ast.BoolNode); ok {
		return b.Value
	}
	n.bad("should be true or false, is %s", describe(n.n))
	return false
}

func (n node) numbers(count int) []float64 {
	items := n.list()
	if count > 0 && len(items) != count {
		n.bad("should be %d numbers, is %d", count, len(items))
	}
	out := make([]float64, len(items))
	for i, it := range items {
		out[i] = it.number()
	}
	return out
}

func oneOf[T ~string](n node, allowed ...T) T {
	s := T(n.text())
	if !slices.Contains(allowed, s) {
		words := make([]string, len(allowed))
		for i, a := range allowed {
			words[i] = string(a)
		}
		n.bad("%q is not one of %s%s", s, strings.Join(words, ", "), nearest(string(s), words))
	}
	return s
}

func describe(v ast.Node) string {
	switch t := resolve(v).(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a set of keys"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode:
		return "nothing"
	case nil:
		return "nothing"
	default:
		return fmt.Sprintf("%q", t.GetToken().Value)
	}
}

// nearest offers the known word that differs in at most two letters.
func nearest(word string, known []string) string {
	best, least := "", 3
	for _, k := range known {
		if d := distance(word, k); d < least {
			best, least = k, d
		}
	}
	if best == "" {
		if len(known) > 0 && len(known) <= 24 {
			return "; known are " + strings.Join(known, ", ")
		}
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

// distance is the Levenshtein distance.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
