package dist_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
)

// TestUnivariateStRD: the NIST StRD univariate sets (testdata/reference/strd), certified to 15 digits. The standard
// deviations of NumAcc3 and NumAcc4 are 10^-7 and 10^-8 of their means: rounding the decimal data to doubles leaves
// 9.5 and 8.3 digits of them to any algorithm.
func TestUnivariateStRD(t *testing.T) {
	least := map[string]float64{
		"Lottery": 14, "Lew": 14, "Mavro": 12, "Michelso": 13, "NumAcc1": 15, "NumAcc2": 14, "NumAcc3": 9, "NumAcc4": 8,
	}
	for name, digits := range least {
		t.Run(name, func(t *testing.T) {
			var set struct {
				Certified struct{ Mean, SD ref.Number }
				Data      []float64
			}
			ref.JSON(t, &set, "strd", "uni_"+name+".json")
			mean, sd := dist.MeanSD(set.Data)
			m := ref.Digits(t, float64(set.Certified.Mean), mean, 14, "mean")
			s := ref.Digits(t, float64(set.Certified.SD), sd, digits, "standard deviation")
			var w dist.Moments
			for _, v := range set.Data {
				w.Add(v)
			}
			wm := ref.Digits(t, float64(set.Certified.Mean), w.Mean, 13, "mean in one pass")
			ws := ref.Digits(t, float64(set.Certified.SD), w.SD(), math.Min(digits, 12)-2, "standard deviation in one pass")
			t.Logf("digits: mean %.1f, sd %.1f; in one pass %.1f, %.1f", m, s, wm, ws)
		})
	}
}

func TestSum(t *testing.T) {
	require.Equal(t, 2.0, dist.Sum([]float64{1, 1e100, 1, -1e100}))
	require.Zero(t, dist.Sum(nil))
	// The order of the values must not matter beyond the last rounding.
	rng := rand.New(rand.NewPCG(1, 1))
	x := make([]float64, 1000)
	for i := range x {
		x[i] = rng.NormFloat64() * math.Pow(10, float64(rng.IntN(9)))
	}
	want := dist.Sum(x)
	for range 20 {
		rng.Shuffle(len(x), func(i, j int) { x[i], x[j] = x[j], x[i] })
		ref.Relative(t, want, dist.Sum(x), 1e-15, "sum in another order")
	}
	var m dist.Moments
	require.Zero(t, m.SD())
	_, sd := dist.MeanSD([]float64{7})
	require.Zero(t, sd)
}

