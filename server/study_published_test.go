package server_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/store"
)

// handbook reads the rows of a data file of the handbook and the published values of the example that uses it, with their tolerances.
func handbook(t *testing.T, example string) (rows []map[string]float64, published map[string][2]float64) {
	t.Helper()
	dir := filepath.Join("..", "testdata", "reference", "handbook")
	b, err := os.ReadFile(filepath.Join(dir, "published.json"))
	require.NoError(t, err)
	var all struct {
		Examples []struct {
			ID     string
			File   string `json:"data_file"`
			Values []struct {
				Name       string
				Value, Tol float64
			}
		}
	}
	require.NoError(t, json.Unmarshal(b, &all))
	published = map[string][2]float64{}
	for _, e := range all.Examples {
		if e.ID != example {
			continue
		}
		for _, v := range e.Values {
			published[v.Name] = [2]float64{v.Value, v.Tol}
		}
		f, err := os.Open(filepath.Join(dir, e.File))
		require.NoError(t, err)
		defer f.Close()
		r := csv.NewReader(f)
		head, err := r.Read()
		require.NoError(t, err)
		for {
			line, err := r.Read()
			if err == io.EOF {
				break
			}
			require.NoError(t, err)
			row := map[string]float64{}
			for i, h := range head {
				if x, err := strconv.ParseFloat(line[i], 64); err == nil {
					row[h] = x
				}
			}
			rows = append(rows, row)
		}
	}
	require.NotEmpty(t, rows)
	return rows, published
}

// keyed plans a study by its page and keys every reading in, in the order that was drawn.
func (s *service) keyed(engineer *http.Client, plan url.Values, value func(store.StudyLine) float64) (at string) {
	s.t.Helper()
	status, at, text := s.fill(engineer, "/studies/new", plan)
	require.Equal(s.t, 200, status, text)
	v, err := s.store.Study(s.t.Context(), "north", studyNumber(s.t, at))
	require.NoError(s.t, err)
	c := *engineer
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse } // the page between two readings is not looked at
	for _, l := range v.Plan.Lines {
		res, err := c.PostForm(s.URL+at+"/reading", url.Values{"line": {fmt.Sprint(l.Line)}, "v.width": {strconv.FormatFloat(value(l), 'f', -1, 64)}})
		require.NoError(s.t, err)
		res.Body.Close()
		require.Equal(s.t, http.StatusSeeOther, res.StatusCode, "line %d", l.Line)
	}
	return at
}

// reported issues the report of a study by its page and reads its files.
func (s *service) reported(engineer *http.Client, at string) (xlsx, csvs map[string]float64) {
	s.t.Helper()
	status, _, text := s.fill(engineer, at+"/report", nil)
	require.Equal(s.t, 200, status, text)
	issued, err := s.store.Reports(s.t.Context(), "north", 0, 1)
	require.NoError(s.t, err)
	return s.files(issued[0].ID)
}

// The calibration line of the handbook (NIST/SEMATECH 2.3.6.7, READ) through the pages of a study of linearity: 10 masters, 4 readings
// each. The line of bias on certified value has the published intercept and the published slope less 1.
func TestLinearityOfTheHandbookThroughThePages(t *testing.T) {
	rows, published := handbook(t, "calibration_2_3_6_7")
	s := start(t)
	engineer := s.browser("okafor")
	var masters []float64
	values := map[float64][]float64{}
	for _, r := range rows {
		if values[r["c1"]] == nil {
			masters = append(masters, r["c1"])
		}
		values[r["c1"]] = append(values[r["c1"]], r["c2"])
	}
	trials := len(values[masters[0]])
	var parts []string
	for i, m := range masters {
		require.Len(t, values[m], trials)
		parts = append(parts, fmt.Sprintf("M-%d %v", i+1, m))
	}
	at := s.keyed(engineer, url.Values{"kind": {store.LinearityStudy}, "gauge": {"PG-1"}, "product": {"P25"}, "characteristic": {"width"}, "trials": {fmt.Sprint(trials)}, "appraisers": {"Ahn"},
		"parts": {strings.Join(parts, "\n")}, "seed": {"3"}}, func(l store.StudyLine) float64 { return values[masters[l.Part-1]][l.Trial-1] })
	xlsx, csvs := s.reported(engineer, at)
	for _, got := range []map[string]float64{xlsx, csvs} {
		require.InDelta(t, published["intercept"][0], got["intercept"], published["intercept"][1])
		require.InDelta(t, published["slope"][0]-1, got["slope"], published["slope"][1])
	}
	_, text := s.page(engineer, at)
	require.Contains(t, text, "the bias changes by")
}

// The lithography data of the handbook (NIST/SEMATECH 6.6.1, values MEMORY) through the pages of a nested study: cassettes stand for
// appraisers, wafers for panels, sites for trials. Variances, mean squares and sums of squares are the published ones.
func TestNestedStudyOfTheHandbookThroughThePages(t *testing.T) {
	rows, published := handbook(t, "lithography_6_6_1")
	s := start(t)
	engineer := s.browser("okafor")
	y := map[[3]int]float64{}
	var size [3]int
	for _, r := range rows {
		k := [3]int{int(r["cassette"]), int(r["wafer"]), int(r["site"])}
		y[k] = r["linewidth"]
		for i := range size {
			size[i] = max(size[i], k[i])
		}
	}
	require.Equal(t, [3]int{30, 3, 5}, size)
	var people, parts []string
	for c := range size[0] {
		people = append(people, fmt.Sprintf("cassette %d", c+1))
		for w := range size[1] {
			parts = append(parts, fmt.Sprintf("W-%d-%d", c+1, w+1))
		}
	}
	at := s.keyed(engineer, url.Values{"kind": {store.NestedStudy}, "gauge": {"PG-1"}, "product": {"P25"}, "characteristic": {"width"}, "trials": {fmt.Sprint(size[2])}, "appraisers": {strings.Join(people, "\n")},
		"parts": {strings.Join(parts, "\n")}, "seed": {"3"}}, func(l store.StudyLine) float64 { return y[[3]int{l.Appraiser, (l.Part-1)%size[1] + 1, l.Trial}] })
	xlsx, csvs := s.reported(engineer, at)
	for id, name := range map[string]string{"repeatability.width": "var_site", "part.width": "var_wafer", "appraiser.width": "var_cassette"} {
		require.InDelta(t, published[name][0], math.Pow(xlsx[id], 2), published[name][1]*1.05, id)
		require.InDelta(t, published[name][0], math.Pow(csvs[id], 2), published[name][1]*1.05, id)
	}
	// The analysis of variance stands on the page and in its own sheet.
	_, text := s.page(engineer, at)
	for _, name := range []string{"ms_cassette", "ms_wafer"} {
		require.Contains(t, text, strconv.FormatFloat(published[name][0], 'f', 2, 64), name)
	}
}
