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

// The peak found is no less than the EIRP on a grid ten times finer, nor much more,
// also where beams are lit from all sides so that many peaks are near alike.
func TestPeakEIRPAgainstFineGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for i := range 8 {
		slot := planarSlot(1+i%2, 4, 2e9)
		if i%4 < 2 {
			slot.Array.ElementPattern = PatternIsotropic
		}
		f := farFieldOf(slot)
		m := slot.Channel.Antennas
		w := make([]complex128, m*m)
		for j := range w {
			w[j] = complex(rng.NormFloat64(), rng.NormFloat64())
			if i >= 4 {
				w[j] *= 0.01
				if j%(m+1) == 0 {
					w[j] += 1 // one antenna a beam: much the same in all directions
				}
			}
		}
		got, most := f.peakEIRP(w), 0.0
		row := make([]complex128, m)
		for e := -90.0; e <= 90; e += 1 {
			for a := -180.0; a < 180; a += 1 {
				most = math.Max(most, f.eirp(w, row, channel.Direction{AzimuthDeg: a, ElevationDeg: e}))
			}
		}
		if most > got*(1+1e-9) || most < got*(1-1e-3) {
			t.Errorf("%d: %g W on the grid, peak %g", i, most, got)
		}
	}
}
