// Package ref is test support for the spc packages: it finds and reads testdata/reference at the top of the module
// and compares numbers, each comparison naming its kind.
package ref

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// Path is the path of a file below testdata/reference, whatever the test's working folder.
func Path(t testing.TB, elem ...string) string {
	t.Helper()
	_, file, _, ok := runtime.Caller(0)
	if !ok {
		t.Fatal("the place of this source file is not known")
	}
	root := filepath.Join(filepath.Dir(file), "..", "..", "..")
	return filepath.Join(append([]string{root, "testdata", "reference"}, elem...)...)
}

// Bytes reads a file below testdata/reference.
func Bytes(t testing.TB, elem ...string) []byte {
	t.Helper()
	b, err := os.ReadFile(Path(t, elem...))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// JSON decodes a file below testdata/reference into v. Numbers that are kept digit for digit are strings there:
// declare them as Number.
func JSON(t testing.TB, v any, elem ...string) {
	t.Helper()
	if err := json.Unmarshal(Bytes(t, elem...), v); err != nil {
		t.Fatalf("%s: %v", Path(t, elem...), err)
	}
}

// Number is a reference number written either as a JSON number or as a string of digits; null and "Infinity" are NaN
// and +Inf.
type Number float64

// UnmarshalJSON reads either form.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	if len(b) > 1 && b[0] == '"' {
		b = b[1 : len(b)-1]
	}
	if string(b) == "Infinity" {
		*n = Number(math.Inf(1))
		return nil
	}
	var x float64
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	*n = Number(x)
	return nil
}

// Absolute demands |got - want| <= tol.
func Absolute(t testing.TB, want, got, tol float64, what string) {
	t.Helper()
	if same(want, got) {
		return
	}
	if d := math.Abs(got - want); !(d <= tol) {
		t.Errorf("%s: got %.17g, want %.17g: off by %.3g, absolute tolerance %.3g", what, got, want, d, tol)
	}
}

// Relative demands |got - want| <= tol |want|.
func Relative(t testing.TB, want, got, tol float64, what string) {
	t.Helper()
	if same(want, got) {
		return
	}
	if d := math.Abs(got-want) / math.Abs(want); !(d <= tol) {
		t.Errorf("%s: got %.17g, want %.17g: off by %.3g of it, relative tolerance %.3g", what, got, want, d, tol)
	}
}

// Digits demands at least least agreeing significant digits and returns how many there are (see LRE).
func Digits(t testing.TB, want, got, least float64, what string) float64 {
	t.Helper()
	d := LRE(want, got)
	if !(d >= least) {
		t.Errorf("%s: got %.17g, want %.17g: %.1f digits agree, %.1f wanted", what, got, want, d, least)
	}
	return d
}

// LRE is the number of agreeing significant digits, -log10(|got - want| / |want|), or -log10|got| where want is
// zero; between 0 and 15.
//
// Source: B. D. McCullough, "Assessing the reliability of statistical software: Part I", The American Statistician 52
// (1998), 358-366.
func LRE(want, got float64) float64 {
	if same(want, got) {
		return 15
	}
	e := math.Abs(got - want)
	if want != 0 {
		e /= math.Abs(want)
	}
	if math.IsNaN(e) || math.IsInf(e, 0) {
		return 0
	}
	return math.Max(0, math.Min(15, -math.Log10(e)))
}

// same is true for equal numbers, infinities of one sign, and two NaNs.
func same(want, got float64) bool { return want == got || math.IsNaN(want) && math.IsNaN(got) }
