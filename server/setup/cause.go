package setup

import (
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"sagwatch/server/plant"
	"sagwatch/spc"
)

// Bounds of a reaction plan: what a screen at the line still shows.
const (
	mostSteps   = 30
	longestName = 120
	longestStep = 500
)

func readCause(n node) spc.Cause {
	f := n.object("id", "name", "looks_like", "fits", "plan", "retired")
	var c spc.Cause
	if v, ok := n.required(f, "id"); ok {
		c.ID = v.listID()
	}
	if v, ok := n.required(f, "name"); ok {
		c.Name = v.line(longestName)
	}
	if v, ok := f["looks_like"]; ok && !v.isNull() {
		c.LooksLike = v.line(longestStep)
	}
	if v, ok := f["fits"]; ok && !v.isNull() {
		c.Fits = readFits(v)
	}
	if v, ok := n.required(f, "plan"); ok {
		steps := v.list()
		if len(steps) == 0 || len(steps) > mostSteps {
			v.bad("a plan has 1 to %d steps, this one has %d", mostSteps, len(steps))
		}
		for _, s := range steps {
			c.Plan = append(c.Plan, s.line(longestStep))
		}
	}
	if v, ok := f["retired"]; ok {
		c.Retired = v.boolean()
	}
	return c
}

func readFits(n node) (f spc.Fits) {
	keys := n.object("kind", "extents", "changes", "characteristics")
	if v, ok := keys["kind"]; ok && !v.isNull() {
		f.Kind = oneOf(v, "glass", "gauge")
	}
	some := func(key string, known []string) (out []string) {
		v, ok := keys[key]
		if !ok || v.isNull() {
			return nil
		}
		for _, item := range v.list() {
			s := ""
			if known != nil {
				s = oneOf(item, known...)
			} else {
				s = item.line(longestName)
			}
			if slices.Contains(out, s) {
				item.bad("%q stands twice", s)
			}
			out = append(out, s)
		}
		return out
	}
	f.Extents = some("extents", spc.SignalExtents)
	f.Changes = some("changes", spc.SignalChanges)
	f.Characteristics = some("characteristics", nil)
	return f
}

func readAction(n node) spc.Action {
	f := n.object("id", "name", "retired")
	var a spc.Action
	if v, ok := n.required(f, "id"); ok {
		a.ID = v.listID()
	}
	if v, ok := n.required(f, "name"); ok {
		a.Name = v.line(longestName)
	}
	if v, ok := f["retired"]; ok {
		a.Retired = v.boolean()
	}
	return a
}

// listID reads an id that does not mean "in other words".
func (n node) listID() string {
	s := n.id()
	if s == spc.OtherCause {
		n.bad("%q is kept for what is not on the list; choose another id", s)
	}
	return s
}

// line reads words for a line of a page.
func (n node) line(most int) string {
	s := strings.Join(strings.Fields(n.text()), " ")
	if s == "" || len([]rune(s)) > most {
		n.bad("should be 1 to %d characters, is %d", most, len([]rune(s)))
	}
	return s
}

// checkCauses: two causes, or two actions, of one name could not be told apart in a choice.
func (p *Plant) checkCauses(c *plant.Catalogue, bad func(kind, id, format string, a ...any)) {
	causes, actions := map[string]string{}, map[string]string{}
	for id, v := range byID(c.Causes(), p.Causes, func(v spc.Cause) string { return v.ID }) {
		if !v.Retired {
			causes[id] = v.Name
		}
	}
	for id, v := range byID(c.Actions(), p.Actions, func(v spc.Action) string { return v.ID }) {
		if !v.Retired {
			actions[id] = v.Name
		}
	}
	check := func(kind, id, name string, all map[string]string) {
		for other, its := range all {
			if other != id && strings.EqualFold(its, name) {
				bad(kind, id, "%s %s has the name %q already", kind, other, its)
				return
			}
		}
	}
	for _, v := range p.Causes {
		if !v.Retired {
			check("cause", v.ID, v.Name, causes)
		}
	}
	for _, v := range p.Actions {
		if !v.Retired {
			check("action", v.ID, v.Name, actions)
		}
	}
}

func exportCause(c spc.Cause) yaml.MapSlice {
	var b, f build
	b.put("id", c.ID)
	b.put("name", c.Name)
	b.when(c.LooksLike != "", "looks_like", c.LooksLike)
	f.when(c.Fits.Kind != "", "kind", c.Fits.Kind)
	f.when(len(c.Fits.Extents) > 0, "extents", c.Fits.Extents)
	f.when(len(c.Fits.Changes) > 0, "changes", c.Fits.Changes)
	f.when(len(c.Fits.Characteristics) > 0, "characteristics", c.Fits.Characteristics)
	b.when(len(f) > 0, "fits", yaml.MapSlice(f))
	b.put("plan", c.Plan)
	b.when(c.Retired, "retired", true)
	return yaml.MapSlice(b)
}

func exportAction(a spc.Action) yaml.MapSlice {
	var b build
	b.put("id", a.ID)
	b.put("name", a.Name)
	b.when(a.Retired, "retired", true)
	return yaml.MapSlice(b)
}
