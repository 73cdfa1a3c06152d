package server_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/spc/gaugestudy"
	"sagwatch/store"
)

// fill sends a form and follows to the page that answers it.
func (s *service) fill(c *http.Client, path string, form url.Values) (status int, at, body string) {
	s.t.Helper()
	res, err := c.PostForm(s.URL+path, form)
	require.NoError(s.t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, res.Request.URL.Path, string(b)
}

// nextLine reads from the stored study which line comes next.
func (s *service) nextLine(id int64) *store.StudyLine {
	s.t.Helper()
	v, err := s.store.Study(s.t.Context(), "north", id)
	require.NoError(s.t, err)
	readings, err := s.store.StudyReadings(s.t.Context(), "north", id)
	require.NoError(s.t, err)
	taken := map[int]bool{}
	for _, r := range readings {
		taken[r.Line] = taken[r.Line] || r.WithdrawnAt.IsZero()
	}
	for i, l := range v.Plan.Lines {
		if !taken[l.Line] {
			return &v.Plan.Lines[i]
		}
	}
	return nil
}

// defined is the newest revision of an object, by the machine interface.
func defined[T any](s *service, path string) (v T, revision int) {
	s.t.Helper()
	list := s.get("/api/v1/" + path)["revisions"].([]any)
	newest := list[len(list)-1].(map[string]any)
	b, err := json.Marshal(newest["definition"])
	require.NoError(s.t, err)
	require.NoError(s.t, json.Unmarshal(b, &v))
	return v, int(newest["revision"].(float64))
}

func studyNumber(t testing.TB, at string) int64 {
	t.Helper()
	id, err := strconv.ParseInt(strings.TrimPrefix(at, "/studies/"), 10, 64)
	require.NoError(t, err, at)
	return id
}

// files are the figures of an issued report as they stand in its spreadsheet and in its CSV files, by id.
func (s *service) files(id int64) (xlsx, csvs map[string]float64) {
	s.t.Helper()
	inputs, _, err := s.store.ReportFiles(s.t.Context(), "north", id)
	require.NoError(s.t, err)
	d, err := report.Make(store.StudyReport, inputs)
	require.NoError(s.t, err)
	values := func(rows [][]string) map[string]float64 {
		out := map[string]float64{}
		for _, r := range rows {
			if len(r) > 3 {
				if v, err := strconv.ParseFloat(r[3], 64); err == nil {
					out[r[0]] = v
				}
			}
		}
		return out
	}
	b, err := d.XLSX()
	require.NoError(s.t, err)
	f, err := excelize.OpenReader(bytes.NewReader(b))
	require.NoError(s.t, err)
	rows, err := f.GetRows("Figures", excelize.Options{RawCellValue: true})
	require.NoError(s.t, err)
	xlsx = values(rows)
	b, err = d.CSV()
	require.NoError(s.t, err)
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(s.t, err)
	r, err := z.Open("figures.csv")
	require.NoError(s.t, err)
	all, err := csv.NewReader(r).ReadAll()
	require.NoError(s.t, err)
	return xlsx, values(all)
}

func referenceGauge(t *testing.T, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "testdata", "reference", "gauge", name))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, into))
}

