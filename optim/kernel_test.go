package optim

import (
	"math/rand/v2"
	"testing"
)

// The kernels for AVX and their twins in Go agree bit for bit, for every length
// and stride.
func TestKernelTwins(t *testing.T) {
	if !hasAVX {
		t.Skip("no AVX2 and FMA on this machine: there is one twin only")
	}
	rng := rand.New(rand.NewPCG(21, 22))
	draw := func(n int) []complex128 {
		out := make([]complex128, n)
		for i := range out {
			out[i] = complex(rng.NormFloat64(), rng.NormFloat64())
		}
		return out
	}
	for n := 1; n <= 33; n++ {
		for _, stride := range []int{0, n, n + 3} {
			a, b := draw(n), draw(3*stride+n)
			var fast, plain [4]complex128
			dot4AVX(&a[0], &b[0], stride, n, &fast)
			dot4(a, b, stride, &plain)
			if fast != plain {
				t.Fatalf("n=%d stride=%d: dots %v, %v", n, stride, fast, plain)
			}
			c := [4]complex128(draw(4))
			y := draw(n)
			z := append([]complex128(nil), y...)
			axpy4AVX(&y[0], &b[0], stride, n, &c)
			axpy4Go(z, b, stride, &c)
			for i := range y {
				if y[i] != z[i] {
					t.Fatalf("n=%d stride=%d: axpy %v, %v at %d", n, stride, y[i], z[i], i)
				}
			}
		}
	}
}

// dots finds the row asked among those it returns, whatever the number of rows,
// and its values are those of the definition.
func TestDots(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	for rows := 1; rows <= 9; rows++ {
		h := rayleigh(rng, rows, 5)
		for i := range rows {
			var out [4]complex128
			first, count := dots(&out, h.User(0)[2:], h.Data, 2, 5, rows, i)
			if first < 0 || i < first || i >= first+count || first+count > rows {
				t.Fatalf("rows=%d i=%d: rows %d to %d", rows, i, first, first+count-1)
			}
			for r := range count {
				var want complex128
				for p := 2; p < 5; p++ {
					want += conj(h.User(0)[p]) * h.User(first + r)[p]
				}
				if d := abs2(out[r] - want); d > 1e-28 {
					t.Errorf("rows=%d row %d: %v, want %v", rows, first+r, out[r], want)
				}
			}
		}
	}
}
