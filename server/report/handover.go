package report

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
)

// Bounds of what a hand-over keeps; beyond them it gives counts.
const (
	handOverSignals = 200
	handOverPanels  = 60
	handOverLimits  = 500
	handOverGaps    = 20
	handOverPoints  = 3000 // of one chart
	handOverCharts  = 6
	// handOverGap is how long a press may be without a measured panel before the hand-over says so.
	handOverGap = 15 * time.Minute
	// closedBack is how far back signals are looked for that were closed in the shift.
	closedBack = 31 * 24 * time.Hour
)

// HandOverQuery is what a hand-over is asked for.
type HandOverQuery struct {
	Press string `json:"press,omitempty"` // "": every press
}

// HandOverInputs is everything that a hand-over is made from.
type HandOverInputs struct {
	Head
	Shift     string               `json:"shift"`
	Presses   []HandOverPress      `json:"presses"`
	Gauges    []HandOverGauge      `json:"gauges"`
	Signals   []HandOverSignal     `json:"signals"` // those that stand, and those raised, closed or withdrawn in the shift; newest first
	More      bool                 `json:"more_signals,omitempty"`
	Limits    []HandOverLimit      `json:"limits"`
	Events    []spc.Event          `json:"events"`
	Waiting   []store.WaitingPanel `json:"waiting"`
	WaitAll   int                  `json:"waiting_all"` // of which Waiting are the first
	Holds     []HandOverHold       `json:"holds,omitempty"`
	Changes   []HandOverChange     `json:"changes"`
	Conflicts int                  `json:"conflicts"` // open ones of the site
	Gaps      []store.Gap          `json:"gaps"`
	Charts    []HandOverCycles     `json:"charts"`
	Behind    []string             `json:"behind,omitempty"` // presses whose charts were not up to date
}

// HandOverPress is one press with its counts.
type HandOverPress struct {
	ID          string          `json:"id"`
	LehrMinutes float64         `json:"lehr_minutes"`
	Moulds      []string        `json:"moulds"`
	Products    []string        `json:"products"`
	Counts      []HandOverCount `json:"counts"`          // by mould, in table order; measured by curvature gauges where there are any
	Barred      store.Counts    `json:"barred,omitzero"` // of the counts: panels that a hold keeps from being good
	Before      store.Counts    `json:"before"`          // of the shift before, as it stands now
	First       time.Time       `json:"first,omitzero"`  // line times of the first and the last panel measured
	Last        time.Time       `json:"last,omitzero"`
}

// HandOverCount is the counts of one mould.
type HandOverCount struct {
	Mould string `json:"mould"`
	store.Counts
}

// HandOverGauge is one gauge as it stood.
type HandOverGauge struct {
	ID       string      `json:"id"`
	Last     time.Time   `json:"last,omitzero"` // last measurement of any purpose
	Masters  bool        `json:"masters"`       // it has a master panel
	EveryH   float64     `json:"every_h"`
	Master   time.Time   `json:"master,omitzero"` // last master check
	Verdict  spc.Verdict `json:"verdict,omitempty"`
	ErrorUM  *float64    `json:"error_um,omitempty"`
	RadiusMM *float64    `json:"radius_error_mm,omitempty"`
	Allowed  float64     `json:"allowed_um"`
}

// HandOverSignal is a signal with its words.
type HandOverSignal struct {
	ID      string    `json:"id"`
	Press   string    `json:"press,omitempty"`
	Gauge   string    `json:"gauge,omitempty"`
	Product string    `json:"product,omitempty"`
	Of      string    `json:"of"` // characteristic by its key
	Kind    string    `json:"kind"`
	Stream  string    `json:"stream"`
	Words   string    `json:"words"`
	Panel   string    `json:"panel"`
	At      time.Time `json:"at"`
	LastAt  time.Time `json:"last_at"`
	Known   time.Time `json:"known"`
	Changed time.Time `json:"changed"`
	State   string    `json:"state"`
	Ended   bool      `json:"ended"`
	Value   Number    `json:"value"`
	Lower   Number    `json:"lower"`
	Upper   Number    `json:"upper"`
	Sigma   Number    `json:"sigma"`
	Cause   string    `json:"cause,omitempty"`  // of a closed one, in words, as named at its last closing
	Action  string    `json:"action,omitempty"` // likewise
}

// HandOverLimit is limits that came into force in the shift.
type HandOverLimit struct {
	Chart   string          `json:"chart"`
	Of      string          `json:"of"`
	Kind    string          `json:"kind"`
	Stream  string          `json:"stream"`
	From    time.Time       `json:"from"`
	Source  spc.LimitSource `json:"source"`
	Limits  spc.Limits      `json:"limits"`
	Reason  string          `json:"reason,omitempty"`
	By      string          `json:"by,omitempty"`
	Refused string          `json:"refused,omitempty"`
}

