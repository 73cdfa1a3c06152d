package judge

import (
	"fmt"
	"math"

	"sagwatch/spc"
	"sagwatch/spc/surface"
)

// lay places every probe in the panel frame by what the gauge's readings mean.
func (p *Plan) lay() error {
	g := &p.gauge
	p.places = make([]place, len(g.Places))
	for i, at := range g.Places {
		for _, v := range [3]float64{at.X, at.Y, at.Z} {
			if math.IsNaN(v) || math.Abs(v) > maxSpan {
				return fmt.Errorf("place %d: (%g, %g, %g) is not a place", i+1, at.X, at.Y, at.Z)
			}
		}
	}
	var err error
	switch g.Kind {
	case spc.Radial:
		err = p.layRadial()
	case spc.Deviation:
		err = p.layDeviation()
	default:
		for i, at := range g.Places {
			p.places[i] = place{base: [3]float64{at.X, at.Y, 0}, dir: [3]float64{0, 0, 1}, xy: [2]float64{at.X, at.Y}}
		}
	}
	if err != nil {
		return err
	}
	if p.contour == nil {
		return nil
	}
	for i := range p.places {
		if _, ok := p.contour.Height(p.places[i].xy[0], p.places[i].xy[1]); !ok {
			return fmt.Errorf("place %d: (%g, %g) mm lies outside the nominal contour", i+1, p.places[i].xy[0], p.places[i].xy[1])
		}
	}
	return nil
}

// layRadial: the gauge's reference centre lies at (0, 0, apex distance) above the nominal apex; directions point to the
// glass.
func (p *Plan) layRadial() error {
	g := &p.gauge
	apex := g.ApexDistanceMM
	if apex == 0 && p.product.Contour != nil && p.product.Contour.Kind == spc.ContourSphere {
		apex = p.product.Contour.R
	}
	if !(apex >= 0 && apex <= maxSpan) {
		return fmt.Errorf("apex_distance_mm is %g; it must be above 0", apex)
	}
	if apex == 0 && p.contour != nil {
		return fmt.Errorf("apex_distance_mm is needed: product %s is not a sphere", p.product.ID)
	}
	up, down := 0, 0
	for _, at := range g.Places {
		switch {
		case at.Z > 0:
			up++
		case at.Z < 0:
			down++
		}
	}
	p.Mirrored = up == len(g.Places)
	for i, at := range g.Places {
		dir := [3]float64{at.X, at.Y, at.Z}
		switch {
		case at.Z == 0:
			if p.contour == nil {
				return fmt.Errorf("place %d: [x, y] through the nominal contour needs a product with a contour", i+1)
			}
			z, ok := p.contour.Height(at.X, at.Y)
			if !ok {
				return fmt.Errorf("place %d: (%g, %g) mm lies outside the nominal contour", i+1, at.X, at.Y)
			}
			dir[2] = z - apex
			if !(dir[2] < 0) {
				return fmt.Errorf("place %d: the contour at (%g, %g) mm lies above the gauge's reference centre; apex_distance_mm is %g", i+1, at.X, at.Y, apex)
			}
		case at.Z > 0 && !p.Mirrored:
			return fmt.Errorf("place %d: its direction points away from the glass (uz = %g) while others point to it; uz must be below 0", i+1, at.Z)
		case p.Mirrored:
			dir[2] = -dir[2]
		}
		l := math.Hypot(math.Hypot(dir[0], dir[1]), dir[2])
		if at.Z != 0 && math.Abs(l-1) > 0.01 {
			return fmt.Errorf("place %d: its direction has length %.4g; a direction has length 1", i+1, l)
		}
		for k := range dir {
			dir[k] /= l
		}
		pl := place{base: [3]float64{0, 0, apex}, dir: dir}
		reach := apex
		if apex == 0 {
			reach = 1
		}
		pl.xy = [2]float64{reach * dir[0], reach * dir[1]}
		if p.contour != nil {
			if at.Z == 0 {
				pl.xy = [2]float64{at.X, at.Y}
			} else if t, ok := meet(p.contour, pl.base, dir, apex); ok {
				pl.xy = [2]float64{t * dir[0], t * dir[1]}
			} else {
				return fmt.Errorf("place %d: its direction does not meet the nominal contour", i+1)
			}
		}
		p.places[i] = pl
	}
	return nil
}

