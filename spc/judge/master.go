package judge

import (
	"fmt"
	"math"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/surface"
)

// Master works out a reading of a master panel against its certificate; the plan is that of the gauge and the master's
// product. Everything that Judge gives is given too, but the deviations, and with them the shape terms and suspect
// places, are the errors after the seating alignment:
//
//	error_i = deviation_i - certified deviation_i
//	master_max_error_um = max |error_i|,   master_radius_error_mm = radius_mm - certified radius
//
// Without certified deviations they are zero: from the certified sphere where the contour is a sphere and the radius
// is certified, else from the nominal contour. master_max_error_um is judged by allowed_um as it stands, an agreed
// amount that holds the gauge's uncertainty; a local-radius gauge, which has no deviations, is judged by its radius error.
// A suspect place makes undecided of conforms.
func (p *Plan) Master(w *Work, m *spc.Master, readings []float64, at time.Time, res *spc.Result) {
	p.work(w, readings, at, m, res)
	if res.Refusal != "" {
		res.Items = res.Items[:0]
		appendItem(res, spc.MasterMaxErrorUM.String(), "um", nil, &m.AllowedUM).Why = res.Refusal
		return
	}
	var t tally
	radius, hasRadius := res.Values.Get(spc.RadiusMM)
	if hasRadius = hasRadius && m.RadiusMM != nil; hasRadius {
		radius -= *m.RadiusMM
		u, known := w.u.Get(spc.RadiusMM)
		if m.RadiusUMM != nil {
			u = math.Hypot(u, *m.RadiusUMM)
		}
		set(w, res, spc.MasterRadiusErrorMM, radius, unknown)
		it := appendItem(res, spc.MasterRadiusErrorMM.String(), "mm", nil, nil)
		setNumbers(it, radius, true, u, known)
		it.Why = "allowed_um is for the errors at the places"
		if p.gauge.Kind == spc.LocalRadius {
			allowed := m.AllowedUM * 1e-3
			it.Why, it.Upper = "", &allowed
			it.Lower = pointer(-allowed)
			it.Verdict = Decide(radius, 0, it.Lower, it.Upper)
			if it.Verdict == spc.DoesNotConform {
				res.Reasons = append(res.Reasons, "radius error "+rounded(radius, allowed)+" mm is beyond the "+shortest(allowed)+" mm allowed")
			}
		}
		t.add(it.Verdict)
	}
	if worst, ok := res.Values.Get(spc.MaxDeviationUM); ok {
		u, known := w.u.Get(spc.MaxDeviationUM)
		set(w, res, spc.MasterMaxErrorUM, worst, unknown)
		it := appendItem(res, spc.MasterMaxErrorUM.String(), "um", nil, &m.AllowedUM)
		setNumbers(it, worst, true, math.Hypot(u, m.UUM), known)
		it.Verdict = Decide(worst, 0, nil, it.Upper)
		if it.Verdict == spc.DoesNotConform {
			signed, _ := res.Values.Get(spc.MaxDeviationSignedUM)
			place, _ := res.Values.Get(spc.MaxDeviationPlace)
			side := "high"
			if signed < 0 {
				side = "low"
			}
			res.Reasons = append(res.Reasons, p.placeName(int(place))+" reads "+rounded(worst, m.AllowedUM/10)+" µm too "+side+
				"; "+shortest(m.AllowedUM)+" µm is allowed")
		}
		t.add(it.Verdict)
	}
	p.suspectReasons(w, res)
	if m.ValidTo != nil && at.After(*m.ValidTo) {
		res.Reasons = append(res.Reasons, "the certificate of master "+m.Panel+" ended on "+m.ValidTo.Format(time.DateOnly))
	}
	res.Verdict = t.verdict(len(res.SuspectPlaces))
	if res.Verdict == spc.NotJudged && len(res.Reasons) == 0 {
		res.Reasons = append(res.Reasons, "nothing is judged: master "+m.Panel+" has neither deviations nor a radius that this gauge reads")
	}
}

// certificate is the contour and the deviations (mm, of the good places) that a master's readings are compared with.
func (p *Plan) certificate(w *Work, m *spc.Master) (*surface.Surface, []float64, string) {
	if n := len(m.DeviationsUM); n != 0 {
		if n != len(p.places) {
			return nil, nil, fmt.Sprintf("the certificate of master %s has %d deviations for %d places", m.Panel, n, len(p.places))
		}
		w.target = w.target[:0]
		for _, i := range w.places {
			d := m.DeviationsUM[i] * 1e-3
			if math.IsNaN(d) || math.Abs(d) > maxSpan {
				return nil, nil, fmt.Sprintf("the certificate of master %s has no deviation for place %d", m.Panel, i+1)
			}
			w.target = append(w.target, d)
		}
		return p.contour, w.target, ""
	}
	if m.RadiusMM == nil || p.contour.Kind() != spc.ContourSphere {
		return p.contour, nil, ""
	}
	s, err := surface.New(spc.Contour{Kind: spc.ContourSphere, R: *m.RadiusMM})
	if err != nil {
		return nil, nil, fmt.Sprintf("the certificate of master %s: %v", m.Panel, err)
	}
	return s.OnSide(p.sideName()), nil, ""
}
