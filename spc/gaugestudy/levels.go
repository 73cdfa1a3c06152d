package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Occasion is the mean and standard deviation of the readings of one artefact on one day.
type Occasion struct {
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`
}

// LevelsResult are the standard deviations of a gauge at three levels of time: within an occasion, from day to day
// within a run, from run to run.
type LevelsResult struct {
	Runs      int `json:"runs"`
	Artefacts int `json:"artefacts"`
	Days      int `json:"days"`
	Readings  int `json:"readings"`
	// Level1 is the pooled short-term repeatability, by run and over all; DF1 of all.
	Level1    float64   `json:"level_1"`
	Level1Run []float64 `json:"level_1_run"`
	DF1       float64   `json:"df_1"`
	// Level2 is that of the days' means within a run and artefact.
	Level2    float64   `json:"level_2"`
	Level2Run []float64 `json:"level_2_run"`
	DF2       float64   `json:"df_2"`
	// Level3 is that of the runs' means of an artefact; 0 with one run.
	Level3         float64   `json:"level_3"`
	Level3Artefact []float64 `json:"level_3_artefact"`
	DF3            float64   `json:"df_3"`
	// Days and runs alone, without the levels below: sqrt(s2^2 - s1^2/readings) and sqrt(s3^2 - s2^2/days), zero (and
	// warned of) where negative.
	DaysAlone float64 `json:"days_alone"`
	RunsAlone float64 `json:"runs_alone"`
	// Means and SDs of the days' means, by run and artefact.
	Means    [][]float64       `json:"means"`
	SDs      [][]float64       `json:"sds"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// Levels works out the three levels from y[run][artefact][day], each occasion with the same number of readings:
//
//	s1^2 = mean of the occasions' variances,                 df = runs artefacts days (readings - 1)
//	s2^2 = mean of var over the days of the means,           df = runs artefacts (days - 1)
//	s3^2 = mean of var over the runs of the artefact's mean, df = artefacts (runs - 1)
//
// It refuses data that are not complete, fewer than 2 days or readings, values that are not finite, standard deviations
// below zero, and occasions or days that do not vary.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4 and 2.6.1.2.
func Levels(y [][][]Occasion, readings int) (LevelsResult, error) {
	if len(y) == 0 || len(y[0]) == 0 {
		return LevelsResult{}, refusal.Few("runs", 0, 1)
	}
	r := LevelsResult{Runs: len(y), Artefacts: len(y[0]), Days: len(y[0][0]), Readings: readings}
	if r.Days < 2 {
		return LevelsResult{}, refusal.Few("days", r.Days, 2)
	}
	if readings < 2 {
		return LevelsResult{}, refusal.Few("readings of an occasion", readings, 2)
	}
	size, s1, s2 := 0.0, 0.0, 0.0
	for k, run := range y {
		if len(run) != r.Artefacts {
			return LevelsResult{}, refusal.Shapes("run %d has %d artefacts, run 1 has %d: the study must be complete", k+1, len(run), r.Artefacts)
		}
		means, sds := make([]float64, r.Artefacts), make([]float64, r.Artefacts)
		one, two := 0.0, 0.0
		for a, days := range run {
			if len(days) != r.Days {
				return LevelsResult{}, refusal.Shapes("run %d, artefact %d has %d days, the first has %d: the study must be complete", k+1, a+1, len(days), r.Days)
			}
			m, s := make([]float64, r.Days), make([]float64, r.Days)
			for d, o := range days {
				m[d], s[d] = o.Mean, o.SD
				if o.SD < 0 {
					return LevelsResult{}, &refusal.Error{Reason: refusal.Negative, What: "standard deviations", Index: d, Value: o.SD, N: r.Days}
				}
				one += sq(o.SD)
			}
			if err := refusal.Finite("means", m); err != nil {
				return LevelsResult{}, err
			}
			if err := refusal.Finite("standard deviations", s); err != nil {
				return LevelsResult{}, err
			}
			size = math.Max(size, largest(m))
			means[a], sds[a] = dist.MeanSD(m)
			two += sq(sds[a])
		}
		r.Means, r.SDs = append(r.Means, means), append(r.SDs, sds)
		one /= float64(r.Artefacts * r.Days)
		two /= float64(r.Artefacts)
		r.Level1Run, r.Level2Run = append(r.Level1Run, math.Sqrt(one)), append(r.Level2Run, math.Sqrt(two))
		s1 += one / float64(r.Runs)
		s2 += two / float64(r.Runs)
	}
	r.Level1, r.Level2 = math.Sqrt(s1), math.Sqrt(s2)
	if r.Level1 == 0 {
		return LevelsResult{}, refusal.Constant("readings of an occasion", readings)
	}
	if steady(r.Level2, size) {
		return LevelsResult{}, refusal.Constant("means of the days", r.Days)
	}
	cells := float64(r.Runs * r.Artefacts)
	r.DF1, r.DF2 = cells*float64(r.Days*(readings-1)), cells*float64(r.Days-1)
	r.DaysAlone = r.alone("days", sq(r.Level2)-sq(r.Level1)/float64(readings))
	if r.Runs > 1 {
		s3 := 0.0
		for a := range r.Artefacts {
			m := make([]float64, r.Runs)
			for k := range m {
				m[k] = r.Means[k][a]
			}
			_, s := dist.MeanSD(m)
			r.Level3Artefact = append(r.Level3Artefact, s)
			s3 += sq(s) / float64(r.Artefacts)
		}
		r.Level3, r.DF3 = math.Sqrt(s3), float64(r.Artefacts*(r.Runs-1))
		r.RunsAlone = r.alone("runs", s3-s2/float64(r.Days))
	} else {
		r.Warnings = append(r.Warnings, refusal.Small("runs", 1, 2))
	}
	return r, nil
}

func (r *LevelsResult) alone(what string, v float64) float64 {
	if v < 0 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: what, Value: v,
			Detail: "The variance between " + what + " came out below zero and is shown as zero."})
		return 0
	}
	return math.Sqrt(v)
}

