package server

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"sagwatch/server/present"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// lineSignals is how many signals the board reads at most; it lists fewer and counts the rest.
const lineSignals = 200

// backAfter is how many quiet points in a row let the board say that a stream has come back.
const backAfter = 5

// showLine handles GET /: the supervisor's board.
func (s *Server) showLine(w http.ResponseWriter, r *http.Request) error {
	f := s.frame(r, "Line", ui.AtLine)
	f.Live, f.Plots = "/live", true
	facts, err := s.lineFacts(r.Context(), f.Lengths)
	if err != nil {
		return err
	}
	m := present.Line(facts)
	m.Frame = f
	return s.render(w, r, http.StatusOK, m.Page())
}

func (s *Server) lineFacts(ctx context.Context, lengths ui.Lengths) (present.LineFacts, error) {
	c := s.catalogue.Load()
	f := present.LineFacts{Now: s.now(), Lengths: lengths, Charts: map[string]spc.Chart{}}
	f.Shift = present.ShiftAt(c.Site(s.site).Shifts, f.Now)
	f.Done, f.Of = s.progress.now()
	for _, chart := range s.charts() {
		f.Charts[chart.ID] = chart
	}
	var err error
	if f.Signals, f.Latest, err = s.lineSignals(ctx, f.Shift); err != nil {
		return f, err
	}
	for _, p := range c.Presses() {
		if p.Retired {
			continue
		}
		facts, err := s.pressFacts(ctx, p, f.Shift)
		if err != nil {
			return f, err
		}
		f.Presses = append(f.Presses, facts)
	}
	if err := s.countedShift(ctx, &f); err != nil {
		return f, err
	}
	f.Gauges, err = s.gaugesFacts(ctx)
	return f, err
}

// countedShift turns to the shift before while no panel of the present one has left the lehr: an empty table helps nobody.
func (s *Server) countedShift(ctx context.Context, f *present.LineFacts) error {
	for i := range f.Presses {
		if f.Presses[i].Counts.Total() > 0 {
			return nil
		}
	}
	before := present.ShiftAt(s.catalogue.Load().Site(s.site).Shifts, f.Shift.From.Add(-time.Second))
	counts, barred, any := make([]store.Counts, len(f.Presses)), make([]store.Counts, len(f.Presses)), false
	for i := range f.Presses {
		var err error
		if counts[i], barred[i], err = s.shiftCounts(ctx, f.Presses[i].Def.ID, before); err != nil {
			return err
		}
		any = any || counts[i].Total() > 0
	}
	if !any {
		return nil
	}
	f.Shift, f.Before = before, true
	for i := range f.Presses {
		f.Presses[i].Counts, f.Presses[i].Barred = counts[i], barred[i]
	}
	return nil
}

// lineSignals reads the signals that stand and those of the shift, newest first, and the newest of all.
func (s *Server) lineSignals(ctx context.Context, shift present.Shift) (all []store.Signal, latest *store.Signal, err error) {
	all, err = s.store.Signals(ctx, s.site, store.SignalFilter{States: []string{store.SignalOpen, store.SignalAcknowledged}, Limit: lineSignals})
	if err != nil {
		return nil, nil, err
	}
	ofShift, err := s.store.Signals(ctx, s.site, store.SignalFilter{States: []string{store.SignalClosed}, From: shift.From, Limit: lineSignals})
	if err != nil {
		return nil, nil, err
	}
	all = append(all, ofShift...)
	for i := range all {
		g := &all[i]
		// The fold keeps a signal open to be extended for twenty quiet points; a board that says "lies beyond" must look at the
		// latest ones.
		g.Ended = g.Ended || s.watch.Quiet(g.Press, g.Gauge, g.Chart, g.Stream) >= backAfter
	}
	slices.SortFunc(all, func(a, b store.Signal) int {
		if d := b.At.Compare(a.At); d != 0 {
			return d
		}
		return strings.Compare(a.ID, b.ID)
	})
	if len(all) > 0 {
		return all, &all[0], nil
	}
	before, err := s.store.Signals(ctx, s.site, store.SignalFilter{States: []string{store.SignalClosed}, Limit: 1})
	if err != nil || len(before) == 0 {
		return nil, nil, err
	}
	return nil, &before[0], nil
}

