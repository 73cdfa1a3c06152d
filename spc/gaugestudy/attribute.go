package gaugestudy

import (
	"math"
	"strconv"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Kappa is an agreement beyond chance: 1 complete, 0 no better than chance.
type Kappa struct {
	Kappa    float64  `json:"kappa"`
	Observed float64  `json:"observed"` // share of agreements
	Chance   float64  `json:"chance"`   // share that chance alone would give
	SE       float64  `json:"se"`       // standard error for the interval
	Interval Interval `json:"interval"` // cut off at ±1
	SENull   float64  `json:"se_null"`  // standard error if there were no agreement beyond chance
	Z        float64  `json:"z"`        // Kappa / SENull
	P        float64  `json:"p"`        // one-sided, of no agreement beyond chance
}

// CategoryKappa is the agreement on one category against all the others.
type CategoryKappa struct {
	Category int   `json:"category"` // from 0
	Kappa    Kappa `json:"kappa"`
	// Defined is false where nobody or everybody used the category: there is nothing to agree about.
	Defined bool `json:"defined"`
}

// KappaResult is a study of agreement.
type KappaResult struct {
	Subjects   int               `json:"subjects"`
	Raters     int               `json:"raters"`
	Categories int               `json:"categories"`
	Overall    Kappa             `json:"overall"`
	Category   []CategoryKappa   `json:"category"`
	Warnings   []refusal.Warning `json:"warnings,omitempty"`
}

// enoughSubjects is the number of panels below which kappas are warned of.
const enoughSubjects = 50

// CohenKappa is the agreement of two raters from table[i][j], the number of panels that the first put in category i and the
// second in j:
//
//	kappa = (po - pe) / (1 - pe),  po = sum p_ii,  pe = sum p_i. p_.i
//
// with the large-sample standard error and normal limits. By category: the same of the table folded to that category
// against the rest.
//
// Refused: fewer than 2 categories or panels, a table that is not square, counts below zero, all panels in one
// category by both raters (pe = 1).
//
// Source: J. Cohen, Educational and Psychological Measurement 20 (1960), 37-46; standard errors: J. L. Fleiss, J. Cohen, B. S.
// Everitt, Psychological Bulletin 72 (1969), 323-327 (formula from memory).
func CohenKappa(table [][]int, level float64) (KappaResult, error) {
	level, err := confidence(level)
	if err != nil {
		return KappaResult{}, err
	}
	n, err := counts(table, len(table))
	if err != nil {
		return KappaResult{}, err
	}
	r := KappaResult{Subjects: n, Raters: 2, Categories: len(table)}
	var ok bool
	if r.Overall, ok = cohen(table, n, level); !ok {
		return KappaResult{}, refusal.Constant("categories", n)
	}
	for c := range table {
		fold := [][]int{{0, 0}, {0, 0}}
		for i, row := range table {
			for j, v := range row {
				fold[btoi(i != c)][btoi(j != c)] += v
			}
		}
		k, ok := cohen(fold, n, level)
		r.Category = append(r.Category, CategoryKappa{Category: c, Kappa: k, Defined: ok})
	}
	r.warn()
	return r, nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (r *KappaResult) warn() {
	if r.Subjects < enoughSubjects {
		r.Warnings = append(r.Warnings, refusal.Small("panels", r.Subjects, enoughSubjects))
	}
}

// counts checks a table of counts with the given number of columns and adds it up.
func counts(table [][]int, columns int) (int, error) {
	if len(table) < 2 || columns < 2 {
		return 0, refusal.Few("panels and categories", min(len(table), columns), 2)
	}
	n := 0
	for i, row := range table {
		if len(row) != columns {
			return 0, refusal.Shapes("row %d has %d counts, expected %d", i+1, len(row), columns)
		}
		if err := refusal.NotNegative("counts", row); err != nil {
			return 0, err
		}
		for _, v := range row {
			if v > 1e9 {
				return 0, refusal.Setting("a count", float64(v), "must be at most 1e9")
			}
			n += v
		}
	}
	if n < 2 {
		return 0, refusal.Few("panels", n, 2)
	}
	return n, nil
}

// cohen gives kappa, false where chance explains everything.
func cohen(table [][]int, n int, level float64) (Kappa, bool) {
	k := len(table)
	row, col := make([]float64, k), make([]float64, k)
	N := float64(n)
	var out Kappa
	diagonal := 0
	for i := range table {
		for j, v := range table[i] {
			p := float64(v) / N
			row[i] += p
			col[j] += p
		}
		diagonal += table[i][i]
	}
	out.Observed = float64(diagonal) / N
	for i := range row {
		out.Chance += row[i] * col[i]
	}
	free := 1 - out.Chance
	if !(free > 1e-12) {
		return Kappa{}, false
	}
	out.Kappa = (out.Observed - out.Chance) / free
	a, b, null := 0.0, 0.0, 0.0
	for i := range table {
		a += float64(table[i][i]) / N * sq(1-(row[i]+col[i])*(1-out.Kappa))
		null += row[i] * col[i] * (row[i] + col[i])
		for j := range table {
			if i != j {
				b += float64(table[i][j]) / N * sq(col[i]+row[j])
			}
		}
	}
	b *= sq(1 - out.Kappa)
	c := sq(out.Kappa - out.Chance*(1-out.Kappa))
	out.SE = math.Sqrt(math.Max(0, a+b-c)) / (free * math.Sqrt(N))
	out.SENull = math.Sqrt(math.Max(0, out.Chance+sq(out.Chance)-null)) / (free * math.Sqrt(N))
	out.finish(dist.NormalQuantileUpper((1 - level) / 2))
	return out, true
}

func (k *Kappa) finish(z float64) {
	k.Interval = Interval{math.Max(-1, k.Kappa-z*k.SE), math.Min(1, k.Kappa+z*k.SE)}
	if k.SENull > 0 {
		k.Z = k.Kappa / k.SENull
		k.P = dist.NormalTail(k.Z)
	} else {
		k.P = 1
	}
}

// FleissKappa is the agreement of n raters, not necessarily the same for every panel, from table[i][j], how many of them
// put panel i in category j:
//
//	P_i = (sum_j n_ij^2 - n) / (n (n-1)),  p_j = sum_i n_ij / (N n),  kappa = (mean P_i - sum p_j^2) / (1 - sum p_j^2)
//
// By category, kappa_j = 1 - sum_i n_ij (n - n_ij) / (N n (n-1) p_j (1-p_j)). SENull is that of no agreement; the interval is
// that of leaving out one panel at a time, with Student's t of N - 1 degrees of freedom.
//
// Refused: fewer than 3 panels, 2 raters or categories, rows that do not add up to the same number of raters, counts below
// zero, all ratings in one category.
//
// Source: J. L. Fleiss, Psychological Bulletin 76 (1971), 378-382; SENull: J. L. Fleiss, J. C. M. Nee, J. R. Landis, there
// 86 (1979), 974-977 (formulas from memory).
func FleissKappa(table [][]int, level float64) (KappaResult, error) {
	level, err := confidence(level)
	if err != nil {
		return KappaResult{}, err
	}
	if len(table) < 3 {
		return KappaResult{}, refusal.Few("panels", len(table), 3)
	}
	if _, err := counts(table, len(table[0])); err != nil {
		return KappaResult{}, err
	}
	raters := sumOf(table[0])
	if raters < 2 {
		return KappaResult{}, refusal.Few("raters", raters, 2)
	}
	for i, row := range table {
		if s := sumOf(row); s != raters {
			return KappaResult{}, refusal.Shapes("panel %d was rated %d times, panel 1 %d times: every panel needs the same number", i+1, s, raters)
		}
	}
	r := KappaResult{Subjects: len(table), Raters: raters, Categories: len(table[0])}
	f := newFleiss(table, raters)
	overall, ok := f.overall(-1)
	if !ok {
		return KappaResult{}, refusal.Constant("categories", len(table)*raters)
	}
	N, n := float64(r.Subjects), float64(raters)
	t := dist.StudentTQuantileUpper((1-level)/2, N-1)
	r.Overall = overall
	r.Overall.SE = jackknife(r.Subjects, func(i int) float64 { k, _ := f.overall(i); return k.Kappa })
	pq, cubes := 0.0, 0.0
	for j := range f.total {
		p := f.total[j] / (N * n)
		pq += p * (1 - p)
		cubes += p * (1 - p) * (1 - 2*p)
	}
	r.Overall.SENull = math.Sqrt2 / (pq * math.Sqrt(N*n*(n-1))) * math.Sqrt(math.Max(0, pq*pq-cubes))
	r.Overall.finish(t)
	for j := range f.total {
		c := CategoryKappa{Category: j}
		if c.Kappa, c.Defined = f.category(j, -1); c.Defined {
			c.Kappa.SE = jackknife(r.Subjects, func(i int) float64 { k, _ := f.category(j, i); return k.Kappa })
			c.Kappa.SENull = math.Sqrt(2 / (N * n * (n - 1)))
			c.Kappa.finish(t)
		}
		r.Category = append(r.Category, c)
	}
	r.warn()
	return r, nil
}

func sumOf(row []int) (n int) {
	for _, v := range row {
		n += v
	}
	return n
}

func jackknife(n int, without func(i int) float64) float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = without(i)
	}
	_, s := dist.MeanSD(v)
	return s * float64(n-1) / math.Sqrt(float64(n))
}