// meet finds t near start with base + t dir on the contour, by Newton's method.
func meet(s *surface.Surface, base, dir [3]float64, start float64) (float64, bool) {
	t := start
	for range 50 {
		x, y := base[0]+t*dir[0], base[1]+t*dir[1]
		z, ok := s.Height(x, y)
		n, _ := s.Normal(x, y)
		slope := n[0]*dir[0] + n[1]*dir[1] + n[2]*dir[2]
		if !ok || math.Abs(slope) < 1e-3 {
			return 0, false
		}
		step := (base[2] + t*dir[2] - z) * n[2] / slope
		t -= step
		if math.Abs(step) < 1e-9*start {
			return t, t > 0
		}
	}
	return 0, false
}

// layDeviation: readings are heights above or below the master's contour.
func (p *Plan) layDeviation() error {
	g := &p.gauge
	master := p.contour
	if g.MasterContour != nil {
		s, err := surface.New(*g.MasterContour)
		if err != nil {
			return fmt.Errorf("master_contour: %w", err)
		}
		master = s.OnSide(p.product.Side)
	}
	if master == nil {
		return fmt.Errorf("deviation readings need master_contour, or a product with a contour")
	}
	sign := 1.0
	switch g.ReadingSign {
	case 0, 1:
	case -1:
		sign = -1
	default:
		return fmt.Errorf("reading_sign is %d; it must be 1 (above) or -1 (below)", g.ReadingSign)
	}
	for i, at := range g.Places {
		z, ok := master.Height(at.X, at.Y)
		if !ok {
			return fmt.Errorf("place %d: (%g, %g) mm lies outside the master's contour", i+1, at.X, at.Y)
		}
		dir := [3]float64{0, 0, sign}
		if g.DirectionNormal {
			n, _ := master.Normal(at.X, at.Y)
			dir = [3]float64{sign * n[0], sign * n[1], sign * n[2]}
		}
		p.places[i] = place{base: [3]float64{at.X, at.Y, z}, dir: dir, xy: [2]float64{at.X, at.Y}}
	}
	return nil
}

// describe fills in what follows from the places' x and y: quadrants, words, the corner.
func (p *Plan) describe() {
	var mx, my, far float64
	for i := range p.places {
		pl := &p.places[i]
		pl.row = -1
		if p.gauge.Places[i].Unused {
			continue
		}
		pl.row = len(p.used)
		p.used = append(p.used, pl.xy)
		mx, my = math.Max(mx, math.Abs(pl.xy[0])), math.Max(my, math.Abs(pl.xy[1]))
		if r := math.Hypot(pl.xy[0], pl.xy[1]); r > far {
			far, p.corner = r, pl.xy
		}
	}
	if p.product.CornerMM != nil {
		p.corner = *p.product.CornerMM
	}
	if p.contour != nil {
		p.h = math.Hypot(p.corner[0], p.corner[1])
	}
	for i := range p.places {
		pl := &p.places[i]
		pl.quadrant = quadrant(pl.xy, 1e-9*math.Max(mx, my))
		pl.words = words(pl.xy[0], mx, pl.xy[1], my)
	}
}

// quadrant numbers the quadrants anticlockwise from top right; a half-axis belongs to the quadrant that follows it, so
// that a cross of places fills all four. The centre is in none.
func quadrant(xy [2]float64, centre float64) int {
	x, y := xy[0], xy[1]
	if math.Abs(x) <= centre {
		x = 0
	}
	if math.Abs(y) <= centre {
		y = 0
	}
	switch {
	case x > 0 && y >= 0:
		return 0
	case x <= 0 && y > 0:
		return 1
	case x < 0 && y <= 0:
		return 2
	case x >= 0 && y < 0:
		return 3
	}
	return -1
}

var quadrantWords = [4]string{"top right", "top left", "bottom left", "bottom right"}

// words divides the extent of the used places into thirds.
func words(x, mx, y, my float64) string {
	row, column := "middle", "middle"
	switch {
	case y > my/3:
		row = "top"
	case y < -my/3:
		row = "bottom"
	}
	switch {
	case x > mx/3:
		column = "right"
	case x < -mx/3:
		column = "left"
	}
	if row == column {
		return row
	}
	return row + " " + column
}