// The crossed study of Montgomery and Runger (1993), planned, keyed in, analysed, adopted and issued through the pages, by the
// people who may.
func TestCrossedStudyThroughThePages(t *testing.T) {
	var ref struct {
		Cases []struct {
			Data     []float64
			Dims     []int
			Computed struct {
				Without map[string]float64 `json:"without_interaction"`
			}
		}
	}
	referenceGauge(t, "crossed_grr.json", &ref)
	data, dims := ref.Cases[0].Data, ref.Cases[0].Dims
	s := start(t)
	engineer, technician, viewer := s.browser("okafor"), s.browser("sorby"), s.browser("lind")
	plan := url.Values{"kind": {store.CrossedStudy}, "gauge": {"PG-1"}, "product": {"P25"}, "characteristic": {"width"}, "trials": {fmt.Sprint(dims[2])}, "appraisers": {"Ahn\nTamm\nSørby"}, "seed": {"4711"}}
	var parts []string
	for i := range dims[0] {
		parts = append(parts, fmt.Sprintf("T-%02d", i+1))
	}
	plan.Set("parts", strings.Join(parts, "\r\n"))

	status, body := s.page(engineer, "/studies")
	require.Equal(t, 200, status)
	require.Contains(t, body, "No gauge was studied yet.")
	for _, c := range []*http.Client{technician, viewer} {
		status, _ = s.page(c, "/studies/new")
		require.Equal(t, http.StatusForbidden, status)
		status, _, _ = s.fill(c, "/studies/new", plan)
		require.Equal(t, http.StatusForbidden, status)
	}
	status, body = s.page(engineer, "/studies/new?kind=crossed&gauge=PG-1&product=P25")
	require.Equal(t, 200, status)
	require.Contains(t, body, "Width, mm (510.984 to 513.016)")
	wrong := url.Values{}
	for k, v := range plan {
		wrong[k] = v
	}
	wrong.Set("parts", "T-01\nT-01")
	wrong.Set("trials", "once")
	status, _, body = s.fill(engineer, "/studies/new", wrong)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "stands twice")
	require.Contains(t, body, "A whole number from 2 to 500.")

	status, at, _ := s.fill(engineer, "/studies/new", plan)
	require.Equal(t, 200, status)
	id := studyNumber(t, at)
	path := fmt.Sprintf("/studies/%d", id)
	status, body = s.page(engineer, path+"/sheet")
	require.Equal(t, 200, status)
	require.Contains(t, body, "4711")

	// Keying in: a viewer may not, a value that is none is refused, a stale form is refused, the last is undone.
	y := make([][][]float64, dims[0])
	for p := range y {
		for a := range dims[1] {
			at := (p*dims[1] + a) * dims[2]
			y[p] = append(y[p], data[at:at+dims[2]])
		}
	}
	first := s.nextLine(id)
	value := func(l *store.StudyLine) string {
		return strconv.FormatFloat(y[l.Part-1][l.Appraiser-1][l.Trial-1], 'f', -1, 64)
	}
	status, _, _ = s.fill(viewer, path+"/reading", url.Values{"line": {"1"}, "v.width": {"20"}})
	require.Equal(t, http.StatusForbidden, status)
	status, _, body = s.fill(technician, path+"/reading", url.Values{"line": {"1"}, "v.width": {"2o"}})
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "“2o” is not a number.")
	status, _, body = s.fill(technician, path+"/reading", url.Values{"line": {"2"}, "v.width": {"20"}})
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "Another reading came in meanwhile.")
	status, _, _ = s.fill(technician, path+"/reading", url.Values{"line": {"1"}, "v.width": {"99,5"}})
	require.Equal(t, 200, status)
	readings, err := s.store.StudyReadings(t.Context(), "north", id)
	require.NoError(t, err)
	require.Equal(t, 99.5, readings[0].Characteristics["width"])
	require.Equal(t, "sorby", readings[0].By)
	status, _, body = s.fill(technician, path+"/undo", url.Values{"reading": {fmt.Sprint(readings[0].Seq)}})
	require.Equal(t, 200, status)
	require.Contains(t, body, parts[first.Part-1])
	for l := s.nextLine(id); l != nil; l = s.nextLine(id) {
		if l.Line%40 == 17 {
			_, body = s.page(technician, path)
			require.Contains(t, body, fmt.Sprintf("%d of %d", l.Line-1, len(data)))
			require.Contains(t, body, parts[l.Part-1])
		}
		status, _, _ = s.fill(technician, path+"/reading", url.Values{"line": {fmt.Sprint(l.Line)}, "v.width": {value(l)}})
		require.Equal(t, 200, status)
	}

	// The analysis: its page, its roles, its figures.
	want, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{Tolerance: 513.016 - 510.984})
	require.NoError(t, err)
	status, body = s.page(technician, path)
	require.Equal(t, 200, status)
	require.Contains(t, body, "takes up "+strconv.FormatFloat(want.Gauge.PercentTolerance, 'f', 1, 64))
	require.Contains(t, body, strconv.FormatFloat(want.Gauge.SD, 'f', 3, 64), "the gauge's standard deviation stands on the page")
	require.NotContains(t, body, "Adopt as a new revision", "not for a technician")
	status, _, _ = s.fill(technician, path+"/adopt", url.Values{"proposal": {"width"}, "reason": {"x"}})
	require.Equal(t, http.StatusForbidden, status)
	status, _, body = s.fill(engineer, path+"/adopt", url.Values{"proposal": {"width"}})
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "A new revision needs its reason.")
	require.Contains(t, body, "in place of 0.02")
	_, before := defined[spc.Product](s, "products/P25")
	status, _, body = s.fill(engineer, path+"/adopt", url.Values{"proposal": {"width"}, "reason": {"the study of March"}})
	require.Equal(t, 200, status)
	require.Contains(t, body, fmt.Sprintf("revision %d", before+1))
	product, revision := defined[spc.Product](s, "products/P25")
	require.Equal(t, before+1, revision)
	require.InEpsilon(t, want.Gauge.SD, *product.Characteristics[0].U, 0.01, "rounded up to three figures")
	require.GreaterOrEqual(t, *product.Characteristics[0].U, want.Gauge.SD)
	require.NotNil(t, product.Contour, "all else is as it was")
	status, _, body = s.fill(engineer, path+"/adopt", url.Values{"proposal": {"width"}, "reason": {"again"}})
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "nothing to adopt")
	status, _, _ = s.fill(engineer, path+"/abandon", url.Values{"reason": {"no"}})
	require.Equal(t, http.StatusConflict, status, "what was adopted stays so")

	// The report.
	status, _, _ = s.fill(technician, path+"/report", nil)
	require.Equal(t, http.StatusForbidden, status)
	s.fill(engineer, path+"/report", nil)
	issued, err := s.store.Reports(t.Context(), "north", 0, 10)
	require.NoError(t, err)
	require.Len(t, issued, 1)
	require.Equal(t, store.StudyReport, issued[0].Kind)
	same, err := report.Check(t.Context(), s.store, "north", issued[0].ID)
	require.NoError(t, err)
	require.True(t, same)
	xlsx, csvs := s.files(issued[0].ID)
	for id, name := range map[string]string{"repeatability": "ev", "appraiser": "av", "gauge": "grr", "part": "pv", "total": "tv", "percent_study": "pct_grr_tv"} {
		require.InEpsilon(t, ref.Cases[0].Computed.Without[name], xlsx[id+".width"], 1e-9, "%s, from the published data", id)
		require.InEpsilon(t, ref.Cases[0].Computed.Without[name], csvs[id+".width"], 1e-9, id)
	}
	require.InEpsilon(t, want.Gauge.PercentTolerance, xlsx["percent_tolerance.width"], 1e-9)

	// The machine interface says the same.
	list := s.get("/api/v1/studies")["studies"].([]any)
	require.Len(t, list, 1)
	one := s.get(fmt.Sprintf("/api/v1/studies/%d", id))
	require.Equal(t, "adopted", one["state"])
	require.Len(t, one["values"], len(data)+1)
	for _, f := range one["figures"].([]any) {
		if g := f.(map[string]any); g["id"] == "gauge.width" {
			require.InEpsilon(t, want.Gauge.SD, g["value"], 1e-9)
		}
	}
}

