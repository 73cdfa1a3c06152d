package report_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"sagwatch/server/plant"
	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/store"
)

// capabilityPlant is a catalogue of one press of so many moulds and a product with these limits.
func capabilityPlant(t testing.TB, moulds int, p spc.Product) *plant.Catalogue {
	t.Helper()
	press := spc.Press{ID: "B", TaktS: 10, LehrMinutes: 90}
	for i := range moulds {
		press.Moulds = append(press.Moulds, fmt.Sprint(i+1))
	}
	p.ID = "P25"
	var rs []plant.Revision
	for _, d := range []struct {
		kind, id string
		body     any
	}{{plant.KindSite, "north", spc.Site{ID: "north", TimeZone: "Europe/Tallinn", Shifts: []string{"06:00", "14:00", "22:00"}}}, {plant.KindPress, "B", press}, {plant.KindProduct, "P25", p}} {
		b, err := json.Marshal(d.body)
		require.NoError(t, err)
		rs = append(rs, plant.Revision{Kind: d.kind, ID: d.id, Number: 1, EffectiveFrom: time.Unix(0, 0).UTC(), Body: b, Reason: "test", By: "test"})
	}
	c, err := plant.New(rs)
	require.NoError(t, err)
	return c
}

func limits(name string, lower, upper float64) spc.Product {
	i := spc.Interval{}
	if !math.IsNaN(lower) {
		i.Lower = &lower
	}
	if !math.IsNaN(upper) {
		i.Upper = &upper
	}
	return spc.Product{Limits: map[string]spc.Interval{name: i}}
}

var capabilityFrom = time.Date(2026, 1, 31, 22, 0, 0, 0, time.UTC) // midnight in Tallinn

// panelsOf gives n panels, one every takt, of the moulds in turn.
func panelsOf(n, moulds int, takt time.Duration, fill func(i int, o *store.Obs)) func(add func(*store.Obs) error) error {
	return func(add func(*store.Obs) error) error {
		o := store.Obs{Press: "B", Product: "P25", Cycle: spc.NoCycle}
		o.Key.Gauge = "CG-1"
		for i := range n {
			o.Key.LineAt = capabilityFrom.Add(time.Duration(i) * takt)
			o.Mould = fmt.Sprint(i%moulds + 1)
			fill(i, &o)
			if err := add(&o); err != nil {
				return err
			}
		}
		return nil
	}
}

// BenchmarkCapabilityYear is a year of one press: 3.15 million panels of 11 moulds, two characteristics. It leaves the database out.
func BenchmarkCapabilityYear(b *testing.B) {
	lower, upper, most := 1101.5, 1113.5, 381.0
	c := capabilityPlant(b, 11, spc.Product{Limits: map[string]spc.Interval{"radius_mm": {Lower: &lower, Upper: &upper}, "max_deviation_um": {Upper: &most}}})
	const n = 3_150_000
	for b.Loop() {
		r := rand.New(rand.NewPCG(1, 2))
		level := 0.0
		var peak uint64
		var m runtime.MemStats
		start := time.Now()
		in, err := report.GatherFrom(c, "north", report.CapabilityQuery{Press: "B", Product: "P25"}, capabilityFrom, capabilityFrom.Add(366*24*time.Hour), panelsOf(n, 11, 10*time.Second, func(i int, o *store.Obs) {
			if i%2880 == 0 {
				level = 0.2 * r.NormFloat64()
			}
			o.Values.Set(spc.RadiusMM, 1107.4+level+0.5*r.NormFloat64()+0.1*float64(i%11-5))
			o.Values.Set(spc.MaxDeviationUM, 135+20*level-26*math.Log(r.ExpFloat64()))
			if i%200_000 == 0 {
				runtime.ReadMemStats(&m)
				peak = max(peak, m.HeapAlloc)
			}
		}))
		require.NoError(b, err)
		gathered := time.Since(start)
		runtime.ReadMemStats(&m)
		peak = max(peak, m.HeapAlloc)
		w, err := report.WorkCapability(in)
		require.NoError(b, err)
		runtime.ReadMemStats(&m)
		peak = max(peak, m.HeapAlloc)
		worked := time.Since(start) - gathered
		body, err := json.Marshal(in)
		require.NoError(b, err)
		d := w.Document()
		begin := time.Now()
		_, err = d.PDF()
		require.NoError(b, err)
		b.ReportMetric(gathered.Seconds(), "gather-s")
		b.ReportMetric(worked.Seconds(), "work-s")
		b.ReportMetric(time.Since(begin).Seconds(), "pdf-s")
		b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
		b.ReportMetric(float64(len(body))/(1<<20), "inputs-MiB")
	}
}

