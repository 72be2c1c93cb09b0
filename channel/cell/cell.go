// Package cell is a sector of a city by the urban scenarios of TR 38.901: users
// in the streets, in line of sight or not, on tracks of straight legs and turns.
// A station looks along +x from StationM up; users start evenly over the sector
// of 120 degrees and keep to it as tracks do.
//
// Where a user is decides everything, so any slot is made by itself, the same on
// any machine and whatever was made before. Path loss follows the distance,
// shadowing is one field over the ground, whether a user is in line of sight is
// drawn once. Scattered rays keep their phases exactly along a stretch of the
// track, and fade over, at constant power, into those of the next; so Doppler
// shifts are right from slot to slot and across subbands.
package cell

import (
	"fmt"
	"math"
	"math/cmplx"

	"leastwatt/channel"
)

// Fading says what a user's channel is made of beside its mean gain.
type Fading string

// Kinds of fading.
const (
	Clustered Fading = "clusters" // rays in clusters, and the straight one in line of sight
	Straight  Fading = "straight" // the straight path alone
	Rayleigh  Fading = "rayleigh" // drawn anew in each slot, independent for every antenna and subband
	Rice      Fading = "rice"     // the straight path and Rayleigh, for all users
)

// Config says what a scene is of. All of it is needed but where 0 is a value.
type Config struct {
	Seed        int64
	Scenario    channel.Urban
	Fading      Fading
	Array       channel.Array
	DowntiltDeg float64
	Users       int
	NearM, FarM float64 // users start between, from the station over the ground
	SpeedMps    float64
	IntervalS   float64 // from one slot to the next
	CarrierHz   float64
	BandwidthHz float64
	Subbands    int
	RatesBps    []float64 // of the users in turn
	NoiseDB     float64   // noise figure of the users
	RiceDB      float64   // straight over scattered power in line of sight, and with Rice for all
	Spread      *Spread   // nil: the scenario's
	Estimate    *Estimate // nil: channels are known exactly
}

// Spread takes the place of the scenario's medians.
type Spread struct {
	DelayS     float64
	AngularDeg float64 // of departure
}

// Estimate says how channels are known.
type Estimate struct {
	PilotLength   int
	PilotPowerW   float64
	NoiseDB       float64 // noise figure of the station
	Contamination float64 // what others' pilots arrive with, over the user's own
	AgeS          float64 // from the estimate to the slot; less than 50 m of way
}

const (
	userM     = 1.5  // height of users
	sectorDeg = 120  // width of the sector
	stretchM  = 50.0 // of a track, from one set of rays to the next
)

// Streams of random numbers, each with the number of a user and what it counts.
const (
	streamUser = iota
	streamField
	streamRays
	streamSlot
	streamPilots
)

// stream numbers a source of random numbers.
func stream(kind, user, count int) uint64 {
	return uint64(kind)<<60 | uint64(user)<<36 | uint64(count)
}

// Scene is a sector with its users.
type Scene struct {
	config  Config
	pose    channel.Pose
	users   []user
	shadows [2]*channel.Shadowing // hidden, in line of sight
}

// user is where a user starts, and its draws.
type user struct {
	id      string
	x, y    float64
	sight   bool
	rateBps float64
}

// New returns the scene of a config. The users are the same whatever the array,
// and a scene of more users has those of fewer in it.
func New(config Config) *Scene {
	s := &Scene{
		config: config,
		pose:   channel.Pose{PositionM: [3]float64{0, 0, config.Scenario.StationM()}, DowntiltDeg: config.DowntiltDeg},
	}
	for i, sight := range []bool{false, true} {
		s.shadows[i] = channel.NewShadowing(channel.NewRand(config.Seed, stream(streamField, 0, i)),
			config.Scenario.ShadowSigmaDB(sight), config.Scenario.ShadowDistanceM(sight))
	}
	for k := range config.Users {
		rng := channel.NewRand(config.Seed, stream(streamUser, k, 0))
		// Evenly over the area: the square of the distance is uniform.
		low, high := config.NearM*config.NearM, config.FarM*config.FarM
		distanceM := math.Sqrt(low + (high-low)*rng.Float64())
		sin, cos := math.Sincos((rng.Float64() - 0.5) * sectorDeg * math.Pi / 180)
		u := user{id: fmt.Sprintf("user-%d", k+1), x: distanceM * cos, y: distanceM * sin}
		u.sight = rng.Float64() < config.Scenario.SightProbability(distanceM)
		if n := len(config.RatesBps); n > 0 {
			u.rateBps = config.RatesBps[k%n]
		}
		s.users = append(s.users, u)
	}
	return s
}

