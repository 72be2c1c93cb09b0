//go:build cgo && !nolpsolve && lpshared

package lp

// Where Debian's package lp-solve has the library. Whoever has another build of it puts
// it in that place: NOTICE.md.

// #cgo LDFLAGS: -L/usr/lib/lp_solve -Wl,-rpath,/usr/lib/lp_solve -llpsolve55 -lm -ldl
import "C"
