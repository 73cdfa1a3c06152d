package monitor

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"slices"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/rules"
)

// form names the snapshot's form; it changes whenever the state or the way in which it is worked out does.
const form = "fold-3\n"

// Snapshot encodes the state: the same state always gives the same bytes. It holds a digest of the definitions, events
// and posted limits that can have told on it, and a checksum.
func (m *Monitor) Snapshot() ([]byte, error) {
	digest, err := m.digest()
	if err != nil {
		return nil, err
	}
	c := newWriter()
	c.bytes([]byte(form))
	c.bytes(digest[:])
	m.code(c)
	sum := sha256.Sum256(c.buf)
	return append(c.buf, sum[:8]...), nil
}

// Restore continues a fold from a snapshot: every later output is as that of the fold which wrote it. It refuses a
// damaged snapshot (ErrDamaged), and one made while definitions, events or posted limits that told on it were
// others (ErrStale): then an earlier one may serve.
func Restore(cfg Config, snapshot []byte) (*Monitor, error) {
	m, err := New(cfg)
	if err != nil {
		return nil, err
	}
	body := len(snapshot) - 8
	if body < len(form)+sha256.Size || !bytes.HasPrefix(snapshot, []byte(form)) {
		return nil, ErrDamaged
	}
	if sum := sha256.Sum256(snapshot[:body]); !bytes.Equal(sum[:8], snapshot[body:]) {
		return nil, ErrDamaged
	}
	c := newReader(snapshot[len(form):body])
	written := c.take(sha256.Size)
	// The key and the charts come first, so that the digest can be told before the rest is read by wrong definitions.
	m.codeHead(c)
	for m.nextEvent < len(m.events) && m.count > 0 && !m.events[m.nextEvent].At.After(moment(m.last.LineAt)) {
		m.nextEvent++
	}
	digest, err := m.digest()
	if err != nil {
		return nil, err
	}
	if c.failed {
		return nil, ErrDamaged
	}
	if !bytes.Equal(written, digest[:]) {
		return nil, ErrStale
	}
	m.codeBody(c)
	if c.failed || len(c.buf) > 0 {
		return nil, fmt.Errorf("%w: its length is not that of its content", ErrDamaged)
	}
	return m, nil
}

func (m *Monitor) code(c *codec) {
	m.codeHead(c)
	m.codeBody(c)
}

func (m *Monitor) codeHead(c *codec) {
	c.int64(&m.count)
	c.key(&m.last)
}

func (m *Monitor) codeBody(c *codec) {
	t := &m.cycle
	c.bool(&t.open)
	c.int64(&t.number)
	c.int64(&t.before)
	c.int(&t.place)
	c.time(&t.first)
	n := c.size(len(m.findings))
	if c.reading {
		for i := 0; i < n && !c.failed; i++ {
			m.findings = append(m.findings, &finding{})
			c.finding(m.findings[i])
		}
	} else {
		for _, f := range m.findings {
			c.finding(f)
		}
	}
	list(c, &m.log, (*codec).record)
	for _, cs := range m.charts {
		for _, cy := range cs.terms {
			cy.code(c)
		}
		streams := c.size(len(cs.streams))
		for i := 0; i < streams && !c.failed; i++ {
			var key string
			var member bool
			if !c.reading {
				key, member = cs.streams[i].key, cs.streams[i].member
			}
			c.string(&key)
			c.bool(&member)
			switch place, ok := m.places[key]; {
			case !c.reading:
			case !member:
				cs.begin(key)
			case ok && cs.def.Kind == spc.Group && i > 0:
				cs.member(place)
			default:
				c.fail()
			}
			if i < len(cs.streams) {
				cs.streams[i].code(c)
			}
		}
	}
}

func (c *codec) values(p *[]chart.StreamValue) {
	list(c, p, func(c *codec, v *chart.StreamValue) {
		c.int(&v.Stream)
		c.float(&v.Value)
	})
}

func (cy *cycles) code(c *codec) {
	list(c, &cy.now, func(c *codec, m *member) {
		c.int(&m.place)
		c.int(&m.casting)
		c.float(&m.x)
		c.float(&m.centre)
		c.bool(&m.has)
	})
	c.point(&cy.end)
	for i := range cy.casting {
		c.int(&cy.casting[i])
		c.bool(&cy.has[i])
		c.int(&cy.n[i])
	}
	c.int(&cy.castings)
	list(c, &cy.of, (*codec).int)
	if len(cy.of) != cy.castings {
		c.fail()
	}
	c.bool(&cy.fitted)
	c.float(&cy.level)
	c.floats(cy.centres)
	c.floats(cy.total)
	c.int(&cy.whole)
	c.floats(cy.wholeSum)
}

