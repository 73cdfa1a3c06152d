package proof

import (
	"errors"
	"math"

	"sagwatch/spc/sphere"
)

// sphereChecks compares sphere fits with 60-digit ones and with shapes whose sphere is known.
func sphereChecks(r *run) {
	r.sphereFits()
	r.exactSpheres()
	r.spherometer()
}

func (r *run) sphereFits() {
	var file struct {
		Cases []struct {
			Name        string
			Description string
			Points      []sphere.Point
			Expected    struct {
				Centre         [3]num
				Radius, SSR    num
				CofactorRadius num `json:"cofactor_radius"`
				SDRadius       num `json:"sd_radius"`
			}
		}
	}
	r.json("sphere/fits.json", &file)
	for _, c := range file.Cases {
		f, err := sphere.FitPoints(c.Points)
		line := func(what string, want, got, tol float64, note string) Check {
			return Check{Section: Sphere, Method: "Least-squares sphere, " + what, Case: c.Description,
				Source: "Geometric least squares, NPL Report DITC 140/89; point set generated for the test, after ISO 10360-6",
				Origin: Computed, By: "mpmath 1.2.1 (60 digits)", Want: want, Got: got, Tol: tol, Note: note, Trouble: trouble(err)}
		}
		tol, note := 1e-9, "mm"
		if c.Name == "cap_nearly_flat" {
			tol, note = 1e-7, "mm; rounding one coordinate to a double moves this radius of 50 m by about 1e-8 mm"
		}
		r.add(line("radius", float64(c.Expected.Radius), f.Radius, tol, note))
		var pairs []pair
		for i, axis := range []string{"x", "y", "z"} {
			pairs = append(pairs, pair{float64(c.Expected.Centre[i]), f.Centre[i], tol, axis})
		}
		r.worst(line("centre", 0, 0, 0, note), pairs)
		ssr := float64(c.Expected.SSR)
		r.add(line("sum of squared residuals", ssr, f.SSR, 1e-10*ssr+1e-22, "mm²; of an exact fit only rounding is left"))
		r.add(line("cofactor of the radius", float64(c.Expected.CofactorRadius), f.Cofactor[3][3], 1e-6*float64(c.Expected.CofactorRadius), "first-order, (J'J)^-1"))
		if s2, ok := f.S2(); ok {
			sd := float64(c.Expected.SDRadius)
			r.add(line("standard deviation of the radius", sd, f.RadiusU(math.Sqrt(s2)), 1e-6*sd+1e-9, "mm"))
		}
	}
}

func (r *run) exactSpheres() {
	var file struct {
		Exact []struct {
			Name   string
			Points []sphere.Point
			Centre [3]float64
			Expr   string `json:"radius_expr"`
			Radius num
			SSR    num
		}
		MustRefuse []struct {
			Name, Why string
			Points    []sphere.Point
		} `json:"must_refuse"`
	}
	r.json("sphere/exact.json", &file)
	const geometry = "Geometry: regular polyhedra and points with known distances"
	for _, c := range file.Exact {
		f, err := sphere.FitPoints(c.Points)
		r.worst(Check{Section: Sphere, Method: "Least-squares sphere, closed form", Case: c.Name + ", R = " + c.Expr, Source: geometry,
			Origin: Computed, By: "mpmath 1.2.1 (30 digits)", Trouble: trouble(err),
			Note: "mpmath.findroot on the slopes of the sum of squared distances, from a centre beside; agrees with the closed form to 24 digits"}, []pair{
			{float64(c.Radius), f.Radius, 1e-13, "radius"}, {float64(c.SSR), f.SSR, 1e-12, "sum of squares"},
			{c.Centre[0], f.Centre[0], 1e-12, "x"}, {c.Centre[1], f.Centre[1], 1e-12, "y"}, {c.Centre[2], f.Centre[2], 1e-12, "z"},
		})
	}
	for _, c := range file.MustRefuse {
		_, err := sphere.FitPoints(c.Points)
		var refused *sphere.RefusalError
		got := 0.0
		if errors.As(err, &refused) {
			got = 1
		}
		r.add(Check{Section: Sphere, Method: "Points without a sphere are refused", Case: c.Name + ": " + c.Why + " (1 = refused)", Source: geometry,
			Origin: Computed, By: "Python 3.11 fractions", Want: 1, Got: got,
			Note: "rank of the rows x, y, z, 1 below 4 in rational numbers; the refusal: " + trouble(err)})
	}
}

func (r *run) spherometer() {
	var file struct {
		Spherometer struct {
			Exact []struct{ A, H, R num }
			Rows  []struct {
				R, A, H num
				UH      num `json:"u_h"`
				UA      num `json:"u_a"`
				UR      num `json:"u_R"`
			}
		}
	}
	r.json("sphere/exact.json", &file)
	var radii, sagittas, us []pair
	var firstErr error
	keep := func(v float64, err error) float64 {
		if firstErr == nil {
			firstErr = err
		}
		return v
	}
	for _, c := range file.Spherometer.Exact {
		got := keep(sphere.Spherometer{LegRadius: float64(c.A)}.Radius(float64(c.H)))
		radii = append(radii, pair{float64(c.R), got, 1e-14, ""})
	}
	for _, c := range file.Spherometer.Rows {
		s := sphere.Spherometer{LegRadius: float64(c.A)}
		sagittas = append(sagittas, pair{float64(c.H), keep(s.Sagitta(float64(c.R))), 1e-13, ""})
		us = append(us, pair{float64(c.UR), keep(s.RadiusU(float64(c.H), float64(c.UH), float64(c.UA), 0)), 1e-12, ""})
	}
	line := Check{Section: Sphere, Source: "Segment of a circle, R = a²/(2h) + h/2", Origin: Computed, By: "Python 3.11 fractions", Relative: true, Trouble: trouble(firstErr)}
	line.Method, line.Case = "Spherometer, radius from sagitta", "whole and half numbers, a = 3 to 500 mm"
	r.worst(line, radii)
	line.By = "mpmath 1.2.1 (25 digits)"
	line.Method, line.Case = "Spherometer, sagitta from radius", "R = 800 to 1300 mm, a = 250 mm"
	r.worst(line, sagittas)
	line.Method, line.Case, line.Source = "Spherometer, u(R)", "u(h) = 1 µm, u(a) = 10 µm", "JCGM 100:2008, 5.1.2, law of propagation"
	r.worst(line, us)
}
