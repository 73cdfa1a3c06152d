package judge

import (
	"math"
	"strconv"

	"sagwatch/spc"
)

// Decide is the decision rule of ISO 14253-1 for one value with expanded uncertainty U = k u >= 0:
//
//	conforms          value - U >= lower and value + U <= upper
//	does-not-conform  value + U < lower or value - U > upper
//	undecided         otherwise
//
// A nil limit is not there; with neither the answer is not-judged. Source: ISO 14253-1:2017; k = 2 keeps both zones
// clear of the limits by the usual expanded uncertainty, k = 1.645 is the standard's one-sided 95 % (from memory).
func Decide(value, expanded float64, lower, upper *float64) spc.Verdict {
	switch {
	case lower == nil && upper == nil || math.IsNaN(value) || math.IsNaN(expanded) || expanded < 0:
		return spc.NotJudged
	case lower != nil && value+expanded < *lower, upper != nil && value-expanded > *upper:
		return spc.DoesNotConform
	case (lower == nil || value-expanded >= *lower) && (upper == nil || value+expanded <= *upper):
		return spc.Conforms
	}
	return spc.Undecided
}

// tally collects item verdicts.
type tally struct{ conforms, undecided, outside int }

func (t *tally) add(v spc.Verdict) {
	switch v {
	case spc.Conforms:
		t.conforms++
	case spc.Undecided:
		t.undecided++
	case spc.DoesNotConform:
		t.outside++
	}
}

// verdict of all items: any outside does not conform; else any undecided or suspect is undecided; else conforms; with
// nothing judged, not judged.
func (t *tally) verdict(suspects int) spc.Verdict {
	switch {
	case t.outside > 0:
		return spc.DoesNotConform
	case t.conforms+t.undecided == 0:
		return spc.NotJudged
	case t.undecided > 0 || suspects > 0:
		return spc.Undecided
	}
	return spc.Conforms
}

// appendItem appends an item, reusing what a former one points to.
func appendItem(res *spc.Result, name, unit string, lower, upper *float64) *spc.Item {
	if len(res.Items) < cap(res.Items) {
		res.Items = res.Items[:len(res.Items)+1]
	} else {
		res.Items = append(res.Items, spc.Item{})
	}
	it := &res.Items[len(res.Items)-1]
	*it = spc.Item{Name: name, Unit: unit, Lower: lower, Upper: upper, Verdict: spc.NotJudged, Value: it.Value, U: it.U}
	return it
}

// verdict judges every limit of the product and writes items, verdict and reasons.
func (p *Plan) verdict(w *Work, res *spc.Result) {
	var t tally
	for i := range p.limits {
		l := &p.limits[i]
		it := appendItem(res, l.c.String(), unitOf(l.c), l.lower, l.upper)
		v, ok := res.Values.Get(l.c)
		u, known := w.u.Get(l.c)
		setNumbers(it, v, ok, u, known)
		switch {
		case !ok:
			it.Why = p.whyAbsent(w, l.c)
		case !known:
			it.Why = whyUnknown(w, l.c)
		case l.upper == nil && (l.lower == nil || l.c == spc.MaxDeviationUM):
			it.Why = "there is no limit"
		case l.c == spc.MaxDeviationUM:
			it.Verdict = p.judgePlaces(w, res, l.upper)
		default:
			it.Verdict = Decide(v, p.K*u, l.lower, l.upper)
		}
		t.add(it.Verdict)
	}
	res.Verdict = t.verdict(len(res.SuspectPlaces))
	if res.Verdict != spc.Conforms {
		p.reasons(w, res)
	}
}

// setNumbers sets or clears the numbers that an item points to; they belong to the result.
func setNumbers(it *spc.Item, v float64, ok bool, u float64, known bool) {
	if !ok {
		it.Value = nil
	} else if it.Value == nil {
		it.Value = pointer(v)
	} else {
		*it.Value = v
	}
	if !known {
		it.U = nil
	} else if it.U == nil {
		it.U = pointer(u)
	} else {
		*it.U = u
	}
}

func pointer(v float64) *float64 { return &v }

func (p *Plan) whyAbsent(w *Work, c spc.Computed) string {
	switch {
	case p.gauge.Kind == spc.LocalRadius:
		return "a local-radius gauge finds no centre and no deviations"
	case c >= spc.BowUM && p.basis != nil:
		return "the good places do not determine it"
	case w.lack != "":
		return w.lack
	}
	return "it could not be worked out"
}

