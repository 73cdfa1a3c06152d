// Package store keeps everything in PostgreSQL: definitions, measurements, what the fold found, people. It holds all
// SQL of the project and nothing but storage: no judging, no charts, no hashing of passwords.
//
// A public method is one transaction at READ COMMITTED, durable when it returns; nothing is retried inside, so that
// the caller knows what happened. Errors wrap ErrNotFound, ErrExists, ErrConflict or ErrInvalid where these apply.
//
// Times are kept to the microsecond, PostgreSQL's resolution. A measurement whose times are finer is refused, never
// rounded: rounding is for the decoder, before the content is hashed.
package store
