package optim_test

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"

	"leastwatt/optim"
)

// lineOfEight is a line of 8 antennas half a wavelength apart, seen from 10 and 20
// degrees over a noise of 1e-13 W.
func lineOfEight() optim.Channel {
	h := optim.NewChannel(2, 8)
	for k, angle := range []float64{10, 20} {
		for m := range h.User(k) {
			h.User(k)[m] = cmplx.Rect(1e-6/math.Sqrt(1e-13), math.Pi*float64(m)*math.Sin(angle*math.Pi/180))
		}
	}
	return h
}

// The least power of one group: Gram matrix, optimal beams, weights.
func Example() {
	h := lineOfEight()
	var gram optim.Gram
	gram.Compute(h)

	var solver optim.Optimal
	var ws optim.Workspace
	var r optim.Result
	problem := optim.Problem{Gram: &gram, SINR: []float64{10, 3}}
	if status := solver.Solve(&problem, &ws, &r); status != optim.Solved {
		fmt.Println(status)
		return
	}
	fmt.Printf("power %.4f W, at least %.4f W\n", r.PowerW, r.LowerBoundW)

	w := make([]complex128, 2*8)
	r.Beams.Weights(w, h)
	for k := range 2 {
		own, other := optim.Received(h.User(k), w[k*8:k*8+8]), optim.Received(h.User(k), w[(1-k)*8:(1-k)*8+8])
		fmt.Printf("user %d: %.4f W, SINR %.4f\n", k, r.UserW[k],
			math.Pow(cmplx.Abs(own), 2)/(1+math.Pow(cmplx.Abs(other), 2)))
	}
	// Output:
	// power 0.1881 W, at least 0.1881 W
	// user 0: 0.1397 W, SINR 10.0000
	// user 1: 0.0484 W, SINR 3.0000
}

// Caps on antennas and on the EIRP towards 40 degrees, where somebody stands.
func ExampleLimited() {
	towards := make([]complex128, 8)
	for m := range towards {
		towards[m] = cmplx.Rect(1, math.Pi*float64(m)*math.Sin(40*math.Pi/180))
	}
	problem := optim.LimitedProblem{
		Bands:  []optim.Band{{Channel: lineOfEight(), SINR: []float64{10, 3}}},
		Limits: optim.Limits{Rows: towards, RowW: []float64{0.003}},
	}
	for range 8 {
		problem.Limits.AntennaW = append(problem.Limits.AntennaW, 0.03)
	}
	var solver optim.Limited
	var ws optim.LimitedWorkspace
	var r optim.LimitedResult
	fmt.Println(solver.Solve(&problem, &ws, &r))
	fmt.Printf("%.4f W, towards 40 degrees %.4f W at a price of %.4f W/W\n", r.PowerW, r.RowW[0], r.Duals.RowPrice[0])

	problem.Limits.RowW[0] = 1e-6
	for m := range problem.Limits.AntennaW {
		problem.Limits.AntennaW[m] = 0.02
	}
	fmt.Println(solver.Solve(&problem, &ws, &r))
	fmt.Printf("at least %.4f W are needed, the antennas have 0.16 W\n", r.LowerBoundW)
	// Output:
	// solved
	// 0.1893 W, towards 40 degrees 0.0030 W at a price of 0.0742 W/W
	// above limits
	// at least 0.1881 W are needed, the antennas have 0.16 W
}

// What no scheme can go below, and the check of its certificate.
func ExampleFloor() {
	problem := optim.FloorProblem{
		Channels: []optim.Channel{lineOfEight()},
		Rate:     []float64{math.Log1p(10), math.Log1p(3)}, // as the SINRs of Example
	}
	var solver optim.Floor
	var ws optim.FloorWorkspace
	var r optim.FloorResult
	fmt.Println(solver.Solve(context.Background(), &problem, nil, &ws, &r))
	proved, err := optim.VerifyFloor(&problem, r.Certificate)
	fmt.Printf("at least %.4f W, at most %.4f W; the certificate proves %.4f W, %v\n", r.LowerBoundW, r.UpperBoundW, proved, err)
	// Output:
	// solved
	// at least 0.1692 W, at most 0.1692 W; the certificate proves 0.1692 W, <nil>
}
