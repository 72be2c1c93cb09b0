package channel

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// Ray is a way over scatterers that stand still: from the array to the first,
// from the last to the user. The ends of the way are exact wherever the user is,
// so that phases, Doppler shifts and delays agree from slot to slot and across a
// band; its amplitude does not change.
type Ray struct {
	FirstM    [3]float64 // where it leaves the array for
	LastM     [3]float64 // where it comes to the user from; the same for one scatterer
	RestM     float64    // length of what is between, which may be a correction below 0
	Amplitude complex128 // of the whole way
}

// Path returns the path of r from the array at pose to a user at toM.
func (r Ray) Path(pose Pose, toM [3]float64, carrierHz float64) Path {
	v := pose.Local(r.FirstM)
	lengthM := norm(v) + r.RestM + norm(sub(toM, r.LastM))
	return unitPath(v, lengthM, r.Amplitude, carrierHz)
}

// unitPath returns the path of lengthM that leaves along v, of an amplitude gain
// at the carrier that does not depend on the length.
func unitPath(v [3]float64, lengthM float64, amplitude complex128, carrierHz float64) Path {
	turns := lengthM / WavelengthM(carrierHz)
	return Path{
		Gain:      amplitude * cmplx.Rect(1, -2*math.Pi*turns),
		DelayS:    lengthM / SpeedOfLightMps,
		Departure: DirectionOf(v),
	}
}

// Ring returns n rays of mean power 1/n over single scatterers on a circle of
// radiusM around aroundM, level with it: the one-ring model (Jakes 1974; Shiu et
// al. 2000, from memory). Angles are evenly spaced but for one random turn,
// phases are random.
func Ring(rng *rand.Rand, aroundM [3]float64, radiusM float64, n int) []Ray {
	turn := rng.Float64()
	rays := make([]Ray, n)
	for i := range rays {
		sin, cos := math.Sincos(2 * math.Pi * (turn + float64(i)) / float64(n))
		at := [3]float64{aroundM[0] + radiusM*cos, aroundM[1] + radiusM*sin, aroundM[2]}
		rays[i] = Ray{FirstM: at, LastM: at, Amplitude: cmplx.Rect(math.Sqrt(1/float64(n)), 2*math.Pi*rng.Float64())}
	}
	return rays
}

// Clusters says how rays are spread.
type Clusters struct {
	Number           int     // of clusters
	Rays             int     // in each cluster, of equal power
	DelaySpreadS     float64 // rms over all rays
	AngularSpreadDeg float64 // of the azimuth of departure, rms over all rays
	RaySpreadDeg     float64 // of azimuth within a cluster, rms, before all are scaled to AngularSpreadDeg
	NearM            float64 // the last scatterers are NearM to 3 NearM from the user; 0 means 50
}

// Draw draws rays of total power 1 from the array at pose to a user around
// aroundM. Delays are exponential, powers fall with them as in
// TR 38.901 (7.5-5, from memory) for r_tau = 2 and vary by 3 dB; azimuths of departure are
// Gaussian around the user's over clusters and Laplacian within, of arrival
// uniform over clusters; rays of a cluster share its delay and, but for the same
// spread, its arrival. All leave at the user's elevation and come in level. Powers, delays and azimuths of departure are then shifted and
// scaled: total power, rms delay spread and rms angular spread are those asked
// for exactly, the mean azimuth is the user's, and no ray is shorter than the
// straight way.
func (c Clusters) Draw(rng *rand.Rand, pose Pose, aroundM [3]float64) []Ray {
	n := c.Number * c.Rays
	power, delay, azimuth, arrival := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range c.Number {
		tau := rng.ExpFloat64()
		p := math.Exp(-tau/2) * math.Pow(10, -0.3*rng.NormFloat64())
		out, in := rng.NormFloat64()*c.AngularSpreadDeg, 360*rng.Float64()
		for r := range c.Rays {
			at := i*c.Rays + r
			power[at], delay[at] = p, tau
			azimuth[at] = out + laplace(rng)*c.RaySpreadDeg
			arrival[at] = in + laplace(rng)*c.RaySpreadDeg
		}
	}
	scale(power, 1/sum(power))
	spread(delay, power, c.DelaySpreadS)
	earliest := delay[0]
	for _, d := range delay {
		earliest = math.Min(earliest, d)
	}
	spread(azimuth, power, c.AngularSpreadDeg)

	nearM := c.NearM
	if nearM == 0 {
		nearM = 50
	}
	straight := sub(aroundM, pose.PositionM)
	rays := make([]Ray, n)
	for i := range rays {
		sin, cos := math.Sincos(azimuth[i] * math.Pi / 180)
		first := [3]float64{cos*straight[0] - sin*straight[1], sin*straight[0] + cos*straight[1], straight[2]}
		sin, cos = math.Sincos(arrival[i] * math.Pi / 180)
		distanceM := nearM * (1 + 2*rng.Float64())
		rays[i] = Ray{
			FirstM:    [3]float64{pose.PositionM[0] + first[0], pose.PositionM[1] + first[1], pose.PositionM[2] + first[2]},
			LastM:     [3]float64{aroundM[0] + distanceM*cos, aroundM[1] + distanceM*sin, aroundM[2]},
			RestM:     (delay[i]-earliest)*SpeedOfLightMps - distanceM, // the first leg is as long as the straight way
			Amplitude: cmplx.Rect(math.Sqrt(power[i]), 2*math.Pi*rng.Float64()),
		}
	}
	return rays
}

// laplace draws from the Laplace distribution of mean 0 and variance 1.
func laplace(rng *rand.Rand) float64 {
	x := rng.ExpFloat64() / math.Sqrt2
	if rng.Uint64()&1 == 0 {
		return -x
	}
	return x
}

// spread shifts and scales values to mean 0 and standard deviation rms, both
// weighted by weights of sum 1. Values all alike become 0.
func spread(values, weights []float64, rms float64) {
	var mean, variance float64
	for i, v := range values {
		mean += weights[i] * v
	}
	for i, v := range values {
		variance += weights[i] * square(v-mean)
	}
	factor := 0.0
	if variance > 0 {
		factor = rms / math.Sqrt(variance)
	}
	for i := range values {
		values[i] = (values[i] - mean) * factor
	}
}

func sum(values []float64) (total float64) {
	for _, v := range values {
		total += v
	}
	return total
}

func scale(values []float64, factor float64) {
	for i := range values {
		values[i] *= factor
	}
}
