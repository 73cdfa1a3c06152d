package ingest

import "fmt"

// Problem is a refusal by RFC 9457 (problem details): what, where, what to do.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
	// Field is the member at fault, such as readings[3]; Value what was received.
	Field string `json:"field,omitempty"`
	Value any    `json:"value,omitempty"`
	// Index or Line is the message's place in a list or stream (0-based index, 1-based line).
	Index *int `json:"index,omitempty"`
	Line  *int `json:"line,omitempty"`
	// Existing is the id of the measurement that stands, for a conflict; Conflict the id of the kept second one.
	Existing int64 `json:"existing,omitempty"`
}

// Error is the detail.
func (p *Problem) Error() string { return p.Detail }

// Problem types; they are names, not addresses that must answer.
const (
	TypeRefused   = "urn:sagwatch:problem:refused"
	TypeConflict  = "urn:sagwatch:problem:conflict"
	TypeMalformed = "urn:sagwatch:problem:malformed"
	TypeTooLarge  = "urn:sagwatch:problem:too-large"
	TypeMedia     = "urn:sagwatch:problem:media-type"
	TypeBusy      = "urn:sagwatch:problem:busy"
)

func refuse(field, format string, a ...any) *Problem {
	return &Problem{Type: TypeRefused, Title: "The measurement is refused", Status: 422, Field: field, Detail: fmt.Sprintf(format, a...)}
}

// Malformed makes the problem of a text that is not JSON.
func Malformed(err error) *Problem {
	return &Problem{Type: TypeMalformed, Title: "The text is not JSON", Status: 400, Detail: err.Error()}
}
