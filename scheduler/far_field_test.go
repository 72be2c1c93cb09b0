package scheduler

import (
	"math"
	"math/rand/v2"
	"testing"

	"leastwatt/channel"
)

func planarSlot(rows, columns int, carrierHz float64) *Slot {
	return &Slot{
		CarrierHz: carrierHz,
		Channel:   Channel{Antennas: rows * columns, Subbands: 1},
		Array: &Array{
			PositionsM:     channel.Planar(rows, columns, channel.WavelengthM(carrierHz)/2),
			ElementGainDBi: 8, ElementPattern: PatternSector65,
		},
	}
}

func farFieldOf(s *Slot) *farField {
	all := make([]int, s.Channel.Antennas)
	for m := range all {
		all[m] = m
	}
	return newFarField(s, all)
}

// One beam on boresight from 64 antennas of 8 dBi at 200 W: EIRP = 200 W * 64 *
// 10^0.8 = 80,762 W, 79.07 dBm (array gain 10 log10 N: common practice, no
// source).
func TestPeakEIRP(t *testing.T) {
	f := farFieldOf(planarSlot(8, 8, 3.5e9))
	w := make([]complex128, 64)
	f.row(w, channel.Direction{})
	p := powerOf(w)
	for i := range w {
		w[i] *= complex(math.Sqrt(200/p), 0)
	}
	want := 200 * 64 * math.Pow(10, 0.8)
	if got := f.peakEIRP(w); math.Abs(got/want-1) > 1e-7 {
		t.Errorf("%g W, want %g", got, want)
	}
}

// The peak found is no less than the EIRP on a grid ten times finer.
func TestPeakEIRPAgainstFineGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 4 {
		f := farFieldOf(planarSlot(2, 4, 2e9))
		w := make([]complex128, 8*3)
		for i := range w {
			w[i] = complex(rng.NormFloat64(), rng.NormFloat64())
		}
		got := f.peakEIRP(w)
		row := make([]complex128, 8)
		for e := -90.0; e <= 90; e += 1 {
			for a := -180.0; a < 180; a += 1 {
				if v := f.eirp(w, row, channel.Direction{AzimuthDeg: a, ElevationDeg: e}); v > got*(1+1e-9) {
					t.Fatalf("%g W at %g, %g; peak %g", v, a, e, got)
				}
			}
		}
	}
}