func whyUnknown(w *Work, c spc.Computed) string {
	switch c {
	case spc.RadiusUMM, spc.RadiusFitUMM, spc.RMSUM, spc.FormUM, spc.ContourRMSUM, spc.ContourPVUM, spc.MaxDeviationPlace:
		return "no uncertainty is worked out for it"
	}
	if w.lack != "" {
		return w.lack
	}
	return "its uncertainty is unknown: the gauge states no probe_u_um"
}

// judgePlaces is the rule of the largest deviation: inside only if |d_i| + k u_i <= limit at every place, outside if
// any |d_i| - k u_i > limit, with u_i^2 = probe_u^2 (1 - leverage_i) + place_u^2.
func (p *Plan) judgePlaces(w *Work, res *spc.Result, upper *float64) spc.Verdict {
	w.outside, w.close = w.outside[:0], w.close[:0]
	for k, i := range w.places {
		switch d, u := math.Abs(res.DeviationsUM[i]), p.K*w.placeU[k]; {
		case d-u > *upper:
			w.outside = append(w.outside, k)
		case !(d+u <= *upper):
			w.close = append(w.close, k)
		}
	}
	switch {
	case len(w.outside) > 0:
		return spc.DoesNotConform
	case len(w.close) > 0:
		return spc.Undecided
	}
	return spc.Conforms
}

// reasons are written worst first: what is outside, suspect places, what is too close to say, what nobody can judge.
func (p *Plan) reasons(w *Work, res *spc.Result) {
	add := func(v spc.Verdict) {
		for i := range res.Items {
			it := &res.Items[i]
			switch {
			case it.Verdict != v:
			case it.Name == spc.MaxDeviationUM.String() && v == spc.DoesNotConform:
				res.Reasons = append(res.Reasons, p.placesReason(w, res, w.outside, v, *it.Upper))
			case it.Name == spc.MaxDeviationUM.String():
				res.Reasons = append(res.Reasons, p.placesReason(w, res, w.close, v, *it.Upper))
			default:
				res.Reasons = append(res.Reasons, itemReason(nameOf(it.Name), it, p.K))
			}
		}
	}
	add(spc.DoesNotConform)
	p.suspectReasons(w, res)
	add(spc.Undecided)
	if res.Verdict == spc.NotJudged {
		notJudged(res, p.product.ID)
	}
}

// notJudged says why nothing is judged.
func notJudged(res *spc.Result, product string) {
	if len(res.Items) == 0 {
		if product == "" {
			res.Reasons = append(res.Reasons, "nothing is judged: there is no product")
			return
		}
		res.Reasons = append(res.Reasons, "nothing is judged: product "+product+" has no limits for this gauge")
		return
	}
	for i := range res.Items {
		it := &res.Items[i]
		res.Reasons = append(res.Reasons, nameOf(it.Name)+" is not judged: "+it.Why)
	}
}

func (p *Plan) suspectReasons(w *Work, res *spc.Result) {
	for _, place := range res.SuspectPlaces {
		for _, f := range w.test.suspects {
			if w.places[f.at] != place-1 {
				continue
			}
			side := "above"
			if f.amount < 0 {
				side = "below"
			}
			res.Reasons = append(res.Reasons, p.placeName(place)+" stands alone, "+micrometres(math.Abs(f.amount)*1e3)+" "+side+
				" the shape around it: a suspect place, seat the panel again and re-measure")
		}
	}
}

func (p *Plan) placeName(place int) string {
	return "place " + strconv.Itoa(place) + " (" + p.places[place-1].words + ")"
}

// placesReason names the worst of some places (indices among the good ones) and counts the others.
func (p *Plan) placesReason(w *Work, res *spc.Result, places []int, v spc.Verdict, limit float64) string {
	worst := places[0]
	for _, k := range places {
		if math.Abs(res.DeviationsUM[w.places[k]]) > math.Abs(res.DeviationsUM[w.places[worst]]) {
			worst = k
		}
	}
	d, doubt := res.DeviationsUM[w.places[worst]], p.K*w.placeU[worst]
	side := "high"
	if d < 0 {
		side = "low"
	}
	s := p.placeName(w.places[worst]+1) + " is " + rounded(math.Abs(d), doubt) + " µm " + side + ", "
	if v == spc.DoesNotConform {
		s += "beyond the limit of " + shortest(limit) + " µm by more than its uncertainty " + rounded(doubt, doubt) + " µm"
	} else {
		s += "too close to the limit of " + shortest(limit) + " µm to say: its uncertainty is " + rounded(doubt, doubt) + " µm"
	}
	switch more := len(places) - 1; {
	case more == 1:
		s += "; so is 1 more place"
	case more > 1:
		s += "; so are " + strconv.Itoa(more) + " more places"
	}
	return s
}
