package sphere

import (
	"fmt"
	"math"
)

// Residual is R - |p - c| in mm: the signed distance of p from the fitted sphere along the local normal, positive
// towards the centre of curvature. On a concave side (Fit.Concave) that is towards +z, "above"; on a convex side
// negate it for the height above the surface.
func (f *Fit) Residual(p Point) float64 {
	x, y, z := p[0]-f.Centre[0], p[1]-f.Centre[1], p[2]-f.Centre[2]
	return f.Radius - math.Sqrt(x*x+y*y+z*z)
}

// Residuals writes Residual of each point to dst, which must be as long as pts.
func (f *Fit) Residuals(dst []float64, pts []Point) {
	dst = dst[:len(pts)]
	for i := range pts {
		dst[i] = f.Residual(pts[i])
	}
}

// Leverages writes to dst, as long as pts, the leverage of each point:
//
//	h_i = 1/N + (n_i - m)' C (n_i - m)
//
// with n_i the unit normal at the point, m the mean of the fitted points' normals, and C the centre's part of Cofactor. Over the
// fitted points 1/N <= h_i <= 1 and the sum is 4; the residual's standard deviation is sigma sqrt(1 - h_i). For a
// point that was not fitted, h_i is the variance of the fitted surface there in units of sigma^2.
//
// Source: R. D. Cook and S. Weisberg, Residuals and Influence in Regression (1982), section 2.1, applied to the
// linearised fit.
func (f *Fit) Leverages(dst []float64, pts []Point) {
	dst = dst[:len(pts)]
	c := sym3{f.Cofactor[0][0], f.Cofactor[0][1], f.Cofactor[0][2], f.Cofactor[1][1], f.Cofactor[1][2], f.Cofactor[2][2]}
	for i := range pts {
		x, y, z := pts[i][0]-f.Centre[0], pts[i][1]-f.Centre[1], pts[i][2]-f.Centre[2]
		r := math.Sqrt(x*x + y*y + z*z)
		if r == 0 {
			r = 1 // the centre itself has no normal; the zero vector stands for it
		}
		v := [3]float64{x/r - f.meanNormal[0], y/r - f.meanNormal[1], z/r - f.meanNormal[2]}
		dst[i] = 1/float64(f.N) + dot(v, c.mul(v))
	}
}

// RMS is sqrt(SSR/N) in mm, the root mean square residual as contours are judged by it.
func (f *Fit) RMS() float64 { return math.Sqrt(f.SSR / float64(f.N)) }

// S2 is SSR/(N-4) in mm^2, the unbiased estimate of the points' variance along the normal; ok is false with four
// points, whose residuals are zero whatever their scatter.
func (f *Fit) S2() (s2 float64, ok bool) {
	if f.N <= 4 {
		return 0, false
	}
	return f.SSR / float64(f.N-4), true
}

// RadiusU is the standard uncertainty of the radius in mm, sigma sqrt(Cofactor[R][R]), for points of standard
// uncertainty sigma (mm) along the normal: the gauge's probe uncertainty, or sqrt(S2) for what the residuals say.
func (f *Fit) RadiusU(sigma float64) float64 { return sigma * math.Sqrt(f.Cofactor[3][3]) }

// CentreU is the standard uncertainty of the centre's coordinates in mm for points of standard uncertainty sigma.
func (f *Fit) CentreU(sigma float64) [3]float64 {
	return [3]float64{sigma * math.Sqrt(f.Cofactor[0][0]), sigma * math.Sqrt(f.Cofactor[1][1]), sigma * math.Sqrt(f.Cofactor[2][2])}
}

// CorrelationRZ is the correlation of radius and centre height, near +1 on a shallow concave cap and -1 on a convex one.
func (f *Fit) CorrelationRZ() float64 {
	r := f.Cofactor[2][3] / math.Sqrt(f.Cofactor[2][2]*f.Cofactor[3][3])
	return math.Max(-1, math.Min(1, r))
}

// Sag is the depth in mm of the fitted sphere at distance r = sqrt(x^2 + y^2) from its apex,
//
//	R - sqrt(R^2 - r^2)
//
// refused where r is not below R.
func (f *Fit) Sag(x, y float64) (float64, error) {
	r2 := x*x + y*y
	if !(r2 < f.Radius*f.Radius) {
		return 0, badArgument("the sag is asked for at %g mm from the apex, outside the sphere's radius of %g mm", math.Sqrt(r2), f.Radius)
	}
	return r2 / (f.Radius + math.Sqrt(f.Radius*f.Radius-r2)), nil
}

// SagU is the standard uncertainty in mm of Sag for points of standard uncertainty sigma:
//
//	|dSag/dR| u(R),  dSag/dR = 1 - R / sqrt(R^2 - r^2) = -Sag / sqrt(R^2 - r^2)
func (f *Fit) SagU(x, y, sigma float64) (float64, error) {
	sag, err := f.Sag(x, y)
	if err != nil {
		return 0, err
	}
	return sag / math.Sqrt(f.Radius*f.Radius-(x*x+y*y)) * f.RadiusU(sigma), nil
}

func badArgument(format string, args ...any) *RefusalError {
	return &RefusalError{Reason: BadArgument, Index: -1, Detail: fmt.Sprintf(format, args...)}
}
