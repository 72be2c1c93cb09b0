//go:build cgo && !nolpsolve && !lpshared

package lp

// Debian's archives, linked in: a binary then runs where lp_solve is not.

// #cgo LDFLAGS: -Wl,-Bstatic -llpsolve55 -lcolamd -lsuitesparseconfig -Wl,-Bdynamic -lm -ldl
import "C"
