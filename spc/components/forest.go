package components

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// forest holds what the likelihood of a mixed model needs of the data: the sums of its innermost groups, the tree of groups
// above them, and the products of all columns.
//
// Columns are the levels of the crossed factors, then the constant, then the values: T = [Z, 1, y]. With W = I + sum_l
// gamma_l Z_l Z_l' over the chain of nested factors, T'W^-1 T comes from T'T by one rank-one step for each group, the
// innermost first,
//
//	T'W^-1 T -= gamma/(1 + gamma s) u u',  u = T'W_g^-1 1,  s = 1'W_g^-1 1,  then u /= 1 + gamma s is passed on to the group around
//
// (Sherman and Morrison), and log|W| = sum log(1 + gamma s). The crossed factors follow by a Schur complement in their
// own small dimension.
type forest struct {
	total  int // values
	cols   int // q + 2
	q      int
	of     []int // crossed factor, by its place among them, of each of the q columns
	square []float64
	// Innermost groups: group g has the sums value[start[g]:start[g+1]], none but zero left out, in the columns
	// column[start[g]:start[g+1]], ascending.
	start  []int32
	column []int32
	value  []float64
	up     [][]int32 // up[l][g]: group of chain level l+1 around group g of level l
	groups []int     // by chain level
	room   [][]float64
	// Steps not yet taken, see take.
	pending int
	k       [4]float64
	u       [4][]float64
	m       []float64
	small   *mat.SymDense
	lift    *mat.Dense
}

// plant sums up the rows. chain and crossed are levels numbered from 0 and their numbers, the innermost of the chain first.
func plant(y []float64, r Rows, total int, within float64, chain, crossed [][]int32, chainLevels, crossedLevels []int, up [][]int32) *forest {
	f := &forest{total: total, up: up, groups: chainLevels}
	offset := make([]int, len(crossed))
	for k, n := range crossedLevels {
		offset[k] = f.q
		for range n {
			f.of = append(f.of, k)
		}
		f.q += n
	}
	f.cols = f.q + 2
	p := f.cols
	f.square = make([]float64, p*p)
	cols := make([]int, len(crossed)+1)
	for i := range y {
		n := r.n(i)
		for k := range crossed {
			cols[k] = offset[k] + int(crossed[k][i])
		}
		cols[len(crossed)] = f.q
		for _, a := range cols {
			for _, b := range cols {
				f.square[a*p+b] += n
			}
			f.square[a*p+p-1] += n * y[i]
		}
		f.square[p*p-1] += n * y[i] * y[i]
	}
	f.square[p*p-1] += within
	f.m = make([]float64, p*p)
	if f.q > 0 {
		f.small, f.lift = mat.NewSymDense(f.q, nil), mat.NewDense(f.q, 2, nil)
	}
	if len(chain) == 0 {
		return f
	}
	// Rows by innermost group, by counting.
	g := chainLevels[0]
	at := make([]int32, g+1)
	for _, l := range chain[0] {
		at[l+1]++
	}
	for l := range g {
		at[l+1] += at[l]
	}
	order := make([]int32, len(y))
	next := append([]int32(nil), at[:g]...)
	for i, l := range chain[0] {
		order[next[l]] = int32(i)
		next[l]++
	}
	row := make([]float64, p)
	seen := make([]bool, p)
	var used []int32
	f.start = make([]int32, 1, g+1)
	for l := range g {
		used = used[:0]
		add := func(c int, v float64) {
			if !seen[c] {
				seen[c] = true
				used = append(used, int32(c))
			}
			row[c] += v
		}
		for _, i := range order[at[l]:at[l+1]] {
			n := r.n(int(i))
			for k := range crossed {
				add(offset[k]+int(crossed[k][i]), n)
			}
			add(f.q, n)
			add(p-1, n*y[i])
		}
		if 2*len(used) >= p {
			// Nearly complete: all columns, so that four groups can be taken in at once.
			used = used[:0]
			for c := range p {
				used = append(used, int32(c))
			}
		}
		slices.Sort(used)
		for _, c := range used {
			f.column, f.value = append(f.column, c), append(f.value, row[c])
			row[c], seen[c] = 0, false
		}
		f.start = append(f.start, int32(len(f.column)))
	}
	for _, n := range chainLevels[1:] {
		f.room = append(f.room, make([]float64, n*p))
	}
	return f
}

// parts are what the deviance is made of at given ratios gamma of the variances to the residual's: the log determinant of
// H = V/sigma^2, 1'H^-1 1, the mean estimated by generalised least squares and its weighted residual sum of squares.
type parts struct {
	logDet, ones, mean, rss float64
	ok                      bool
}