// TestLinearStRD: the NIST StRD linear sets (testdata/reference/strd) through the Householder solver. Digits lost are
// those of the sets' condition: Filip (10th degree, condition 1e15) is the hardest.
func TestLinearStRD(t *testing.T) {
	// Digits wanted of the coefficients, of their standard deviations and of the residual standard deviation.
	least := map[string][4]float64{
		"Norris": {12, 12, 13, 12}, "Pontius": {11, 12, 12, 12}, "NoInt1": {14, 14, 14, 12}, "NoInt2": {14, 14, 14, 12}, "Longley": {11, 11, 12, 12},
		"Filip": {6, 6, 7, 6}, "Wampler1": {8, 0, 0, 12}, "Wampler2": {11, 0, 0, 12}, "Wampler3": {8, 9, 13, 12}, "Wampler4": {7, 9, 13, 12}, "Wampler5": {5, 9, 13, 12},
	}
	for name, want := range least {
		t.Run(name, func(t *testing.T) {
			var set struct {
				Model     string
				Certified struct {
					Coef       []ref.Number
					CoefIndex  []int        `json:"coef_index"`
					CoefSD     []ref.Number `json:"coef_sd"`
					ResidualSD ref.Number   `json:"residual_sd"`
				}
				Rows [][]float64
			}
			ref.JSON(t, &set, "strd", "lin_"+name+".json")
			n, p := len(set.Rows), len(set.Certified.Coef)
			x, y := make([]float64, n*p), make([]float64, n)
			for i, row := range set.Rows {
				y[i] = row[0]
				for j, power := range set.Certified.CoefIndex {
					switch {
					case set.Model == "multi" && power == 0:
						x[j*n+i] = 1
					case set.Model == "multi":
						x[j*n+i] = row[power]
					default:
						x[j*n+i] = math.Pow(row[1], float64(power))
					}
				}
			}
			q := dist.NewQR(n, p)
			require.NoError(t, q.Factor(x))
			coef, work, cof := make([]float64, p), make([]float64, n), make([]float64, p*p)
			sd := math.Sqrt(q.Solve(coef, work, y) / float64(n-p))
			plain := append([]float64(nil), coef...)
			q.Cofactor(cof)
			low := [3]float64{15, 15, 15}
			for j := range p {
				low[0] = math.Min(low[0], ref.Digits(t, float64(set.Certified.Coef[j]), coef[j], want[0], "coefficient"))
				if want[1] > 0 {
					low[1] = math.Min(low[1], ref.Digits(t, float64(set.Certified.CoefSD[j]), sd*math.Sqrt(cof[j*p+j]), want[1], "its standard deviation"))
				} else {
					ref.Absolute(t, 0, sd*math.Sqrt(cof[j*p+j]), 1e-7, "standard deviation of an exact coefficient")
				}
			}
			if want[2] > 0 {
				low[2] = ref.Digits(t, float64(set.Certified.ResidualSD), sd, want[2], "residual standard deviation")
			} else {
				ref.Absolute(t, 0, sd, 1e-7, "residual standard deviation of an exact polynomial")
			}
			// Refined: all that the rounding of the powers of x to doubles leaves.
			refined, fine := math.Sqrt(q.Refine(plain, x, y)/float64(n-p)), 15.0
			for j := range p {
				fine = math.Min(fine, ref.Digits(t, float64(set.Certified.Coef[j]), plain[j], want[3], "refined coefficient"))
			}
			t.Logf("digits: coefficients %.1f, standard deviations %.1f, residual %.1f; refined coefficients %.1f, residual %g", low[0], low[1], low[2], fine, refined)
		})
	}
}

func TestQR(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 3))
	const n, p = 48, 11
	x, y := make([]float64, n*p), make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	for i := range y {
		y[i] = rng.NormFloat64()
	}
	q := dist.NewQR(n, p)
	require.NoError(t, q.Factor(x))
	coef, work, lev := make([]float64, p), make([]float64, n), make([]float64, n)
	ss := q.Solve(coef, work, y)
	// Residuals are orthogonal to every column and their squares sum to ss.
	res := append([]float64(nil), y...)
	for j := range p {
		for i := range n {
			res[i] -= coef[j] * x[j*n+i]
		}
	}
	sum := 0.0
	for _, r := range res {
		sum += r * r
	}
	ref.Relative(t, sum, ss, 1e-13, "residual sum of squares")
	for j := range p {
		d := 0.0
		for i := range n {
			d += res[i] * x[j*n+i]
		}
		ref.Absolute(t, 0, d, 1e-12, "residuals times column")
	}
	q.Leverages(lev, work)
	ref.Relative(t, p, dist.Sum(lev), 1e-13, "sum of the leverages")
	// x (X'X)^-1 x' of one row.
	cof := make([]float64, p*p)
	q.Cofactor(cof)
	for i := range n {
		h := 0.0
		for j := range p {
			for k := range p {
				h += x[j*n+i] * cof[j*p+k] * x[k*n+i]
			}
		}
		ref.Absolute(t, h, lev[i], 1e-13, "leverage")
	}
	require.Zero(t, testing.AllocsPerRun(20, func() { q.Solve(coef, work, y) }))
	require.Equal(t, n, q.Rows())
	require.Equal(t, p, q.Columns())
}

func TestQRRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		x      []float64
		column int
	}{
		"zero column":     {[]float64{1, 1, 1, 0, 0, 0}, 1},
		"repeated column": {[]float64{1, 2, 3, 2, 4, 6}, 1},
		"not a number":    {[]float64{1, math.NaN(), 3, 2, 4, 7}, 0},
		"infinite":        {[]float64{1, 2, 3, 2, math.Inf(1), 7}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			var rank *dist.RankError
			err := dist.NewQR(3, 2).Factor(c.x)
			require.ErrorAs(t, err, &rank)
			require.Equal(t, c.column, rank.Column)
		})
	}
}
