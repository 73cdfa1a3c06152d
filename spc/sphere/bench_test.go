package sphere_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/sphere"
)

// BenchmarkFit48 is one fit to 48 points of a panel. The aim is 1.5 us without allocation.
func BenchmarkFit48(b *testing.B) {
	pts := referenceCases(b)[1].Points
	require.Len(b, pts, 48)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := sphere.FitPoints(pts); err != nil {
			b.Fatal(err)
		}
	}
}

// leastSquares fits the same sphere with the general solver of SciPy, method lm (MINPACK), started like a careful user
// would: radius and centre from three lines of algebra, exact derivatives. It prints the best of seven batches in
// seconds a fit, and the radius.
const leastSquares = `
import json, sys, time
import numpy as np
from scipy.optimize import least_squares
p = np.array(json.load(sys.stdin))
def residuals(v): return np.sqrt(((p - v[:3])**2).sum(axis=1)) - v[3]
def derivatives(v):
    u = v[:3] - p
    return np.hstack([u/np.sqrt((u**2).sum(axis=1))[:, None], -np.ones((len(p), 1))])
def start():
    a = np.linalg.lstsq(np.hstack([2*p, np.ones((len(p), 1))]), (p**2).sum(axis=1), rcond=None)[0]
    return np.append(a[:3], np.sqrt(a[3] + (a[:3]**2).sum()))
def fit(): return least_squares(residuals, start(), derivatives, method='lm', xtol=1e-15, ftol=1e-15, gtol=1e-15)
v = fit().x
best = 1e9
for batch in range(7):
    t = time.perf_counter()
    for i in range(50): fit()
    best = min(best, (time.perf_counter() - t)/50)
print(json.dumps({"seconds": best, "radius": v[3]}))
`

// BenchmarkFit48BesideSciPy reports how many times longer scipy.optimize.least_squares takes for the same points, where
// python3 with SciPy is installed. Python's own share of the time is in it: the solver calls the residuals from there.
func BenchmarkFit48BesideSciPy(b *testing.B) {
	python := ""
	for _, name := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(name, "-c", "import scipy").Run() == nil {
			python = name
			break
		}
	}
	if python == "" {
		fmt.Println("BenchmarkFit48BesideSciPy: SciPy is not installed (Debian: python3-scipy), so there is no comparison.")
		b.SkipNow()
	}
	const batch = 1000
	pts := referenceCases(b)[1].Points
	in, err := json.Marshal(pts)
	require.NoError(b, err)
	cmd := exec.Command(python, "-c", leastSquares)
	// One thread, as here.
	cmd.Env = append(os.Environ(), "OPENBLAS_NUM_THREADS=1", "OMP_NUM_THREADS=1")
	cmd.Stdin = bytes.NewReader(in)
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.Output()
	require.NoError(b, err, errs.String())
	var theirs struct{ Seconds, Radius float64 }
	require.NoError(b, json.Unmarshal(out, &theirs))
	var f sphere.Fit
	best := math.Inf(1) // of batches, as theirs
	for b.Loop() {
		start := time.Now()
		for range batch {
			if f, err = sphere.FitPoints(pts); err != nil {
				b.Fatal(err)
			}
		}
		best = math.Min(best, time.Since(start).Seconds()/batch)
	}
	require.InDelta(b, theirs.Radius, f.Radius, 1e-6, "both find the same sphere")
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(best*1e6, "us/fit")
	b.ReportMetric(theirs.Seconds*1e6, "scipy-us/fit")
	b.ReportMetric(theirs.Seconds/best, "times-faster")
}
