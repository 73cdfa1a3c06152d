package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const sphereReference = "../../testdata/reference/sphere"

// fitted is a result line of the fit command, of either form.
type fitted struct {
	Name         string     `json:"name"`
	N            int        `json:"n"`
	CentreMM     [3]float64 `json:"centre_mm"`
	RadiusMM     *float64   `json:"radius_mm"`
	RMSUM        *float64   `json:"rms_um"`
	RadiusFitUMM *float64   `json:"radius_fit_u_mm"`
	Refused      string     `json:"refused"`

	Status  string   `json:"status"`
	Panel   string   `json:"panel"`
	Verdict string   `json:"verdict"`
	Reasons []string `json:"reasons"`
	Problem *struct {
		Index  int    `json:"index"`
		Field  string `json:"field"`
		Detail string `json:"detail"`
	} `json:"problem"`
}

// fitCommand runs the fit command without a database.
func fitCommand(t *testing.T, in string, args ...string) (status int, lines []fitted, errs string) {
	t.Helper()
	var out, errw bytes.Buffer
	status = run(context.Background(), append([]string{"fit"}, args...), strings.NewReader(in), &out, &errw)
	for dec := json.NewDecoder(&out); dec.More(); {
		var f fitted
		require.NoError(t, dec.Decode(&f))
		lines = append(lines, f)
	}
	return status, lines, errw.String()
}

// Sets of points with fits known to 25 digits (COMPUTED in 60-digit arithmetic, testdata/reference/sphere/fits.json).
func TestFitPointsGivesTheReferenceFits(t *testing.T) {
	name := filepath.Join(sphereReference, "fits.json")
	file, err := os.ReadFile(name)
	require.NoError(t, err)
	var reference struct {
		Cases []struct {
			Name     string
			N        int
			Expected struct {
				Centre   [3]string
				Radius   string
				RMS      string
				SDRadius *string `json:"sd_radius"`
			}
		}
	}
	require.NoError(t, json.Unmarshal(file, &reference))
	status, lines, errs := fitCommand(t, "", "--points", name)
	require.Zero(t, status, errs)
	require.Len(t, lines, len(reference.Cases))
	number := func(text string) float64 {
		v, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		return v
	}
	for i, c := range reference.Cases {
		got := lines[i]
		require.Equal(t, c.Name, got.Name)
		require.Equal(t, c.N, got.N)
		tol := 1e-9
		if c.Name == "cap_nearly_flat" {
			tol = 1e-7 // R = 50 m from 0.6 mm of sagitta: one rounding of a coordinate moves the radius by 1e-8 mm
		}
		require.InDelta(t, number(c.Expected.Radius), *got.RadiusMM, tol, c.Name)
		for j := range 3 {
			require.InDelta(t, number(c.Expected.Centre[j]), got.CentreMM[j], tol, "%s centre %d", c.Name, j)
		}
		require.InDelta(t, number(c.Expected.RMS)*1e3, *got.RMSUM, 1e-8, c.Name)
		if c.Expected.SDRadius == nil {
			require.Nil(t, got.RadiusFitUMM, "%s: four points leave nothing to tell an uncertainty from", c.Name)
		} else {
			want := number(*c.Expected.SDRadius)
			require.InDelta(t, want, *got.RadiusFitUMM, 1e-6*want+1e-9, c.Name)
		}
	}
}

// Points that have no sphere are refused one by one, with the reason in words, and do not stop the rest.
func TestFitPointsRefuses(t *testing.T) {
	file, err := os.ReadFile(filepath.Join(sphereReference, "exact.json"))
	require.NoError(t, err)
	var reference struct {
		MustRefuse []json.RawMessage `json:"must_refuse"`
	}
	require.NoError(t, json.Unmarshal(file, &reference))
	require.Len(t, reference.MustRefuse, 6)
	var in bytes.Buffer
	for _, raw := range reference.MustRefuse {
		require.NoError(t, json.Compact(&in, raw))
		in.WriteByte('\n')
	}
	in.WriteString(`{"name": "cube", "points": [[-1,-1,-1],[-1,-1,1],[-1,1,-1],[-1,1,1],[1,-1,-1],[1,-1,1],[1,1,-1],[1,1,1]]}` + "\n")
	in.WriteString(`{"name": "broken", "points": [[0, 0` + "\n")
	status, lines, errs := fitCommand(t, in.String(), "--points", "-")
	require.Equal(t, 1, status)
	require.Contains(t, errs, "7 sets of points")
	require.Len(t, lines, 8)
	for _, l := range lines[:6] {
		require.NotEmpty(t, l.Refused, l.Name)
		require.Nil(t, l.RadiusMM, l.Name)
	}
	require.InDelta(t, 1.7320508075688772, *lines[6].RadiusMM, 1e-13)
	require.Contains(t, lines[7].Refused, "object 7 can't be read")
}

