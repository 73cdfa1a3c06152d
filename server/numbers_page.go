package server

import (
	"net/http"

	"sagwatch/server/present"
	"sagwatch/server/verify"
	"sagwatch/web/ui"
)

// showNumbers handles GET /setup/numbers.
func (s *Server) showNumbers(w http.ResponseWriter, r *http.Request) error {
	return s.render(w, r, http.StatusOK, present.Numbers(s.frame(r, "Where the numbers come from", ui.AtSetUp), verify.Released(), s.cfg.Version).Page())
}

// saveNumbers handles GET /setup/numbers.csv.
func (s *Server) saveNumbers(w http.ResponseWriter, _ *http.Request) error {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="numbers.csv"`)
	return verify.CSV(w, verify.Released())
}
