package server_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const (
	reference = "../testdata/reference"
	realInput = "../testdata/realinput"
)

// table reads a data file: a map for each row.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(reference, "handbook", name))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func number(t testing.TB, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return v
}

func columnOf(t testing.TB, file, column string) []float64 {
	t.Helper()
	var out []float64
	for _, r := range table(t, file) {
		out = append(out, number(t, r[column]))
	}
	return out
}

// published is a worked example of the handbook.
type published struct {
	ID     string `json:"id"`
	Inline struct {
		X []float64 `json:"x"`
	} `json:"inline_data"`
	Values []struct {
		Name       string  `json:"name"`
		Value      float64 `json:"value"`
		Tol        float64 `json:"tol"`
		Provenance string  `json:"provenance"`
	} `json:"values"`
}

func example(t testing.TB, id string) published {
	t.Helper()
	var all struct {
		Examples []published `json:"examples"`
	}
	readJSON(t, &all, "handbook", "published.json")
	i := slices.IndexFunc(all.Examples, func(e published) bool { return e.ID == id })
	require.GreaterOrEqual(t, i, 0, id)
	return all.Examples[i]
}

// value is a published number, which must carry the mark given.
func (e published) value(t testing.TB, name, mark string) (value, tol float64) {
	t.Helper()
	for _, v := range e.Values {
		if v.Name == name {
			require.Equal(t, mark, v.Provenance, "%s %s", e.ID, name)
			return v.Value, v.Tol
		}
	}
	require.Fail(t, "not published: "+e.ID+" "+name)
	return 0, 0
}

// within compares with the published number by the digits that it is printed with.
func (e published) within(t testing.TB, name, mark string, got float64) {
	t.Helper()
	want, tol := e.value(t, name, mark)
	require.InDelta(t, want, got, tol, "%s %s", e.ID, name)
}

func readJSON(t testing.TB, v any, elem ...string) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(append([]string{reference}, elem...)...))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, v))
}

// readBeam reads the StRD set Lew: its certified values (READ) and the data.
func readBeam(t testing.TB) (certified map[string]float64, data []float64) {
	t.Helper()
	var raw struct {
		Certified map[string]any `json:"certified"`
		Data      []any          `json:"data"`
	}
	readJSON(t, &raw, "strd", "uni_Lew.json")
	certified = map[string]float64{}
	for name, v := range raw.Certified {
		certified[name] = number(t, fmt.Sprint(v)) // written as a string or as a number
	}
	for _, v := range raw.Data {
		data = append(data, number(t, fmt.Sprint(v)))
	}
	return certified, data
}

// The series have no clock: each gives one piece every takt, in the order in which it is published.
func takt(n int) string {
	return origin.Add(time.Duration(n) * 10 * time.Second).Format(time.RFC3339)
}

// singles lays a series of single values out as measurements of a press of the same name.
func singles(press, name string, values []float64) []measurement {
	var out []measurement
	for i, v := range values {
		out = append(out, measurement{"gauge": "SERIES", "panel": fmt.Sprintf("%s-%04d", press, i+1), "measured_at": takt(i), "pressed_at": takt(i),
			"press": press, "product": press, "mould": "1", "series": press, "sequence": i, "characteristics": map[string]float64{name: v}})
	}
	return out
}

// layout is a nested study: cycle, mould, reading.
type layout [][][]float64

// nested cuts a series into cycles of moulds of readings.
func nested(values []float64, moulds, readings int) layout {
	var out layout
	for cycle := range slices.Chunk(values, moulds*readings) {
		out = append(out, slices.Collect(slices.Chunk(cycle, readings)))
	}
	return out
}

// pieces lays a nested study out as measurements, and closes the last cycle.
func (l layout) pieces(press, gauge string) []measurement {
	var out []measurement
	n := 0
	for c, cycle := range l {
		for m, readings := range cycle {
			out = append(out, measurement{"gauge": gauge, "panel": fmt.Sprintf("%s-%02d-%d", press, c+1, m+1), "measured_at": takt(n), "pressed_at": takt(n),
				"press": press, "product": press, "mould": fmt.Sprint(m + 1), "cycle": c + 1, "series": press, "sequence": n, "readings": readings})
			n++
		}
	}
	return append(out, measurement{"gauge": "SERIES", "panel": press + "-after", "measured_at": takt(n), "pressed_at": takt(n), "press": press,
		"product": "AFTER", "mould": "1", "cycle": len(l) + 1, "series": press, "sequence": n, "characteristics": map[string]float64{"nothing": 0}})
}

// anova is the analysis of variance straight from the readings: sums of squares by two-pass sums, no part of the charts.
type anova struct {
	grand                                 float64
	ssCycle, ssMould, ssReading, ssPlaces float64 // places: moulds' levels over all cycles, part of ssMould
	cycles, moulds, readings              float64
}

