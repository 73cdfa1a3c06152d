package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/autocorrelation"
	"sagwatch/spc/dist"
)

// onDoubles is the library by which a StRD result is worked out anew on the data as doubles hold them: what no algorithm
// that is given doubles can better.
const onDoubles = "Python fractions (exact rational arithmetic on the doubles) and mpmath 1.2.1"

// strd is a line on a data set of NIST's Statistical Reference Datasets; digits is the agreement asked for.
func strd(method, set string, want, got, digits float64, note string) Check {
	return Check{Section: Numerics, Method: method, Case: set, Source: "NIST StRD, " + set, Origin: Published,
		Want: want, Got: got, Tol: math.Pow(10, -digits), Relative: true, Note: note}
}

// exactly turns a line into one against the exact result for the doubles.
func exactly(c Check, want, digits float64, note string) Check {
	c.Case += ", data as doubles"
	c.Origin, c.By, c.Want, c.Tol, c.Note = Computed, onDoubles, want, math.Pow(10, -digits), note
	return c
}

func (r *run) univariate() {
	for _, name := range []string{"Lottery", "Lew", "Mavro", "Michelso", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"} {
		var set struct {
			Certified struct {
				Mean, SD num
				Lag1     num `json:"lag1_autocorrelation"`
			}
			Data []float64
		}
		r.json("strd/uni_"+name+".json", &set)
		mean, sd := dist.MeanSD(set.Data)
		r.add(strd("Mean", name, float64(set.Certified.Mean), mean, 14, ""))
		digits, note := 12.0, ""
		switch name {
		case "NumAcc3":
			digits, note = 9, "decimal data are not representable: exact arithmetic on the doubles agrees to 9.5 digits only"
		case "NumAcc4":
			digits, note = 8, "decimal data are not representable: exact arithmetic on the doubles agrees to 8.3 digits only"
		}
		c := strd("Standard deviation", name, float64(set.Certified.SD), sd, digits, note)
		r.add(c)
		switch name {
		case "NumAcc3":
			r.add(exactly(c, 0.100000000034924597, 14, ""))
		case "NumAcc4":
			r.add(exactly(c, 0.100000000558793545, 14, ""))
		}
		if len(set.Data) < 4 { // too few for a correlogram
			continue
		}
		lag1, err := autocorrelation.Correlate(set.Data, 1, 0.95)
		c = strd("Autocorrelation at lag 1", name, float64(set.Certified.Lag1), math.NaN(), 12, "")
		if c.Trouble = trouble(err); err == nil {
			c.Got = lag1.R[0]
		}
		r.add(c)
	}
}

// anovaOnDoubles: sum of squares between and within, F and R squared.
var anovaOnDoubles = map[string][4]float64{
	"SmLs04":  {1.68000000014901161, 1.80000000009313226, 21.0000000007761021, 0.482758620698883498},
	"SmLs05":  {16.0800000018253922, 18.0000000009313226, 201.000000012417634, 0.471830985930888755},
	"SmLs06":  {160.080000018589199, 180.000000009313226, 2001.00000012883296, 0.470712773481107889},
	"SmLs07":  {1.68015626940146956, 1.80009783733458746, 21.0008118878187712, 0.4827682743479894},
	"SmLs08":  {16.0819142842042374, 18.0009782462570798, 201.013004095948455, 0.471847108335395916},
	"SmLs09":  {160.099494435725111, 180.009782329194251, 2001.13492622095051, 0.47072957244381346},
	"AtmWtAg": {3.63834187479071331e-9, 1.04951729167974709e-8, 15.9467335666769262, 0.257426544524942796},
}