func (c *codec) point(p *point) {
	c.time(&p.at)
	c.string(&p.panel)
	c.int64(&p.measurement)
	c.string(&p.excluded)
	c.float(&p.value)
	c.int(&p.n)
	// Most points are single panels without any of the rest.
	more := p.effect != 0 || p.mean != 0 || p.spread != 0 || p.row != nil || p.unknown || p.guard != nil || p.hit != 0 || p.vec != nil
	c.bool(&more)
	if !more {
		return
	}
	c.float(&p.effect)
	c.float(&p.mean)
	c.float(&p.spread)
	c.values(&p.row)
	c.bool(&p.unknown)
	list(c, &p.vec, (*codec).float)
	guarded := p.guard != nil
	c.bool(&guarded)
	if guarded {
		if c.reading {
			p.guard = &spc.Limits{}
		}
		c.limits(p.guard)
	}
	hit := int(p.hit)
	c.int(&hit)
	p.hit = rules.Side(hit)
}

func (c *codec) figure(f *figure) {
	c.float(&f.value)
	c.float(&f.mean)
	c.float(&f.spread)
	c.int(&f.n)
	list(c, &f.vec, (*codec).float)
}

func (c *codec) state(st *rules.State) {
	c.float(&st.Last)
	for _, u := range []*uint64{&st.Points, &st.Above, &st.Below, &st.Upper1, &st.Lower1, &st.Upper2, &st.Lower2, &st.Zoned, &st.Up, &st.Down} {
		c.uint(u)
	}
}

// law writes limits in force, or that there are none.
func (c *codec) law(p **law) {
	has := *p != nil
	c.bool(&has)
	if !has {
		return
	}
	if c.reading {
		*p = &law{}
	}
	c.record(&(*p).record)
	list(c, &(*p).scales, (*codec).scale)
	c.bool(&(*p).fixed)
	c.group(&(*p).group)
	c.terms(&(*p).terms)
	c.counts(&(*p).counts)
}

// findingOf refers to one of the fold's findings by its place, from 1; 0 is none.
func (c *codec) findingOf(all []*finding, p **finding) {
	n := slices.Index(all, *p) + 1
	c.int(&n)
	if c.reading {
		*p = nil
		if n < 0 || n > len(all) {
			c.fail()
		} else if n > 0 {
			*p = all[n-1]
		}
	}
}

func (s *series) code(c *codec) {
	c.int(&s.phase)
	c.bool(&s.begun)
	c.bool(&s.due)
	list(c, &s.sub, (*codec).float)
	if s.member {
		// Its limits are the chart's.
		has := s.law != nil
		c.bool(&has)
		if c.reading && has {
			s.law = s.c.streams[0].law
		}
	} else {
		c.law(&s.law)
	}
	for _, l := range []*law{s.law, s.before} {
		if l != nil && several(s.c.def.Kind) && l.terms == nil {
			c.fail()
		}
		if l != nil && s.c.def.Kind == spc.Group && (l.group == nil || len(l.group.z) <= s.moulds() || len(l.group.own) > 0 && len(l.group.own) < s.moulds()) {
			c.fail()
		}
	}
	if s.law != nil && gathers(s.c.def.Kind) && len(s.law.scales) == 0 {
		c.fail()
	}
	list(c, &s.held, (*codec).point)
	c.int(&s.have)
	if !s.member {
		c.law(&s.before)
	}
	c.float(&s.guardSum)
	c.int(&s.guardN)
	list(c, &s.guardFinds, func(c *codec, f **finding) { c.findingOf(s.c.m.findings, f) })
	c.state(&s.state)
	c.course(s.c.def, &s.course)
	c.int(&s.average.n)
	list(c, &s.average.z, (*codec).float)
	list(c, &s.recent, (*codec).string)
	c.int(&s.judged)
	c.float(&s.prev)
	c.bool(&s.hasPrev)
	c.findingOf(s.c.m.findings, &s.open)
	c.int(&s.quiet)
	c.int(&s.nextPosted)
	if s.nextPosted < 0 || s.nextPosted > len(s.posted) {
		c.fail()
		s.nextPosted = 0
	}
	// Baselines of posted limits that have begun, by their identity: those posted for later may have changed since.
	begun := 0
	for i := s.nextPosted; i < len(s.posted); i++ {
		if len(s.gathered[s.posted[i].id]) > 0 {
			begun++
		}
	}
	begun = c.size(begun)
	if c.reading {
		for i := 0; i < begun && !c.failed; i++ {
			var id string
			var figures []figure
			c.string(&id)
			list(c, &figures, (*codec).figure)
			if s.gathered == nil {
				s.gathered = map[string][]figure{}
			}
			s.gathered[id] = figures
		}
		return
	}
	for i := s.nextPosted; i < len(s.posted); i++ {
		if figures := s.gathered[s.posted[i].id]; len(figures) > 0 {
			c.string(&s.posted[i].id)
			list(c, &figures, (*codec).figure)
		}
	}
}