// fleiss keeps the sums from which kappas follow, also with one panel left out.
type fleiss struct {
	table  [][]int
	raters float64
	total  []float64 // ratings by category
	agree  float64   // sum over panels of sum_j n_ij (n_ij - 1)
	mixed  []float64 // sum over panels of n_ij (n - n_ij), by category
}

func newFleiss(table [][]int, raters int) *fleiss {
	f := &fleiss{table: table, raters: float64(raters), total: make([]float64, len(table[0])), mixed: make([]float64, len(table[0]))}
	for _, row := range table {
		for j, v := range row {
			x := float64(v)
			f.total[j] += x
			f.agree += x * (x - 1)
			f.mixed[j] += x * (f.raters - x)
		}
	}
	return f
}

// overall leaves out panel i, none for -1.
func (f *fleiss) overall(i int) (Kappa, bool) {
	n, agree := float64(len(f.table)), f.agree
	if i >= 0 {
		n--
		for _, v := range f.table[i] {
			agree -= float64(v) * float64(v-1)
		}
	}
	var k Kappa
	k.Observed = agree / (n * f.raters * (f.raters - 1))
	for j, t := range f.total {
		if i >= 0 {
			t -= float64(f.table[i][j])
		}
		k.Chance += sq(t / (n * f.raters))
	}
	if !(1-k.Chance > 1e-12) {
		// All ratings that are left agree on one category: nothing disagrees.
		return Kappa{Kappa: 1, Observed: 1, Chance: 1}, false
	}
	k.Kappa = (k.Observed - k.Chance) / (1 - k.Chance)
	return k, true
}

