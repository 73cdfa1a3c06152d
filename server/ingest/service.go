package ingest

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/store"
)

// Config of a Service.
type Config struct {
	Site      string
	Catalogue func() *plant.Catalogue // the definitions as they are now
	Committer *Committer
	Now       func() time.Time
}

// Service takes measurements in.
type Service struct {
	cfg   Config
	plans sync.Map // planKey -> *planned
	works sync.Pool
}

// Algorithm is the revision of the methods that work a panel out; it is stored with each row, and a change of any computed
// number makes a new one.
const Algorithm = 1

type planKey struct {
	gauge, product       string
	gaugeRev, productRev int
}

type planned struct {
	plan *judge.Plan
	err  error
}

// New makes a service.
func New(cfg Config) *Service {
	return &Service{cfg: cfg, works: sync.Pool{New: func() any { return judge.NewWork() }}}
}

// Result is the answer to one measurement, as the machine interface gives it.
type Result struct {
	Status         string      `json:"status"` // stored | duplicate | refused
	Index          *int        `json:"index,omitempty"`
	Line           *int        `json:"line,omitempty"`
	ID             int64       `json:"id,omitempty"`
	Panel          string      `json:"panel,omitempty"`
	RadiusMM       *float64    `json:"radius_mm,omitempty"`
	RadiusUMM      *float64    `json:"radius_u_mm,omitempty"`
	RadiusFitUMM   *float64    `json:"radius_fit_u_mm,omitempty"`
	RMSUM          *float64    `json:"rms_um,omitempty"`
	FormUM         *float64    `json:"form_um,omitempty"`
	MaxDeviationUM *float64    `json:"max_deviation_um,omitempty"`
	Verdict        spc.Verdict `json:"verdict,omitempty"`
	Reasons        []string    `json:"reasons,omitempty"`
	SuspectPlaces  []int       `json:"suspect_places,omitempty"`
	FaultyProbes   []int       `json:"faulty_probes,omitempty"`
	// OnHold tells that the panel is not good whatever the verdict says, by the Holds.
	OnHold  bool       `json:"on_hold,omitempty"`
	Holds   []HoldNote `json:"holds,omitempty"`
	Problem *Problem   `json:"problem,omitempty"`
}

// HoldNote is a hold that keeps a panel from being good, as it stands beside a verdict.
type HoldNote struct {
	ID       int64     `json:"id"`
	Reason   string    `json:"reason"`
	By       string    `json:"by"`
	Since    time.Time `json:"since"`
	Decision string    `json:"decision,omitempty"` // remeasure | rework | scrap; absent while nobody has decided
}

// Words says it as a reason.
func (n HoldNote) Words() string {
	switch n.Decision {
	case store.Scrap:
		return fmt.Sprintf("scrapped under hold %d: %s", n.ID, n.Reason)
	case store.Rework:
		return fmt.Sprintf("to be reworked under hold %d: %s", n.ID, n.Reason)
	}
	return fmt.Sprintf("on hold %d: %s", n.ID, n.Reason)
}

// Judged writes what was worked out from a measurement as a result.
func Judged(status string, id int64, panel string, r *spc.Result) Result {
	return Result{Status: status, ID: id, Panel: panel,
		RadiusMM: r.Values.Ptr(spc.RadiusMM), RadiusUMM: r.Values.Ptr(spc.RadiusUMM), RadiusFitUMM: r.Values.Ptr(spc.RadiusFitUMM),
		RMSUM: r.Values.Ptr(spc.RMSUM), FormUM: r.Values.Ptr(spc.FormUM), MaxDeviationUM: r.Values.Ptr(spc.MaxDeviationUM),
		Verdict: r.Verdict, Reasons: r.Reasons, SuspectPlaces: r.SuspectPlaces, FaultyProbes: r.FaultyProbes}
}

// Refused writes a problem as a result.
func Refused(panel string, p *Problem) Result {
	return Result{Status: "refused", Panel: panel, Problem: p}
}

// Prepare checks a message and works it out, ready to be stored.
func (s *Service) Prepare(m *Message, source string) (*store.Row, *Problem) {
	c, p := Check(m, s.cfg.Catalogue(), s.cfg.Now())
	if p != nil {
		return nil, p
	}
	row := &store.Row{Measurement: c.Measurement, LineAt: c.LineAt, LineEstimated: c.LineEstimated, Source: source,
		ContentHash: ContentHash(&c.Measurement), ProductRev: c.ProductRev, GaugeRev: c.GaugeRev, PressRev: c.PressRev, Algorithm: Algorithm}
	if c.PressDef != nil {
		row.Casting = c.PressDef.Fitted[c.Mould]
	}
	if p := s.Judge(c, &row.Result); p != nil {
		return nil, p
	}
	return row, nil
}

