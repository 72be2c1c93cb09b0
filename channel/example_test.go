package channel_test

import (
	"fmt"

	"leastwatt/channel"
)

// A least-squares estimate from pilots becomes the kind of estimate that a slot takes.
func ExampleFromLeastSquares() {
	pilots := channel.Pilots{Length: 4, PowerW: 0.1, NoiseW: 8e-13}
	y := []complex128{2e-6 + 1e-6i, -1e-6 + 2e-6i, 1e-6 - 3e-6i} // of one user, over antennas
	ls := pilots.LSVariance(0)
	estimate, gain := make([]complex128, len(y)), channel.MeanSquare(y, ls)
	variance, err := channel.FromLeastSquares(estimate, y, gain, ls)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("channel %.2g, csiErrorVariance %.2g\n", estimate, variance)
	// Output: channel [(1.4e-06+7e-07i) (-7e-07+1.4e-06i) (7e-07-2.1e-06i)], csiErrorVariance 1.4e-12
}
