package store

import (
	"context"
	"encoding/binary"

	"github.com/jackc/pgx/v5/pgconn"

	"sagwatch/spc"
)

// execer is a pool or a transaction.
type execer interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}

// The order key in SQL: text columns are COLLATE "C", so byte order; no sequence is 2^53, so last; the hash has its
// top bit turned, because PostgreSQL has no unsigned numbers. Thus SQL's order of rows is spc.OrderKey.Compare.

func toOrder(sequence int64) int64 {
	if sequence < 0 {
		return spc.EverySequence
	}
	return sequence
}

func fromOrder(order int64) int64 {
	if order >= spc.EverySequence {
		return spc.NoSequence
	}
	return order
}

func toOrderHash(h uint64) int64   { return int64(h ^ 1<<63) }
func fromOrderHash(h int64) uint64 { return uint64(h) ^ 1<<63 }

// keyArgs are the seven parameters of an order key.
func keyArgs(k spc.OrderKey) []any {
	return []any{k.LineAt, k.Gauge, k.Series, toOrder(k.Sequence), k.Panel, k.MeasuredAt, toOrderHash(k.Hash)}
}

// shortHash is the part of a content hash that belongs to the order key.
func shortHash(content []byte) uint64 { return binary.BigEndian.Uint64(content) }
