package report

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"sagwatch/store"
)

// Head is the part of the inputs that every kind of report has: what its Origin and its place in the list are made from.
// It is embedded in the inputs of each kind, so that a report is made again from its inputs alone.
type Head struct {
	Kind        string          `json:"kind"`
	Title       string          `json:"title"`
	Site        string          `json:"site"`
	Plant       string          `json:"plant"`
	Zone        string          `json:"zone"` // the plant's time zone by name
	Press       string          `json:"press,omitempty"`
	Product     string          `json:"product,omitempty"`
	From        time.Time       `json:"from,omitzero"`
	To          time.Time       `json:"to,omitzero"`
	IssuedBy    string          `json:"issued_by"`
	IssuedAt    time.Time       `json:"issued_at"`
	Version     string          `json:"version"`
	Definitions []string        `json:"definitions"`
	Query       json.RawMessage `json:"query"`
	Schedule    int64           `json:"schedule,omitempty"`
}

// Origin is the document's origin as far as the head tells it.
func (h *Head) Origin() Origin {
	return Origin{Site: h.Site, Plant: h.Plant, Press: h.Press, Product: h.Product, IssuedBy: h.IssuedBy, IssuedAt: h.IssuedAt, From: h.From, To: h.To,
		Definitions: h.Definitions, Version: h.Version}
}

// Location is the plant's time zone; UTC where this machine does not know it.
func (h *Head) Location() *time.Location {
	if zone, err := time.LoadLocation(h.Zone); err == nil {
		return zone
	}
	return time.UTC
}

// makers turn the stored inputs of each kind into its document. They are pure: the same inputs give the same document.
var makers = map[string]func(inputs []byte) (*Document, error){}

// ErrKind: there is no such kind of report.
var ErrKind = errors.New("no such kind of report")

// Make works a report out from its stored inputs.
func Make(kind string, inputs []byte) (*Document, error) {
	make, ok := makers[kind]
	if !ok {
		return nil, fmt.Errorf("%q: %w", kind, ErrKind)
	}
	d, err := make(inputs)
	if err != nil {
		return nil, fmt.Errorf("%s report: %w", kind, err)
	}
	d.Kind, d.Origin.InputsDigest = kind, sha256.Sum256(inputs)
	return d, nil
}

// Issue makes a report from gathered inputs (a struct that embeds Head) and keeps it for good. store.ErrExists: its schedule has issued
// this period already.
func Issue(ctx context.Context, st *store.Store, h *Head, inputs any) (store.Report, error) {
	b, err := json.Marshal(inputs)
	if err != nil {
		return store.Report{}, fmt.Errorf("%s report: %w", h.Kind, err)
	}
	d, err := Make(h.Kind, b)
	if err != nil {
		return store.Report{}, err
	}
	pdf, err := d.PDF()
	if err != nil {
		return store.Report{}, err
	}
	return st.IssueReport(ctx, h.Site, store.Report{Kind: h.Kind, Title: d.Title, Press: h.Press, From: h.From, To: h.To, Query: h.Query, Version: h.Version,
		IssuedBy: h.IssuedBy, IssuedAt: h.IssuedAt, Schedule: h.Schedule}, b, pdf)
}

// Check makes an issued report again from its stored inputs and tells whether it is the same to the byte, and the stored inputs
// those that were issued.
func Check(ctx context.Context, st *store.Store, site string, id int64) (same bool, err error) {
	r, err := st.Report(ctx, site, id)
	if err != nil {
		return false, err
	}
	inputs, pdf, err := st.ReportFiles(ctx, site, id)
	if err != nil {
		return false, err
	}
	if sha256.Sum256(inputs) != r.InputsDigest || sha256.Sum256(pdf) != r.PDFDigest {
		return false, nil
	}
	_, same, err = Again(&r, inputs, pdf)
	return same, err
}

// Again makes an issued report anew from its inputs and tells whether its PDF is the same to the byte. An error says that it cannot be
// made; then there is no document.
func Again(r *store.Report, inputs, pdf []byte) (d *Document, same bool, err error) {
	if d, err = Make(r.Kind, inputs); err != nil {
		return nil, false, err
	}
	again, err := d.PDF()
	if err != nil {
		return nil, false, err
	}
	return d, bytes.Equal(again, pdf), nil
}
