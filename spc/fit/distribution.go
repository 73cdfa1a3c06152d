package fit

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/refusal"
)

// Family names a family of distributions.
type Family string

// Families, with the order of their parameters.
const (
	Normal         Family = "normal"                // mean, standard deviation
	Lognormal      Family = "lognormal"             // mu, sigma of the logarithms
	Lognormal3     Family = "lognormal-3"           // mu, sigma of log(x - threshold), threshold
	Weibull        Family = "weibull"               // shape, scale
	Gamma          Family = "gamma"                 // shape, scale
	Exponential    Family = "exponential"           // scale (the mean)
	Rayleigh       Family = "rayleigh"              // scale
	FoldedNormal   Family = "folded-normal"         // mu >= 0, sigma of the normal variable whose absolute value it is
	LargestExtreme Family = "largest-extreme-value" // location, scale: the Gumbel distribution of maxima
	JohnsonSU      Family = "johnson-su"            // gamma, delta, xi, lambda: unbounded
	JohnsonSB      Family = "johnson-sb"            // gamma, delta, xi, lambda: bounded to xi .. xi + lambda
)

// Families lists all of them, the simpler first.
var Families = []Family{Normal, Lognormal, Lognormal3, Weibull, Gamma, Exponential, Rayleigh, FoldedNormal, LargestExtreme, JohnsonSU, JohnsonSB}

// Unit says how a parameter hangs on the unit of the values.
type Unit string

// Units of parameters.
const (
	OfValues Unit = "values" // that of the values
	OfLogs   Unit = "logs"   // of the natural logarithms of the values: a change of unit adds to it or leaves it
	Pure     Unit = "1"      // none
)

// leastGamma and greatestGamma bound the shape of a gamma distribution: beyond, it is a spike at zero or a normal
// distribution, and its probabilities cannot be worked out so.
const leastGamma, greatestGamma = 1e-3, 1e7

// leastSize is the least scale or shape that New takes.
const leastSize = 1e-150

// Parameter is one named parameter of a distribution.
type Parameter struct {
	Name  string  `json:"name"`
	Unit  Unit    `json:"unit"`
	Value float64 `json:"value"`
}

// Distribution is a continuous distribution with known parameters. CDF and Tail take any number and each keeps its
// relative accuracy where it is small; Quantile and QuantileUpper take 0 < p < 1 and panic otherwise.
type Distribution interface {
	Family() Family
	Parameters() []Parameter
	CDF(x float64) float64           // P(X <= x)
	Tail(x float64) float64          // P(X > x)
	Quantile(p float64) float64      // the x with P(X <= x) = p
	QuantileUpper(p float64) float64 // the x with P(X > x) = p
	LogPDF(x float64) float64        // the log of the density, -Inf outside the support
	// Moments are mean and standard deviation; ok is false where they are too large to be represented.
	Moments() (mean, sd float64, ok bool)
	Rand(r *rand.Rand) float64 // a random value
}

// spec is what the package knows about a family.
type spec struct {
	names    []string
	units    []Unit
	scale    []bool // must be above zero
	positive bool   // values must be above zero
	make     func(p []float64) Distribution
}

var specs map[Family]spec

func init() { // the distributions refer back to it
	specs = map[Family]spec{
		Normal:         {[]string{"mean", "standard deviation"}, []Unit{OfValues, OfValues}, []bool{false, true}, false, func(p []float64) Distribution { return normal{p[0], p[1]} }},
		Lognormal:      {[]string{"mu", "sigma"}, []Unit{OfLogs, OfLogs}, []bool{false, true}, true, func(p []float64) Distribution { return lognormal{p[0], p[1], 0, Lognormal} }},
		Lognormal3:     {[]string{"mu", "sigma", "threshold"}, []Unit{OfLogs, OfLogs, OfValues}, []bool{false, true, false}, false, func(p []float64) Distribution { return lognormal{p[0], p[1], p[2], Lognormal3} }},
		Weibull:        {[]string{"shape", "scale"}, []Unit{Pure, OfValues}, []bool{true, true}, true, func(p []float64) Distribution { return weibull{p[0], p[1], Weibull} }},
		Gamma:          {[]string{"shape", "scale"}, []Unit{Pure, OfValues}, []bool{true, true}, true, func(p []float64) Distribution { return gamma{p[0], p[1], lgamma(p[0])} }},
		Exponential:    {[]string{"scale"}, []Unit{OfValues}, []bool{true}, true, func(p []float64) Distribution { return weibull{1, p[0], Exponential} }},
		Rayleigh:       {[]string{"scale"}, []Unit{OfValues}, []bool{true}, true, func(p []float64) Distribution { return weibull{2, p[0] * math.Sqrt2, Rayleigh} }},
		FoldedNormal:   {[]string{"mu", "sigma"}, []Unit{OfValues, OfValues}, []bool{false, true}, true, func(p []float64) Distribution { return folded{math.Abs(p[0]), p[1]} }},
		LargestExtreme: {[]string{"location", "scale"}, []Unit{OfValues, OfValues}, []bool{false, true}, false, func(p []float64) Distribution { return gumbel{p[0], p[1]} }},
		JohnsonSU:      {[]string{"gamma", "delta", "xi", "lambda"}, []Unit{Pure, Pure, OfValues, OfValues}, []bool{false, true, false, true}, false, func(p []float64) Distribution { return johnsonSU{p[0], p[1], p[2], p[3]} }},
		JohnsonSB:      {[]string{"gamma", "delta", "xi", "lambda"}, []Unit{Pure, Pure, OfValues, OfValues}, []bool{false, true, false, true}, false, func(p []float64) Distribution { return johnsonSB{p[0], p[1], p[2], p[3]} }},
	}
}

// New is the distribution of a family with the given parameters, in the order that the family's constant names.
// Refused are an unknown family, a wrong number of parameters, and parameters that are not finite or, where they must be
// above zero (scales, shapes, standard deviations), are not; sizes must lie within 1e-150 and 1e150,
// the shape of a gamma distribution within 0.001 and 10^7.
func New(family Family, params ...float64) (Distribution, error) {
	sp, ok := specs[family]
	if !ok {
		return nil, refusal.Shapes("there is no family of distributions called %q", family)
	}
	if len(params) != len(sp.names) {
		return nil, refusal.Shapes("a %s distribution has %d parameters, not %d", family, len(sp.names), len(params))
	}
	if err := refusal.Finite("parameters", params); err != nil {
		return nil, err
	}
	for i, v := range params {
		if sp.scale[i] && !(v >= leastSize) {
			return nil, refusal.Setting(sp.names[i], v, "it must be above zero")
		}
	}
	if family == Gamma && !(params[0] >= leastGamma && params[0] <= greatestGamma) {
		return nil, refusal.Setting("shape", params[0], "that of a gamma distribution must lie between 0.001 and 10 million")
	}
	return sp.make(params), nil
}

// parameters names values in the order of a family.
func parameters(f Family, v ...float64) []Parameter {
	sp := specs[f]
	out := make([]Parameter, len(v))
	for i := range v {
		out[i] = Parameter{sp.names[i], sp.units[i], v[i]}
	}
	return out
}

// values are the parameters without their names.
func values(d Distribution) []float64 {
	ps := d.Parameters()
	out := make([]float64, len(ps))
	for i, p := range ps {
		out[i] = p.Value
	}
	return out
}

func lgamma(x float64) float64 { v, _ := math.Lgamma(x); return v }

// open is a uniform number strictly between 0 and 1.
func open(r *rand.Rand) float64 { return (float64(r.Uint64()>>12) + 0.5) / (1 << 52) }
