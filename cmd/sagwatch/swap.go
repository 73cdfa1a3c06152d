package main

import (
	"net/http"
	"sync/atomic"
)

// swapper lets the service be made anew under an open listener, when a set-up file has named the site.
type swapper struct{ h atomic.Pointer[http.Handler] }

func (s *swapper) set(h http.Handler) { s.h.Store(&h) }

func (s *swapper) ServeHTTP(w http.ResponseWriter, r *http.Request) { (*s.h.Load()).ServeHTTP(w, r) }
