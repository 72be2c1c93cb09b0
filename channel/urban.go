package channel

import (
	"math"
	"math/rand/v2"
)

// Urban is one of the urban scenarios of TR 38.901.
type Urban int

// The scenarios: a station over the roofs, and one among them.
const (
	UMa Urban = iota // urban macro: station 25 m up
	UMi              // urban micro, street canyon: station 10 m up
)

// Link is where a user stands to a station, outdoors.
type Link struct {
	CarrierHz   float64
	DistanceM   float64 // over the ground; 10 m to 5 km, nearer counts as 10 m
	StationM    float64 // height of the station's antennas
	UserM       float64 // height of the user's antenna; 1.5 to 13 m
	LineOfSight bool
}

// StationM returns the height in m of the station's antennas in the scenario.
func (u Urban) StationM() float64 {
	if u == UMi {
		return 10
	}
	return 25
}

// PathLossDB returns the mean loss between isotropic antennas, without
// shadowing: TR 38.901 table 7.4.1-1, from 0.5 to 100 GHz.
func (u Urban) PathLossDB(l Link) float64 {
	distanceM := math.Max(l.DistanceM, 10)
	heightM := l.StationM - l.UserM
	slopeM := math.Hypot(distanceM, heightM)
	fGHz := l.CarrierHz / 1e9
	loss := u.sightLossDB(l, distanceM, slopeM)
	if l.LineOfSight {
		return loss
	}
	if u == UMi {
		return math.Max(loss, 22.4+35.3*math.Log10(slopeM)+21.3*math.Log10(fGHz)-0.3*(l.UserM-1.5))
	}
	return math.Max(loss, 13.54+39.08*math.Log10(slopeM)+20*math.Log10(fGHz)-0.6*(l.UserM-1.5))
}

// sightLossDB is the loss in line of sight: from breakM on, the wave over the
// ground interferes.
func (u Urban) sightLossDB(l Link, distanceM, slopeM float64) float64 {
	const (
		environmentM = 1   // height of what stands on the ground
		lightMps     = 3e8 // the table's value
	)
	breakM := 4 * (l.StationM - environmentM) * (l.UserM - environmentM) * l.CarrierHz / lightMps
	frequencyDB := 20 * math.Log10(l.CarrierHz/1e9)
	offsetDB, slopeDB, breakDB := 28.0, 22.0, 9.0
	if u == UMi {
		offsetDB, slopeDB, breakDB = 32.4, 21, 9.5
	}
	if distanceM <= breakM {
		return offsetDB + slopeDB*math.Log10(slopeM) + frequencyDB
	}
	return offsetDB + 40*math.Log10(slopeM) + frequencyDB - breakDB*math.Log10(square(breakM)+square(l.StationM-l.UserM))
}

// SightProbability returns the probability that a user distanceM away over the
// ground, at most 13 m up, is in line of sight: TR 38.901 table 7.4.2-1, from
// memory.
func (u Urban) SightProbability(distanceM float64) float64 {
	const nearM = 18
	if distanceM <= nearM {
		return 1
	}
	decayM := 63.0
	if u == UMi {
		decayM = 36
	}
	near := nearM / distanceM
	return near + math.Exp(-distanceM/decayM)*(1-near)
}

// ShadowSigmaDB returns the standard deviation of shadowing: TR 38.901 table
// 7.4.1-1.
func (u Urban) ShadowSigmaDB(lineOfSight bool) float64 {
	switch {
	case lineOfSight:
		return 4
	case u == UMi:
		return 7.82
	}
	return 6
}

// ShadowDistanceM returns the distance over the ground at which the correlation
// of shadowing has fallen to 1/e: TR 38.901 table 7.5-6, from memory.
func (u Urban) ShadowDistanceM(lineOfSight bool) float64 {
	switch {
	case u == UMi && lineOfSight:
		return 10
	case u == UMi:
		return 13
	case lineOfSight:
		return 37
	}
	return 50
}

// Spread returns the clusters of the scenario at carrierHz: medians of the
// spreads of TR 38.901 table 7.5-6, from memory, in 12 clusters of 8 rays for
// every state. It has 12, 19 or 20 clusters of 20 rays.
func (u Urban) Spread(carrierHz float64, lineOfSight bool) Clusters {
	fGHz := math.Max(carrierHz/1e9, 2)
	c := Clusters{Number: 12, Rays: 8}
	var delay, angle float64 // log10 of s and degrees
	switch {
	case u == UMa && lineOfSight:
		delay, angle = -6.955-0.0963*math.Log10(fGHz), 1.06+0.1114*math.Log10(fGHz)
		c.RaySpreadDeg = 5
	case u == UMa:
		delay, angle = -6.28-0.204*math.Log10(fGHz), 1.5-0.1144*math.Log10(fGHz)
		c.RaySpreadDeg = 2
	case lineOfSight:
		delay, angle = -7.14-0.24*math.Log10(1+fGHz), 1.21-0.05*math.Log10(1+fGHz)
		c.RaySpreadDeg = 3
	default:
		delay, angle = -6.83-0.24*math.Log10(1+fGHz), 1.53-0.23*math.Log10(1+fGHz)
		c.RaySpreadDeg = 10
	}
	c.DelaySpreadS, c.AngularSpreadDeg = math.Pow(10, delay), math.Pow(10, angle)
	return c
}

// Shadowing is a field of loss in dB over the ground: Gaussian of mean 0, its
// correlation exp(-d/distance) over d m (Gudmundson 1991, from memory). Users
// who stand near each other have nearly the same shadowing, and a user that
// moves meets it again where it was.
type Shadowing struct {
	scaleDB float64
	waves   []shadowWave
}

// shadowWave is one plane wave of the field: cos(x kx + y ky + phase).
type shadowWave struct{ kx, ky, phase float64 }

// NewShadowing draws a field of standard deviation sigmaDB whose correlation is
// 1/e over distanceM. It is a sum of 256 plane waves. The correlation exp(-d/D)
// in the plane has the spectrum (1 + (k D)^2)^(-3/2), so that k D = sqrt(u^-2 - 1)
// for u uniform in (0, 1] (derived).
func NewShadowing(rng *rand.Rand, sigmaDB, distanceM float64) *Shadowing {
	const number = 256
	s := &Shadowing{scaleDB: sigmaDB * math.Sqrt(2.0/number), waves: make([]shadowWave, number)}
	for i := range s.waves {
		u := 1 - rng.Float64()
		k := math.Sqrt(1/(u*u)-1) / distanceM
		sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
		s.waves[i] = shadowWave{k * cos, k * sin, 2 * math.Pi * rng.Float64()}
	}
	return s
}

// LossDB returns the loss at x, y in m; less than 0 where the ground lies open.
func (s *Shadowing) LossDB(x, y float64) float64 {
	var sum float64
	for _, w := range s.waves {
		sum += math.Cos(x*w.kx + y*w.ky + w.phase)
	}
	return s.scaleDB * sum
}