// HandOverChange is a revision of a definition that was stored or came into force in the shift.
type HandOverChange struct {
	Kind     string    `json:"kind"`
	ID       string    `json:"id"`
	Revision int       `json:"revision"`
	From     time.Time `json:"from"`
	At       time.Time `json:"at"`
	Reason   string    `json:"reason"`
	By       string    `json:"by"`
}

// HandOverCycles is the means of the cycles of one press and product.
type HandOverCycles struct {
	Press   string          `json:"press"`
	Product string          `json:"product"`
	Of      string          `json:"of"`
	RoundS  float64         `json:"round_s"` // one round of the table, s
	Points  []HandOverPoint `json:"points"`
	Dropped int             `json:"dropped,omitempty"` // older points that are not kept
}

// HandOverPoint is one charted point.
type HandOverPoint struct {
	At       time.Time       `json:"at"`
	Panel    string          `json:"panel"`
	Value    float64         `json:"value"`
	N        int             `json:"n"`
	Lower    Number          `json:"lower"`
	Centre   Number          `json:"centre"`
	Upper    Number          `json:"upper"`
	Source   spc.LimitSource `json:"source,omitempty"`
	Signal   bool            `json:"signal,omitempty"`
	Excluded string          `json:"excluded,omitempty"`
	Hollow   bool            `json:"hollow,omitempty"`
	Complete bool            `json:"complete"`
	Words    string          `json:"words,omitempty"` // of the rule completed here
}

// ErrBehind: the charts have not taken in all panels of the shift yet.
var ErrBehind = errors.New("the charts are not up to date yet")

// GatherHandOver reads what a hand-over of a shift is made from, with a bounded number of queries and rows. At is the moment of issue,
// in or after the shift; by is who issues it. Charts that are not up to date are told in Behind.
func GatherHandOver(ctx context.Context, src *Source, q HandOverQuery, shift plant.Shift, by string, at time.Time) (*HandOverInputs, error) {
	in, err := gatherHandOver(ctx, src, q, shift, by, at.UTC())
	if err != nil {
		return nil, fmt.Errorf("gather the hand-over of %s: %w", shift.Name, err)
	}
	return in, nil
}

func gatherHandOver(ctx context.Context, src *Source, q HandOverQuery, shift plant.Shift, by string, at time.Time) (*HandOverInputs, error) {
	name, zone := src.zone()
	query, err := json.Marshal(q)
	if err != nil {
		return nil, err
	}
	from, to := shift.From.UTC(), shift.To.UTC()
	in := &HandOverInputs{Shift: shift.Name, Head: Head{Kind: store.HandOverReport, Site: src.Site, Plant: src.Site, Zone: name, Press: q.Press, From: from, To: to, IssuedBy: by, IssuedAt: at, Version: src.Version, Query: query}}
	in.Title = "Hand-over of the " + shift.Name + " of " + from.In(zone).Format("Monday 2 January 2006") + ", " + pressesWords(q.Press)
	if err := in.presses(ctx, src, q.Press, zone); err != nil {
		return nil, err
	}
	if err := in.signals(ctx, src, q.Press); err != nil {
		return nil, err
	}
	if err := in.limits(ctx, src, q.Press); err != nil {
		return nil, err
	}
	if in.Events, err = src.Store.Events(ctx, src.Site, store.EventFilter{From: from, To: to}); err != nil {
		return nil, err
	}
	in.Events = slices.DeleteFunc(in.Events, func(e spc.Event) bool { return q.Press != "" && e.Press != "" && e.Press != q.Press })
	kinds := map[string]spc.GaugeKind{}
	for _, g := range src.Catalogue.Gauges() {
		kinds[g.ID] = g.Kind
	}
	if in.Waiting, in.WaitAll, err = src.Store.WaitingPanels(ctx, src.Site, q.Press, from, to, kinds, handOverPanels); err != nil {
		return nil, err
	}
	if err := in.holds(ctx, src, q.Press); err != nil {
		return nil, err
	}
	if in.Gaps, err = src.Store.Gaps(ctx, src.Site, q.Press, from, to, handOverGap, handOverGaps); err != nil {
		return nil, err
	}
	conflicts, err := src.Store.Conflicts(ctx, src.Site, true)
	if err != nil {
		return nil, err
	}
	in.Conflicts = len(conflicts)
	if err := in.gauges(ctx, src); err != nil {
		return nil, err
	}
	in.changes(src, q.Press)
	return in, in.cycles(ctx, src)
}

