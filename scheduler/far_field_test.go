package scheduler

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"leastwatt/channel"
	"leastwatt/channel/quay"
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

// shiftSlot is slot i of the day shift at the quay, with the panel's geometry.
func shiftSlot(seed int64, i, rows, columns int) *Slot {
	scene := quay.New(seed, quay.DayShift, rows, columns)
	snapshot := scene.Slot(i)
	slot := planarSlot(rows, columns, quay.CarrierHz)
	slot.BandwidthHz = quay.BandwidthHz
	for k, u := range scene.Users {
		slot.Users = append(slot.Users, User{ID: u.ID, RateBps: snapshot.RateBps[k], NoiseW: snapshot.NoiseW[k]})
		slot.Channel.Samples = append(slot.Channel.Samples, snapshot.Channel[k]...)
	}
	return slot
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

// Beams held 30 dB under their peak in a cone have many peaks alike in it, on its
// edge too, closer than those of free beams: none is above the limit. A grid finds
// what the search leaves out.
func TestProtectedConeAgainstFineGrid(t *testing.T) {
	towards := channel.DirectionOf(quay.Mast.Local(quay.ControlRoom))
	const widthDeg, limitW = 10, 2.8e-4
	for _, tc := range []struct {
		seed          int64
		rows, columns int
	}{{1, 8, 8}, {2, 4, 8}, {3, 4, 8}} {
		slot := shiftSlot(tc.seed, 0, tc.rows, tc.columns)
		slot.Options.Weights = WeightsF64
		slot.Limits.ProtectedDirections = []ProtectedDirection{{towards.AzimuthDeg, towards.ElevationDeg, widthDeg, limitW}}
		plan := NewEngine().Schedule(t.Context(), slot)
		if plan.Status != StatusMet {
			t.Errorf("seed %d: %v", tc.seed, plan.Status)
		}
		f, c := farFieldOf(slot), newCone(towards, widthDeg)
		row := make([]complex128, slot.Channel.Antennas)
		for g := range plan.Groups {
			var w []complex128
			for i := range plan.Groups[g].Allocations {
				w = append(w, plan.Groups[g].Allocations[i].Weights...)
			}
			for ring := range 41 {
				off := widthDeg / 2 * float64(ring) / 40
				for turn := 0.0; turn < 360; turn++ {
					if p := f.peakAt(w, row, c, off, turn); p.eirpW > limitW*(1+1e-9) {
						t.Errorf("seed %d, group %d, %g deg off the axis, turned by %g: %g W above %g", tc.seed, g, off, turn, p.eirpW, limitW)
					}
				}
			}
		}
	}
}

// The largest EIRP of 16 beams of a panel, as in every plan with a geometry.
func BenchmarkPeakEIRP(b *testing.B) {
	for _, side := range []int{8, 16} {
		slot := planarSlot(side, side, 3.5e9)
		m := side * side
		rng := rand.New(rand.NewPCG(1, 2))
		f := farFieldOf(slot)
		w := make([]complex128, 16*m)
		for j := range 16 {
			f.row(w[m*j:m*(j+1)], channel.Direction{AzimuthDeg: 100 * (rng.Float64() - 0.5), ElevationDeg: 20 * (rng.Float64() - 0.5)})
		}
		b.Run(fmt.Sprintf("M=%d/first of a slot", m), func(b *testing.B) {
			for range b.N {
				farFieldOf(slot).peakEIRP(w)
			}
		})
		b.Run(fmt.Sprintf("M=%d/other groups", m), func(b *testing.B) {
			for range b.N {
				f.peakEIRP(w)
			}
		})
	}
}

// Waves at antennas that share coordinates are those of package channel, and a
// survey by differences of positions, or without where there are too many, finds
// the EIRP that the antennas themselves have.
func TestSurvey(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	scattered := planarSlot(3, 4, 2e9)
	for m := range scattered.Array.PositionsM {
		for i := range 3 {
			scattered.Array.PositionsM[m][i] = rng.Float64()
		}
	}
	ring := planarSlot(1, 12, 2e9)
	for m := range ring.Array.PositionsM {
		s, c := math.Sincos(2 * math.Pi * float64(m) / 12)
		ring.Array.PositionsM[m] = [3]float64{0.3 * c, 0.3 * s, 0}
	}
	for name, slot := range map[string]*Slot{"panel": planarSlot(3, 5, 2e9), "one": planarSlot(1, 1, 2e9), "line": planarSlot(1, 7, 2e9), "scattered": scattered, "ring": ring} {
		f := farFieldOf(slot)
		f.prepare()
		if byLags := f.lags != nil; byLags != (name != "scattered") {
			t.Errorf("%s: surveyed by differences: %v", name, byLags)
		}
		m := slot.Channel.Antennas
		w, row, wave := make([]complex128, 3*m), make([]complex128, m), make([]complex128, m)
		power := 0.0
		for i := range w {
			w[i] = complex(rng.NormFloat64(), rng.NormFloat64())
			power += real(w[i])*real(w[i]) + imag(w[i])*imag(w[i])
		}
		s := f.newSurvey(w)
		for range 50 {
			d := channel.Direction{AzimuthDeg: 360*rng.Float64() - 180, ElevationDeg: 180*rng.Float64() - 90}
			f.array.Steering(wave, d, f.wavelengthM)
			f.row(row, d)
			for i := range row {
				if diff := row[i] - wave[i]*complex(f.gain, 0); math.Hypot(real(diff), imag(diff)) > 1e-12*f.gain {
					t.Errorf("%s: antenna %d along %v: %v, want %v", name, i, d, row[i], wave[i]*complex(f.gain, 0))
				}
			}
			f.surveyRow(s.row, d.Unit(), f.amplitude(d))
			if got, want := s.eirp(s.row), f.eirp(w, row, d); math.Abs(got-want) > 1e-4*lagTurns*power*float64(m)*f.gain*f.gain+1e-9*want {
				t.Errorf("%s: %v: %g W surveyed, %g", name, d, got, want)
			}
		}
	}
}