func (f *fleiss) category(j, i int) (Kappa, bool) {
	n, mixed, total := float64(len(f.table)), f.mixed[j], f.total[j]
	if i >= 0 {
		v := float64(f.table[i][j])
		n--
		mixed -= v * (f.raters - v)
		total -= v
	}
	p := total / (n * f.raters)
	if !(p > 1e-12 && p < 1-1e-12) {
		return Kappa{Kappa: 1}, false
	}
	disagree := mixed / (n * f.raters * (f.raters - 1))
	return Kappa{Kappa: 1 - disagree/(p*(1-p)), Observed: 1 - 2*disagree, Chance: 1 - 2*p*(1-p)}, true
}

// Share is a proportion with its exact confidence interval.
type Share struct {
	Agreed   int      `json:"agreed"`
	Of       int      `json:"of"`
	Percent  float64  `json:"percent"`
	Interval Interval `json:"interval"` // in percent
}

func share(agreed, of int, level float64) (Share, error) {
	lo, hi, err := dist.ClopperPearson(agreed, of, (1-level)/2)
	if err != nil {
		return Share{}, err
	}
	return Share{Agreed: agreed, Of: of, Percent: 100 * float64(agreed) / float64(of), Interval: Interval{100 * lo, 100 * hi}}, nil
}

// AppraiserAgreement is one inspector's part of an attribute study.
type AppraiserAgreement struct {
	Within Share `json:"within"` // panels that he judged alike every time
	// Truth: panels that he judged alike every time and rightly; nil without a reference.
	Truth *Share `json:"truth,omitempty"`
	// Kappa against the reference over all judgements; nil where it is not defined.
	Kappa *Kappa `json:"kappa,omitempty"`
	// Wrong[c]: of the panels that are rightly category c, those that he gave another one at least once; nil without a reference. With
	// good and bad they are the false alarms and the escapes. Of 0 where no panel is of that category.
	Wrong []Share `json:"wrong,omitempty"`
}