func pressesWords(press string) string {
	if press == "" {
		return "every press"
	}
	return "press " + press
}

// presses counts the panels of the shift and of the one before.
func (in *HandOverInputs) presses(ctx context.Context, src *Source, only string, zone *time.Location) error {
	before := plant.ShiftAt(src.Catalogue.Site(src.Site).Shifts, in.From.In(zone).Add(-time.Second))
	now, err := src.Store.CountsByMould(ctx, src.Site, in.From, in.To)
	if err != nil {
		return err
	}
	then, err := src.Store.CountsByMould(ctx, src.Site, before.From, before.To)
	if err != nil {
		return err
	}
	// A panel that a gauge of dimensions saw too is counted once, by its curvature, as on the board of the line.
	curved := map[string]bool{}
	for _, g := range src.Catalogue.Gauges() {
		if g.Kind != spc.Dimensions {
			curved[g.ID] = true
		}
	}
	counts := func(c *store.MouldCounts, press string) bool {
		return c.Press == press && (len(curved) == 0 || curved[c.Gauge])
	}
	for _, p := range src.Catalogue.Presses() {
		if only != "" && p.ID != only || only == "" && p.Retired {
			continue
		}
		h := HandOverPress{ID: p.ID, LehrMinutes: p.LehrMinutes, Moulds: p.Moulds}
		by := map[string]store.Counts{}
		for i := range now {
			c := &now[i]
			if !counts(c, p.ID) {
				continue
			}
			by[c.Mould] = plus(by[c.Mould], c.Counts)
			if !slices.Contains(h.Products, c.Product) {
				h.Products = append(h.Products, c.Product)
			}
			if h.First.IsZero() || c.First.Before(h.First) {
				h.First = c.First
			}
			if c.Last.After(h.Last) {
				h.Last = c.Last
			}
		}
		for _, m := range p.Moulds {
			if c, ok := by[m]; ok {
				h.Counts = append(h.Counts, HandOverCount{m, c})
				delete(by, m)
			}
		}
		var rest []string // moulds that are no longer in the set-up, and panels without a mould
		for m := range by {
			rest = append(rest, m)
		}
		slices.Sort(rest)
		for _, m := range rest {
			h.Counts = append(h.Counts, HandOverCount{m, by[m]})
		}
		for i := range then {
			if counts(&then[i], p.ID) {
				h.Before = plus(h.Before, then[i].Counts)
			}
		}
		slices.Sort(h.Products)
		in.Presses = append(in.Presses, h)
		in.define(src, plant.KindPress, p.ID)
		for _, product := range h.Products {
			in.define(src, plant.KindProduct, product)
		}
	}
	if only != "" && len(in.Presses) == 0 {
		return fmt.Errorf("press %q: %w", only, store.ErrNotFound)
	}
	return nil
}

// define names the revisions that were in force in the period, as far as it had come at the moment of issue.
func (in *HandOverInputs) define(src *Source, kind, id string) {
	at := in.To
	if in.IssuedAt.Before(at) {
		at = in.IssuedAt
	}
	_, zone := src.zone()
	words := revisionWords(kind, id, revisionsDuring(src.Catalogue, kind, id, in.From, at), zone)
	if words != "" && !slices.Contains(in.Definitions, words) {
		in.Definitions = append(in.Definitions, words)
	}
}

func plus(a, b store.Counts) store.Counts {
	return store.Counts{Conforms: a.Conforms + b.Conforms, DoesNotConform: a.DoesNotConform + b.DoesNotConform, Undecided: a.Undecided + b.Undecided, NotJudged: a.NotJudged + b.NotJudged}
}

