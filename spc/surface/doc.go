// Package surface works with nominal contours: height, normal and curvature, the distance of points along the local
// normal, the seating alignment of measured points on a contour, and the shape terms of what remains.
//
// Lengths are millimetres, angles radians, curvatures 1/mm, in the panel frame with the origin at the contour's apex
// and +z from the glass towards the gauge. A deviation is positive where the point lies above the contour, towards +z.
// What data can cause is refused with a *RefusalError; no function returns NaN or Inf. Compiled values are immutable
// and safe for concurrent use; a work buffer belongs to one goroutine.
package surface
