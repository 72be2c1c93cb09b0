package optim

import "math"

// Dense kernels for Hermitian positive definite matrices of a group's size.
// Matrices are row-major n x n; only the triangle named is read or written.

// choleskyHermitian overwrites the lower triangle of a with L, a = L L^H, and
// stores 1/L_jj in inv. It reports whether a was positive definite. O(n^3/6)
// complex multiply-adds.
func choleskyHermitian(a []complex128, n int, inv []float64) bool {
	for j := range n {
		lj := a[j*n : j*n+j]
		d := real(a[j*n+j]) - norm2(lj)
		if !(d > 0) || math.IsInf(d, 1) {
			return false
		}
		root := math.Sqrt(d)
		scale := 1 / root
		inv[j] = scale
		a[j*n+j] = complex(root, 0)
		i := j + 1
		for ; i+1 < n; i += 2 {
			p, q := dot2(lj, a[i*n:i*n+j], a[(i+1)*n:(i+1)*n+j])
			a[i*n+j] = scaled(a[i*n+j]-p, scale)
			a[(i+1)*n+j] = scaled(a[(i+1)*n+j]-q, scale)
		}
		if i < n {
			p, _ := dot2(lj, a[i*n:i*n+j], a[i*n:i*n+j])
			a[i*n+j] = scaled(a[i*n+j]-p, scale)
		}
	}
	return true
}

// invertHermitian fills b, both triangles, with (L L^H)^-1, given the lower
// triangle l and inv of choleskyHermitian. x is scratch of n*n. O(n^3/3)
// complex multiply-adds.
func invertHermitian(b, l, x []complex128, n int, inv []float64) {
	// x holds conj(L^-1) transposed: row j of x is column j of L^-1, conjugated,
	// contiguous from the diagonal on.
	for i := range n {
		li := l[i*n : i*n+i]
		scale := -inv[i]
		j := 0
		for ; j+1 < i; j += 2 {
			// sum_{p>=j} L_ip X_pj; the second sum starts one later.
			first := conj(li[j]) * x[j*n+j]
			p, q := dot2(li[j+1:], x[j*n+j+1:j*n+i], x[(j+1)*n+j+1:(j+1)*n+i])
			x[j*n+i] = scaled(first+p, scale)
			x[(j+1)*n+i] = scaled(q, scale)
		}
		if j < i {
			p, _ := dot2(li[j:], x[j*n+j:j*n+i], x[j*n+j:j*n+i])
			x[j*n+i] = scaled(p, scale)
		}
		x[i*n+i] = complex(inv[i], 0)
	}
	// B_ij = sum_{p >= max(i,j)} conj(X_pi) X_pj.
	for i := range n {
		xi := x[i*n+i : i*n+n]
		j := 0
		for ; j+1 <= i; j += 2 {
			p, q := dot2(xi, x[j*n+i:j*n+n], x[(j+1)*n+i:(j+1)*n+n])
			setHermitian(b, n, i, j, conj(p))
			setHermitian(b, n, i, j+1, conj(q))
		}
		if j <= i {
			p, _ := dot2(xi, x[j*n+i:j*n+n], x[j*n+i:j*n+n])
			setHermitian(b, n, i, j, conj(p))
		}
	}
}

func setHermitian(b []complex128, n, i, j int, z complex128) {
	b[i*n+j] = z
	b[j*n+i] = conj(z)
}

// choleskySolveReal solves N x = d for a real symmetric positive definite N,
// whose lower triangle it overwrites. It reports whether N was positive
// definite. O(n^3/6).
func choleskySolveReal(a []float64, n int, x, d []float64) bool {
	if !choleskyReal(a, n) {
		return false
	}
	copy(x[:n], d[:n])
	choleskySubstitute(a, n, x)
	return true
}

// choleskyReal overwrites the lower triangle of a with its Cholesky factor, the
// diagonal with its inverse. It reports whether a was positive definite.
// O(n^3/6).
func choleskyReal(a []float64, n int) bool {
	for j := range n {
		lj := a[j*n : j*n+j]
		s := a[j*n+j]
		for _, v := range lj {
			s -= v * v
		}
		if !(s > 0) {
			return false
		}
		root := math.Sqrt(s)
		scale := 1 / root
		a[j*n+j] = scale // the inverse is what the solves need
		for i := j + 1; i < n; i++ {
			a[i*n+j] = (a[i*n+j] - dotReal(lj, a[i*n:i*n+j])) * scale
		}
	}
	return true
}

// choleskySubstitute solves N x = x in place for the factor of choleskyReal.
// O(n^2).
func choleskySubstitute(a []float64, n int, x []float64) {
	for i := range n {
		x[i] = (x[i] - dotReal(a[i*n:i*n+i], x)) * a[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		x[i] *= a[i*n+i]
		for j := range i {
			x[j] -= a[i*n+j] * x[i]
		}
	}
}

// dotReal returns sum a_p b_p over the length of a.
func dotReal(a, b []float64) float64 {
	b = b[:len(a)]
	var s, t float64
	p := 0
	for ; p+1 < len(a); p += 2 {
		s += a[p] * b[p]
		t += a[p+1] * b[p+1]
	}
	if p < len(a) {
		s += a[p] * b[p]
	}
	return s + t
}

// norm2 returns sum |a_p|^2.
func norm2(a []complex128) float64 {
	var s, t float64
	for _, z := range a {
		s += real(z) * real(z)
		t += imag(z) * imag(z)
	}
	return s + t
}

// dot2 returns sum conj(a_p) b_p and sum conj(a_p) c_p. Two sums share the
// loads of a and hide the latency of the additions.
func dot2(a, b, c []complex128) (complex128, complex128) {
	b = b[:len(a)]
	c = c[:len(a)]
	var rr, ii, ri, ir, ss, jj, sj, js float64
	for p, x := range a {
		xr, xi := real(x), imag(x)
		yr, yi := real(b[p]), imag(b[p])
		zr, zi := real(c[p]), imag(c[p])
		rr += xr * yr
		ii += xi * yi
		ri += xr * yi
		ir += xi * yr
		ss += xr * zr
		jj += xi * zi
		sj += xr * zi
		js += xi * zr
	}
	return complex(rr+ii, ri-ir), complex(ss+jj, sj-js)
}

func scaled(z complex128, s float64) complex128 { return complex(real(z)*s, imag(z)*s) }

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }

// abs2 returns |z|^2.
func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func sqrtComplex(v float64) complex128 { return complex(math.Sqrt(v), 0) }
