package optim

// Poll is a function that solves call while they work, nil for none: before anything
// that may take some 10 us, and in what takes far longer before every row of a
// matrix. It may end a solve by a panic; the workspace can then be used again, what
// the result holds is undefined.
type Poll func()

// now calls p.
func (p Poll) now() {
	if p != nil {
		p()
	}
}

const (
	stepSize = 16 // from which a step of O(n^3) is worth a call
	rowSize  = 96 // from which a row of one is
)

// step is called before a step of O(n^3).
func (p Poll) step(n int) {
	if n >= stepSize {
		p.now()
	}
}

// row is called before a row of a step of O(n^3).
func (p Poll) row(n int) {
	if n >= rowSize {
		p.now()
	}
}