// worked gathers, works out, and gives the figures by id.
func worked(t testing.TB, c *plant.Catalogue, q report.CapabilityQuery, days int, each func(add func(*store.Obs) error) error) (*report.CapabilityInputs, *report.Capability, map[string]*report.Figure) {
	t.Helper()
	q.Press, q.Product = "B", "P25"
	in, err := report.GatherFrom(c, "north", q, capabilityFrom, capabilityFrom.AddDate(0, 0, days), each)
	require.NoError(t, err)
	w, err := report.WorkCapability(in)
	require.NoError(t, err)
	figures := map[string]*report.Figure{}
	for _, f := range w.Figures {
		require.Nil(t, figures[f.ID], "figure %s comes twice", f.ID)
		require.True(t, f.Formula != "" && f.Source != "" && f.Inputs != "" || f.Missing != "", "%s is explained: %+v", f.ID, f)
		figures[f.ID] = f
	}
	return in, w, figures
}

// The example of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6: limits 8 and 20, mean 16, standard deviation 2 give
// Cp 1.0, Cpu 0.6667, Cpl 1.3333 and so Cpk 0.6667; Cpm about 14 from reference/capability: 0.70711.
func TestCapabilityOfTheHandbook(t *testing.T) {
	const n = 200
	lower, upper, nominal := 8.0, 20.0, 14.0
	c := capabilityPlant(t, 1, spc.Product{Characteristics: []spc.Characteristic{{Name: "width", Unit: "mm", Lower: &lower, Upper: &upper, Nominal: &nominal}}})
	half := 2 * math.Sqrt(float64(n-1)/n) // so that the standard deviation with n - 1 is 2 exactly
	in, w, f := worked(t, c, report.CapabilityQuery{Characteristics: []string{"width"}}, 1, panelsOf(n, 1, 10*time.Second, func(i int, o *store.Obs) {
		o.Key.Panel = fmt.Sprintf("B-%04d", i)
		o.Characteristics = map[string]float64{"width": 16 + half*float64(1-2*(i/2%2))}
	}))
	require.InDelta(t, 16, float64(f["mean.width"].Value), 1e-12)
	require.InDelta(t, 2, float64(f["sd.width"].Value), 1e-12)
	require.InDelta(t, 1, float64(f["pp.width"].Value), 1e-12)
	require.InDelta(t, 2.0/3, float64(f["ppk.width"].Value), 1e-12)
	require.InDelta(t, 0.707106781187, float64(f["cpm.width"].Value), 1e-9)
	require.InDelta(t, 31.6712418331+22750.1319482, float64(f["outside.width"].Value), 1e-4)
	require.InDelta(t, 1, float64(f["cp.width"].Value), 1e-12, "one shift: within is overall")
	require.InDelta(t, 2.0/3, float64(f["cpk.width"].Value), 1e-12)
	require.Equal(t, report.Number(0), f["observed.width"].Value)
	require.Contains(t, w.Said().String(), "Performance only", "nothing shows that it was stable")
	require.Len(t, in.Raw, n)
	writtenAndReadBack(t, in, w, f)
}

