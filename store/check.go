package store

import (
	"encoding/binary"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"sagwatch/spc"
)

// maxName bounds every name in a key, so that an index entry and a notice stay far below PostgreSQL's bounds.
const maxName = 200

// checkRow refuses what could not be stored as it is, and sets Hash. Whether the content makes sense is for the caller.
func checkRow(r *Row) error {
	for _, f := range []struct{ name, value string }{
		{"gauge", r.Gauge}, {"panel", r.Panel}, {"press", r.Press}, {"product", r.Product}, {"mould", r.Mould},
		{"casting", r.Casting}, {"lane", r.Lane}, {"series", r.Series}, {"source", r.Source},
	} {
		if len(f.value) > maxName {
			return fmt.Errorf("%s: %d bytes, at most %d: %w", f.name, len(f.value), maxName, ErrInvalid)
		}
		if err := checkText(f.name, f.value); err != nil {
			return err
		}
	}
	if r.Gauge == "" || r.Panel == "" {
		return fmt.Errorf("gauge and panel must be given: %w", ErrInvalid)
	}
	if err := checkText("refusal", r.Result.Refusal); err != nil {
		return err
	}
	for _, reason := range r.Result.Reasons {
		if err := checkText("reasons", reason); err != nil {
			return err
		}
	}
	for _, f := range []struct {
		name string
		at   time.Time
	}{{"measured_at", r.MeasuredAt}, {"line time", r.LineAt}, {"pressed_at", r.PressedAt}} {
		if f.at.IsZero() {
			if f.name == "pressed_at" {
				continue
			}
			return fmt.Errorf("%s: missing: %w", f.name, ErrInvalid)
		}
		if f.at.Nanosecond()%1000 != 0 {
			return fmt.Errorf("%s: %s is finer than a microsecond: %w", f.name, f.at.Format(time.RFC3339Nano), ErrInvalid)
		}
		if y := f.at.UTC().Year(); y < 1 || y > 9999 {
			return fmt.Errorf("%s: year %d: %w", f.name, y, ErrInvalid)
		}
	}
	if r.Sequence >= spc.EverySequence {
		return fmt.Errorf("sequence: %d, at most 2^53 - 1: %w", r.Sequence, ErrInvalid)
	}
	switch r.Purpose {
	case spc.Production, spc.Recheck, spc.Study, spc.MasterCheck:
	default:
		return fmt.Errorf("purpose: %q: %w", r.Purpose, ErrInvalid)
	}
	switch r.Result.Verdict {
	case spc.Conforms, spc.DoesNotConform, spc.Undecided, spc.NotJudged:
	default:
		return fmt.Errorf("verdict: %q: %w", r.Result.Verdict, ErrInvalid)
	}
	if r.ContentHash == [32]byte{} {
		return fmt.Errorf("content hash: missing: %w", ErrInvalid)
	}
	r.Hash = binary.BigEndian.Uint64(r.ContentHash[:])
	return nil
}

func checkText(name, s string) error {
	if !utf8.ValidString(s) {
		return fmt.Errorf("%s: not UTF-8: %w", name, ErrInvalid)
	}
	if strings.IndexByte(s, 0) >= 0 {
		return fmt.Errorf("%s: holds a zero byte: %w", name, ErrInvalid)
	}
	return nil
}
