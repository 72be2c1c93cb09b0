package channel

import (
	"math"
	"testing"
)

// TR 38.901 table 7.3-1: A_V and A_H are 12 (angle/65)^2 up to 30 dB, together
// up to 30 dB, from 8 dBi. (Formula from transcriptions of the standard.)
func TestSector65(t *testing.T) {
	edge := 65 * math.Sqrt(2.5) // where 12 (phi/65)^2 reaches 30 dB: 102.774 degrees
	for _, tc := range []struct {
		azimuthDeg, elevationDeg, want float64
	}{
		{0, 0, 8},
		{32.5, 0, 5},
		{-32.5, 0, 5},
		{0, 32.5, 5},
		{65, 0, -4},
		{0, -65, -4},
		{32.5, 32.5, 2},
		{edge, 0, -22},
		{edge - 1e-3, 0, 8 - 12*square((edge-1e-3)/65)},
		{180, 0, -22},
		{170, 90, -22},
		{360 + 32.5, 0, 5},
		{-725, 0, 8 - 12*square(5.0/65)},
	} {
		if got := Sector65(Direction{tc.azimuthDeg, tc.elevationDeg}); math.Abs(got-tc.want) > 1e-9 {
			t.Errorf("Sector65(%v, %v) = %v dBi, want %v", tc.azimuthDeg, tc.elevationDeg, got, tc.want)
		}
	}
}

// The element's amplitude enters the channel once: 8 dBi boresight is 10^0.8 in
// power.
func TestElementInSteering(t *testing.T) {
	h := make([]complex128, 4)
	a := &Array{PositionsM: Linear(4, 0.5), Pattern: Sector65}
	a.Steering(h, Direction{}, 1)
	if got, want := energy(h), 4*math.Pow(10, 0.8); math.Abs(got-want) > 1e-12*want {
		t.Errorf("||h||^2 = %v, want %v", got, want)
	}
	a.Pattern = Isotropic
	a.Steering(h, Direction{AzimuthDeg: 77}, 1)
	if got := energy(h); math.Abs(got-4) > 1e-12 {
		t.Errorf("isotropic ||h||^2 = %v, want 4", got)
	}
}
