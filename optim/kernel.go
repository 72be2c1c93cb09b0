package optim

import "math"

// Kernels over four rows at once, the only code here that is written for a
// processor: with AVX2 and fused multiply-add they take a third of the time of
// gonum's kernels and of plain loops (BenchmarkOptimalBeams). The twins in Go do
// the same operations in the same order, so that results are the same bit for
// bit on any machine.

// dots fills out with a^H b over the length of a for rows of a matrix, from row
// i on: row r is m[r*stride+offset:]. Rows are rows of 0 to rows-1. It returns
// the number of the row in out[0], at most i, and how many rows out holds; row i
// is among them.
func dots(out *[4]complex128, a, m []complex128, offset, stride, rows, i int) (first, count int) {
	first, count = min(i, rows-4), 4
	step := stride
	if rows < 4 { // one row, four times
		first, count, step = i, 1, 0
	}
	if len(a) == 0 {
		*out = [4]complex128{}
		return first, count
	}
	b := m[first*stride+offset : (first+count-1)*stride+offset+len(a)]
	if hasAVX {
		dot4AVX(&a[0], &b[0], step, len(a), out)
	} else {
		dot4(a, b, step, out)
	}
	return first, count
}

// dot returns a^H b.
func dot(a, b []complex128) complex128 {
	var out [4]complex128
	dots(&out, a, b, 0, 0, 1, 0)
	return out[0]
}

// dot4 fills out with a^H b for four rows of b, stride apart.
func dot4(a, b []complex128, stride int, out *[4]complex128) {
	for r := range out {
		var s, t [4]float64 // as in the lanes of dot4AVX
		row := b[r*stride:]
		for p, x := range a {
			lane := p & 1 * 2
			y := row[p]
			s[lane] = math.FMA(real(x), real(y), s[lane])
			s[lane+1] = math.FMA(imag(x), imag(y), s[lane+1])
			t[lane] = math.FMA(imag(x), real(y), t[lane])
			t[lane+1] = math.FMA(real(x), imag(y), t[lane+1])
		}
		out[r] = complex((s[0]+s[1])+(s[2]+s[3]), 0-((t[0]-t[1])+(t[2]-t[3])))
	}
}

// Combine fills y with sum_i c_i x_i for the rows x_i of m, each of the length of y.
// It panics when m is too short. O(len(y) len(c)).
func Combine(y, m, c []complex128) {
	n := len(y)
	if n == 0 {
		return
	}
	clear(y)
	for i := 0; i < len(c); i += 4 {
		if i+4 <= len(c) {
			axpy4(y, m[i*n:(i+4)*n], n, (*[4]complex128)(c[i:i+4]))
			continue
		}
		for ; i < len(c); i++ { // one row, with three of nothing
			axpy4(y, m[i*n:(i+1)*n], 0, &[4]complex128{c[i]})
		}
	}
}

// axpy4 adds c_r x_r to y for four rows of x, stride apart.
func axpy4(y, x []complex128, stride int, c *[4]complex128) {
	if hasAVX {
		axpy4AVX(&y[0], &x[0], stride, len(y), c)
		return
	}
	axpy4Go(y, x, stride, c)
}

func axpy4Go(y, x []complex128, stride int, c *[4]complex128) {
	for p, z := range y {
		re, im := real(z), imag(z)
		for r, k := range c {
			v := x[r*stride+p]
			re = math.FMA(real(v), real(k), re)
			im = math.FMA(imag(v), real(k), im)
			re = math.FMA(imag(v), 0-imag(k), re)
			im = math.FMA(real(v), 0+imag(k), im)
		}
		y[p] = complex(re, im)
	}
}