// signals gathers those that stand, and those that were raised, closed or withdrawn in the shift.
func (in *HandOverInputs) signals(ctx context.Context, src *Source, press string) error {
	list, err := src.Store.Signals(ctx, src.Site, store.SignalFilter{States: []string{store.SignalOpen, store.SignalAcknowledged}, Limit: handOverSignals})
	if err != nil {
		return err
	}
	done, err := src.Store.Signals(ctx, src.Site, store.SignalFilter{States: []string{store.SignalClosed, store.SignalWithdrawn}, From: in.From.Add(-closedBack), Limit: handOverSignals})
	if err != nil {
		return err
	}
	closings, err := src.Store.Closings(ctx, src.Site, store.ParetoFilter{From: in.From.Add(-closedBack), To: in.To})
	if err != nil {
		return err
	}
	closed := map[string]*store.Closing{}
	for i := range closings {
		closed[closings[i].Signal] = &closings[i]
	}
	in.More = len(list) == handOverSignals || len(done) == handOverSignals
	inShift := func(t time.Time) bool { return !t.Before(in.From) && t.Before(in.To) }
	for _, g := range done {
		if inShift(g.At) || inShift(g.Changed) {
			list = append(list, g)
		}
	}
	charts := map[string][]spc.Chart{}
	for i := range list {
		g := &list[i]
		if press != "" && g.Press != "" && g.Press != press || !g.At.Before(in.To) {
			continue // of another press, or of the shift after
		}
		fold := g.Press + "/" + g.Gauge
		if _, ok := charts[fold]; !ok {
			charts[fold] = watch.Charts(src.Catalogue, g.Press, g.Gauge)
		}
		h := HandOverSignal{ID: g.ID, Press: g.Press, Gauge: g.Gauge, Product: g.Product, Stream: g.Stream, Words: g.Words, Panel: g.Panel, At: g.At, LastAt: g.LastAt, Known: g.Known, Changed: g.Changed,
			State: g.State, Ended: !g.Lasts(), Value: Number(g.Value), Lower: None, Upper: None, Sigma: Number(g.Limits.Sigma)}
		if c := closed[g.ID]; c != nil && g.State == store.SignalClosed {
			h.Cause, h.Action = c.Cause, c.Action
		}
		if g.Limits.HasLower {
			h.Lower = Number(g.Limits.Lower)
		}
		if g.Limits.HasUpper {
			h.Upper = Number(g.Limits.Upper)
		}
		for _, c := range charts[fold] {
			if c.ID == g.Chart {
				h.Of, h.Kind = c.Characteristic, string(c.Kind)
			}
		}
		in.Signals = append(in.Signals, h)
	}
	slices.SortStableFunc(in.Signals, func(a, b HandOverSignal) int {
		if d := b.At.Compare(a.At); d != 0 {
			return d
		}
		return strings.Compare(a.ID, b.ID)
	})
	return nil
}

// limits gathers those that came into force in the shift; of several words about one beginning the last.
func (in *HandOverInputs) limits(ctx context.Context, src *Source, press string) error {
	list, err := src.Store.LimitsOf(ctx, src.Site, press, in.From, in.To, handOverLimits)
	if err != nil {
		return err
	}
	all := map[string]spc.Chart{}
	for _, p := range src.Catalogue.Presses() {
		for _, c := range watch.Charts(src.Catalogue, p.ID, "") {
			all[c.ID] = c
		}
	}
	for _, g := range src.Catalogue.Gauges() {
		for _, c := range watch.Charts(src.Catalogue, "", g.ID) {
			all[c.ID] = c
		}
	}
	for _, l := range list {
		var how monitor.LimitsInForce
		if len(l.Body) > 0 {
			if err := json.Unmarshal(l.Body, &how); err != nil {
				return fmt.Errorf("limits of %s: %w", l.Chart, err)
			}
		}
		h := HandOverLimit{Chart: l.Chart, Stream: l.Stream, From: l.From, Source: l.Source, Limits: l.Limits, Reason: how.Reason, By: how.By, Refused: how.Refused}
		if c, ok := all[l.Chart]; ok {
			h.Of, h.Kind = c.Characteristic, string(c.Kind)
		}
		i := slices.IndexFunc(in.Limits, func(o HandOverLimit) bool {
			return o.Chart == h.Chart && o.Stream == h.Stream && o.From.Equal(h.From) && o.Source == h.Source
		})
		if i >= 0 {
			in.Limits[i] = h
		} else {
			in.Limits = append(in.Limits, h)
		}
	}
	slices.SortStableFunc(in.Limits, func(a, b HandOverLimit) int { return a.From.Compare(b.From) })
	return nil
}

// gauges gathers each gauge's last measurement and last master check.
func (in *HandOverInputs) gauges(ctx context.Context, src *Source) error {
	for _, g := range src.Catalogue.Gauges() {
		if g.Retired {
			continue
		}
		h := HandOverGauge{ID: g.ID, Masters: len(g.Masters) > 0, EveryH: g.MasterEveryH}
		last, err := src.Store.LatestPanels(ctx, src.Site, "", g.ID, 1)
		if err != nil {
			return err
		}
		if len(last) > 0 {
			h.Last = last[0].MeasuredAt
		}
		for _, m := range g.Masters { // by the masters' serials, which have an index
			rows, _, err := src.Store.Measurements(ctx, src.Site, store.MeasurementFilter{Gauge: g.ID, Panel: m.Panel, Purpose: spc.MasterCheck, Descending: true, Limit: 1})
			if err != nil {
				return err
			}
			if len(rows) == 0 || !rows[0].MeasuredAt.After(h.Master) {
				continue
			}
			r := &rows[0]
			h.Master, h.Verdict, h.Allowed = r.MeasuredAt, r.Result.Verdict, m.AllowedUM
			h.ErrorUM, h.RadiusMM = r.Result.Values.Ptr(spc.MasterMaxErrorUM), r.Result.Values.Ptr(spc.MasterRadiusErrorMM)
		}
		in.Gauges = append(in.Gauges, h)
		in.define(src, plant.KindGauge, g.ID)
	}
	return nil
}