// The single-master example of the reference pack through the pages.
func TestSingleMasterThroughThePages(t *testing.T) {
	var ref struct {
		Data     []float64
		Computed map[string]float64
	}
	referenceGauge(t, "single_master.json", &ref)
	s := start(t)
	engineer := s.browser("okafor")
	// The product's tolerance is that of the example: 0.1 mm.
	v, revision := defined[spc.Product](s, "products/P25")
	require.NotZero(t, revision)
	p := v
	lower, upper := 24.95, 25.05
	p.Characteristics = append([]spc.Characteristic(nil), spc.Characteristic{Name: "width", Unit: "mm", Lower: &lower, Upper: &upper})
	body, err := json.Marshal(p)
	require.NoError(t, err)
	require.NoError(t, s.store.AddDefinitions(t.Context(), "north", []store.Definition{{Kind: "product", ID: "P25", Body: body, EffectiveFrom: time.Now().Add(-time.Minute), Reason: "test", By: "test"}}))
	s.eventually("the new revision is read", func() bool {
		_, now := defined[spc.Product](s, "products/P25")
		return now == revision+1
	})
	status, at, text := s.fill(engineer, "/studies/new", url.Values{"kind": {store.SingleMasterStudy}, "gauge": {"PG-1"}, "product": {"P25"}, "characteristic": {"width"}, "trials": {fmt.Sprint(len(ref.Data))}, "parts": {"M-9 25 0.0004"}, "appraisers": {"Sørby"}})
	require.Equal(t, 200, status, text)
	id := studyNumber(t, at)
	for i, x := range ref.Data {
		status, _, text = s.fill(engineer, at+"/reading", url.Values{"line": {fmt.Sprint(i + 1)}, "v.width": {strconv.FormatFloat(x, 'f', -1, 64)}})
		require.Equal(t, 200, status, text)
	}
	require.Contains(t, text, "Cg 2.19")
	require.Contains(t, text, "Cgk 1.94")
	s.fill(engineer, at+"/report", nil)
	issued, err := s.store.Reports(t.Context(), "north", 0, 1)
	require.NoError(t, err)
	xlsx, csvs := s.files(issued[0].ID)
	for id, name := range map[string]string{"mean": "mean", "sd": "sd", "bias": "bias", "t": "t_bias", "cg": "Cg", "cgk": "Cgk"} {
		require.InEpsilon(t, ref.Computed[name], xlsx[id], 1e-8, id)
		require.InEpsilon(t, ref.Computed[name], csvs[id], 1e-8, id)
	}
	want, err := gaugestudy.SingleMaster(ref.Data, gaugestudy.SingleMasterOptions{Reference: 25, ReferenceU: 0.0004, Tolerance: upper - lower})
	require.NoError(t, err)
	require.InEpsilon(t, want.Cgk, xlsx["cgk"], 1e-9)
	require.InEpsilon(t, want.SD, csvs["sd"], 1e-9)
	require.NotZero(t, id)
}

