package channel

import "math"

// Pattern is the power gain of one antenna in dBi along a direction.
type Pattern func(Direction) float64

// Isotropic is the pattern of 0 dBi all round.
func Isotropic(Direction) float64 { return 0 }

// Sector65 is the antenna element of TR 38.901 table 7.3-1: 8 dBi, 65 degrees
// wide at half power both ways, 30 dB down at the sides and behind.
func Sector65(d Direction) float64 {
	const (
		gainDBi  = 8
		widthDeg = 65
		floorDB  = 30
	)
	vertical := math.Min(12*square(d.ElevationDeg/widthDeg), floorDB)
	horizontal := math.Min(12*square(wrapDeg(d.AzimuthDeg)/widthDeg), floorDB)
	return gainDBi - math.Min(vertical+horizontal, floorDB)
}

// wrapDeg returns a turned by whole turns into [-180, 180].
func wrapDeg(a float64) float64 { return math.Remainder(a, 360) }

func square(x float64) float64 { return x * x }
