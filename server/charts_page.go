package server

import (
	"net/http"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// view is how the person of a request looks at things.
func (s *Server) view(r *http.Request) present.View {
	return present.View{Zone: s.zone(), Now: s.now(), Lengths: s.frame(r, "", "").Lengths}
}

// showCharts handles GET /charts.
func (s *Server) showCharts(w http.ResponseWriter, r *http.Request) error {
	open, err := s.openSignals(r)
	if err != nil {
		return err
	}
	byChart := map[string]int{}
	for i := range open {
		byChart[open[i].Chart]++
	}
	c := s.catalogue.Load()
	all := s.charts()
	for _, made := range c.Charts() {
		if !made.Kind.WorkedOut() && !made.Retired {
			all = append(all, *made)
		}
	}
	var groups []present.ChartGroup
	at := map[[3]string]int{}
	for _, chart := range all {
		key := [3]string{chart.Press, chart.Gauge, chart.Product}
		i, there := at[key]
		if !there {
			i, at[key] = len(groups), len(groups)
			groups = append(groups, present.ChartGroup{Press: chart.Press, Gauge: chart.Gauge, Product: chart.Product})
		}
		groups[i].Charts = append(groups[i].Charts, present.ChartOnList{Chart: chart, Product: s.productOf(chart), Streams: s.streamPoints(chart), Open: byChart[chart.ID]})
	}
	f := s.frame(r, "Charts", ui.AtCharts)
	f.Live = "/live"
	return s.render(w, r, http.StatusOK, present.Charts(s.view(r), f, groups, len(open)).Page())
}

// mostOpen bounds how many open signals a page looks at.
const mostOpen = 1000

func (s *Server) openSignals(r *http.Request) ([]store.Signal, error) {
	return s.store.Signals(r.Context(), s.site, store.SignalFilter{States: []string{store.SignalOpen}, Limit: mostOpen})
}

// productOf is the product of a chart as it is defined now; nil for none.
func (s *Server) productOf(c spc.Chart) *spc.Product {
	p, _ := s.catalogue.Load().Product(c.Product, s.cfg.Now())
	return p
}

// streamPoints lists a chart's streams with their latest points.
func (s *Server) streamPoints(c spc.Chart) []present.StreamPoint {
	var out []present.StreamPoint
	for _, l := range s.watch.Streams(c.Press, c.Gauge, c.ID) {
		out = append(out, present.StreamPoint{Stream: l.Stream, Point: l.Point})
	}
	return out
}
