package components_test

import (
	"encoding/csv"
	"fmt"
	"os"
	"strconv"

	"sagwatch/spc/components"
)

// furnace reads the NIST/SEMATECH e-Handbook's furnace study (3.5.1): oxide thickness of 2 wafers at each of 4 zones of 21
// runs.
func furnace() (levels [][]int, y []float64) {
	f, err := os.Open("../../testdata/reference/handbook/furnace_3_5_1.csv")
	if err != nil {
		panic(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		panic(err)
	}
	for _, row := range rows[1:] {
		var v [4]int
		for i, s := range row {
			if v[i], err = strconv.Atoi(s); err != nil {
				panic(err)
			}
		}
		levels, y = append(levels, []int{v[0], v[1]}), append(y, float64(v[3]))
	}
	return levels, y
}

// The furnace study's table and components as the handbook prints them (3.5.1.4): F of run 5.37404, of zone 4.72864;
// components 312.55694 (47.44 %), 225.38294 (34.21 %), 120.89286 (18.35 %).
func ExampleNested() {
	levels, y := furnace()
	r, err := components.Nested(levels, y, components.Options{Names: []string{"run", "zone"}, Residual: "within"})
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, m := range r.Table[:2] {
		fmt.Printf("%-6s F = %.5f, p = %.3g, variance %.5f\n", m.Source, m.F, m.P, r.Components[i].Variance)
	}
	for _, c := range r.Components {
		fmt.Printf("%-6s %.2f %% of the variance\n", c.Name, 100*c.Share)
	}
	// Output:
	// run    F = 5.37404, p = 1.39e-07, variance 312.55694
	// zone   F = 4.72864, p = 3.85e-11, variance 225.38294
	// run    47.44 % of the variance
	// zone   34.21 % of the variance
	// within 18.35 % of the variance
}

// Dyestuff yields of 6 batches (Davies and Goldsmith 1972): lme4 1.1-31 gives 1764.05 and 2451.25 and the log likelihood
// -159.8271.
func ExampleFitNested() {
	y := []float64{1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560, 1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445}
	var levels [][]int
	for i := range y {
		levels = append(levels, []int{i / 5})
	}
	r, err := components.FitNested(levels, y, components.Options{Names: []string{"batch"}, Interval: components.Profile})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range r.Components {
		fmt.Printf("%s %.2f, from %.1f to %.1f\n", c.Name, c.Variance, c.Interval.Lower, c.Interval.Upper)
	}
	fmt.Printf("mean %.1f, standard error %.4f, log likelihood %.4f\n", r.Mean, r.MeanSE, r.LogLikelihood)
	fmt.Println(r.Warnings[0])
	// Output:
	// batch 1764.05, from 245.1 to 10214.4
	// residual 2451.25, from 1461.5 to 4577.6
	// mean 1527.5, standard error 19.3834, log likelihood -159.8271
	// This rests on 6 levels of batch; 10 would be enough.
}

// The same yields by analysis of variance.
func ExampleOneWay() {
	r, err := components.OneWay([][]float64{
		{1545, 1440, 1440, 1520, 1580}, {1540, 1555, 1490, 1560, 1495}, {1595, 1550, 1605, 1510, 1560},
		{1445, 1440, 1595, 1465, 1545}, {1595, 1630, 1515, 1635, 1625}, {1520, 1455, 1450, 1480, 1445},
	}, components.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("between %.2f, within %.2f, F = %.3f\n", r.Components[0].Variance, r.Components[1].Variance, r.Table[0].F)
	// Output: between 1764.05, within 2451.25, F = 4.598
}

// Zones of the furnace as if crossed with its runs. lme4 1.1-31 gives the same with restricted likelihood: run 312.56, zone
// 0, interaction 225.38, residual 120.89.
func ExampleFitCrossed() {
	levels, y := furnace()
	var run, zone []int
	for _, l := range levels {
		run, zone = append(run, l[0]), append(zone, l[1])
	}
	cells, err := components.Cells(run, zone, y)
	if err != nil {
		fmt.Println(err)
		return
	}
	o := components.Options{Names: []string{"run", "zone"}, Interaction: true}
	fit, err := components.FitCrossed(cells, o)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range fit.Components {
		fmt.Printf("%s %.2f\n", c.Name, c.Variance)
	}
	fmt.Println(fit.Warnings[0])
	// Output:
	// run 312.56
	// zone 0.00
	// run x zone 225.38
	// residual 120.89
	// The data show no variance from "zone": its estimate is zero; the upper limit says how much there may be.
}

// The analysis of variance of the same table; zone and interaction together are the handbook's 36014.5 of zone within run.
func ExampleCrossed() {
	levels, y := furnace()
	var run, zone []int
	for _, l := range levels {
		run, zone = append(run, l[0]), append(zone, l[1])
	}
	cells, err := components.Cells(run, zone, y)
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := components.Crossed(cells, components.Options{Names: []string{"run", "zone"}, Interaction: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, m := range r.Table {
		fmt.Printf("%-10s df %2.0f, SS %8.1f\n", m.Source, m.DF, m.SS)
	}
	// Output:
	// run        df 20, SS  61442.3
	// zone       df  3, SS    912.7
	// run x zone df 60, SS  35101.8
	// residual   df 84, SS  10155.0
}