// What the gauge sends is taken by itself: the right panel into its line, another one not, and nothing is lost.
func TestStudyTakesWhatTheGaugeSends(t *testing.T) {
	s := start(t)
	engineer, technician := s.browser("okafor"), s.browser("sorby")
	form := url.Values{"kind": {store.CrossedStudy}, "gauge": {"CG-1"}, "product": {"P25"}, "characteristic": {"radius_mm", "max_deviation_um"}, "trials": {"3"}, "parts": {"A-1\nA-2\nA-3\nA-4"}, "appraisers": {"Ahn\nTamm"}, "seed": {"5"}}
	status, at, text := s.fill(engineer, "/studies/new", form)
	require.Equal(t, 200, status, text)
	id := studyNumber(t, at)
	status, _, text = s.fill(engineer, "/studies/new", form)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, text, "has a study that is being collected")
	v, err := s.store.Study(t.Context(), "north", id)
	require.NoError(t, err)
	rng, n, begin := rand.New(rand.NewPCG(1, 1)), 0, time.Now()
	gauge := func(panel string, purpose string) {
		t.Helper()
		n++
		r := 1107.5
		if i, err := strconv.Atoi(strings.TrimPrefix(panel, "A-")); err == nil {
			r += 0.5 * float64(i)
		}
		status, answer := s.post(measurement{"gauge": "CG-1", "panel": panel, "measured_at": begin.Add(time.Duration(n) * 50 * time.Millisecond).UTC().Format(time.RFC3339Nano), "press": "A", "product": "P25", "mould": "1",
			"sequence": 1000 + n, "purpose": purpose, "readings": radial(r, 0.003, rng)})
		require.Less(t, status, 300, answer)
	}
	panel := func(l *store.StudyLine) string { return v.Plan.Parts[l.Part-1].Panel }
	first := s.nextLine(id)
	gauge("A-77", "study")
	gauge(panel(first), "production")
	_, text = s.page(technician, at)
	require.Contains(t, text, "Panel A-77 is not in this study. Take ")
	require.Equal(t, first, s.nextLine(id), "nothing was taken")
	gauge(panel(first), "study")
	gauge(panel(first), "study") // twice in one round
	_, text = s.page(technician, at)
	require.Contains(t, text, "is not to be measured in this round, or has been already. Take ")
	require.Equal(t, 2, s.nextLine(id).Line)
	// Another panel of the round takes its own line.
	third := v.Plan.Lines[2]
	gauge(panel(&third), "study")
	s.page(technician, at)
	readings, err := s.store.StudyReadings(t.Context(), "north", id)
	require.NoError(t, err)
	require.Equal(t, []int{1, 3}, []int{readings[0].Line, readings[1].Line})
	require.Len(t, readings[0].Deviations, len(places))
	require.Equal(t, "gauge computer", readings[0].By)
	for l := s.nextLine(id); l != nil; l = s.nextLine(id) {
		gauge(panel(l), "study")
		status, text = s.page(technician, at)
		require.Equal(t, 200, status)
	}
	require.Contains(t, text, "The single probes")
	_, text = s.page(engineer, at)
	require.Contains(t, text, "probe_u_um")
	require.Greater(t, s.stored(), 24, "every measurement is kept")

	status, _, text = s.fill(engineer, at+"/adopt", url.Values{"proposal": {"probe_u_um"}, "reason": {"measured"}})
	require.Equal(t, 200, status, text)
	g, revision := defined[spc.Gauge](s, "gauges/CG-1")
	require.Equal(t, 2, revision)
	require.InDelta(t, 3, *g.ProbeUUM, 0.5, "the planted scatter of a reading is 3 um")
	require.Len(t, g.Masters, 1, "all else is as it was")
	log, err := s.store.StudyLog(t.Context(), "north", id)
	require.NoError(t, err)
	require.Contains(t, string(log[len(log)-1].Detail), `"revision":2`)
}

