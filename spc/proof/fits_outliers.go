package proof

import (
	"fmt"

	"sagwatch/spc/fit"
)

// outlierTests compares the handbook's three outlier tests.
func (r *run) outlierTests() {
	e := r.handbookExample("grubbs_1_3_5_17_1")
	source := handbookTitle + "1.3.5.17.1"
	g, err := fit.Grubbs(e.Inline.X, fit.HighSide, 0.05)
	if err != nil {
		g = &fit.Outlier{}
	}
	line := func(method, what, source string, v handbookValue, got float64, err error) Check {
		return Check{Section: Capability, Method: method, Case: what, Source: source, Origin: Published, Want: v.value, Got: got, Tol: v.tol, Trouble: trouble(err)}
	}
	c := line("Grubbs' test", "8 uranium isotope ratios, G", source, e.values["G"], g.G, err)
	c.Note = "the page cuts digits off: 2.46876"
	r.add(c)
	r.add(line("Grubbs' test", "8 uranium isotope ratios, one-sided critical value at 5 %", source, e.values["critical one-sided 0.05"], g.Critical, err))
	both, err := fit.Grubbs(e.Inline.X, fit.BothSides, 0.05)
	if err != nil {
		both = &fit.Outlier{}
	}
	check := ofFit("Grubbs' test", "8 uranium isotope ratios", source, sciPy, 0, 0, 0, err)
	check.Note = "scipy.stats.t"
	r.worst(check, []pair{{2.46876461121245, g.G, 1e-12, "G"}, {2.031652001549951, g.Critical, 1e-12, "one-sided critical value"},
		{2.126645087195628, both.Critical, 1e-12, "two-sided critical value"}, {1.5013193410356792e-07, g.P, 1e-7, "one-sided p-value"}})

	esd := r.handbookExample("gesd_1_3_5_17_3").values
	x := r.column("handbook/rosner.csv", "y")
	source = handbookTitle + "1.3.5.17.3 (Rosner 1983)"
	o, err := fit.GeneralisedESD(x, 10, 0.05)
	if err != nil {
		o = &fit.Outliers{Suspects: make([]fit.Suspect, 10)}
	}
	// R and lambda by NumPy and scipy.stats.t.
	want := [][2]float64{{3.1189060489824416, 3.1587939408873145}, {2.9429731136435064, 3.1514300233157986}, {3.179423936717836, 3.1438896850317293},
		{2.81018114442759, 3.1361649560574847}, {2.8155795634442775, 3.1282473343306116}, {2.848171627930343, 3.1201277383143715},
		{2.2793270549903433, 3.111796454289481}, {2.3103660590543, 3.1032430776017033}, {2.101580651024145, 3.094456447022688}, {2.0671780780253646, 3.0854245712422754}}
	for i, w := range want {
		for k, name := range []string{"R", "lambda"} {
			key := fmt.Sprintf("%s[%d]", name, i+1)
			c := ofFit("Generalised ESD test", "54 values of Rosner, "+key, source, sciPy, w[k], [2]float64{o.Suspects[i].R, o.Suspects[i].Lambda}[k], 1e-12, err)
			c.Recalled = fmt.Sprintf("%g", esd[key].value)
			c.Note = "the page cuts off after three decimals"
			r.add(c)
		}
	}
	c = ofFit("Generalised ESD test", "54 values of Rosner, number of outliers", source, sciPy, 3, float64(o.Count), 0, err)
	c.Recalled = fmt.Sprintf("%g", esd["outliers"].value)
	r.add(c)

	source = handbookTitle + "1.3.5.17.2 (data file)"
	t, err := fit.TestTietjenMoore(r.column("handbook/tietjen_moore.csv", "y"), 2, 0.05, fit.Resampling{Seed: 1, Resamples: 40_000})
	if err != nil {
		t = &fit.TietjenMoore{}
	}
	r.add(ofFit("Tietjen-Moore test", "15 values, two suspects, E", source, "NumPy 1.24.2", 0.2919993946998588, t.E, 1e-12, err))
	c = ofFit("Tietjen-Moore test", "15 values, two suspects, critical value at 5 %", source, "NumPy 1.24.2", 0.31481539, t.Critical, 0.005, err)
	c.Relative, c.Note = false, "both simulated: 2 000 000 samples there, 40 000 here; the standard error here is 0.0012, the tolerance four of them"
	r.add(c)
	c = ofFit("Tietjen-Moore test", "15 values, two suspects, p-value", source, "NumPy 1.24.2", 0.03318, t.P, 0.0036, err)
	c.Relative, c.Note = false, "both simulated: 2 000 000 samples there, 40 000 here; the tolerance is four standard errors"
	r.add(c)
}