// Contributions are the levels' shares in the uncertainty of a mean over runs, days in each and readings in each day, as
// inputs of Combine:
//
//	u^2 = s3^2 / R + s2^2 (1/(R D) - 1/(R days)) + s1^2 (1/(R D n) - 1/(R D readings))
//
// with R, D, n those of the measurement and days, readings those of the study. A factor below zero (a measurement over
// more days, or more readings, than the study's occasions) is carried as zero, which is cautious. It refuses counts below
// 1, and a study of one run.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.5.3.1 and 2.6.1.6 (formula from memory).
func (r LevelsResult) Contributions(runs, days, readings int) ([]Input, error) {
	if r.DF3 == 0 {
		return nil, refusal.Few("runs in the study", r.Runs, 2)
	}
	if runs < 1 || days < 1 || readings < 1 {
		return nil, refusal.Few("runs, days and readings", min(runs, days, readings), 1)
	}
	n, m, j := float64(runs), float64(days), float64(readings)
	root := func(v float64) float64 { return math.Sqrt(math.Max(0, v)) }
	return []Input{
		{Name: "runs", U: r.Level3, Sensitivity: 1 / math.Sqrt(n), DF: r.DF3},
		{Name: "days", U: r.Level2, Sensitivity: root(1/(n*m) - 1/(n*float64(r.Days))), DF: r.DF2},
		{Name: "repeatability", U: r.Level1, Sensitivity: root(1/(n*m*j) - 1/(n*m*float64(r.Readings))), DF: r.DF1},
	}, nil
}