// writtenAndReadBack writes a report in every form, and compares what is read from each with the figures.
func writtenAndReadBack(t *testing.T, in *report.CapabilityInputs, w *report.Capability, f map[string]*report.Figure) {
	t.Helper()
	body, err := json.Marshal(in)
	require.NoError(t, err)
	d, err := report.Make(store.CapabilityReport, body)
	require.NoError(t, err)
	require.Equal(t, w.Said().String(), d.Statement, "made from the stored inputs it says the same")
	pdf, err := d.PDF()
	require.NoError(t, err)
	again, err := report.Make(store.CapabilityReport, body)
	require.NoError(t, err)
	second, err := again.PDF()
	require.NoError(t, err)
	require.True(t, bytes.Equal(pdf, second), "made again it is the same to the byte")

	x, err := d.XLSX()
	require.NoError(t, err)
	book, err := excelize.OpenReader(bytes.NewReader(x))
	require.NoError(t, err)
	rows, err := book.GetRows("Figures", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	same := func(where, id, value, lower, upper string) {
		g := f[id]
		require.NotNil(t, g, "%s: %s", where, id)
		for _, p := range []struct {
			text string
			want report.Number
		}{{value, g.Value}, {lower, g.Lower}, {upper, g.Upper}} {
			if !p.want.Has() {
				continue
			}
			got, err := strconv.ParseFloat(p.text, 64)
			require.NoError(t, err, "%s: %s", where, id)
			if p.want != 0 {
				require.InEpsilon(t, float64(p.want), got, 1e-14, "%s: %s", where, id)
			} else {
				require.Zero(t, got)
			}
		}
	}
	at := func(row []string, i int) string {
		if i < len(row) {
			return row[i]
		}
		return ""
	}
	read := 0
	for _, r := range rows {
		if f[at(r, 0)] != nil {
			same("spreadsheet", r[0], at(r, 3), at(r, 4), at(r, 5))
			read++
		}
	}
	require.Equal(t, len(f), read, "every figure is in the spreadsheet")

	z, err := d.CSV()
	require.NoError(t, err)
	archive, err := zip.NewReader(bytes.NewReader(z), int64(len(z)))
	require.NoError(t, err)
	file, err := archive.Open("figures.csv")
	require.NoError(t, err)
	lines, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	read = 0
	for _, r := range lines {
		if f[r[0]] != nil {
			same("CSV", r[0], r[3], r[4], r[5])
			read++
		}
	}
	require.Equal(t, len(f), read)

	j, err := d.JSON()
	require.NoError(t, err)
	var out struct {
		Figures []struct {
			ID    string
			Value report.Number
		}
	}
	require.NoError(t, json.Unmarshal(j, &out))
	require.Len(t, out.Figures, len(f))
	for _, g := range out.Figures {
		if g.Value.Has() {
			require.Equal(t, f[g.ID].Value, g.Value, g.ID)
		}
	}
}

// Distributions of reference/capability/capability.json, computed with a general library, brought in as evenly spread quantiles: the
// percentiles and indices come out as they are there.
func TestCapabilityOfDistributions(t *testing.T) {
	const n = 20001
	even := func(quantile func(p float64) float64) func(i int) float64 {
		return func(i int) float64 { return quantile((float64(i*7919%n) + 0.5) / n) } // 7919 is prime: every i once, in no order
	}
	gumbel := func(p float64) float64 { return 135.4 - 26.3*math.Log(-math.Log(p)) }
	for _, c := range []struct {
		name         string
		of           string
		lower, upper float64
		family       fit.Family
		value        func(int) float64
		x            [3]float64 // 0.135 %, 50 %, 99.865 %
		ppk          float64
		eps          float64
	}{
		{"lognormal mu 0 sigma 0.5", "radius_mm", 0.1, 6, fit.Lognormal, even(func(p float64) float64 { return math.Exp(0.5 * dist.NormalQuantile(p)) }), [3]float64{0.223130160148, 1, 4.48168907034}, 1.15849522511, 0.004},
		{"Weibull shape 2 scale 10", "radius_mm", math.NaN(), 35, fit.Weibull, even(func(p float64) float64 { return 10 * math.Sqrt(-math.Log1p(-p)) }), [3]float64{0.367533667131, 8.32554611158, 25.7054978974}, 1.53478296242, 0.004},
		{"normal mean 10 sd 2", "radius_mm", 2, 20, fit.Normal, even(func(p float64) float64 { return 10 + 2*dist.NormalQuantile(p) }), [3]float64{4, 10, 16}, 1.33333333333, 0.002},
		{"largest extreme value", "max_deviation_um", math.NaN(), 381, "", even(gumbel), [3]float64{gumbel(fit.OuterTail), gumbel(0.5), gumbel(1 - fit.OuterTail)}, (381 - gumbel(0.5)) / (gumbel(1-fit.OuterTail) - gumbel(0.5)), 0.004},
	} {
		t.Run(c.name, func(t *testing.T) {
			of, _ := spc.ComputedByName(c.of)
			q := report.CapabilityQuery{Models: map[string]report.CapabilityModel{c.of: {Family: c.family, Reason: "it is known"}}}
			if c.family == "" {
				q.Models = nil
			}
			in, w, f := worked(t, capabilityPlant(t, 1, limits(c.of, c.lower, c.upper)), q, 3, panelsOf(n, 1, 10*time.Second, func(i int, o *store.Obs) { o.Values.Set(of, c.value(i)) }))
			for i, p := range []string{"0.135", "50", "99.865"} {
				require.InEpsilon(t, c.x[i], float64(f["x"+p+"."+c.of].Value), 0.01, p)
			}
			require.InEpsilon(t, c.ppk, float64(f["ppk."+c.of].Value), c.eps)
			l := f["ppk."+c.of]
			require.True(t, l.Lower < l.Value && l.Value < l.Upper && l.Level == 0.95)
			if c.family == "" {
				require.Equal(t, fit.LargestExtreme, w.Worked[0].Family, "a largest value is taken as one, not as normal")
				require.Nil(t, f["cpk."+c.of])
				require.Contains(t, w.Worked[0].ModelHead(), "not normal")
			}
			require.Nil(t, in.Raw, "more panels than a report carries singly")
		})
	}
}

func TestCapabilityExclusionsAndShifts(t *testing.T) {
	// Ten days; the second is 2 mm off and left out. Shifts differ, so that intervals come from whole shifts.
	r := rand.New(rand.NewPCG(3, 4))
	level := 0.0
	q := report.CapabilityQuery{Exclude: []report.CapabilityExclusion{{From: capabilityFrom.AddDate(0, 0, 1), To: capabilityFrom.AddDate(0, 0, 2), Reason: "lehr zone 3 low"}}}
	day := func(i int) int { return i * 4 / 1440 }
	in, w, f := worked(t, capabilityPlant(t, 5, limits("radius_mm", 1101.5, 1113.5)), q, 10, panelsOf(3600, 5, 4*time.Minute, func(i int, o *store.Obs) {
		if i%120 == 90 { // where a shift begins
			level = 0.3 * r.NormFloat64()
		}
		x := 1107.5 + level + 0.5*r.NormFloat64()
		if day(i) == 1 {
			x += 2
		}
		if i%5 == 4 { // mould 5 lies low
			x -= 1
		}
		o.Values.Set(spc.RadiusMM, x)
	}))
	require.Equal(t, 360, in.LeftOut)
	require.Equal(t, 3600, in.Panels)
	o := w.Worked[0]
	require.True(t, o.Blocked)
	all, without := f["ppk.radius_mm"], f["ppk.radius_mm.counted"]
	require.Greater(t, float64(without.Value), float64(all.Value)*1.1, "what was shipped counts")
	require.Contains(t, all.Method, "whole shifts")
	alone := f["ppk-if-independent.radius_mm"]
	require.Equal(t, all.Value, alone.Value)
	require.Less(t, float64(alone.Upper-alone.Lower), float64(all.Upper-all.Lower), "as if independent is too narrow")
	require.Greater(t, float64(f["ppk.radius_mm.levelled"].Value), float64(all.Value))
	require.InDelta(t, 0.5, float64(f["sd-within.radius_mm"].Value), 0.02, "planted inside shifts")
	require.Greater(t, float64(f["cp.radius_mm"].Value), float64(f["pp.radius_mm"].Value))
	require.InDelta(t, 0.53, float64(f["sd-panel.radius_mm"].Value), 0.04, "with the step inside the two shifts that the left-out day cuts")
	require.InDelta(t, math.Sqrt(0.2), float64(f["sd-mould.radius_mm"].Value), 0.1)
	require.Contains(t, f["ppk.radius_mm.mould:5"].Of, "mould 5")
	require.Contains(t, w.SaidDoubts()[0].String(), "left out of Cp and Cpk only")
	left := 0
	for _, m := range o.Means {
		if m.LeftOut {
			left++
		}
	}
	require.Equal(t, 3, left, "three shifts of a day, the last one cut at midnight with two of its eight hours on the day before")
	writtenAndReadBack(t, in, w, f)
}

// Whoever leaves everything out has nothing left that could show a stable process.
func TestCapabilityWithEverythingLeftOut(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	q := report.CapabilityQuery{Exclude: []report.CapabilityExclusion{{From: capabilityFrom, To: capabilityFrom.AddDate(0, 0, 11), Reason: "a bad week"}}}
	_, w, f := worked(t, capabilityPlant(t, 5, limits("radius_mm", 1101.5, 1113.5)), q, 10, panelsOf(1000, 5, 4*time.Minute, func(_ int, o *store.Obs) {
		o.Values.Set(spc.RadiusMM, 1107.5+0.3*r.NormFloat64())
	}))
	require.True(t, f["ppk.radius_mm"].Value.Has(), "what was shipped counts")
	require.False(t, w.Worked[0].Supported())
	require.NotContains(t, w.Said().String(), "meets the wanted")
	require.Contains(t, strings.Join(w.Worked[0].Against, " "), "Everything in the period was left out")
}

func TestCapabilityOfLittle(t *testing.T) {
	c := capabilityPlant(t, 2, limits("radius_mm", 1101.5, 1113.5))
	_, w, _ := worked(t, c, report.CapabilityQuery{}, 1, panelsOf(0, 2, time.Minute, nil))
	require.Contains(t, w.Said().String(), "No panel of P25")
	require.NotNil(t, w.Document())
	_, w, f := worked(t, c, report.CapabilityQuery{}, 1, panelsOf(1, 2, time.Minute, func(_ int, o *store.Obs) { o.Values.Set(spc.RadiusMM, 1107) }))
	require.Contains(t, w.Said().String(), "no index")
	require.False(t, f["ppk.radius_mm"].Value.Has())
	_, w, _ = worked(t, c, report.CapabilityQuery{}, 1, panelsOf(40, 2, time.Minute, func(_ int, o *store.Obs) { o.Values.Set(spc.RadiusMM, 1107) }))
	require.Contains(t, w.Said().String(), "do not vary")
	in, w, f := worked(t, c, report.CapabilityQuery{}, 1, panelsOf(20, 2, time.Minute, func(i int, o *store.Obs) { o.Values.Set(spc.RadiusMM, 1107+float64(i*7%11)) }))
	require.Contains(t, w.Said().String(), "too few")
	require.Contains(t, strings.Join(w.Worked[0].Against, " "), "independent of one another, would tell it to within a tenth")
	writtenAndReadBack(t, in, w, f)
	// Rounding to a step of a third of the spread is said.
	r := rand.New(rand.NewPCG(1, 1))
	_, w, _ = worked(t, c, report.CapabilityQuery{}, 1, panelsOf(1000, 2, time.Minute, func(_ int, o *store.Obs) {
		o.Values.Set(spc.RadiusMM, 1107+math.Round(r.NormFloat64()*3)/3)
	}))
	require.Contains(t, strings.Join(w.Worked[0].Against, " "), "Rounding is coarse")
}

func TestCapabilityQuestions(t *testing.T) {
	c := capabilityPlant(t, 2, limits("radius_mm", 1101.5, 1113.5))
	for name, q := range map[string]report.CapabilityQuery{
		"press": {Press: "Z", Product: "P25"}, "product": {Press: "B", Product: "Z"}, "moulds": {Press: "B", Product: "P25", Moulds: []string{"9"}},
		"characteristics": {Press: "B", Product: "P25", Characteristics: []string{"form_um"}}, "wanted": {Press: "B", Product: "P25", Wanted: -1},
		"exclude": {Press: "B", Product: "P25", Exclude: []report.CapabilityExclusion{{From: capabilityFrom, To: capabilityFrom.Add(time.Hour)}}},
		"models":  {Press: "B", Product: "P25", Models: map[string]report.CapabilityModel{"radius_mm": {Family: fit.Lognormal}}},
	} {
		_, err := report.GatherFrom(c, "north", q, capabilityFrom, capabilityFrom.Add(time.Hour), panelsOf(0, 1, time.Second, nil))
		var wrong *report.AskError
		require.ErrorAs(t, err, &wrong, name)
		require.Equal(t, name, wrong.Field)
	}
	form := capabilityPlant(t, 2, limits("form_um", math.NaN(), 100))
	asked := report.CapabilityQuery{Press: "B", Product: "P25", Models: map[string]report.CapabilityModel{"form_um": {Family: "triangular", Reason: "because"}}}
	_, err := report.GatherFrom(form, "north", asked, capabilityFrom, capabilityFrom.Add(time.Hour), panelsOf(0, 1, time.Second, nil))
	require.ErrorContains(t, err, "cannot be described")
	_, err = report.GatherFrom(c, "north", report.CapabilityQuery{Press: "B", Product: "P25"}, capabilityFrom, capabilityFrom, panelsOf(0, 1, time.Second, nil))
	require.ErrorContains(t, err, "end after it begins")
}

// An engineer may take any distribution for any characteristic, with a reason that the report carries: the normal one for a form error far
// from zero, and one below zero is said.
func TestCapabilityOfAnyModel(t *testing.T) {
	for name, usual := range map[string]fit.Family{"max_deviation_um": fit.LargestExtreme, "form_um": fit.LargestExtreme, "contour_rms_um": "", "radius_mm": fit.Normal} {
		value, ok := spc.ComputedByName(name)
		require.True(t, ok)
		c := capabilityPlant(t, 2, limits(name, math.NaN(), 400))
		r := rand.New(rand.NewPCG(5, 6))
		panels := panelsOf(300, 2, time.Minute, func(_ int, o *store.Obs) { o.Values.Set(value, 135-26*math.Log(r.ExpFloat64())) })
		_, w, _ := worked(t, c, report.CapabilityQuery{}, 1, panels)
		require.True(t, w.Worked[0].Usual)
		if usual != "" {
			require.Equal(t, usual, w.Worked[0].Family, name)
		} else {
			require.Contains(t, fit.Defaults(fit.Form), w.Worked[0].Family, name)
		}
		if name != "form_um" {
			continue
		}
		for _, family := range []fit.Family{report.Empirical, fit.Normal, fit.Exponential, fit.Rayleigh, fit.Weibull, fit.JohnsonSU} {
			r = rand.New(rand.NewPCG(5, 6))
			in, w, f := worked(t, c, report.CapabilityQuery{Models: map[string]report.CapabilityModel{name: {Family: family, Reason: "trial 7 of the tool room"}}}, 1, panels)
			o := w.Worked[0]
			require.False(t, o.Usual)
			require.Contains(t, o.ModelText(), "trial 7 of the tool room")
			if o.Refused != "" { // a family without a maximum of the likelihood says so
				require.Equal(t, fit.JohnsonSU, family, o.Refused)
				continue
			}
			require.Equal(t, family, o.Family)
			require.True(t, f["ppk."+name].Value.Has(), "%s %s", name, family)
			require.NotNil(t, in.Asked.Models[name])
		}
	}
}
