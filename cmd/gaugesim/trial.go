package main

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/surface"
)

// trial is one scenario with one seed: a press, its product, its gauge and what goes wrong, drawn within ranges of the
// trade's size (common practice, no source).
type trial struct {
	scenario
	seed   uint64
	chance chance
	line   *line
	law    *law
	begin  time.Time // first panel pressed

	cycles  int
	missing []bool // by panel
	late    []bool // by panel: arrives after hours
	phaseI  int    // cycles until 200 complete ones are there
	onset   int    // first panel that the fault can touch
	end     int    // first panel that it no longer touches
	ramp    int    // panels until a drift has its size
	moulds  []int  // of the fault
	lane    int
	place   int
	sign    float64
	angle   float64 // direction of a plunger's coma
	singles map[int]bool
	event   int // panel at which a mould or plunger is changed, or the press stands; 0: none
	pause   time.Duration
	changed int // station of a changed mould

	contour     map[string]any
	places      [][2]float64
	cornerXY    [2]float64
	kind, unit  string
	probeUM     float64
	masterEvery time.Duration
}

// epoch is when all trials begin; nothing drawn depends on it.
var epoch = time.Date(2026, 2, 2, 6, 0, 0, 0, time.UTC)

const (
	baselineCycles = 200 // complete cycles that give a press its limits
	horizon        = 400 // cycles after which a fault counts as missed
)

// newTrial draws everything but the panels. number tells the trials of one run apart in the plant.
func newTrial(s scenario, seed uint64, number int) (*trial, error) {
	c := chance(mix(hashString(s.name)) ^ mix(seed))
	t := &trial{scenario: s, seed: seed, chance: c, begin: epoch}
	if err := t.drawPlant(number); err != nil {
		return nil, err
	}
	t.drawCourse()
	var err error
	t.law, err = newLaw(t)
	return t, err
}

// drawPlant draws the press, the product and the gauge.
func (t *trial) drawPlant(number int) error {
	r := t.chance.rng("score plant")
	id := fmt.Sprintf("%03d", number)
	l := &line{press: "S" + id, product: "F" + id, key: uint64(t.chance)}
	for i := range []int{7, 11, 14}[r.IntN(3)] {
		l.moulds = append(l.moulds, strconv.Itoa(i+1))
		l.castings = append(l.castings, fmt.Sprintf("M%s-%d", id, i+1))
	}
	for i := range 3 + r.IntN(4) { // none of 3 to 6 divides the number of moulds: every lane meets every mould
		l.lanes = append(l.lanes, strconv.Itoa(i+1))
	}
	l.takt = time.Duration(16+r.IntN(9)) * 500 * time.Millisecond
	l.lehr = time.Duration(60+r.IntN(61)) * time.Minute
	l.tells = r.IntN(3) > 0
	// Half the inside of the panel against its radius, as panels of the trade have it.
	l.radius = math.Round(between(r, 700, 1500))
	hx := l.radius * between(r, 0.20, 0.23)
	hy := hx * between(r, 0.70, 0.78)
	t.cornerXY = [2]float64{math.Round(hx * 1.04), math.Round(hy * 1.04)}
	l.corner = math.Hypot(t.cornerXY[0], t.cornerXY[1])
	contour := spc.Contour{Kind: spc.ContourSphere, R: l.radius}
	t.contour = map[string]any{"sphere": l.radius}
	if r.IntN(3) == 0 {
		// Curvatures apart by a few per cent, the mean as drawn.
		d := between(r, 0.01, 0.04)
		rx, ry := math.Round(l.radius/(1-d)), math.Round(l.radius/(1+d))
		contour = spc.Contour{Kind: spc.ContourBiradial, Rx: rx, Ry: ry}
		t.contour = map[string]any{"biradial": [2]float64{rx, ry}}
		l.radius = 2 / (1/rx + 1/ry)
	}
	var err error
	if l.surface, err = surface.New(contour); err != nil {
		return err
	}
	t.places = drawPlaces(t.chance, hx, hy)
	t.kind = []string{"radial", "axial", "deviation"}[r.IntN(3)]
	t.unit = "mm"
	resolution := 0.0005
	if t.kind == "deviation" && r.IntN(2) == 0 {
		t.unit, resolution = "um", 0.1
	}
	t.probeUM = math.Round(between(r, 2, 5)*10) / 10
	if l.gauge, err = newGauge("G"+id, t.kind, t.unit, t.places, t.probeUM, resolution, l); err != nil {
		return err
	}
	l.gauge.master = "MP" + id
	t.masterEvery = time.Duration([]int{1, 2, 4}[r.IntN(3)]) * time.Hour
	t.line = l
	return nil
}

