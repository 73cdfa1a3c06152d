package server

import "net/http"

func (s *Server) notYet(http.ResponseWriter, *http.Request) error {
	return &Trouble{Status: http.StatusNotImplemented, Say: "Not built yet."}
}

func (s *Server) showSetUp(w http.ResponseWriter, r *http.Request) error     { return s.notYet(w, r) }
func (s *Server) doConflict(w http.ResponseWriter, r *http.Request) error    { return s.notYet(w, r) }