func (r *run) oneWay() {
	for _, name := range []string{"SiRstv", "SmLs01", "SmLs02", "SmLs03", "SmLs04", "SmLs05", "SmLs06", "SmLs07", "SmLs08", "SmLs09", "AtmWtAg"} {
		var set struct {
			Certified struct {
				Between    num `json:"between_ss"`
				Within     num `json:"within_ss"`
				F          num
				RSquared   num `json:"r_squared"`
				ResidualSD num `json:"residual_sd"`
			}
			Groups [][]float64
		}
		r.json("strd/anova_"+name+".json", &set)
		a, err := dist.NewOneWay(set.Groups)
		if err != nil {
			r.add(Check{Section: Numerics, Method: "One-way analysis of variance", Case: name, Origin: Published, Want: 1, Trouble: trouble(err)})
			continue
		}
		digits, note := 12.0, ""
		switch name {
		case "SmLs04", "SmLs05", "SmLs06":
			digits, note = 9, "7 constant leading digits: exact arithmetic on the doubles agrees to 9.9 digits only"
		case "SmLs07", "SmLs08", "SmLs09":
			digits, note = 3.5, "13 constant leading digits: exact arithmetic on the doubles agrees to 3.9 digits only"
		case "AtmWtAg":
			digits, note = 9.5, "7 constant leading digits: exact arithmetic on the doubles agrees to 10.2 digits only"
		}
		what := [4]string{"sum of squares between", "sum of squares within", "F", "R squared"}
		want := [4]float64{float64(set.Certified.Between), float64(set.Certified.Within), float64(set.Certified.F), float64(set.Certified.RSquared)}
		got := [4]float64{a.SSBetween, a.SSWithin, a.F, a.RSquared()}
		line := func(want [4]float64, digits float64) []pair {
			var p []pair
			for i := range want {
				p = append(p, pair{want[i], got[i], math.Pow(10, -digits), what[i]})
			}
			return p
		}
		c := strd("One-way analysis of variance", name, 0, 0, 0, note)
		r.worst(c, append(line(want, digits), pair{float64(set.Certified.ResidualSD), math.Sqrt(a.MSWithin()), math.Pow(10, -digits), "residual standard deviation"}))
		if exact, ok := anovaOnDoubles[name]; ok {
			r.worst(exactly(c, 0, 0, ""), line(exact, 12))
		}
	}
}

// filipOnDoubles are the exact least-squares coefficients where the powers of x have been rounded to doubles, each the
// rounded product of the one before and x.
var filipOnDoubles = []float64{-1467.4896313887715, -2772.1796242619316, -2316.3711086093589, -1127.9739541497518, -354.47823785523083,
	-75.124202624351735, -10.875318164699452, -1.0622149986404843, -0.067019116274456234, -0.0024678108132356482, -4.0296253014568074e-5}

func (r *run) linear() {
	for _, name := range []string{"Norris", "Pontius", "NoInt1", "NoInt2", "Longley", "Filip", "Wampler1", "Wampler2", "Wampler3", "Wampler4", "Wampler5"} {
		var set struct {
			Model     string
			Certified struct {
				Coef       []num
				CoefIndex  []int `json:"coef_index"`
				CoefSD     []num `json:"coef_sd"`
				ResidualSD num   `json:"residual_sd"`
			}
			Rows [][]float64
		}
		r.json("strd/lin_"+name+".json", &set)
		n, p := len(set.Rows), len(set.Certified.Coef)
		x, y := make([]float64, n*p), make([]float64, n)
		for i, row := range set.Rows {
			y[i] = row[0]
			for j, power := range set.Certified.CoefIndex {
				v := 1.0
				if set.Model == "multi" && power > 0 {
					v = row[power]
				} else if set.Model != "multi" {
					for range power {
						v *= row[1]
					}
				}
				x[j*n+i] = v
			}
		}
		q := dist.NewQR(n, p)
		err := q.Factor(x)
		if err != nil {
			r.add(Check{Section: Numerics, Method: "Linear least squares", Case: name, Origin: Published, Want: 1, Trouble: trouble(err)})
			continue
		}
		coef, work, cof := make([]float64, p), make([]float64, n), make([]float64, p*p)
		q.Solve(coef, work, y)
		sd := math.Sqrt(q.Refine(coef, x, y) / float64(n-p))
		q.Cofactor(cof)
		digits, sdDigits, note := 12.0, 12.0, ""
		if name == "Filip" {
			digits, sdDigits, note = 7.5, 6.5, "condition number 1e15: rounding the powers of x to doubles leaves 7.9 digits of the exact solution (exact powers: 14)"
		}
		var coefs, sds []pair
		for j, v := range set.Certified.Coef {
			what := fmt.Sprintf("coefficient of term %d", set.Certified.CoefIndex[j])
			coefs = append(coefs, pair{float64(v), coef[j], math.Pow(10, -digits), what})
			if s := float64(set.Certified.CoefSD[j]); s > 0 {
				sds = append(sds, pair{s, sd * math.Sqrt(cof[j*p+j]), math.Pow(10, -sdDigits), what})
			}
		}
		c := strd("Linear least squares, coefficients", name, 0, 0, 0, note)
		r.worst(c, coefs)
		if name == "Filip" {
			coefs = coefs[:0]
			for j, v := range filipOnDoubles {
				coefs = append(coefs, pair{v, coef[j], 3e-8, fmt.Sprintf("coefficient of term %d", j)})
			}
			r.worst(exactly(c, 0, 0, "7 to 8 digits is what a condition number of 1e15 leaves of double arithmetic"), coefs)
		}
		if len(sds) > 0 {
			c.Method = "Linear least squares, standard deviations of the coefficients"
			r.worst(c, sds)
			r.add(strd("Linear least squares, residual standard deviation", name, float64(set.Certified.ResidualSD), sd, sdDigits, note))
		} else {
			c := strd("Linear least squares, residual standard deviation", name, 0, sd, 0, "the polynomial fits exactly: absolute tolerance")
			c.Relative, c.Tol = false, 1e-12
			r.add(c)
		}
	}
}

