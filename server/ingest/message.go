// Package ingest takes measurements in: it decodes what a gauge sent, checks it against the definitions in force when it
// was measured, works the panel out, and has many requests share one durable commit. It knows nothing of HTTP.
package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"sagwatch/spc"
)

// Readings are one measurement's values in the gauge's unit; null is read as NaN and written back as null.
type Readings []float64

// UnmarshalJSONFrom reads an array of numbers and nulls.
func (r *Readings) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	tok, err := d.ReadToken()
	if err != nil {
		return err
	}
	if tok.Kind() == 'n' {
		*r = nil
		return nil
	}
	if tok.Kind() != '[' {
		return fmt.Errorf("must be a list of numbers")
	}
	out := (*r)[:0]
	if out == nil {
		out = make([]float64, 0, 48)
	}
	for d.PeekKind() != ']' {
		tok, err := d.ReadToken()
		if err != nil {
			return err
		}
		switch tok.Kind() {
		case '0':
			v := tok.Float()
			if math.IsInf(v, 0) || math.Abs(v) == math.MaxFloat64 {
				return refuse(fmt.Sprintf("readings[%d]", len(out)), "place %d: %s is too large for a number", len(out)+1, tok)
			}
			out = append(out, v)
		case 'n':
			out = append(out, math.NaN())
		default:
			return refuse(fmt.Sprintf("readings[%d]", len(out)), "place %d must be a number or null, is %q", len(out)+1, tok.String())
		}
		if len(out) > 4096 {
			return errors.New("has more than 4096 readings")
		}
	}
	*r = out
	_, err = d.ReadToken()
	return err
}

// MarshalJSONTo writes NaN as null.
func (r Readings) MarshalJSONTo(e *jsontext.Encoder) error {
	if err := e.WriteToken(jsontext.BeginArray); err != nil {
		return err
	}
	for _, v := range r {
		tok := jsontext.Null
		if !math.IsNaN(v) {
			tok = jsontext.Float(v)
		}
		if err := e.WriteToken(tok); err != nil {
			return err
		}
	}
	return e.WriteToken(jsontext.EndArray)
}

// MarshalJSON is MarshalJSONTo for the standard library's encoder.
func (r Readings) MarshalJSON() ([]byte, error) {
	if r == nil {
		return []byte("null"), nil
	}
	out := []byte{'['}
	for i, v := range r {
		if i > 0 {
			out = append(out, ',')
		}
		if math.IsNaN(v) {
			out = append(out, "null"...)
		} else {
			out = strconv.AppendFloat(out, v, 'g', -1, 64)
		}
	}
	return append(out, ']'), nil
}

// Message is a measurement as sent; a nil pointer is an absent or null member.
type Message struct {
	Gauge           *string              `json:"gauge,omitzero"`
	Panel           *string              `json:"panel,omitzero"`
	MeasuredAt      *string              `json:"measured_at,omitzero"`
	Press           *string              `json:"press,omitzero"`
	Product         *string              `json:"product,omitzero"`
	Readings        Readings             `json:"readings,omitzero"`
	Mould           *string              `json:"mould,omitzero"`
	Lane            *string              `json:"lane,omitzero"`
	Cycle           *int64               `json:"cycle,omitzero"`
	PressedAt       *string              `json:"pressed_at,omitzero"`
	Series          *string              `json:"series,omitzero"`
	Sequence        *int64               `json:"sequence,omitzero"`
	Purpose         *string              `json:"purpose,omitzero"`
	Characteristics map[string]*float64  `json:"characteristics,omitzero"`
	Counts          map[string]spc.Count `json:"counts,omitzero"`
}

// ErrMalformed marks input that is not JSON at all.
var ErrMalformed = errors.New("malformed JSON")

// Decode reads one measurement object strictly: names are case-sensitive, unknown and repeated members are refused. An
// error that wraps ErrMalformed is broken JSON; any other is a *Problem.
func Decode(data []byte, m *Message) error {
	*m = Message{}
	return decodeError(json.Unmarshal(data, m, json.RejectUnknownMembers(true)))
}

// DecodeList reads {"measurements": [...]}, or the list alone, leaving each member raw so that one bad member does not sink
// its neighbours.
func DecodeList(data []byte) ([]jsontext.Value, error) {
	if bare(data) {
		var list []jsontext.Value
		err := json.Unmarshal(data, &list)
		return list, decodeError(err)
	}
	var list struct {
		Measurements []jsontext.Value `json:"measurements"`
	}
	err := json.Unmarshal(data, &list, json.RejectUnknownMembers(true))
	return list.Measurements, decodeError(err)
}