// at works out the parts; chain and crossed are the ratios, in the order of the forest. It uses the forest's room: one
// call at a time.
func (f *forest) at(chain, crossed []float64) parts {
	p := f.cols
	m := f.m
	copy(m, f.square)
	logDet := 0.0
	for l := range f.room {
		clear(f.room[l])
	}
	for l, gamma := range chain {
		var out []float64
		if l < len(f.room) {
			out = f.room[l]
		}
		for g := range f.groups[l] {
			var to []float64
			if out != nil {
				k := int(f.up[l][g])
				to = out[k*p : (k+1)*p]
			}
			if l == 0 {
				logDet += f.innermost(g, gamma, to)
			} else {
				logDet += f.outer(f.room[l-1][g*p:(g+1)*p], gamma, to)
			}
		}
		f.flush()
	}
	// m is right on and above its diagonal only.
	xx, xy, yy := m[f.q*p+f.q], m[f.q*p+p-1], m[p*p-1]
	if f.q > 0 {
		for i := range f.q {
			gi := math.Sqrt(crossed[f.of[i]])
			for j := i; j < f.q; j++ {
				v := gi * math.Sqrt(crossed[f.of[j]]) * m[i*p+j]
				if i == j {
					v++
				}
				f.small.SetSym(i, j, v)
			}
			f.lift.Set(i, 0, gi*m[i*p+f.q])
			f.lift.Set(i, 1, gi*m[i*p+p-1])
		}
		var c mat.Cholesky
		if !c.Factorize(f.small) {
			return parts{}
		}
		logDet += c.LogDet()
		var x mat.Dense
		if err := c.SolveTo(&x, f.lift); err != nil {
			if _, bad := err.(mat.Condition); !bad {
				return parts{}
			}
		}
		for i := range f.q {
			a, b := f.lift.At(i, 0), f.lift.At(i, 1)
			xx -= a * x.At(i, 0)
			xy -= a * x.At(i, 1)
			yy -= b * x.At(i, 1)
		}
	}
	r := parts{logDet: logDet, ones: xx, mean: xy / xx, rss: yy - xy*xy/xx}
	r.ok = r.ones > 0 && r.rss > 0 && !math.IsInf(logDet, 0)
	return r
}

// innermost takes in innermost group g and gives its part of the log determinant.
func (f *forest) innermost(g int, gamma float64, to []float64) float64 {
	lo, hi := f.start[g], f.start[g+1]
	col, val := f.column[lo:hi], f.value[lo:hi]
	// The constant and the values are the last two columns, and every group has them.
	d := 1 + gamma*val[len(val)-2]
	w := 1 / d
	if gamma > 0 {
		if len(col) == f.cols {
			f.take(gamma*w, val)
		} else {
			for i, a := range col {
				ka := gamma * w * val[i]
				row := f.m[int(a)*f.cols : (int(a)+1)*f.cols]
				rest := val[i:]
				for j, b := range col[i:] {
					row[b] -= ka * rest[j]
				}
			}
		}
	}
	if to != nil {
		for i, c := range col {
			to[c] += w * val[i]
		}
	}
	return math.Log(d)
}

// outer is innermost for a group with the dense sums u.
func (f *forest) outer(u []float64, gamma float64, to []float64) float64 {
	d := 1 + gamma*u[f.q]
	w := 1 / d
	if gamma > 0 {
		f.take(gamma*w, u)
	}
	if to != nil {
		for c, v := range u {
			to[c] += w * v
		}
	}
	return math.Log(d)
}

// take subtracts k u u' from m, sooner or later: four steps at a time go through it once.
func (f *forest) take(k float64, u []float64) {
	f.k[f.pending], f.u[f.pending] = k, u
	if f.pending++; f.pending == len(f.u) {
		f.flush()
	}
}

// flush brings m up to date.
func (f *forest) flush() {
	for i := f.pending; i < len(f.u) && f.pending > 0; i++ {
		f.k[i], f.u[i] = 0, f.u[0]
	}
	if f.pending == 0 {
		return
	}
	f.pending = 0
	for a := range f.cols {
		u0, u1, u2, u3 := f.u[0][a:], f.u[1][a:], f.u[2][a:], f.u[3][a:]
		k0, k1, k2, k3 := f.k[0]*u0[0], f.k[1]*u1[0], f.k[2]*u2[0], f.k[3]*u3[0]
		row := f.m[a*f.cols+a : (a+1)*f.cols]
		u0, u1, u2, u3 = u0[:len(row)], u1[:len(row)], u2[:len(row)], u3[:len(row)]
		for j := range row {
			row[j] -= (k0*u0[j] + k1*u1[j]) + (k2*u2[j] + k3*u3[j])
		}
	}
}
