package optim

import "math"

// Dense kernels for Hermitian positive definite matrices of a group's size.
// Matrices are row-major n x n; only the triangle named is read or written.

// choleskyHermitian overwrites the lower triangle of a with L, a = L L^H, and
// stores 1/L_jj in inv. It reports whether a was positive definite. O(n^3/6)
// complex multiply-adds.
func choleskyHermitian(a []complex128, n int, inv []float64, poll Poll) bool {
	var sums [4]complex128
	for j := range n {
		poll.row(n)
		lj := a[j*n : j*n+j]
		d := real(a[j*n+j]) - norm2(lj)
		if !(d > 0) || math.IsInf(d, 1) {
			return false
		}
		root := math.Sqrt(d)
		scale := 1 / root
		inv[j] = scale
		a[j*n+j] = complex(root, 0)
		for i := j + 1; i < n; {
			first, count := dots(&sums, lj, a, 0, n, n, i)
			for ; i < first+count; i++ {
				a[i*n+j] = scaled(a[i*n+j]-sums[i-first], scale)
			}
		}
	}
	return true
}

// invertHermitian fills b, both triangles, with (L L^H)^-1, given the lower
// triangle l and inv of choleskyHermitian. x is scratch of n*n. O(n^3/3)
// complex multiply-adds.
func invertHermitian(b, l, x []complex128, n int, inv []float64, poll Poll) {
	// x holds conj(L^-1) transposed: row j of x is column j of L^-1, conjugated,
	// and zero before the diagonal.
	clear(x[:n*n])
	var sums [4]complex128
	for i := range n {
		poll.row(n)
		scale := -inv[i]
		for j := 0; j < i; {
			// sum_{p>=j} L_ip X_pj; later rows of the four start with zeros.
			from := min(j, max(n-4, 0))
			first, count := dots(&sums, l[i*n+from:i*n+i], x, from, n, n, j)
			for ; j < min(i, first+count); j++ {
				x[j*n+i] = scaled(sums[j-first], scale)
			}
		}
		x[i*n+i] = complex(inv[i], 0)
	}
	// B_ij = sum_{p >= max(i,j)} conj(X_pi) X_pj.
	for i := range n {
		poll.row(n)
		for j := 0; j <= i; {
			first, count := dots(&sums, x[i*n+i:i*n+n], x, i, n, n, j)
			for ; j <= min(i, first+count-1); j++ {
				setHermitian(b, n, i, j, conj(sums[j-first]))
			}
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
	choleskyForward(a, n, x)
	choleskyBack(a, n, x)
}

// choleskyForward solves L x = x in place, N = L L^T. O(n^2/2).
func choleskyForward(a []float64, n int, x []float64) {
	for i := range n {
		x[i] = (x[i] - dotReal(a[i*n:i*n+i], x)) * a[i*n+i]
	}
}

// choleskyBack solves L^T x = x in place. O(n^2/2).
func choleskyBack(a []float64, n int, x []float64) {
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

func scaled(z complex128, s float64) complex128 { return complex(real(z)*s, imag(z)*s) }

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }

// abs2 returns |z|^2.
func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func sqrtComplex(v float64) complex128 { return complex(math.Sqrt(v), 0) }
