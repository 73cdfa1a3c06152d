package proof

import (
	"fmt"

	"sagwatch/spc"
	"sagwatch/spc/surface"
)

// contourValue is a contour's height (mm), the vertical part of its unit normal, its curvature along x and its principal
// curvatures (1/mm) at (x, y), and the distance along the normal of the point (x + 0.25, y - 0.5, pz).
type contourValue struct {
	contour                                       string
	x, y, height, normalZ, along, most, least, pz float64
	distance                                      float64
}

// contourValues: mpmath 1.2.1, 40 digits: the formula of the contour, its derivatives by mpmath.diff, curvatures from
// the first and second fundamental forms, the foot of the normal by mpmath.findroot.
var contourValues = []contourValue{
	{"sphere", 0.0, 0.0, 0.0, 1.0, 0.00090909090909090909, 0.00090909090909090909, 0.00090909090909090909, 0.125, 0.1248579384112656},
	{"sphere", 200.0, 150.0, 28.7857357185725, 0.97383114934675227, 0.00090909090909090909, 0.00090909090909090909, 0.00090909090909090909, 28.9107357185725, 0.14431648559926027},
	{"sphere", -120.0, 35.0, 7.125350280280314, 0.99352240883610881, 0.00090909090909090909, 0.00090909090909090909, 0.00090909090909090909, 7.250350280280314, 0.16723568418363377},
	{"sphere", 0.0, -150.0, 10.275264114831612, 0.99065885080469853, 0.00090909090909090909, 0.00090909090909090909, 0.00090909090909090909, 10.400264114831613, 0.055502790695939606},
	{"biradial", 0.0, 0.0, 0.0, 1.0, 0.00083333333333333333, 0.0010526315789473684, 0.00083333333333333333, 0.125, 0.12484235937034166},
	{"biradial", 200.0, 150.0, 28.894674782793752, 0.97327944162962103, 0.00083224557564632163, 0.0010545869162395527, 0.00083220547538238721, 29.019674782793754, 0.15899270382741455},
	{"biradial", -120.0, 35.0, 6.6637113811801822, 0.99430492741732356, 0.00083327452272802746, 0.0010533276651880602, 0.00083327377202493312, 6.788711381180182, 0.16756764211935553},
	{"biradial", 0.0, -150.0, 11.916848035314089, 0.98745594943651149, 0.00083223756738351258, 0.0010526315789473684, 0.00083223756738351258, 12.04184803531409, 0.044319849507222011},
	{"polynomial", 0.0, 0.0, 0.0, 1.0, 0.00089999999999999998, 0.001, 0.00089999999999999998, 0.125, 0.12484685623239719},
	{"polynomial", 200.0, 150.0, 29.2837975, 0.97351547374532239, 0.00085449856676896093, 0.00095402728837728902, 0.00085090693494308786, 29.4087975, 0.15065426771736269},
	{"polynomial", -120.0, 35.0, 7.0950780839099998, 0.9936079254816246, 0.0008856956506886115, 0.00099306339512283411, 0.00088562137463954743, 7.22007808391, 0.16830386305525965},
	{"polynomial", 0.0, -150.0, 11.239875, 0.98897549052213556, 0.0008914230717589684, 0.00096206638642149303, 0.0008914230717589684, 11.364875, 0.049427842808186675},
}

// surfaceChecks compares contours with their formulas in 40 digits.
func surfaceChecks(r *run) {
	contours := map[string]spc.Contour{
		"sphere":     {Kind: spc.ContourSphere, R: 1100},
		"biradial":   {Kind: spc.ContourBiradial, Rx: 1200, Ry: 950},
		"polynomial": {Kind: spc.ContourPolynomial, A: [7]float64{4.5e-4, 1e-11, 5e-4, 3e-11, 2e-17, -2e-11, 1e-17}},
	}
	for _, name := range []string{"sphere", "biradial", "polynomial"} {
		s, err := surface.New(contours[name])
		if err != nil {
			r.add(Check{Section: Surface, Method: "Contour", Case: name, Origin: Computed, By: "mpmath 1.2.1", Want: 1, Trouble: trouble(err)})
			continue
		}
		var heights, normals, bends, distances []pair
		for _, v := range contourValues {
			if v.contour != name {
				continue
			}
			at := fmt.Sprintf("x = %g, y = %g mm", v.x, v.y)
			z, _ := s.Height(v.x, v.y)
			n, _ := s.Normal(v.x, v.y)
			c, _ := s.Curvature(v.x, v.y)
			d, _, _ := s.Distance([3]float64{v.x + 0.25, v.y - 0.5, v.pz})
			heights = append(heights, pair{v.height, z, 1e-12, at})
			normals = append(normals, pair{v.normalZ, n[2], 1e-14, at})
			bends = append(bends, pair{v.along, c.X, 1e-15, at}, pair{v.most, c.Max, 3e-11, at}, pair{v.least, c.Min, 3e-11, at})
			distances = append(distances, pair{v.distance, d, 1e-11, at})
		}
		line := Check{Section: Surface, Origin: Computed, By: "mpmath 1.2.1", Note: "mm; formula from memory, as stated for the contour"}
		line.Source = map[string]string{
			"sphere": "Sagitta of a sphere", "biradial": "ISO 10110-12, second-order surface with equal conic constants 0",
			"polynomial": "Even polynomial in x and y, as for the faceplates of US patent 6,157,124",
		}[name]
		line.Method, line.Case = "Height of a contour", name
		r.worst(line, heights)
		line.Method = "Distance along the normal"
		r.worst(line, distances)
		line.Note, line.Method = "", "Unit normal"
		r.worst(line, normals)
		line.Method, line.Note = "Curvature along x and principal curvatures", "1/mm; principal ones by H ± sqrt(H² - K), which halves the digits where both are equal"
		line.Source = "M. do Carmo, Differential Geometry of Curves and Surfaces (1976), section 3-3"
		r.worst(line, bends)
	}
}
