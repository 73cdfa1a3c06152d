package watch

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"slices"
	"sort"
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
)

func foldName(press, gauge string) string {
	if press != "" {
		return "press/" + press
	}
	return "gauge/" + gauge
}

// Charts lists the charts of a press or of a gauge's master checks: the standard set, with hand-made charts added; one of
// the same id replaces.
func Charts(c *plant.Catalogue, press, gauge string) []spc.Chart {
	var out []spc.Chart
	far := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	if press != "" {
		p, _ := c.Press(press, far)
		if p == nil {
			return nil
		}
		if p.StandardCharts == nil || *p.StandardCharts {
			for _, product := range c.Products() {
				if product.Contour != nil && !product.Retired {
					out = append(out, monitor.StandardSet(*p, *product)...)
				}
			}
		}
	} else if g, _ := c.Gauge(gauge, far); g != nil {
		out = append(out, monitor.StandardGaugeCharts(*g)...)
	}
	for _, made := range c.Charts() {
		if made.Press != press || press == "" && made.Gauge != gauge || !made.Kind.WorkedOut() {
			continue
		}
		i := slices.IndexFunc(out, func(x spc.Chart) bool { return x.ID == made.ID })
		switch {
		case i >= 0 && made.Retired:
			out = slices.Delete(out, i, i+1)
		case i >= 0:
			out[i] = *made
		case !made.Retired:
			out = append(out, *made)
		}
	}
	return out
}

// configure collects everything beside the measurements that the fold depends on.
func (k *keeper) configure(ctx context.Context) (out monitor.Config, charts, all []byte, err error) {
	c := k.cfg.Catalogue()
	out = monitor.Config{Site: k.cfg.Site, Gauge: k.gauge, Charts: Charts(c, k.press, k.gauge)}
	if k.press != "" {
		out.Press, _ = c.Press(k.press, time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC))
	}
	posted, err := k.cfg.Store.PostedLimits(ctx, k.cfg.Site, "")
	if err != nil {
		return out, nil, nil, err
	}
	for _, p := range posted {
		if slices.ContainsFunc(out.Charts, func(x spc.Chart) bool { return x.ID == p.Chart }) {
			out.Posted = append(out.Posted, p)
		}
	}
	if out.Events, err = k.cfg.Store.Events(ctx, k.cfg.Site, store.EventFilter{Press: k.press, Gauge: k.gauge}); err != nil {
		return out, nil, nil, err
	}
	out.Events = append(out.Events, mouldChanges(c, k.press)...)
	fixes, err := k.cfg.Store.Fixes(ctx, k.cfg.Site, k.press, k.gauge)
	if err != nil {
		return out, nil, nil, err
	}
	for _, f := range fixes {
		out.Events = append(out.Events, fixed(f))
	}
	sort.SliceStable(out.Events, func(i, j int) bool { return out.Events[i].At.Before(out.Events[j].At) })
	if charts, err = digest(monitor.Config{Site: out.Site, Gauge: out.Gauge, Press: out.Press, Charts: out.Charts}); err != nil {
		return out, nil, nil, err
	}
	all, err = digest(out)
	return out, charts, all, err
}

func digest(c monitor.Config) ([]byte, error) {
	text, err := json.Marshal(c)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	return sum[:], nil
}

// fixed is a fix as the event that begins the same phase: of a mould that one's, of a gauge's charts that gauge's, else
// the whole press's.
func fixed(f store.Fix) spc.Event {
	e := spc.Event{Press: f.Press, Gauge: f.Gauge, Kind: "plunger-change", At: f.From, Text: "fixed", By: f.By}
	if mould, ok := strings.CutPrefix(f.Stream, "mould:"); ok {
		e.Kind, e.Mould = "mould-change", mould
	} else if f.Press == "" {
		e.Kind = "gauge-service"
	}
	return e
}

// mouldChanges finds in the revisions of a press where another casting was fitted: for the charts that is a mould change.
func mouldChanges(c *plant.Catalogue, press string) []spc.Event {
	var revisions []plant.Revision
	for _, r := range c.Revisions {
		if r.Kind == plant.KindPress && r.ID == press {
			revisions = append(revisions, r)
		}
	}
	sort.SliceStable(revisions, func(i, j int) bool { return revisions[i].EffectiveFrom.Before(revisions[j].EffectiveFrom) })
	var out []spc.Event
	var before spc.Press
	for i, r := range revisions {
		var p spc.Press
		if json.Unmarshal(r.Body, &p) != nil {
			continue // the catalogue has read it already, so this can't be
		}
		for _, station := range p.Moulds {
			if was, is := before.Fitted[station], p.Fitted[station]; i > 0 && was != is {
				out = append(out, spc.Event{Press: press, Kind: "mould-change", At: r.EffectiveFrom, Mould: station, Text: "casting " + is + " fitted", By: r.By})
			}
		}
		before = p
	}
	return out
}
