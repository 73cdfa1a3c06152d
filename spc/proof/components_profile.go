package proof

import (
	"math"
	"strconv"

	"sagwatch/spc/components"
)

// profileChecks compare profile-likelihood limits near zero, where limits on the logarithm run off: cassettes crossed with sites of the
// lithography data, and the same after most of the cassettes' means is taken off, which leaves next to nothing between them.
//
// The wanted values are of R: with d the data, c = factor(cassette), s = factor(site), y = linewidth - part * ave(linewidth, c),
// confint(profile(lmer(y ~ 1 + (1|s) + (1|c) + (1|c:s), d, REML = FALSE), signames = FALSE, delta.cutoff = 1/32)).
func profileChecks(r *run) {
	const path = "handbook/lithography_6_6_1.csv"
	var site, cassette []int
	var width []float64
	sum := map[int]float64{}
	for _, row := range r.csv(path) {
		c, err := strconv.Atoi(row["cassette"])
		if err != nil {
			panic(err)
		}
		s, err := strconv.Atoi(row["site"])
		if err != nil {
			panic(err)
		}
		site, cassette, width = append(site, s), append(cassette, c), append(width, parse(row["linewidth"]))
		sum[c] += parse(row["linewidth"]) / 15 // five sites of three wafers
	}
	for _, v := range []struct {
		what  string
		part  float64
		lower [4]float64
		upper [4]float64
	}{
		{"lithography, site crossed with cassette", 0, [4]float64{0.1955934891, 0.4175827351, 0, 0.2956505095}, [4]float64{0.72978750516, 0.70658998515, 0.04487724488, 0.33871164292}},
		{"the same less 0.83 of the cassette's mean", 0.83, [4]float64{0.19076703766, 0, 0, 0.29565233271}, [4]float64{0.70487043980, 0.09076304650, 0.04487849832, 0.33871330801}},
	} {
		y := make([]float64, len(width))
		for i := range y {
			y[i] = width[i] - v.part*sum[cassette[i]]
		}
		o := components.Options{Names: []string{"site", "cassette"}, Interaction: true, Interval: components.Profile, Estimator: components.ML}
		cells, err := components.Cells(site, cassette, y)
		if err != nil {
			panic(err)
		}
		f, err := components.FitCrossed(cells, o)
		if err != nil {
			f = &components.Result{Components: make([]components.Component, 4)}
		}
		l := componentLines{r, Check{Method: "Variance components, profile limits", Case: v.what, Source: nestedTitle + "6.6.1 (data)", Origin: Computed, By: byLme4,
			Note: "confint of a profile, delta.cutoff 1/32; tolerance: how near its search and its interpolation come", Trouble: trouble(err)}}
		for i, c := range f.Components {
			l.add("standard deviation of "+c.Name+", lower 95 % limit", v.lower[i], math.Sqrt(c.Interval.Lower), 1e-5)
			l.add("standard deviation of "+c.Name+", upper 95 % limit", v.upper[i], math.Sqrt(c.Interval.Upper), 1e-5)
		}
	}
}