// A study may be given up with a reason, and stays to be seen; other kinds find their way.
func TestOtherStudiesThroughThePages(t *testing.T) {
	s := start(t)
	engineer, technician := s.browser("okafor"), s.browser("sorby")
	status, at, text := s.fill(engineer, "/studies/new", url.Values{"kind": {store.AttributeStudy}, "gauge": {"PG-1"}, "product": {"P25"}, "categories": {"good, bad"}, "trials": {"2"}, "parts": {"A-1 good\nA-2 bad\nA-3 good"}, "appraisers": {"Ahn\nTamm"}})
	require.Equal(t, 200, status, text)
	id := studyNumber(t, at)
	for l := s.nextLine(id); l != nil; l = s.nextLine(id) {
		status, _, text = s.fill(technician, at+"/reading", url.Values{"line": {fmt.Sprint(l.Line)}, "category": {fmt.Sprint((l.Part + 1) % 2)}})
		require.Equal(t, 200, status)
	}
	require.Contains(t, text, "On 3 of 3 panels all judgements agree and are right")
	status, _, text = s.fill(engineer, at+"/abandon", nil)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, text, "needs its reason")
	status, _, text = s.fill(engineer, at+"/abandon", url.Values{"reason": {"the light was wrong"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "the light was wrong")
	status, _, _ = s.fill(technician, at+"/reading", url.Values{"line": {"1"}, "category": {"0"}})
	require.Equal(t, http.StatusConflict, status)

	// Stability from master checks that are there.
	rng := rand.New(rand.NewPCG(4, 4))
	for i := range 24 {
		status, answer := s.post(measurement{"gauge": "CG-1", "panel": "M-2", "measured_at": origin.Add(time.Duration(i) * 4 * time.Hour).Format(time.RFC3339Nano), "sequence": i, "purpose": "master", "readings": radial(1107.5, 0.003, rng)})
		require.Less(t, status, 300, answer)
	}
	form := url.Values{"kind": {store.StabilityStudy}, "gauge": {"CG-1"}, "product": {"P25"}, "characteristic": {"master_radius_error_mm"}, "parts": {"M-2"}, "from": {"2026-03-02"}, "to": {"2026-03-20"}}
	status, _, text = s.fill(engineer, "/studies/new", form)
	require.Equal(t, 200, status)
	require.Contains(t, text, "CG-1")
	require.Contains(t, text, "Drift and bias")
	form.Set("from", "2026-03-10")
	status, _, text = s.fill(engineer, "/studies/new", form)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, text, "five are needed")
}
