package scheduler

import (
	"fmt"
	"math"
	"math/rand/v2"

	"leastwatt/channel"
)

// slotSet is a set of slots drawn alike.
type slotSet struct {
	name            string
	users, antennas int
	bits            float64 // of a user, per use
	draw            func(rng *rand.Rand, users, antennas int, bits float64) *Slot
}

// slotSets are what the groupings are compared on: i.i.d. Rayleigh channels,
// users in line of sight of a line of antennas, users in clusters; more users
// than antennas too. Made up here.
var slotSets = []slotSet{
	{"rayleigh 4x8", 4, 8, 2, rayleighSlot},
	{"rayleigh 8x16", 8, 16, 2, rayleighSlot},
	{"rayleigh 6x4, users > antennas", 6, 4, 1, rayleighSlot},
	{"sight 8x16", 8, 16, 2, sightSlot},
	{"sight 10x8, users > antennas", 10, 8, 1, sightSlot},
	{"clusters 8x32", 8, 32, 2, clusterSlot},
	{"clusters 10x16", 10, 16, 1, clusterSlot},
}

func rayleighSlot(rng *rand.Rand, users, antennas int, bits float64) *Slot {
	return randomSlot(rng, users, antennas, bits)
}

func sightSlot(rng *rand.Rand, users, antennas int, bits float64) *Slot {
	return lineSlot(rng, users, antennas, bits, func(int) float64 { return -60 + 120*rng.Float64() })
}

// clusterSlot has clusters of four users within 6 degrees.
func clusterSlot(rng *rand.Rand, users, antennas int, bits float64) *Slot {
	var center float64
	return lineSlot(rng, users, antennas, bits, func(k int) float64 {
		if k%4 == 0 {
			center = -57 + 114*rng.Float64()
		}
		return center - 3 + 6*rng.Float64()
	})
}

// lineSlot has users in line of sight of a line of antennas half a wavelength
// apart, at the azimuths given, path gains over two decades.
func lineSlot(rng *rand.Rand, users, antennas int, bits float64, azimuthDeg func(k int) float64) *Slot {
	s := &Slot{BandwidthHz: 1e7, Channel: Channel{Antennas: antennas, Subbands: 1}}
	array := channel.Array{PositionsM: channel.Linear(antennas, 0.5)}
	row := make([]complex128, antennas)
	for k := range users {
		s.Users = append(s.Users, User{ID: fmt.Sprint("u", k), RateBps: 1e7 * bits * (0.5 + rng.Float64()), NoiseW: 1e-13})
		array.Steering(row, channel.Direction{AzimuthDeg: azimuthDeg(k)}, 1)
		gain := complex(math.Pow(10, -5-rng.Float64()), 0)
		for _, z := range row {
			s.Channel.Samples = append(s.Channel.Samples, z*gain)
		}
	}
	return s
}