// Judge works a checked measurement out.
func (s *Service) Judge(c *Checked, out *spc.Result) *Problem {
	if c.GaugeDef.Kind == spc.Dimensions {
		judge.Dimensions(*c.GaugeDef, *c.ProductDef, &c.Measurement, out)
		return nil
	}
	plan, err := s.plan(c)
	if err != nil {
		return refuse("gauge", "gauge %s can't measure product %s: %s", c.Gauge, c.Product, err)
	}
	work := s.works.Get().(*judge.Work)
	defer s.works.Put(work)
	if c.Purpose == spc.MasterCheck {
		master, _ := c.GaugeDef.Master(c.Panel)
		plan.Master(work, &master, c.Readings, c.MeasuredAt, out)
	} else {
		plan.Judge(work, c.Readings, c.MeasuredAt, out)
	}
	// The row keeps no per-place figures: they follow from the readings and are worked out anew when somebody looks.
	out.DeviationsUM, out.ResidualsUM = nil, nil
	return nil
}

// plan finds the compiled pair of gauge and product.
func (s *Service) plan(c *Checked) (*judge.Plan, error) {
	key := planKey{c.Gauge, c.Product, c.GaugeRev, c.ProductRev}
	if p, ok := s.plans.Load(key); ok {
		return p.(*planned).plan, p.(*planned).err
	}
	plan, err := judge.Compile(*c.GaugeDef, *c.ProductDef)
	s.plans.Store(key, &planned{plan, err})
	return plan, err
}

// Answer turns what became of a row into its result.
func Answer(row *store.Row, o store.Outcome) Result {
	switch o.Status {
	case store.Stored:
		return Judged("stored", o.ID, row.Panel, &row.Result)
	case store.Duplicate:
		if o.Existing != nil {
			return Judged("duplicate", o.ID, row.Panel, &o.Existing.Result)
		}
		return Judged("duplicate", o.ID, row.Panel, &row.Result)
	}
	who := fmt.Sprintf("panel %s measured at %s", row.Panel, row.MeasuredAt.Format(time.RFC3339Nano))
	if row.Sequence != spc.NoSequence {
		who = fmt.Sprintf("series %q, sequence %d", row.Series, row.Sequence)
	}
	return Refused(row.Panel, &Problem{Type: TypeConflict, Title: "Another measurement has this identity", Status: 409, Existing: o.ID,
		Detail: fmt.Sprintf("gauge %s has already sent other content as %s; the first (id %d) stays, this one is kept as conflict %d for an engineer to resolve", row.Gauge, who, o.ID, o.Conflict)})
}

// Submit takes one message in and waits until it is durable.
func (s *Service) Submit(ctx context.Context, m *Message, source string) (Result, error) {
	res, _, err := s.Take(ctx, m, source)
	return res, err
}

// Take is Submit that gives the row as it was stored, too; nil when the message is refused.
func (s *Service) Take(ctx context.Context, m *Message, source string) (Result, *store.Row, error) {
	row, p := s.Prepare(m, source)
	if p != nil {
		return Refused(panelOf(m), p), nil, nil
	}
	type end struct {
		o   store.Outcome
		err error
	}
	done := make(chan end, 1)
	if err := s.cfg.Committer.Try(row, func(o store.Outcome, err error) { done <- end{o, err} }); err != nil {
		return Result{}, nil, err
	}
	select {
	case e := <-done:
		if e.err != nil {
			return Result{}, nil, e.err
		}
		return Answer(row, e.o), row, nil
	case <-ctx.Done():
		return Result{}, nil, ctx.Err()
	}
}

func panelOf(m *Message) string {
	if m.Panel == nil || len(*m.Panel) > 64 {
		return ""
	}
	return *m.Panel
}

// FromMeasurement writes a stored measurement as a message again, so that a correction starts from what was sent.
func FromMeasurement(m *spc.Measurement) Message {
	word := func(s string) *string {
		if s == "" {
			return nil
		}
		return &s
	}
	moment := func(t time.Time) *string {
		if t.IsZero() {
			return nil
		}
		return word(t.UTC().Format(time.RFC3339Nano))
	}
	number := func(v int64) *int64 {
		if v < 0 {
			return nil
		}
		return &v
	}
	out := Message{Gauge: word(m.Gauge), Panel: word(m.Panel), MeasuredAt: moment(m.MeasuredAt), Press: word(m.Press), Product: word(m.Product),
		Mould: word(m.Mould), Lane: word(m.Lane), Cycle: number(m.Cycle), PressedAt: moment(m.PressedAt), Series: word(m.Series),
		Sequence: number(m.Sequence), Purpose: word(string(m.Purpose)), Counts: m.Counts}
	if m.Readings != nil {
		out.Readings = append(Readings{}, m.Readings...)
	}
	for name, v := range m.Characteristics {
		if math.IsNaN(v) {
			continue
		}
		if out.Characteristics == nil {
			out.Characteristics = map[string]*float64{}
		}
		out.Characteristics[name] = &v
	}
	return out
}
