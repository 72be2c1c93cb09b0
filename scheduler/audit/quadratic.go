package audit

import "math"

// quadratic is at + slope.x + x.curve x/2 on the square -1 <= x <= 1, curve the
// elements 00, 01 and 11 of its matrix.
type quadratic struct {
	at    float64
	slope [2]float64
	curve [3]float64
}

// add adds |F|^2 of a field with the Taylor coefficients F, F_0, F_1, F_00, F_01, F_11.
func (q *quadratic) add(f *[6]complex128) {
	real2 := func(a, b complex128) float64 { return 2 * (real(a)*real(b) + imag(a)*imag(b)) }
	q.at += real2(f[0], f[0]) / 2
	q.slope[0] += real2(f[0], f[1])
	q.slope[1] += real2(f[0], f[2])
	q.curve[0] += real2(f[0], f[3]) + real2(f[1], f[1])
	q.curve[1] += real2(f[0], f[4]) + real2(f[1], f[2])
	q.curve[2] += real2(f[0], f[5]) + real2(f[2], f[2])
}

// times returns q times g + slope.x without what is of third order in x.
func (q quadratic) times(g float64, slope [2]float64) quadratic {
	return quadratic{
		at:    g * q.at,
		slope: [2]float64{g*q.slope[0] + slope[0]*q.at, g*q.slope[1] + slope[1]*q.at},
		curve: [3]float64{
			g*q.curve[0] + 2*slope[0]*q.slope[0],
			g*q.curve[1] + slope[0]*q.slope[1] + slope[1]*q.slope[0],
			g*q.curve[2] + 2*slope[1]*q.slope[1],
		},
	}
}

// bend returns the most that |x.curve x| is.
func (q *quadratic) bend() float64 {
	return math.Abs(q.curve[0]) + 2*math.Abs(q.curve[1]) + math.Abs(q.curve[2])
}

func (q *quadratic) value(x [2]float64) float64 {
	return q.at + q.slope[0]*x[0] + q.slope[1]*x[1] + (q.curve[0]*x[0]*x[0]+q.curve[2]*x[1]*x[1])/2 + q.curve[1]*x[0]*x[1]
}

// most returns the maximum on the square and where it is: in a corner, on an edge, or
// inside where the gradient is 0.
func (q *quadratic) most() (largest float64, at [2]float64) {
	largest, at = q.at, [2]float64{}
	try := func(x [2]float64) {
		if v := q.value(x); v > largest && math.Abs(x[0]) <= 1 && math.Abs(x[1]) <= 1 {
			largest, at = v, x
		}
	}
	for _, x := range [2]float64{-1, 1} {
		try([2]float64{x, -1})
		try([2]float64{x, 1})
		try([2]float64{x, -(q.slope[1] + q.curve[1]*x) / q.curve[2]})
		try([2]float64{-(q.slope[0] + q.curve[1]*x) / q.curve[0], x})
	}
	det := q.curve[0]*q.curve[2] - q.curve[1]*q.curve[1]
	try([2]float64{
		(q.curve[1]*q.slope[1] - q.curve[2]*q.slope[0]) / det,
		(q.curve[1]*q.slope[0] - q.curve[0]*q.slope[1]) / det,
	})
	return largest, at
}
