package report

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	lru "github.com/hashicorp/golang-lru/v2"
	"golang.org/x/sync/singleflight"

	"sagwatch/spc/capability"
)

// Changes tell whether measurements have changed.
type Changes struct {
	// Now is the moment of everything that was stored before the call; false where it cannot be found out.
	Now func(ctx context.Context) (moment uint64, ok bool)
	// Since tells whether measurements of a press with line times before to may have changed after a moment.
	Since func(moment uint64, press string, to time.Time) bool
}

const (
	// capabilitiesKept bounds the answers that are kept: a year of two characteristics holds some 20 MiB.
	capabilitiesKept = 4
	// capabilityPatience bounds a reading that nobody may wait for any more.
	capabilityPatience = 5 * time.Minute
)

// CapabilityCache keeps what the last capability questions gave for as long as nothing has changed that they read: their panels as long
// as no measurement of the period has, their figures as long as all inputs are the same. Several who ask the same at once share one
// reading.
type CapabilityCache struct {
	changes Changes
	kept    *lru.Cache[string, *keptCapability]
	flights singleflight.Group
}

// keptCapability is one question's panels, and the figures that were worked out last.
type keptCapability struct {
	moment uint64 // before it was read
	gather *capabilityGather

	mu     sync.Mutex
	digest [32]byte // of the inputs but the panels
	worked *Capability
}

// NewCapabilityCache makes an empty one.
func NewCapabilityCache(changes Changes) *CapabilityCache {
	kept, err := lru.New[string, *keptCapability](capabilitiesKept)
	if err != nil {
		panic(err) // the size is not above zero
	}
	return &CapabilityCache{changes: changes, kept: kept}
}

// Gather is GatherCapability.
func (c *CapabilityCache) Gather(ctx context.Context, src *Source, q CapabilityQuery, from, to time.Time, by string, at time.Time) (*CapabilityInputs, error) {
	k, err := c.panels(ctx, src, q, from, to)
	if err != nil {
		return nil, err
	}
	return k.gather.inputs(ctx, src, by, at)
}

// Work is GatherCapability and WorkCapability.
func (c *CapabilityCache) Work(ctx context.Context, src *Source, q CapabilityQuery, from, to time.Time, by string, at time.Time) (*Capability, error) {
	k, err := c.panels(ctx, src, q, from, to)
	if err != nil {
		return nil, err
	}
	in, err := k.gather.inputs(ctx, src, by, at)
	if err != nil {
		return nil, err
	}
	digest, err := in.digestButPanels()
	if err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.worked == nil || k.digest != digest {
		worked, err := WorkCapability(in)
		if err != nil {
			return nil, err
		}
		k.worked, k.digest = worked, digest
	}
	w := *k.worked
	w.CapabilityInputs = in // who asks, and when
	return &w, nil
}

// panels are those of a question as they stand now.
func (c *CapabilityCache) panels(ctx context.Context, src *Source, q CapabilityQuery, from, to time.Time) (*keptCapability, error) {
	asked, known := c.changes.Now(ctx)
	from, to, err := lot(ctx, src, &q, from, to)
	if err != nil {
		return nil, err
	}
	read := func(ctx context.Context, moment uint64) (*keptCapability, error) {
		g, err := gatherPanels(ctx, src, q, from, to)
		if err != nil {
			return nil, err
		}
		return &keptCapability{moment: moment, gather: g}, nil
	}
	if !known {
		return read(ctx, 0)
	}
	key, err := cacheKey(src, q, from, to)
	if err != nil {
		return nil, err
	}
	stale := func(k *keptCapability) bool { return k.moment < asked && c.changes.Since(k.moment, q.Press, to) }
	if k, ok := c.kept.Get(key); ok {
		if !stale(k) {
			return k, nil
		}
		c.kept.Remove(key)
	}
	for {
		// One who goes away must not take the answer from the others.
		flight := c.flights.DoChan(key, func() (any, error) {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), capabilityPatience)
			defer cancel()
			moment, known := c.changes.Now(ctx)
			k, err := read(ctx, moment)
			if err == nil && known {
				c.kept.Add(key, k)
			}
			if !known && err == nil {
				k.moment = asked // this reading began after the question, so it serves who began it
			}
			return k, err
		})
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case r := <-flight:
			if r.Err != nil {
				return nil, r.Err
			}
			// Who joined another's reading may know of changes that it did not see.
			if k := r.Val.(*keptCapability); !stale(k) {
				return k, nil
			}
		}
	}
}

// cacheKey tells questions apart, and the definitions by which they are read.
func cacheKey(src *Source, q CapabilityQuery, from, to time.Time) (string, error) {
	h := sha256.New()
	for _, r := range src.Catalogue.Revisions {
		fmt.Fprintf(h, "%q %q %d %d %d %x\n", r.Kind, r.ID, r.Number, r.EffectiveFrom.UnixMicro(), r.At.UnixMicro(), sha256.Sum256(r.Body))
	}
	err := json.NewEncoder(h).Encode(struct {
		Q        CapabilityQuery
		From, To time.Time
		Site     string
		Version  string
	}{q, from.UTC(), to.UTC(), src.Site, src.Version})
	return string(h.Sum(nil)), err
}

// digestButPanels tells inputs of the same panels apart by everything that figures are worked out from.
func (in *CapabilityInputs) digestButPanels() (d [32]byte, err error) {
	thin := *in
	thin.IssuedBy, thin.IssuedAt, thin.Raw, thin.Blocks = "", time.Time{}, nil, nil
	thin.Of = make([]CapabilityInput, len(in.Of))
	for i, of := range in.Of {
		of.Grid, of.LeftOut = capability.Grid{}, capability.Grid{}
		thin.Of[i] = of
	}
	b, err := json.Marshal(thin)
	return sha256.Sum256(b), err
}
