package server

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strings"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
)

// standsNow is the uncertainty that is defined now where a proposal would stand.
func (s *Server) standsNow(p *report.StudyProposal) (float64, bool) {
	c, now := s.catalogue.Load(), s.cfg.Now()
	if p.Of == plant.KindProduct {
		if product, _ := c.Product(p.ID, now); product != nil {
			for _, x := range product.Characteristics {
				if x.Name == p.Field && x.U != nil {
					return *x.U, true
				}
			}
		}
		return 0, false
	}
	g, _ := c.Gauge(p.ID, now)
	switch {
	case g == nil:
	case p.Field == "probe_u_um" && g.ProbeUUM != nil:
		return *g.ProbeUUM, true
	case p.Field == "place_u_um":
		return g.PlaceUUM, true
	case p.Field == "radius_u_mm":
		return g.RadiusUMM, true
	}
	return 0, false
}

// adopted is the definition in force now with the uncertainty in it.
func (s *Server) adopted(p *report.StudyProposal, u float64) (json.RawMessage, error) {
	c, now := s.catalogue.Load(), s.cfg.Now()
	if p.Of == plant.KindProduct {
		product, _ := c.Product(p.ID, now)
		if product == nil || product.Retired {
			return nil, &Trouble{Status: http.StatusConflict, Say: "Product " + p.ID + " is not in use any more; nothing was adopted."}
		}
		v := *product
		v.Characteristics = append([]spc.Characteristic(nil), product.Characteristics...)
		for i := range v.Characteristics {
			if v.Characteristics[i].Name == p.Field {
				v.Characteristics[i].U = &u
				return json.Marshal(v)
			}
		}
		return nil, &Trouble{Status: http.StatusConflict, Say: "Product " + p.ID + " has no characteristic " + p.Field + " any more; nothing was adopted."}
	}
	g, _ := c.Gauge(p.ID, now)
	if g == nil || g.Retired {
		return nil, &Trouble{Status: http.StatusConflict, Say: "Gauge " + p.ID + " is not in use any more; nothing was adopted."}
	}
	v := *g
	switch p.Field {
	case "probe_u_um":
		v.ProbeUUM = &u
	case "place_u_um":
		v.PlaceUUM = u
	case "radius_u_mm":
		v.RadiusUMM = u
	default:
		return nil, fmt.Errorf("a gauge has no %q to adopt", p.Field)
	}
	return json.Marshal(v)
}

// doStudyAdopt handles POST /studies/{id}/adopt: proposal, value, reason. It makes a new revision of the gauge, or of the product
// whose characteristic the gauge measures.
func (s *Server) doStudyAdopt(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	v, readings, err := s.study(r)
	if err != nil {
		return err
	}
	if v.State != store.StudyCollected && v.State != store.StudyAdopted {
		return &Trouble{Status: http.StatusConflict, Say: "The study is " + v.State + ": only one that is complete can be adopted."}
	}
	in, err := s.studyInputs(r, &v, readings)
	if err != nil {
		return err
	}
	sent := studySent{adopt: true, typed: map[string]string{}}
	for _, name := range []string{"proposal", "value", "reason"} {
		sent.typed[name] = strings.TrimSpace(r.PostFormValue(name))
	}
	bad := func(field, name, short string) {
		sent.wrong = append(sent.wrong, present.Wrong{Field: field, Name: name, Text: ": " + short, Short: short})
	}
	var chosen *report.StudyProposal
	proposals := report.AnalyseStudy(in).Proposals
	for i := range proposals {
		if proposals[i].Field == sent.typed["proposal"] {
			chosen = &proposals[i]
		}
	}
	if chosen == nil {
		bad("proposal", "What", "Choose what is to be adopted.")
	}
	u := 0.0
	if chosen != nil {
		u = present.Proposed(chosen.Value)
	}
	if text := sent.typed["value"]; text != "" {
		x, ok := present.TypedValue(text)
		if !ok || !(x > 0) || math.IsInf(x, 0) {
			bad("value", "Another value", "“"+cut(text, 40)+"” is not a number above zero.")
		}
		u = x
	}
	if sent.typed["reason"] == "" {
		bad("reason", "Reason", "A new revision needs its reason.")
	}
	if chosen != nil {
		if was, ok := s.standsNow(chosen); ok && was == u {
			bad("proposal", "What", "That is what stands there now: there is nothing to adopt.")
		}
	}
	if len(sent.wrong) > 0 {
		return s.renderStudy(w, r, http.StatusUnprocessableEntity, sent)
	}
	body, err := s.adopted(chosen, u)
	if err != nil {
		return err
	}
	a := present.Adoption{Kind: chosen.Of, ID: chosen.ID, Field: chosen.Field, Unit: chosen.Unit, Is: u}
	if was, ok := s.standsNow(chosen); ok {
		a.Was = &was
	}
	reason := fmt.Sprintf("gauge study %d: %s", v.ID, sent.typed["reason"])
	defs := []store.Definition{{Kind: chosen.Of, ID: chosen.ID, EffectiveFrom: micro(s.cfg.Now()), Body: body, Reason: reason, By: source(r.Context())}}
	err = s.store.AdoptStudy(r.Context(), s.site, v.ID, defs, store.StudyEntry{Reason: sent.typed["reason"], By: source(r.Context())}, func(stored []store.Definition) (json.RawMessage, error) {
		a.Revision = stored[0].Revision
		return json.Marshal(a)
	})
	if err != nil {
		return err
	}
	if err := s.loadDefinitions(r.Context()); err != nil {
		return err
	}
	http.Redirect(w, r, present.StudyHref(v.ID), http.StatusSeeOther)
	return nil
}