// drawPlaces lays out 40 to 60 probes: rows and columns, rings, or scattered.
func drawPlaces(c chance, hx, hy float64) [][2]float64 {
	r := c.rng("score places")
	var out [][2]float64
	put := func(x, y float64) { out = append(out, [2]float64{math.Round(x*10) / 10, math.Round(y*10) / 10}) }
	switch r.IntN(3) {
	case 0:
		nx, ny := 7+r.IntN(2), 6+r.IntN(2)
		for j := range ny {
			for i := range nx {
				put(hx*(2*float64(i)/float64(nx-1)-1)+between(r, -3, 3), hy*(2*float64(j)/float64(ny-1)-1)+between(r, -3, 3))
			}
		}
	case 1:
		put(0, 0)
		for ring, n := range []int{6, 11, 14, 16} {
			turn := r.Float64()
			for i := range n {
				sin, cos := math.Sincos(2 * math.Pi * (float64(i) + turn) / float64(n))
				share := float64(ring+1) / 4
				put(hx*share*cos, hy*share*sin)
			}
		}
	default:
		// Even over the rectangle, no two close: the additive recurrence of the plastic number (M. Roberts, 2018), from memory.
		a, b := r.Float64(), r.Float64()
		for i := range 44 + r.IntN(9) {
			_, x := math.Modf(a + float64(i)*0.7548776662466927)
			_, y := math.Modf(b + float64(i)*0.5698402909980532)
			put(hx*(2*x-1), hy*(2*y-1))
		}
	}
	return out
}

// drawCourse draws how long the press runs, which panels are missing, and when, where and how the fault strikes.
func (t *trial) drawCourse() {
	r := t.chance.rng("score course")
	m := len(t.line.moulds)
	const most = 2000 // cycles for which missing panels are drawn
	t.drawMissing(most)
	complete := 0
	for j := 0; j < most && complete < baselineCycles; j++ {
		t.phaseI = j + 1
		if !slices.Contains(t.missing[j*m:(j+1)*m], true) {
			complete++
		}
	}
	settled := t.phaseI + 60 + r.IntN(91)
	c := cause{}
	if t.quiet() {
		t.cycles = t.phaseI + 700
		if t.has(withPlunger) {
			t.cycles += 200
		}
		t.onset, t.end = t.cycles*m, t.cycles*m
		t.event = (t.phaseI+60+r.IntN(60))*m + r.IntN(m)
	} else {
		c = causeNamed(t.cause)
		t.onset = settled*m + r.IntN(m)
		last := horizon
		if t.size == 0 || t.size >= 2 {
			last = 150 + r.IntN(251)
		}
		t.end = t.onset + last*m
		t.cycles = settled + last + 1
		if t.has(withRepair) {
			t.cycles += 120
		}
		if c.change == "drift" {
			t.ramp = (30 + r.IntN(91)) * m
		}
	}
	if t.has(withStop) {
		t.pause = time.Duration(between(r, 2, 5) * float64(time.Hour)).Truncate(time.Second)
	}
	if !t.has(withStop) && !t.has(withMouldChange) && !t.has(withPlunger) {
		t.event = 0
	}
	t.changed = r.IntN(m)
	if t.event > 0 && t.has(withMouldChange) {
		t.event += (t.changed - t.event%m + m) % m // the first panel of the new casting
	}
	t.moulds = r.Perm(m)
	switch c.extent {
	case "one-stream":
		t.moulds = t.moulds[:1]
	case "several-streams":
		t.moulds = t.moulds[:2+r.IntN(2)]
	}
	slices.Sort(t.moulds)
	t.lane, t.place = r.IntN(len(t.line.lanes)), r.IntN(len(t.places))
	t.sign, t.angle = sign(r), 2*math.Pi*r.Float64()
	if c.change == "single" {
		t.singles = map[int]bool{}
		for len(t.singles) < 8 {
			if n := t.onset + r.IntN(t.end-t.onset); !t.missing[n] {
				t.singles[n] = true
			}
		}
	}
	t.drawLate()
}

// drawMissing draws which panels never reach the gauge.
func (t *trial) drawMissing(cycles int) {
	r := t.chance.rng("score missing")
	m := len(t.line.moulds)
	t.missing = make([]bool, cycles*m)
	single, stretch := between(r, 0.001, 0.004), 0.0
	if t.has(withMissing) {
		single, stretch = between(r, 0.01, 0.02), between(r, 0.0005, 0.0015)
	}
	for n := range t.missing {
		if r.Float64() < single {
			t.missing[n] = true
		}
		if r.Float64() < stretch {
			for k := n; k < min(n+5+r.IntN(26), len(t.missing)); k++ {
				t.missing[k] = true
			}
		}
	}
	if !t.has(withIncomplete) {
		return
	}
	// One station is skipped for 10 to 40 cycles, then all run for 30 to 80.
	for j := 20 + r.IntN(40); j < cycles; {
		mould, last := r.IntN(m), j+10+r.IntN(31)
		for ; j < min(last, cycles); j++ {
			t.missing[j*m+mould] = true
		}
		j += 30 + r.IntN(51)
	}
}

