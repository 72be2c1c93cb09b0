//go:build !amd64

package optim

const hasAVX = false

func dot4AVX(a, b *complex128, stride, n int, out *[4]complex128) { panic("optim: no AVX") }

func axpy4AVX(y, x *complex128, stride, n int, c *[4]complex128) { panic("optim: no AVX") }
