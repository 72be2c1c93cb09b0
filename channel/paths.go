package channel

import (
	"math"
	"math/cmplx"
)

// Path is one way from an array to a user.
type Path struct {
	// Gain is the physical amplitude gain between isotropic antennas at the
	// carrier, its phase that of the way's length.
	Gain complex128
	// DelayS is the way's length over the speed of light, in s.
	DelayS float64
	// Departure is where the way leaves the array, in the array's own axes.
	Departure Direction
}

// FreeSpaceLossDB returns the loss between isotropic antennas distanceM apart:
// 20 log10 of 4 pi d / lambda, which is 32.4478 dB at 1 km and 1 MHz (Friis
// 1946).
func FreeSpaceLossDB(distanceM, carrierHz float64) float64 {
	return -20 * math.Log10(freeSpaceAmplitude(distanceM, WavelengthM(carrierHz)))
}

// LineOfSight returns the straight path from the array at pose to a user at
// toM, a point apart from it. Its phase is the exact distance in wavelengths:
// users that move have the right Doppler shift from snapshot to snapshot.
func LineOfSight(pose Pose, toM [3]float64, carrierHz float64) Path {
	v := pose.Local(toM)
	return newPath(v, norm(v), 1, carrierHz)
}

// Scatter returns the path over one scatterer at viaM. Its loss is that of
// free space over the whole way, times reflection, the scatterer's complex
// amplitude factor.
func Scatter(pose Pose, viaM, toM [3]float64, reflection complex128, carrierHz float64) Path {
	v := pose.Local(viaM)
	return newPath(v, norm(v)+norm(sub(toM, viaM)), reflection, carrierHz)
}

// newPath returns the path of lengthM that leaves along v.
func newPath(v [3]float64, lengthM float64, factor complex128, carrierHz float64) Path {
	loss := freeSpaceAmplitude(lengthM, WavelengthM(carrierHz))
	return unitPath(v, lengthM, factor*complex(loss, 0), carrierHz)
}

func freeSpaceAmplitude(lengthM, wavelengthM float64) float64 {
	return wavelengthM / (4 * math.Pi * lengthM)
}

// Response sets dst, one sample per antenna, to the channel of a user at the end
// of paths, on a frequency offsetHz from the carrier. Waves are plane across the
// array and the array narrow in band: across it the carrier's wavelength holds.
func (a *Array) Response(dst []complex128, paths []Path, carrierHz, offsetHz float64) {
	clear(dst)
	wavelengthM := WavelengthM(carrierHz)
	for _, p := range paths {
		g := cmplx.Conj(p.Gain) * cmplx.Rect(1, 2*math.Pi*offsetHz*p.DelayS)
		a.addWave(dst, g, p.Departure, wavelengthM)
	}
}

// Responses sets dst, [subband][antenna], to the channel of a user at the end of
// paths on subbands equally wide subbands of bandwidthHz around the carrier, each
// taken at its middle.
func (a *Array) Responses(dst []complex128, paths []Path, carrierHz, bandwidthHz float64, subbands int) {
	clear(dst)
	n := len(a.PositionsM)
	wave := make([]complex128, n)
	wavelengthM := WavelengthM(carrierHz)
	for _, p := range paths {
		a.Steering(wave, p.Departure, wavelengthM)
		for f := range subbands {
			offsetHz := (float64(f) - float64(subbands-1)/2) * bandwidthHz / float64(subbands)
			g := cmplx.Conj(p.Gain) * cmplx.Rect(1, 2*math.Pi*offsetHz*p.DelayS)
			for m, w := range wave {
				dst[f*n+m] += g * w
			}
		}
	}
}

// MeanGain returns the mean of |h|^2 over the antennas and over random phases of
// the paths: the large-scale gain that an estimator knows.
func (a *Array) MeanGain(paths []Path) float64 {
	var sum float64
	for _, p := range paths {
		sum += (square(real(p.Gain)) + square(imag(p.Gain))) * a.meanPower(p.Departure)
	}
	return sum
}

// KnifeEdgeLossDB returns the loss over one edge that stands heightM above the
// straight line (below: negative), distances nearM and farM from its ends:
// Recommendation ITU-R P.526, single knife edge, whose approximation is 0 below
// v = -0.78 (from memory; 6.0 dB at grazing is the exact value of Fresnel's
// integral).
func KnifeEdgeLossDB(heightM, nearM, farM, wavelengthM float64) float64 {
	v := heightM * math.Sqrt(2/wavelengthM*(1/nearM+1/farM))
	if v <= -0.78 {
		return 0
	}
	return math.Max(0, 6.9+20*math.Log10(math.Sqrt(square(v-0.1)+1)+v-0.1))
}