func (l layout) anova() anova {
	a := anova{cycles: float64(len(l)), moulds: float64(len(l[0])), readings: float64(len(l[0][0]))}
	mean := func(x []float64) float64 {
		s := 0.0
		for _, v := range x {
			s += v
		}
		return s / float64(len(x))
	}
	sq := func(x float64) float64 { return x * x }
	var cycleMeans []float64
	byPlace := make([][]float64, len(l[0]))
	for _, cycle := range l {
		var means []float64
		for m, readings := range cycle {
			means = append(means, mean(readings))
			byPlace[m] = append(byPlace[m], mean(readings))
			for _, x := range readings {
				a.ssReading += sq(x - mean(readings))
			}
		}
		for _, x := range means {
			a.ssMould += a.readings * sq(x-mean(means))
		}
		cycleMeans = append(cycleMeans, mean(means))
	}
	a.grand = mean(cycleMeans)
	for _, x := range cycleMeans {
		a.ssCycle += a.moulds * a.readings * sq(x-a.grand)
	}
	for _, x := range byPlace {
		a.ssPlaces += a.cycles * a.readings * sq(mean(x)-a.grand)
	}
	return a
}

func (a anova) msCycle() float64   { return a.ssCycle / (a.cycles - 1) }
func (a anova) msMould() float64   { return a.ssMould / (a.cycles * (a.moulds - 1)) }
func (a anova) msReading() float64 { return a.ssReading / (a.cycles * a.moulds * (a.readings - 1)) }

// realSeries is everything, by press.
func realSeries(t testing.TB) map[string][]measurement {
	t.Helper()
	_, deflections := readBeam(t)
	check := singles("CHECK", "resistivity", columnOf(t, "checkstd_2_6_2.csv", "check_std"))
	for i, v := range columnOf(t, "checkstd_2_6_2.csv", "stddev") {
		check[i]["characteristics"].(map[string]float64)["resistivity_sd"] = v
	}
	return map[string][]measurement{
		"FLOW":    singles("FLOW", "flow_rate", example(t, "individuals_6_3_2_2").Inline.X),
		"CHECK":   check,
		"BEAM":    singles("BEAM", "deflection", deflections),
		"YIELD":   singles("YIELD", "yield", columnOf(t, "series_f_6_4_4_9.csv", "yield")),
		"HEAT":    singles("HEAT", "calibration_factor", columnOf(t, "heatflow_zarr13.csv", "y")),
		"AEROSOL": singles("AEROSOL", "particle_size", columnOf(t, "aerosol_6_6_2.csv", "size")),
		"LINE":    lithography(t).pieces("LINE", "SITES"),
		"FILM":    furnace(t).pieces("FILM", "WAFERS"),
	}
}

func lithography(t testing.TB) layout {
	return nested(columnOf(t, "lithography_6_6_1.csv", "linewidth"), 3, 5)
}

func furnace(t testing.TB) layout {
	return nested(columnOf(t, "furnace_3_5_1.csv", "thickness"), 4, 2)
}

// csvOf writes measurements as a history table.
func csvOf(t testing.TB, list []measurement) []byte {
	t.Helper()
	head := []string{"gauge", "panel", "measured_at", "pressed_at", "press", "product", "mould", "cycle", "series", "sequence"}
	own := map[string]bool{}
	readings := 0
	for _, m := range list {
		if c, ok := m["characteristics"].(map[string]float64); ok {
			for name := range c {
				own[name] = true
			}
		}
		if r, ok := m["readings"].([]float64); ok {
			readings = len(r)
		}
	}
	for name := range own {
		head = append(head, "c."+name)
	}
	for i := range readings {
		head = append(head, fmt.Sprintf("r%d", i+1))
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	require.NoError(t, w.Write(head))
	for _, m := range list {
		var row []string
		for _, h := range head {
			text := ""
			if v, ok := m[h]; ok {
				text = fmt.Sprint(v)
			}
			if name, is := strings.CutPrefix(h, "c."); is {
				if c, ok := m["characteristics"].(map[string]float64); ok {
					text = strconv.FormatFloat(c[name], 'g', -1, 64)
				}
			} else if i, err := strconv.Atoi(strings.TrimPrefix(h, "r")); err == nil {
				if r, ok := m["readings"].([]float64); ok {
					text = strconv.FormatFloat(r[i-1], 'g', -1, 64)
				}
			}
			row = append(row, text)
		}
		require.NoError(t, w.Write(row))
	}
	w.Flush()
	require.NoError(t, w.Error())
	return b.Bytes()
}

// constantsOf reads c4 and B6 of a subgroup size.
func constantsOf(t testing.TB, n int) (c4, b6 float64) {
	t.Helper()
	f, err := os.Open(filepath.Join(reference, "constants", "computed.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	row := rows[n-1] // the first size is 2, after the head
	require.Equal(t, strconv.Itoa(n), row[0])
	return number(t, row[slices.Index(rows[0], "c4")]), number(t, row[slices.Index(rows[0], "B6")])
}
