package campaign

import (
	"fmt"
	"iter"
	"math"
	"math/rand/v2"

	"leastwatt/channel"
	"leastwatt/channel/quay"
	"leastwatt/scheduler"
)

// Set is a set of slots drawn alike. A slot depends on the seed and its number
// alone.
type Set struct {
	Name     string
	Summary  string
	Users    int
	Antennas int

	open func(seed int64) func(i int) *scheduler.Slot
}

// Slots yields n slots of a seed, numbered from 0 on.
func (s *Set) Slots(seed int64, n int) iter.Seq2[*scheduler.Slot, error] {
	return func(yield func(*scheduler.Slot, error) bool) {
		slot := s.open(seed)
		for i := range n {
			out := slot(i)
			out.Sequence, out.Options.Seed = int64(i), seed
			if !yield(out, nil) {
				return
			}
		}
	}
}

// Sets lists the sets of slots: what groupings differ on, users with channels of
// chance, in line of sight and in clusters, more users than antennas too, then the
// quay of package quay. All but the quay are small enough to be solved exactly.
// Rates of the small sets are within half of their mean, and path gains spread
// over two decades, those of Rayleigh channels over four: made up, as the sets
// are.
func Sets() []Set {
	return []Set{
		drawn("rayleigh", 4, 8, 2, rayleigh),
		drawn("rayleigh", 8, 16, 2, rayleigh),
		drawn("rayleigh", 6, 4, 1, rayleigh),
		drawn("line-of-sight", 8, 16, 2, lineOfSight),
		drawn("line-of-sight", 10, 8, 1, lineOfSight),
		drawn("clusters", 8, 32, 2, clusters),
		drawn("clusters", 10, 16, 1, clusters),
		quaySet(64),
	}
}

// The radio of all sets but the quay.
const (
	setBandwidthHz = 10e6
	setNoiseW      = 1e-13
	setCarrierHz   = 3.5e9
)

// drawn returns a set of independent slots named after what draws the channel
// and its size: users, each of whom wants bits per use on average, by antennas.
func drawn(name string, users, antennas int, bits float64, draw drawing) Set {
	stream := uint64(users)<<48 | uint64(antennas)<<32
	return Set{
		Name:     fmt.Sprintf("%s-%dx%d", name, users, antennas),
		Summary:  fmt.Sprintf("%s, %g bit/s/Hz a user", draw.summary, bits),
		Users:    users,
		Antennas: antennas,
		open: func(seed int64) func(int) *scheduler.Slot {
			return func(i int) *scheduler.Slot {
				rng := channel.NewRand(seed, stream|uint64(i))
				slot := &scheduler.Slot{
					CarrierHz:   setCarrierHz,
					BandwidthHz: setBandwidthHz,
					Channel:     scheduler.Channel{Antennas: antennas, Subbands: 1, Samples: make([]complex128, users*antennas)},
				}
				for k := range users {
					slot.Users = append(slot.Users, scheduler.User{
						ID: fmt.Sprint("u", k+1), RateBps: setBandwidthHz * bits * (0.5 + rng.Float64()), NoiseW: setNoiseW,
					})
				}
				draw.fill(rng, &slot.Channel, users)
				return slot
			}
		},
	}
}

// drawing draws channels.
type drawing struct {
	summary string
	fill    func(rng *rand.Rand, c *scheduler.Channel, users int)
}

var (
	rayleigh = drawing{"independent Rayleigh channels", func(rng *rand.Rand, c *scheduler.Channel, users int) {
		for k := range users {
			channel.Rayleigh(rng, c.At(k, 0), math.Pow(10, -8-4*rng.Float64()))
		}
	}}

	lineOfSight = drawing{"users in line of sight of a line of antennas, within 60 degrees of its front", func(rng *rand.Rand, c *scheduler.Channel, users int) {
		steer(rng, c, users, func(int) float64 { return -60 + 120*rng.Float64() })
	}}

	clusters = drawing{"line of sight, users four at a time within 6 degrees", func(rng *rand.Rand, c *scheduler.Channel, users int) {
		var centerDeg float64
		steer(rng, c, users, func(k int) float64 {
			if k%4 == 0 {
				centerDeg = -57 + 114*rng.Float64()
			}
			return centerDeg - 3 + 6*rng.Float64()
		})
	}}
)

// steer gives users channels of line of sight, of a line of antennas half a
// wavelength apart, at the azimuths given.
func steer(rng *rand.Rand, c *scheduler.Channel, users int, azimuthDeg func(k int) float64) {
	wavelengthM := channel.WavelengthM(setCarrierHz)
	array := channel.Array{PositionsM: channel.Linear(c.Antennas, wavelengthM/2)}
	for k := range users {
		h := c.At(k, 0)
		array.Steering(h, channel.Direction{AzimuthDeg: azimuthDeg(k)}, wavelengthM)
		amplitude := complex(math.Pow(10, -5-rng.Float64()), 0)
		for m := range h {
			h[m] *= amplitude
		}
	}
}

// quayEvery is how many slots of the quay's shift there are to one of its set:
// users have moved some metres from one to the next.
const quayEvery = 10

func quaySet(antennas int) Set {
	return Set{
		Name:     "quay",
		Summary:  fmt.Sprintf("the demo's shift, a slot every %g s", quayEvery*quay.SlotIntervalS),
		Users:    quay.DayShift.StraddleCarriers + quay.DayShift.CraneCabs + quay.DayShift.HandHelds,
		Antennas: antennas,
		open: func(seed int64) func(int) *scheduler.Slot {
			rows, columns := quay.Grid(antennas)
			scene := quay.New(seed, quay.DayShift, rows, columns)
			return func(i int) *scheduler.Slot { return QuaySlot(scene, quayEvery*i) }
		},
	}
}

// QuaySlot returns slot i of a scene of the quay as the engine takes it.
func QuaySlot(scene *quay.Scene, i int) *scheduler.Slot {
	snapshot := scene.Slot(i)
	slot := &scheduler.Slot{
		Sequence:    int64(i),
		CarrierHz:   quay.CarrierHz,
		BandwidthHz: quay.BandwidthHz,
		Channel:     scheduler.Channel{Antennas: len(scene.Array.PositionsM), Subbands: 1},
	}
	for k, u := range scene.Users {
		slot.Users = append(slot.Users, scheduler.User{ID: u.ID, RateBps: snapshot.RateBps[k], NoiseW: snapshot.NoiseW[k]})
		slot.Channel.Samples = append(slot.Channel.Samples, snapshot.Channel[k]...)
	}
	return slot
}

// QuayArray returns the geometry of a scene's panel as the engine takes it, with
// which plans tell EIRP.
func QuayArray(scene *quay.Scene) *scheduler.Array {
	return &scheduler.Array{
		PositionsM:     scene.Array.PositionsM,
		ElementGainDBi: scene.Array.Pattern(channel.Direction{}),
		ElementPattern: scheduler.PatternSector65,
	}
}
