package gaugestudy

import (
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Input is one line of an uncertainty budget.
type Input struct {
	Name        string  `json:"name"`
	U           float64 `json:"u"`           // standard uncertainty, in the input's own unit
	Sensitivity float64 `json:"sensitivity"` // unit of the result per unit of the input
	DF          float64 `json:"df"`          // degrees of freedom of U; 0: infinite
}

// Rectangular is the standard uncertainty a / sqrt(3) of a quantity known to lie within ± a (JCGM 100:2008, 4.3.7).
func Rectangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(3) }

// Triangular is the standard uncertainty a / sqrt(6) of a quantity within ± a, likelier in the middle (JCGM 100:2008, 4.3.9).
func Triangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(6) }

// UShaped is the standard uncertainty a / sqrt(2) of a quantity that swings as a sine of amplitude a.
func UShaped(amplitude float64) float64 { return amplitude / math.Sqrt2 }

// BudgetOptions are the settings of an uncertainty budget.
type BudgetOptions struct {
	Confidence float64 `json:"confidence,omitempty"` // of the expanded uncertainty, 0: 0.95
	// WholeDF cuts the effective degrees of freedom to a whole number before Student's t is taken, as the source does.
	WholeDF bool `json:"whole_df,omitempty"`
	// Correlations of inputs, by index; nil: none.
	Correlations []Correlation `json:"correlations,omitempty"`
}

// Correlation says how two inputs go together.
type Correlation struct {
	A int     `json:"a"` // index of an input, from 0
	B int     `json:"b"`
	R float64 `json:"r"` // -1 to 1
}

// Budget is a combined uncertainty.
type Budget struct {
	Options       BudgetOptions `json:"options"`
	Inputs        []Input       `json:"inputs"`
	Contributions []float64     `json:"contributions"` // |c_i| u_i, in the unit of the result
	Percent       []float64     `json:"percent"`       // of the variance, without the correlation terms
	U             float64       `json:"u"`
	DF            float64       `json:"df"`       // effective, 0: infinite
	K             float64       `json:"k"`        // coverage factor
	Expanded      float64       `json:"expanded"` // K U
}

// Combine adds up an uncertainty budget by the law of propagation:
//
//	u^2 = sum c_i^2 u_i^2 + 2 sum_(i<j) c_i c_j u_i u_j r_ij
//	df  = u^4 / sum (c_i u_i)^4 / df_i,   U = t(confidence; df) u
//
// The effective degrees of freedom (Welch-Satterthwaite) hold for uncorrelated inputs; with correlations they are a guide.
// It refuses no inputs, all of them zero, uncertainties or degrees of freedom below zero, numbers that are not finite,
// correlations outside [-1, 1] or of inputs that do not exist or with themselves or together impossible (u^2 below zero).
//
// Source: JCGM 100:2008 (GUM), 5.1.2, 5.2.2, G.4.1.
func Combine(inputs []Input, o BudgetOptions) (Budget, error) {
	level, err := confidence(o.Confidence)
	if err != nil {
		return Budget{}, err
	}
	o.Confidence = level
	if len(inputs) == 0 {
		return Budget{}, refusal.Few("inputs", 0, 1)
	}
	b := Budget{Options: o, Inputs: slices.Clone(inputs)}
	total := 0.0
	for i, in := range inputs {
		for _, e := range []error{notNegative("uncertainty of "+in.Name, in.U), single("sensitivity to "+in.Name, in.Sensitivity),
			notNegative("degrees of freedom of "+in.Name, in.DF)} {
			if e != nil {
				return Budget{}, e
			}
		}
		c := math.Abs(in.Sensitivity) * in.U
		if c > 1e75 {
			return Budget{}, refusal.Setting("contribution of "+in.Name, c, "is too large to work with")
		}
		if in.DF > 0 && in.DF < 0.5 {
			return Budget{}, refusal.Setting("degrees of freedom of "+inputs[i].Name, in.DF, "must be at least 0.5, or 0 for infinitely many")
		}
		b.Contributions = append(b.Contributions, c)
		total += c * c
	}
	if !(total > 1e-290) {
		return Budget{}, refusal.Constant("inputs", len(inputs))
	}
	u2 := total
	for _, r := range o.Correlations {
		if r.A < 0 || r.B < 0 || r.A >= len(inputs) || r.B >= len(inputs) || r.A == r.B {
			return Budget{}, refusal.Shapes("a correlation names inputs %d and %d of %d: give two different ones, counted from 0", r.A, r.B, len(inputs))
		}
		if !(r.R >= -1 && r.R <= 1) {
			return Budget{}, refusal.Setting("correlation", r.R, "must be from -1 to 1")
		}
		u2 += 2 * inputs[r.A].Sensitivity * inputs[r.A].U * inputs[r.B].Sensitivity * inputs[r.B].U * r.R
	}
	if !(u2 > 1e-14*total) {
		return Budget{}, refusal.Unsolved("the correlations leave no uncertainty, or one below zero: they do not go together")
	}
	b.U = math.Sqrt(u2)
	inverse := 0.0
	for i, c := range b.Contributions {
		b.Percent = append(b.Percent, 100*c*c/total)
		if inputs[i].DF > 0 {
			inverse += sq(sq(c/b.U)) / inputs[i].DF
		}
	}
	a := (1 - level) / 2
	b.K = dist.NormalQuantileUpper(a)
	if inverse > 1e-12 {
		b.DF = 1 / inverse
		df := b.DF
		if o.WholeDF {
			df = math.Max(1, math.Floor(df))
		}
		b.K = dist.StudentTQuantileUpper(a, df)
	}
	b.Expanded = b.K * b.U
	return b, nil
}
