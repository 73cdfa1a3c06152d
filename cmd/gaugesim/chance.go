package main

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"time"
)

// chance gives random values that follow from the seed and from what they are for, never from what was drawn before: the
// plant is a function of time, so a gauge that starts again sees the same panels.
type chance uint64

func hashString(s string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(s))
	return h.Sum64()
}

// mix is the finaliser of SplitMix64 (G. Steele, D. Lea, C. Flood, OOPSLA 2014).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// rng for one purpose.
func (c chance) rng(what string, keys ...uint64) *rand.Rand {
	h := mix(uint64(c) ^ mix(hashString(what)))
	for _, k := range keys {
		h = mix(h ^ mix(k))
	}
	return rand.New(rand.NewPCG(h, mix(h)))
}

// drift is a smooth random function of time with mean 0 and standard deviation 1, steady over about a period: independent
// normal values a period apart, blended between by a half cosine and scaled to keep the deviation.
func (c chance) drift(what string, t time.Time, period time.Duration, keys ...uint64) float64 {
	at := float64(t.Sub(origin)) / float64(period)
	k := math.Floor(at)
	w := 0.5 - 0.5*math.Cos(math.Pi*(at-k))
	value := func(k float64) float64 {
		return c.rng(what, append(keys[:len(keys):len(keys)], uint64(int64(k)))...).NormFloat64()
	}
	return ((1-w)*value(k) + w*value(k+1)) / math.Hypot(1-w, w)
}

// between is uniform in [lo, hi).
func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

// sign is +1 or -1.
func sign(r *rand.Rand) float64 {
	if r.IntN(2) == 0 {
		return -1
	}
	return 1
}
