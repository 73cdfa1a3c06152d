package server

import "net/http"

func (s *Server) notYet(http.ResponseWriter, *http.Request) error {
	return &Trouble{Status: http.StatusNotImplemented, Say: "Not built yet."}
}

func (s *Server) showLine(w http.ResponseWriter, r *http.Request) error      { return s.notYet(w, r) }
func (s *Server) showGauges(w http.ResponseWriter, r *http.Request) error    { return s.notYet(w, r) }
func (s *Server) showGauge(w http.ResponseWriter, r *http.Request) error     { return s.notYet(w, r) }
func (s *Server) showKeyIn(w http.ResponseWriter, r *http.Request) error     { return s.notYet(w, r) }
func (s *Server) doKeyIn(w http.ResponseWriter, r *http.Request) error       { return s.notYet(w, r) }
func (s *Server) showCorrect(w http.ResponseWriter, r *http.Request) error   { return s.notYet(w, r) }
func (s *Server) doCorrect(w http.ResponseWriter, r *http.Request) error     { return s.notYet(w, r) }
func (s *Server) showVoid(w http.ResponseWriter, r *http.Request) error      { return s.notYet(w, r) }
func (s *Server) doVoid(w http.ResponseWriter, r *http.Request) error        { return s.notYet(w, r) }
func (s *Server) showPanels(w http.ResponseWriter, r *http.Request) error    { return s.notYet(w, r) }
func (s *Server) showPanel(w http.ResponseWriter, r *http.Request) error     { return s.notYet(w, r) }
func (s *Server) showCharts(w http.ResponseWriter, r *http.Request) error    { return s.notYet(w, r) }
func (s *Server) showChart(w http.ResponseWriter, r *http.Request) error     { return s.notYet(w, r) }
func (s *Server) doLimits(w http.ResponseWriter, r *http.Request) error      { return s.notYet(w, r) }
func (s *Server) showSignals(w http.ResponseWriter, r *http.Request) error   { return s.notYet(w, r) }
func (s *Server) showSignal(w http.ResponseWriter, r *http.Request) error    { return s.notYet(w, r) }
func (s *Server) doAcknowledge(w http.ResponseWriter, r *http.Request) error { return s.notYet(w, r) }
func (s *Server) doClose(w http.ResponseWriter, r *http.Request) error       { return s.notYet(w, r) }
func (s *Server) showSetUp(w http.ResponseWriter, r *http.Request) error     { return s.notYet(w, r) }
func (s *Server) doConflict(w http.ResponseWriter, r *http.Request) error    { return s.notYet(w, r) }