// InstrumentBiasResult is the bias of one instrument among several of its kind.
type InstrumentBiasResult struct {
	Each [][]float64 `json:"each"` // by run and artefact: the instrument's mean less the mean of all instruments
	Run  []float64   `json:"run"`  // mean over the artefacts
	Mean float64     `json:"mean"`
	SD   float64     `json:"sd"` // of all Each, n-1 denominator
	DF   float64     `json:"df"`
	SE   float64     `json:"se"` // SD / sqrt(runs artefacts): uncertainty of the correction
	T    float64     `json:"t"`
	P    float64     `json:"p"` // two-sided, of no bias
}

// InstrumentBias compares instrument number at, from 0, with all in means[run][artefact][instrument]. It refuses
// data that are not complete or not finite, fewer than 2 instruments, fewer than 2 differences and differences that do not
// vary.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.6.1.4 and 2.6.1.5.
func InstrumentBias(means [][][]float64, at int) (InstrumentBiasResult, error) {
	runs, arts, k, err := shape(means, "run", "artefact")
	if err != nil {
		return InstrumentBiasResult{}, err
	}
	if k < 2 {
		return InstrumentBiasResult{}, refusal.Few("instruments", k, 2)
	}
	if at < 0 || at >= k {
		return InstrumentBiasResult{}, refusal.Setting("instrument", float64(at), "must be one of those measured, counted from 0")
	}
	if runs*arts < 2 {
		return InstrumentBiasResult{}, refusal.Few("artefacts", runs*arts, 2)
	}
	var r InstrumentBiasResult
	var all []float64
	size := 0.0
	for _, run := range means {
		each := make([]float64, arts)
		for a, row := range run {
			m, _ := dist.MeanSD(row)
			each[a] = row[at] - m
			size = math.Max(size, largest(row))
		}
		m, _ := dist.MeanSD(each)
		r.Each, r.Run = append(r.Each, each), append(r.Run, m)
		all = append(all, each...)
	}
	r.Mean, r.SD = dist.MeanSD(all)
	if steady(r.SD, size) {
		return InstrumentBiasResult{}, refusal.Constant("differences from the mean instrument", len(all))
	}
	n := float64(len(all))
	r.DF, r.SE = n-1, r.SD/math.Sqrt(n)
	r.T = r.Mean / r.SE
	r.P = bothTails(r.T, r.DF)
	return r, nil
}

// PairedResult compares two ways of measuring the same things.
type PairedResult struct {
	N        int      `json:"n"`
	Mean     float64  `json:"mean"` // of first - second
	SD       float64  `json:"sd"`
	T        float64  `json:"t"`
	DF       float64  `json:"df"`
	P        float64  `json:"p"` // two-sided
	Interval Interval `json:"interval"`
}

// Paired is the paired t test of two configurations of a gauge (wirings, seatings, programs) on the same measurements. It
// refuses lengths that differ, fewer than 2 pairs, values that are not finite and differences that do not vary.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.6.1.5.
func Paired(first, second []float64, level float64) (PairedResult, error) {
	level, err := confidence(level)
	if err != nil {
		return PairedResult{}, err
	}
	if len(first) != len(second) {
		return PairedResult{}, refusal.Shapes("%d values of the first configuration and %d of the second: each measurement needs both", len(first), len(second))
	}
	if len(first) < 2 {
		return PairedResult{}, refusal.Few("pairs", len(first), 2)
	}
	for _, x := range [][]float64{first, second} {
		if err := refusal.Finite("values", x); err != nil {
			return PairedResult{}, err
		}
	}
	d := make([]float64, len(first))
	for i := range d {
		d[i] = first[i] - second[i]
	}
	r := PairedResult{N: len(d), DF: float64(len(d) - 1)}
	r.Mean, r.SD = dist.MeanSD(d)
	if steady(r.SD, math.Max(largest(first), largest(second))) {
		return PairedResult{}, refusal.Constant("differences", len(d))
	}
	se := r.SD / math.Sqrt(float64(r.N))
	r.T = r.Mean / se
	r.P = bothTails(r.T, r.DF)
	r.Interval = about(r.Mean, dist.StudentTQuantileUpper((1-level)/2, r.DF)*se)
	return r, nil
}