// With a set-up file measurements are fitted and judged; a broken line and a wrong one are refused by themselves.
func TestFitJudgesBySetup(t *testing.T) {
	pressed := time.Now().Add(-3 * time.Hour)
	in := strings.Join([]string{
		string(panelJSON(1, 1108.25, pressed)),
		`{"gauge": "CG-1", "readings": [1`,
		string(panelJSON(2, 1114.92, pressed)),
		strings.Replace(string(panelJSON(3, 1108, pressed)), `"product":"P25"`, `"product":"P26"`, 1),
	}, "\n")
	status, lines, errs := fitCommand(t, in, "--setup", plantFile(t), "-")
	require.Equal(t, 1, status)
	require.Contains(t, errs, "some measurements were refused: 2")
	require.Len(t, lines, 4)
	require.Equal(t, "A-0000001", lines[0].Panel)
	require.Equal(t, "conforms", lines[0].Verdict, lines[0].Reasons)
	require.InDelta(t, 1108.25, *lines[0].RadiusMM, 0.15, "3 um of noise over 48 places")
	require.Equal(t, "refused", lines[1].Status)
	require.Equal(t, 1, lines[1].Problem.Index)
	require.Equal(t, "does-not-conform", lines[2].Verdict)
	require.Contains(t, strings.Join(lines[2].Reasons, " "), "above 1113.5 mm")
	require.Equal(t, "product", lines[3].Problem.Field)
	require.Contains(t, lines[3].Problem.Detail, `"P26" is not defined`)
}

// With one gauge's definition there is a fit, the same as with the set-up file, and no verdict.
func TestFitByGaugeAlone(t *testing.T) {
	pressed := time.Now().Add(-3 * time.Hour)
	// No product is known here, so the places are written as directions from the reference centre.
	var directions [][3]float64
	for _, p := range grid {
		const r0 = 1107.5
		directions = append(directions, [3]float64{p[0] / r0, p[1] / r0, -math.Sqrt(r0*r0-p[0]*p[0]-p[1]*p[1]) / r0})
	}
	places, err := json.Marshal(directions)
	require.NoError(t, err)
	gauge := filepath.Join(t.TempDir(), "gauge.yaml")
	require.NoError(t, os.WriteFile(gauge, []byte("id: CG-1\nkind: radial\nplaces: "+string(places)+"\nprobe_u_um: 3\nrange: [1090, 1125]\napex_distance_mm: 1107.5\n"), 0o600))
	for _, r := range []float64{1102, 1107.5, 1113} {
		in := string(panelJSON(int(r), r, pressed))
		_, judged, errs := fitCommand(t, in, "--setup", plantFile(t), "-")
		require.Len(t, judged, 1, errs)
		status, lines, errs := fitCommand(t, in, "--gauge", gauge, "-")
		require.Zero(t, status, errs)
		require.Len(t, lines, 1)
		require.Equal(t, "fitted", lines[0].Status)
		require.Empty(t, lines[0].Verdict)
		require.InDelta(t, *judged[0].RadiusMM, *lines[0].RadiusMM, 1e-9)
		require.InDelta(t, *judged[0].RMSUM, *lines[0].RMSUM, 1e-6)
	}
	short, err := json.Marshal(map[string]any{"panel": "A-1", "readings": readingsOf(1107.5, rand.New(rand.NewPCG(1, 1)))[:47]})
	require.NoError(t, err)
	status, lines, _ := fitCommand(t, string(short), "--gauge", gauge, "-")
	require.Equal(t, 1, status)
	require.Contains(t, lines[0].Problem.Detail, "readings has 47 values, gauge CG-1 has 48 places")
}

func TestFitSaysHowItWantsToBeAsked(t *testing.T) {
	status, _, errs := fitCommand(t, "{}", "-")
	require.Equal(t, 1, status)
	require.Contains(t, errs, "--setup FILE, --gauge FILE or --points")
	status, _, _ = fitCommand(t, "{}", "--points", "--setup", "x.yaml", "-")
	require.Equal(t, 2, status, "one way at a time")
	status, _, errs = fitCommand(t, "  ", "--points", "-")
	require.Equal(t, 1, status)
	require.Contains(t, errs, "the input is empty")
}