// Slot is one snapshot, users in the order of the scene.
type Slot struct {
	IDs     []string
	Channel []complex128 // [user][subband][antenna], of y = h^H x + n: as estimated, where it is
	True    []complex128 // the same in the slot itself; Channel, where it is known exactly
	RateBps []float64
	NoiseW  []float64 // over the bandwidth
	// CSIErrorVariance is that of Channel, in units of |h|^2, per antenna and
	// subband.
	CSIErrorVariance []float64
}

// Slot returns slot i, of the scene i intervals on.
func (s *Scene) Slot(i int) *Slot {
	c := &s.config
	perUser := c.Subbands * len(c.Array.PositionsM)
	out := &Slot{
		Channel:          make([]complex128, len(s.users)*perUser),
		CSIErrorVariance: make([]float64, len(s.users)),
	}
	out.True = out.Channel
	if c.Estimate != nil {
		out.True = make([]complex128, len(out.Channel))
	}
	for k := range s.users {
		u := &s.users[k]
		out.IDs = append(out.IDs, u.id)
		out.RateBps = append(out.RateBps, u.rateBps)
		out.NoiseW = append(out.NoiseW, channel.ThermalNoiseW(c.BandwidthHz, c.NoiseDB))
		now := out.True[k*perUser : (k+1)*perUser]
		gain := s.response(now, k, i, 0)
		if c.Estimate != nil {
			out.CSIErrorVariance[k] = s.estimate(out.Channel[k*perUser:(k+1)*perUser], now, k, i, gain)
		}
	}
	return out
}

// response sets h to the channel of user k, ageS before slot i, and returns its
// mean gain.
func (s *Scene) response(h []complex128, k, i int, ageS float64) float64 {
	c := &s.config
	wayM := s.wayM(i, ageS)
	paths := []channel.Path{s.straight(k, wayM)}
	gain := c.Array.MeanGain(paths)
	switch c.Fading {
	case Clustered:
		paths = s.paths(k, wayM, paths[0])
		gain = c.Array.MeanGain(paths)
		c.Array.Responses(h, paths, c.CarrierHz, c.BandwidthHz, c.Subbands)
	case Straight:
		c.Array.Responses(h, paths, c.CarrierHz, c.BandwidthHz, c.Subbands)
	case Rayleigh:
		s.scattered(h, k, i, ageS, gain)
	case Rice:
		scattered := make([]complex128, len(h))
		s.scattered(scattered, k, i, ageS, gain)
		c.Array.Responses(h, paths, c.CarrierHz, c.BandwidthHz, c.Subbands)
		channel.Rice(h, h, scattered, s.rice())
	}
	return gain
}

// scattered draws samples of mean square gain for user k, ageS before slot i: an
// autoregression of one step from those of the slot.
func (s *Scene) scattered(dst []complex128, k, i int, ageS, gain float64) {
	rng := channel.NewRand(s.config.Seed, stream(streamSlot, k, i))
	channel.Rayleigh(rng, dst, gain)
	if ageS == 0 {
		return
	}
	rho := s.ageing(ageS)
	fresh := make([]complex128, len(dst))
	channel.Rayleigh(rng, fresh, gain*(1-rho*rho))
	for m := range dst {
		dst[m] = complex(rho, 0)*dst[m] + fresh[m]
	}
}

// ageing is the correlation of scattered waves over ageS.
func (s *Scene) ageing(ageS float64) float64 {
	return channel.Ageing(s.config.SpeedMps, s.config.CarrierHz, ageS)
}

// rice is the Rice factor as a ratio.
func (s *Scene) rice() float64 { return math.Pow(10, s.config.RiceDB/10) }

// wayM returns how far users have gone, ageS before slot i.
func (s *Scene) wayM(i int, ageS float64) float64 {
	return s.config.SpeedMps * (float64(i)*s.config.IntervalS - ageS)
}

// positionM returns where user k is after wayM; before its start it came straight.
func (s *Scene) positionM(k int, wayM float64) [3]float64 {
	c, u := &s.config, &s.users[k]
	// Around the middle of the sector, as wide as it is deep.
	middle, radius := (c.NearM+c.FarM)/2, (c.FarM-c.NearM)/2
	rng := channel.NewRand(c.Seed, stream(streamUser, k, 1))
	x, y := channel.NewTrack(rng, u.x, u.y, middle, 0, radius, wayM).At(wayM)
	return [3]float64{x, y, userM}
}