// pressFacts gathers one press: what its latest panel was, the last hours of its charts, the counts of the shift.
func (s *Server) pressFacts(ctx context.Context, p *spc.Press, shift present.Shift) (present.PressFacts, error) {
	f := present.PressFacts{Def: p, Charted: p.StandardCharts == nil || *p.StandardCharts, Last: s.watch.LastAt(p.ID, ""), Moulds: map[string]watch.Series{}}
	latest, _, err := s.store.Measurements(ctx, s.site, store.MeasurementFilter{Press: p.ID, CountedOnly: true, Descending: true, Limit: 1})
	if err != nil {
		return f, err
	}
	if len(latest) > 0 {
		f.Product = latest[0].Product
	}
	if f.Counts, f.Barred, err = s.shiftCounts(ctx, p.ID, shift); err != nil {
		return f, err
	}
	if f.Last.IsZero() || f.Product == "" {
		return f, nil
	}
	cycles, moulds := present.LineCharts(p.ID, f.Product)
	from, to := f.Last.Add(-present.LineSpan), f.Last.Add(1)
	if f.Cycles, err = s.lineSeries(ctx, p.ID, cycles, "press:"+p.ID, from, to); err != nil {
		return f, err
	}
	for _, name := range p.Moulds {
		if f.Moulds[name], err = s.lineSeries(ctx, p.ID, moulds, "mould:"+name, from, to); err != nil {
			return f, err
		}
	}
	log, err := s.store.LimitsLog(ctx, s.site, cycles, time.Time{})
	if err != nil {
		return f, err
	}
	if n := len(log); n > 0 {
		f.Limits = &log[n-1]
	}
	return f, nil
}

// lineSeries reads the points of one stream; a press that is not watched yet, since it was defined just now, has none.
func (s *Server) lineSeries(ctx context.Context, press, chart, stream string, from, to time.Time) (watch.Series, error) {
	points, err := s.watch.Series(ctx, press, "", chart, stream, from, to)
	if errors.Is(err, watch.ErrUnknown) {
		return watch.Series{}, nil
	}
	return points, err
}

// shiftCounts counts the panels of a press that its curvature gauges measured; those that only a gauge of dimensions saw would count
// a panel twice. Barred are those of them that a hold keeps from being good.
func (s *Server) shiftCounts(ctx context.Context, press string, shift present.Shift) (sum, barred store.Counts, err error) {
	q := store.CountQuery{Press: press, From: shift.From, To: shift.To}
	curved := 0
	for _, g := range s.catalogue.Load().Gauges() {
		if g.Kind == spc.Dimensions {
			continue
		}
		curved++
		q.Gauge = g.ID
		n, err := s.store.VerdictCounts(ctx, s.site, q)
		if err != nil {
			return sum, barred, err
		}
		b, err := s.store.BarredCounts(ctx, s.site, q)
		if err != nil {
			return sum, barred, err
		}
		barred.Conforms += b.Conforms
		barred.Undecided += b.Undecided
		barred.DoesNotConform += b.DoesNotConform
		barred.NotJudged += b.NotJudged
		sum.Conforms += n.Conforms
		sum.Undecided += n.Undecided
		sum.DoesNotConform += n.DoesNotConform
		sum.NotJudged += n.NotJudged
	}
	if curved == 0 {
		q.Gauge = ""
		if sum, err = s.store.VerdictCounts(ctx, s.site, q); err != nil {
			return sum, barred, err
		}
		barred, err = s.store.BarredCounts(ctx, s.site, q)
		return sum, barred, err
	}
	return sum, barred, nil
}

// gaugesFacts gathers the last measurement and the last master check of every gauge.
func (s *Server) gaugesFacts(ctx context.Context) (out []present.GaugeFacts, err error) {
	for _, g := range s.catalogue.Load().Gauges() {
		if g.Retired {
			continue
		}
		f := present.GaugeFacts{Def: g, Shifts: s.catalogue.Load().Site(s.site).Shifts, Zone: s.zone()}
		if f.Doubtful, err = s.doubtful(ctx, g.ID); err != nil {
			return nil, err
		}
		last, err := s.store.LatestPanels(ctx, s.site, "", g.ID, 1)
		if err != nil {
			return nil, err
		}
		if len(last) > 0 {
			f.Last = &last[0]
		}
		if f.Master, err = s.lastMaster(ctx, g); err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, nil
}

// lastMaster finds the latest master check of a gauge; nil when there is none.
func (s *Server) lastMaster(ctx context.Context, g *spc.Gauge) (*store.Row, error) {
	// By the masters' serials, which have an index: among the panels of the line the few master checks would be sought for long.
	var last *store.Row
	for _, m := range g.Masters {
		rows, _, err := s.store.Measurements(ctx, s.site, store.MeasurementFilter{Gauge: g.ID, Panel: m.Panel, Purpose: spc.MasterCheck, Descending: true, Limit: 1})
		if err != nil {
			return nil, err
		}
		if len(rows) > 0 && (last == nil || rows[0].MeasuredAt.After(last.MeasuredAt)) {
			last = &rows[0]
		}
	}
	return last, nil
}
