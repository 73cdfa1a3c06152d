package monitor

import (
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/rules"
)

// fill gives every field of a value something of its own, so that one that the codec forgets is missed.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			v.Set(reflect.ValueOf(time.Unix(int64(1e9+*n), int64(*n)).UTC()))
			return
		}
		for i := range v.NumField() {
			f := v.Field(i)
			// Unexported fields are set in place.
			fill(reflect.NewAt(f.Type(), f.Addr().UnsafePointer()).Elem(), n)
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), n)
		fill(v.Index(1), n)
	case reflect.String:
		v.SetString(time.Unix(int64(*n), 0).UTC().String())
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Float64:
		v.SetFloat(float64(*n) + 0.25)
	case reflect.Int, reflect.Int64, reflect.Int8:
		v.SetInt(int64(*n % 100))
	case reflect.Uint64:
		v.SetUint(uint64(*n))
	default:
		panic("fill: " + v.Kind().String())
	}
}

func roundTrip[T any](t *testing.T, code func(*codec, *T)) {
	t.Helper()
	var a, b T
	n := 0
	fill(reflect.ValueOf(&a).Elem(), &n)
	w := newWriter()
	code(w, &a)
	r := newReader(w.buf)
	code(r, &b)
	require.False(t, r.failed)
	require.Empty(t, r.buf)
	require.Equal(t, a, b)
	for cut := range w.buf {
		r := newReader(w.buf[:cut])
		var c T
		code(r, &c)
		require.True(t, r.failed, "cut at %d", cut)
	}
}

func TestCodecKeepsEveryField(t *testing.T) {
	roundTrip(t, (*codec).finding)
	roundTrip(t, (*codec).record)
	roundTrip(t, (*codec).point)
	roundTrip(t, (*codec).limits)
	roundTrip(t, (*codec).figure)
	roundTrip(t, func(c *codec, l **law) {
		if !c.reading {
			(*l).terms = nil // of which only numbers are kept; TestShapeThroughASnapshot
		}
		c.law(l)
	})
	roundTrip(t, (*codec).key)
	roundTrip(t, func(c *codec, s *rules.State) { c.state(s) })
}

// TestCodecOfNumbers: the ends of the ranges.
func TestCodecOfNumbers(t *testing.T) {
	for _, v := range []int64{0, -1, 1, 1<<63 - 1, -1 << 63} {
		w := newWriter()
		x := v
		w.int64(&x)
		var y int64
		newReader(w.buf).int64(&y)
		require.Equal(t, v, y)
	}
	for _, v := range []time.Time{{}, time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(9999, 12, 31, 23, 59, 59, 999999999, time.UTC)} {
		w := newWriter()
		x := v
		w.time(&x)
		var y time.Time
		newReader(w.buf).time(&y)
		require.Equal(t, v, y)
	}
	var l []spc.Limits
	huge := newWriter()
	huge.size(1 << 40)
	r := newReader(huge.buf)
	list(r, &l, (*codec).limits)
	require.True(t, r.failed)
	require.Empty(t, l)
}
