package server

import (
	"context"

	lru "github.com/hashicorp/golang-lru/v2"
	"golang.org/x/sync/singleflight"

	"sagwatch/server/report"
	"sagwatch/store"
)

// documentsKept is how many issued reports are kept as they were made from their inputs: those that are looked at now.
const documentsKept = 8

// documents keeps the documents of issued reports. Their inputs never change, so that their digest and the kind tell them apart; another
// version of the program is another process. What checks a report makes it anew instead.
type documents struct {
	made    *lru.Cache[documentKey, *report.Document]
	flights singleflight.Group
}

type documentKey struct {
	kind   string
	digest [32]byte
}

func newDocuments() *documents {
	made, err := lru.New[documentKey, *report.Document](documentsKept)
	if err != nil {
		panic(err) // the size is not above zero
	}
	return &documents{made: made}
}

// of is the document of an issued report; inputs are read only where it is not kept.
func (d *documents) of(ctx context.Context, rep *store.Report, inputs func(context.Context) ([]byte, error)) (*report.Document, error) {
	key := documentKey{rep.Kind, rep.InputsDigest}
	if doc, ok := d.made.Get(key); ok {
		return doc, nil
	}
	doc, err, _ := d.flights.Do(rep.Kind+string(rep.InputsDigest[:]), func() (any, error) {
		b, err := inputs(context.WithoutCancel(ctx)) // others may wait for it too
		if err != nil {
			return nil, err
		}
		doc, err := report.Make(rep.Kind, b)
		if err != nil {
			return nil, &unmakeable{err}
		}
		d.made.Add(key, doc)
		return doc, nil
	})
	if err != nil {
		return nil, err
	}
	return doc.(*report.Document), nil
}

// unmakeable: this release cannot make a document from the inputs.
type unmakeable struct{ error }

func (u *unmakeable) Unwrap() error { return u.error }