// nonlinearModels are the StRD models.
var nonlinearModels = map[string]func(x float64, b []float64) float64{
	"Misra1a": func(x float64, b []float64) float64 { return b[0] * -math.Expm1(-b[1]*x) },
	"Thurber": func(x float64, b []float64) float64 {
		return (b[0] + x*(b[1]+x*(b[2]+x*b[3]))) / (1 + x*(b[4]+x*(b[5]+x*b[6])))
	},
	"Eckerle4": func(x float64, b []float64) float64 {
		d := (x - b[2]) / b[1]
		return b[0] / b[1] * math.Exp(-0.5*d*d)
	},
	"MGH09":   func(x float64, b []float64) float64 { return b[0] * (x*x + x*b[1]) / (x*x + x*b[2] + b[3]) },
	"DanWood": func(x float64, b []float64) float64 { return b[0] * math.Pow(x, b[1]) },
}

func (r *run) nonlinear() {
	for _, name := range []string{"Misra1a", "Thurber", "Eckerle4", "MGH09", "DanWood"} {
		var set struct {
			Start1, Start2 []float64
			Certified      struct {
				Par   []num
				ParSD []num `json:"par_sd"`
				RSS   num
			}
			Rows [][]float64
		}
		r.json("strd/nls_"+name+".json", &set)
		model := nonlinearModels[name]
		for i, start := range [][]float64{set.Start1, set.Start2} {
			fit, err := dist.LeastSquares(len(set.Rows), func(dst, b []float64) {
				for i, row := range set.Rows {
					dst[i] = row[0] - model(row[1], b)
				}
			}, nil, start)
			c := strd("Nonlinear least squares, coefficients", name, 0, 0, 0, "certified to 11 digits; derivatives by differences")
			c.Case = fmt.Sprintf("%s, starting point %d", name, i+1)
			if err != nil {
				c.Want, c.Trouble = 1, trouble(err)
				r.add(c)
				continue
			}
			var coefs, sds []pair
			errors := fit.StandardErrors()
			for j, v := range set.Certified.Par {
				what := fmt.Sprintf("coefficient %d", j+1)
				coefs = append(coefs, pair{float64(v), fit.Coef[j], 3e-10, what})
				if errors != nil {
					sds = append(sds, pair{float64(set.Certified.ParSD[j]), errors[j], 1e-9, what})
				}
			}
			r.worst(c, coefs)
			c.Method = "Nonlinear least squares, standard deviations of the coefficients"
			r.worst(c, sds)
			c.Method, c.Want, c.Got, c.Tol = "Nonlinear least squares, residual sum of squares", float64(set.Certified.RSS), fit.SS, 1e-10
			r.add(c)
		}
	}
}
