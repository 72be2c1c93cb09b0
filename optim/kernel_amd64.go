package optim

import "golang.org/x/sys/cpu"

var hasAVX = cpu.X86.HasAVX2 && cpu.X86.HasFMA

//go:noescape
func dot4AVX(a, b *complex128, stride, n int, out *[4]complex128)

//go:noescape
func axpy4AVX(y, x *complex128, stride, n int, c *[4]complex128)
