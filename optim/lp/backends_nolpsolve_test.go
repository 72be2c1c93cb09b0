//go:build !cgo || nolpsolve

package lp

type backend struct {
	name string
	new  func(*Problem, *Settings) (Solver, error)
}

var backends = []backend{{"simplex", NewSimplex}}