// changes lists revisions of definitions that were stored or came into force in the shift.
func (in *HandOverInputs) changes(src *Source, press string) {
	within := func(t time.Time) bool { return !t.Before(in.From) && t.Before(in.To) }
	for _, r := range src.Catalogue.Revisions {
		if !within(r.At) && !within(r.EffectiveFrom) || press != "" && r.Kind == plant.KindPress && r.ID != press {
			continue
		}
		in.Changes = append(in.Changes, HandOverChange{Kind: r.Kind, ID: r.ID, Revision: r.Number, From: r.EffectiveFrom, At: r.At, Reason: r.Reason, By: r.By})
	}
	slices.SortStableFunc(in.Changes, func(a, b HandOverChange) int { return a.At.Compare(b.At) })
}

// cycles gathers the means of the cycles of the radius, for each press and product of the shift.
func (in *HandOverInputs) cycles(ctx context.Context, src *Source) error {
	folded := map[string]time.Time{}
	for _, l := range src.Lags() {
		folded[l.Fold] = l.LastAt
	}
	for i := range in.Presses {
		p := &in.Presses[i]
		if p.Last.IsZero() {
			continue
		}
		if folded["press/"+p.ID].Before(p.Last) {
			in.Behind = append(in.Behind, p.ID)
		}
		for _, c := range watch.Charts(src.Catalogue, p.ID, "") {
			if c.Kind != spc.CycleMean || c.Characteristic != spc.RadiusMM.String() || !slices.Contains(p.Products, c.Product) || len(in.Charts) == handOverCharts {
				continue
			}
			s, err := src.Series(ctx, p.ID, "", c.ID, "press:"+p.ID, in.From, in.To)
			if err != nil && !errors.Is(err, watch.ErrUnknown) {
				return err
			}
			h := HandOverCycles{Press: p.ID, Product: c.Product, Of: c.Characteristic}
			if def, _ := src.Catalogue.Press(p.ID, in.To); def != nil {
				h.RoundS = def.TaktS * float64(max(len(def.Moulds), 1))
			}
			h.Points = handOverPointsOf(append(slices.Clone(s.Points), s.Pending...))
			slices.SortStableFunc(h.Points, func(a, b HandOverPoint) int { return a.At.Compare(b.At) })
			if n := len(h.Points) - handOverPoints; n > 0 {
				h.Points, h.Dropped = h.Points[n:], n
			}
			if len(h.Points) > 0 {
				in.Charts = append(in.Charts, h)
			}
		}
	}
	return nil
}

// handOverPointsOf keeps what a drawing needs of points in line order. A point is part of a signal when one of the rules that were
// completed at it or after it counted it; a jump alone opens no signal.
func handOverPointsOf(all []monitor.Point) []HandOverPoint {
	out := make([]HandOverPoint, len(all))
	for i := range all {
		p := &all[i]
		h := HandOverPoint{At: p.At.UTC(), Panel: p.Panel, Value: p.Value, N: p.N, Lower: None, Centre: None, Upper: None, Source: p.Source, Excluded: p.Excluded, Hollow: p.Hollow, Complete: p.Complete}
		if l := p.Limits; p.Source != "" {
			if l.HasLower {
				h.Lower = Number(l.Lower)
			}
			if l.HasCentre {
				h.Centre = Number(l.Centre)
			}
			if l.HasUpper {
				h.Upper = Number(l.Upper)
			}
		}
		out[i] = h
	}
	for i := range all {
		for _, h := range all[i].Hits {
			if h.Rule == monitor.Jumped {
				continue
			}
			out[i].Signal, out[i].Words = true, h.Words
			for j, back := i, 0; j >= 0 && back < min(h.Back, 64); j-- {
				if all[j].Excluded != "" || all[j].Hollow {
					continue
				}
				if h.Mask>>back&1 == 1 {
					out[j].Signal = true
				}
				back++
			}
		}
	}
	return out
}