// drawLate draws which panels lie for hours on the gauge's computer: single ones, and all of an hour.
func (t *trial) drawLate() {
	m := len(t.line.moulds)
	t.late = make([]bool, t.cycles*m)
	if !t.has(withLate) {
		return
	}
	r := t.chance.rng("score late")
	for n := range t.late {
		t.late[n] = r.Float64() < 0.02
	}
	from := (t.phaseI + 10 + r.IntN(200)) * m
	for n := from; n < min(from+int(time.Hour/t.line.takt), len(t.late)); n++ {
		t.late[n] = true
	}
}

// pressed is when panel n was pressed.
func (t *trial) pressed(n int) time.Time {
	at := t.begin.Add(time.Duration(n) * t.line.takt)
	if t.pause > 0 && n >= t.event {
		at = at.Add(t.pause)
	}
	return at
}

// measured is when the gauge reads panel n, to within a fifth of a takt.
func (t *trial) measured(n int) time.Time {
	r := t.chance.rng("score belt", uint64(n))
	return t.pressed(n).Add(t.line.lehr + time.Duration(between(r, -0.2, 0.2)*float64(t.line.takt))).Truncate(time.Millisecond)
}

// panelAt is the panel that the gauge reads next at a time.
func (t *trial) panelAt(at time.Time) int {
	d := at.Sub(t.begin) - t.line.lehr
	n := int(math.Ceil(float64(d) / float64(t.line.takt)))
	if t.pause > 0 && n > t.event {
		n = max(t.event, n-int(t.pause/t.line.takt))
	}
	return n
}

func (t *trial) serial(n int) string { return fmt.Sprintf("%s-%07d", t.line.press, n) }

// number is the panel of a serial of this trial.
func (t *trial) number(serial string) (int, bool) {
	rest, ok := strings.CutPrefix(serial, t.line.press+"-")
	n, err := strconv.Atoi(rest)
	return n, ok && err == nil && n >= 0 && n < t.cycles*len(t.line.moulds) && !t.missing[n]
}

// setUp gives the trial's objects for a set-up file.
func (t *trial) setUp() (product, press, gauge map[string]any) {
	l := t.line
	fitted := map[string]string{}
	for i, m := range l.moulds {
		fitted[m] = l.castings[i]
	}
	// Wide enough that charts, not limits of specification, find the faults.
	r := math.Round(l.radius*10) / 10
	product = map[string]any{"id": l.product, "contour": t.contour, "side": "concave", "corner_mm": t.cornerXY, "k": 2,
		"limits":              map[string]any{"radius_mm": [2]float64{r - 8, r + 8}, "max_deviation_um": 381},
		"minimum_good_points": len(t.places) * 4 / 5}
	press = map[string]any{"id": l.press, "takt_s": l.takt.Seconds(), "moulds": l.moulds, "lehr_minutes": l.lehr.Minutes(), "lanes": l.lanes,
		"fitted": fitted, "false_signals_per_shift": 1}
	master := map[string]any{"panel": l.gauge.master, "product": l.product, "u_um": 1, "allowed_um": math.Ceil(4.2 * t.probeUM), "valid_to": "2030-12-31"}
	if _, sphere := t.contour["sphere"]; sphere {
		master["radius_mm"], master["radius_u_mm"] = l.radius, 0.01
	}
	gauge = map[string]any{"id": l.gauge.id, "kind": t.kind, "unit": t.unit, "places": t.places, "probe_u_um": t.probeUM, "resolution": 1 / l.gauge.steps,
		"seating": []string{"z", "tilt_x", "tilt_y"}, "masters": []any{master}, "master_every_h": t.masterEvery.Hours()}
	if t.kind == "radial" {
		gauge["apex_distance_mm"] = l.radius
	}
	return product, press, gauge
}

// setUpFile is one set-up file for many trials.
func setUpFile(list []*trial) ([]byte, error) {
	var products, presses, gauges []any
	for _, t := range list {
		product, press, gauge := t.setUp()
		products, presses, gauges = append(products, product), append(presses, press), append(gauges, gauge)
	}
	return json.Marshal(map[string]any{"site": "SCORE", "time_zone": "UTC", "shifts": []string{"06:00", "14:00", "22:00"},
		"products": products, "presses": presses, "gauges": gauges})
}