// AttributeStudy is an agreement study of inspectors who sort panels into categories.
type AttributeStudy struct {
	Panels     int                  `json:"panels"`
	Trials     int                  `json:"trials"`
	Categories int                  `json:"categories"`
	Appraisers []AppraiserAgreement `json:"appraisers"`
	Between    Share                `json:"between"`             // panels on which all judgements of all inspectors agree
	AllTruth   *Share               `json:"all_truth,omitempty"` // and rightly
	// Fleiss over all judgements; nil where all are in one category.
	Fleiss   *KappaResult      `json:"fleiss,omitempty"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// Attributes analyses y[appraiser][panel][trial], the category (from 0) given to a panel, against truth[panel] where known
// (nil: not known). Shares of panels are exact (Clopper and Pearson); kappas as for CohenKappa and FleissKappa.
// Judgements of one inspector on one panel are not independent, so that the interval of his kappa against the truth is a
// guide with more than one trial.
//
// Refused: data that are not complete, fewer than 3 panels, categories outside 0 to categories - 1, a truth of another
// length.
//
// Source: common practice; C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413.
func Attributes(y [][][]int, truth []int, categories int, level float64) (AttributeStudy, error) {
	level, err := confidence(level)
	if err != nil {
		return AttributeStudy{}, err
	}
	if categories < 2 || categories > 1000 {
		return AttributeStudy{}, refusal.Setting("number of categories", float64(categories), "must be from 2 to 1000")
	}
	if len(y) == 0 || len(y[0]) < 3 {
		n := 0
		if len(y) > 0 {
			n = len(y[0])
		}
		return AttributeStudy{}, refusal.Few("panels", n, 3)
	}
	s := AttributeStudy{Panels: len(y[0]), Trials: len(y[0][0]), Categories: categories}
	if s.Trials < 1 {
		return AttributeStudy{}, refusal.Few("trials", 0, 1)
	}
	if truth != nil && len(truth) != s.Panels {
		return AttributeStudy{}, refusal.Shapes("%d panels and the truth about %d", s.Panels, len(truth))
	}
	for i, v := range truth {
		if v < 0 || v >= categories {
			return AttributeStudy{}, refusal.Setting("category of the truth about panel "+strconv.Itoa(i+1), float64(v), "must be below the number of categories")
		}
	}
	all := make([][]int, s.Panels)
	for i := range all {
		all[i] = make([]int, categories)
	}
	for a, panels := range y {
		if len(panels) != s.Panels {
			return AttributeStudy{}, refusal.Shapes("inspector %d judged %d panels, the first %d: the study must be complete", a+1, len(panels), s.Panels)
		}
		table := make([][]int, categories)
		for i := range table {
			table[i] = make([]int, categories)
		}
		alike, right := 0, 0
		wrong := make([]Share, categories)
		for i, trials := range panels {
			if len(trials) != s.Trials {
				return AttributeStudy{}, refusal.Shapes("inspector %d judged panel %d %d times, the first %d times: the study must be complete", a+1, i+1, len(trials), s.Trials)
			}
			same, off := true, false
			for _, v := range trials {
				if v < 0 || v >= categories {
					return AttributeStudy{}, refusal.Setting("category given to panel "+strconv.Itoa(i+1), float64(v), "must be below the number of categories")
				}
				all[i][v]++
				same = same && v == trials[0]
				if truth != nil {
					table[truth[i]][v]++
					off = off || v != truth[i]
				}
			}
			if truth != nil {
				wrong[truth[i]].Of++
				if off {
					wrong[truth[i]].Agreed++
				}
			}
			if same {
				alike++
				if truth != nil && trials[0] == truth[i] {
					right++
				}
			}
		}
		var one AppraiserAgreement
		if one.Within, err = share(alike, s.Panels, level); err != nil {
			return AttributeStudy{}, err
		}
		if truth != nil {
			t, err := share(right, s.Panels, level)
			if err != nil {
				return AttributeStudy{}, err
			}
			one.Truth, one.Wrong = &t, wrong
			for c, w := range wrong {
				if w.Of == 0 {
					continue
				}
				if wrong[c], err = share(w.Agreed, w.Of, level); err != nil {
					return AttributeStudy{}, err
				}
			}
			if k, ok := cohen(table, s.Panels*s.Trials, level); ok {
				one.Kappa = &k
			}
		}
		s.Appraisers = append(s.Appraisers, one)
	}
	per := len(y) * s.Trials
	alike, right := 0, 0
	for i, row := range all {
		for j, v := range row {
			if v == per {
				alike++
				if truth != nil && truth[i] == j {
					right++
				}
			}
		}
	}
	if s.Between, err = share(alike, s.Panels, level); err != nil {
		return AttributeStudy{}, err
	}
	if truth != nil {
		t, err := share(right, s.Panels, level)
		if err != nil {
			return AttributeStudy{}, err
		}
		s.AllTruth = &t
	}
	if per >= 2 {
		if k, err := FleissKappa(all, level); err == nil {
			s.Fleiss = &k
		}
	}
	if s.Panels < enoughSubjects {
		s.Warnings = append(s.Warnings, refusal.Small("panels", s.Panels, enoughSubjects))
	}
	return s, nil
}
