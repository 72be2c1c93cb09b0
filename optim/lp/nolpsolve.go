//go:build !cgo || nolpsolve

package lp

// New returns a Solver on the best backend there is: gonum's simplex, in this
// build. A nil set means Defaults.
func New(p *Problem, set *Settings) (Solver, error) { return NewSimplex(p, set) }

// Backend names the backend that New uses.
func Backend() string { return "simplex" }