// bare tells whether the text begins as a list.
func bare(data []byte) bool {
	data = bytes.TrimLeft(data, " \t\r\n")
	return len(data) > 0 && data[0] == '['
}

// IsList tells whether a text is a list of measurements, by its beginning or its members' names alone.
func IsList(data []byte) bool {
	if bare(data) {
		return true
	}
	if !bytes.Contains(data, []byte(`"measurements"`)) {
		return false // the usual single object is not parsed twice
	}
	var probe struct {
		Measurements jsontext.Value `json:"measurements"`
	}
	return json.Unmarshal(data, &probe) == nil && probe.Measurements != nil
}

func decodeError(err error) error {
	if err == nil {
		return nil
	}
	var own *Problem // a reading at fault: already worded
	if errors.As(err, &own) {
		return own
	}
	var semantic *json.SemanticError
	if errors.As(err, &semantic) {
		field := fieldOf(string(semantic.JSONPointer))
		if errors.Is(err, json.ErrUnknownName) {
			return refuse(field, "unknown member %q: it is not part of a measurement; remove it or correct its spelling", field)
		}
		return refuse(field, "%s %s", or(field, "the message"), wordsOf(semantic))
	}
	if errors.Is(err, jsontext.ErrDuplicateName) {
		var syntactic *jsontext.SyntacticError
		field := ""
		if errors.As(err, &syntactic) {
			field = fieldOf(string(syntactic.JSONPointer))
		}
		return refuse(field, "member %q stands twice; send it once", field)
	}
	return fmt.Errorf("%w: %s", ErrMalformed, syntaxWords(err))
}

func or(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// fieldOf turns a JSON pointer (/readings/3) into the form people write (readings[3]).
func fieldOf(pointer string) string {
	var b strings.Builder
	for _, part := range strings.Split(strings.TrimPrefix(pointer, "/"), "/") {
		if part == "" {
			continue
		}
		if strings.Trim(part, "0123456789") == "" {
			b.WriteString("[" + part + "]")
			continue
		}
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.WriteString(part)
	}
	return b.String()
}

func wordsOf(e *json.SemanticError) string {
	if e.GoType == nil {
		return "can't be read"
	}
	wanted := map[string]string{"string": "text in quotes", "int64": "a whole number", "float64": "a number"}[e.GoType.String()]
	var syntactic *jsontext.SyntacticError
	if e.Err != nil && !errors.As(e.Err, &syntactic) && wanted == "" && e.JSONKind == 0 {
		return e.Err.Error()
	}
	if e.GoType.String() == "ingest.Readings" {
		if e.Err != nil {
			return e.Err.Error()
		}
		return "must be a list of numbers"
	}
	if wanted == "" {
		wanted = "an object"
	}
	got := map[jsontext.Kind]string{'n': "null", 't': "true", 'f': "false", '"': "text", '0': "a number", '{': "an object", '[': "a list"}[e.JSONKind]
	if len(e.JSONValue) > 0 && len(e.JSONValue) <= 40 {
		got = string(e.JSONValue)
	}
	return fmt.Sprintf("must be %s, is %s", wanted, or(got, "something else"))
}

func syntaxWords(err error) string {
	var s *jsontext.SyntacticError
	if errors.As(err, &s) {
		where := fmt.Sprintf("at byte %d", s.ByteOffset)
		if s.JSONPointer != "" {
			where += " (in " + fieldOf(string(s.JSONPointer)) + ")"
		}
		reason := strings.TrimPrefix(s.Err.Error(), "jsontext: ")
		if strings.Contains(reason, "EOF") {
			return "the text ends in the middle, " + where + "; was it cut off?"
		}
		return reason + " " + where
	}
	return err.Error()
}

// Overlay writes the members of a JSON object over a message, strictly; a null member takes it away.
func Overlay(fields []byte, m *Message) error {
	if len(fields) == 0 {
		return refuse("fields", "fields are missing; send the members that are to be corrected")
	}
	// Maps would be merged and a list overwritten in place: what is sent replaces the whole member.
	var named map[string]jsontext.Value
	if err := json.Unmarshal(fields, &named); err != nil {
		return decodeError(err)
	}
	if _, ok := named["readings"]; ok {
		m.Readings = nil
	}
	if _, ok := named["characteristics"]; ok {
		m.Characteristics = nil
	}
	if _, ok := named["counts"]; ok {
		m.Counts = nil
	}
	return decodeError(json.Unmarshal(fields, m, json.RejectUnknownMembers(true)))
}
