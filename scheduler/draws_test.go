package scheduler

import (
	"fmt"
	"math"
	"math/rand/v2"

	"leastwatt/channel"
)

// draws draw slots of any size like those of campaign's sets, which tests in this
// package cannot ask: i.i.d. Rayleigh channels, users in line of sight of a line of
// antennas, users in clusters. Made up here.
var draws = []func(rng *rand.Rand, users, antennas int, bits float64) *Slot{rayleighSlot, sightSlot, clusterSlot}

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