// straight returns the path straight to user k after wayM, of its whole mean gain.
func (s *Scene) straight(k int, wayM float64) channel.Path {
	c, u := &s.config, &s.users[k]
	at := s.positionM(k, wayM)
	loss := c.Scenario.PathLossDB(channel.Link{
		CarrierHz: c.CarrierHz, DistanceM: math.Hypot(at[0], at[1]),
		StationM: s.pose.PositionM[2], UserM: userM, LineOfSight: u.sight,
	})
	field := s.shadows[0]
	if u.sight {
		field = s.shadows[1]
	}
	loss += field.LossDB(at[0], at[1])
	way := channel.Ray{FirstM: at, LastM: at, Amplitude: complex(math.Pow(10, -loss/20), 0)}
	return way.Path(s.pose, at, c.CarrierHz)
}

// paths returns the rays of user k after wayM, and in line of sight the straight
// path, together of the gain of straight.
func (s *Scene) paths(k int, wayM float64, straight channel.Path) []channel.Path {
	c, u := &s.config, &s.users[k]
	amplitude := cmplx.Abs(straight.Gain)
	var paths []channel.Path
	if u.sight {
		rice := s.rice()
		straight.Gain *= complex(math.Sqrt(rice/(1+rice)), 0)
		amplitude *= math.Sqrt(1 / (1 + rice))
		paths = append(paths, straight)
	}
	spread := c.Scenario.Spread(c.CarrierHz, u.sight)
	if c.Spread != nil {
		spread.DelaySpreadS, spread.AngularSpreadDeg = c.Spread.DelayS, c.Spread.AngularDeg
	}
	at := s.positionM(k, wayM)
	// Set j is alone at (j-1) stretches: one lies before the start.
	first := math.Floor(wayM/stretchM) + 1
	sin, cos := math.Sincos((wayM/stretchM + 1 - first) * math.Pi / 2)
	for j, weight := range []float64{cos, sin} {
		if weight == 0 {
			continue
		}
		set := int(first) + j
		rng := channel.NewRand(c.Seed, stream(streamRays, k, set))
		for _, ray := range spread.Draw(rng, s.pose, s.positionM(k, float64(set-1)*stretchM)) {
			ray.Amplitude *= complex(weight*amplitude, 0)
			paths = append(paths, ray.Path(s.pose, at, c.CarrierHz))
		}
	}
	return paths
}

// estimate sets dst to what is known in slot i of now, the channel of user k and
// of mean gain, and returns the variance of the error: an estimate made AgeS
// before, times its correlation with the slot.
func (s *Scene) estimate(dst, now []complex128, k, i int, gain float64) float64 {
	c, e := &s.config, s.config.Estimate
	pilots := channel.Pilots{
		Length: e.PilotLength, PowerW: e.PilotPowerW,
		NoiseW: channel.ThermalNoiseW(c.BandwidthHz/float64(c.Subbands), e.NoiseDB),
	}
	copy(dst, now)
	if e.AgeS > 0 {
		s.response(dst, k, i, e.AgeS)
	}
	ls := pilots.LSVariance(e.Contamination * gain)
	channel.Estimate(channel.NewRand(c.Seed, stream(streamPilots, k, i)), dst, dst, gain, ls)
	rho := s.correlation(k, i, e.AgeS)
	for m := range dst {
		dst[m] *= rho
	}
	return channel.AgedVariance(gain, channel.MMSEVariance(gain, ls), cmplx.Abs(rho))
}

// correlation returns that of the channel of user k in slot i with itself ageS
// before: of the straight path its turn of phase, of the rest that of waves from
// all round.
func (s *Scene) correlation(k, i int, ageS float64) complex128 {
	if ageS == 0 {
		return 1
	}
	now, before := s.straight(k, s.wayM(i, 0)), s.straight(k, s.wayM(i, ageS))
	turn := cmplx.Conj(now.Gain / before.Gain)
	turn /= complex(cmplx.Abs(turn), 0)
	share := 0.0 // of the straight path in the power
	switch c := &s.config; {
	case c.Fading == Straight:
		share = 1
	case c.Fading == Rice, c.Fading == Clustered && s.users[k].sight:
		share = s.rice() / (1 + s.rice())
	}
	return complex(share, 0)*turn + complex((1-share)*s.ageing(ageS), 0)
}
