// Package storetest gives each test a database of its own.
package storetest

import (
	"testing"

	"sagwatch/store"
)

// New returns a migrated database that is this test's alone and is dropped when it passes.
func New(t testing.TB) *store.Store {
	t.Helper()
	t.Fatal("not available")
	return nil
}

// Main runs the tests and stops the private cluster at the end: func TestMain(m *testing.M) { storetest.Main(m) }.
func Main(m *testing.M) { m.Run() }
