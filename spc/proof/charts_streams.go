package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/chart"
)

// streamChecks takes the lithography data as a press: 30 cassettes are the cycles, 3 x 5 places in them the streams.
func streamChecks(r *run) {
	rows := r.csv("handbook/lithography_6_6_1.csv")
	cycles := make([][]chart.StreamValue, 30)
	for i, v := range numbers(rows, "linewidth") {
		cycles[i/15] = append(cycles[i/15], chart.StreamValue{Stream: i % 15, Value: v})
	}
	source := "Epprecht and Simões, group charts on differences; data " + handbookTitle + "6.6.1"
	centres, err := chart.StreamCentres(cycles, 15)
	alike, own := chart.GroupModel{}, chart.GroupModel{}
	if err == nil {
		alike, err = chart.GroupBaseline(cycles, centres, true, true)
	}
	if err == nil {
		own, err = chart.GroupBaseline(cycles, centres, false, true)
	}
	var g *chart.GroupChart
	if err == nil {
		g, err = chart.NewGroupChart(alike, chart.Width{})
	}
	if err != nil {
		r.add(Check{Section: Charts, Method: "Group chart", Case: "lithography", Source: source, Origin: Computed, By: sciPy, Trouble: trouble(err)})
		return
	}
	c := recomputed("Group chart", "lithography, common sigma", source, "", 0.3188032716854294, alike.Sigmas[0], 1e-13, nil)
	c.By = "NumPy 1.24.2"
	r.add(c)
	want := []float64{0.35799964314249966, 0.339361623003354, 0.3134249570418385, 0.34929470442030564, 0.28608872983907796, 0.3275182580794223,
		0.2748354709800422, 0.30679974861952786, 0.3245114408234751, 0.3319619316280093, 0.3109964539314237, 0.3202592180956259, 0.2929069198156164,
		0.259019863280204, 0.3667537790306348}
	var sigmas []pair
	for i, w := range want {
		sigmas = append(sigmas, pair{w, own.Sigmas[i], 1e-12, fmt.Sprintf("stream %d", i+1)})
	}
	r.worst(Check{Section: Charts, Method: "Group chart", Case: "lithography, sigma of each stream", Source: source, Origin: Computed, By: "NumPy 1.24.2",
		Note: "closed form for complete cycles, var d = s^2 (1 - 2/m) + sum s^2 / m^2; formula from memory"}, sigmas)
	greatest, stream := 0.0, -1
	for _, cycle := range cycles {
		_, devs, err := g.Step(nil, cycle)
		if err != nil {
			r.add(Check{Section: Charts, Method: "Group chart", Case: "lithography, greatest deviation", Source: source, Origin: Computed, By: "NumPy 1.24.2", Trouble: trouble(err)})
			return
		}
		for _, d := range devs {
			if math.Abs(d.Z) > greatest {
				greatest, stream = math.Abs(d.Z), d.Stream+1
			}
		}
	}
	c.Case, c.Want, c.Got, c.Tol = "lithography, greatest standardised deviation", 3.056282489723032, greatest, 1e-11
	r.add(c)
	c.Case, c.Want, c.Got, c.Tol = "lithography, stream of the greatest deviation", 15, float64(stream), 0
	r.add(c)

	var limits []pair
	for _, v := range []struct {
		m int
		u float64 // greatest deviation over sigma at 0.0027
	}{{3, 2.7012504829941415}, {4, 2.9402458080386933}, {5, 3.0925864883659866}, {8, 3.3522142970723467}} {
		l, err := chart.GroupLimitFor(v.m, true, chart.Width{Probability: 0.0027})
		if err != nil {
			l.Z = math.NaN()
		}
		limits = append(limits, pair{v.u, l.Z * math.Sqrt(1-1/float64(v.m)), 1e-10, fmt.Sprintf("%d streams", v.m)})
	}
	r.worst(Check{Section: Charts, Method: "Group chart, exact limit of the greatest absolute deviation", Case: "probability 0.0027", Source: "Nair 1948, extreme deviate from the sample mean, both sides",
		Origin: Computed, By: sciPy, Note: "3: dblquad of the joint density; 4, 5, 8: quad of the convolution of truncated normal densities at 0; brentq"}, limits)
}
