package scheduler

import (
	"math"
	"testing"

	"leastwatt/channel"
	"leastwatt/channel/quay"
	"leastwatt/scheduler/eirp"
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

func farFieldOf(s *Slot) *eirp.Field {
	all := make([]int, s.Channel.Antennas)
	for m := range all {
		all[m] = m
	}
	return newFarField(s, all)
}

// turned returns the direction offDeg from an axis, turned by turnDeg about it.
func turned(axis channel.Direction, offDeg, turnDeg float64) channel.Direction {
	u := axis.Unit()
	e1 := channel.Direction{AzimuthDeg: axis.AzimuthDeg + 90}.Unit()
	e2 := channel.Direction{AzimuthDeg: axis.AzimuthDeg, ElevationDeg: axis.ElevationDeg + 90}.Unit()
	so, co := math.Sincos(offDeg * math.Pi / 180)
	st, ct := math.Sincos(turnDeg * math.Pi / 180)
	for i := range u {
		u[i] = co*u[i] + so*(ct*e1[i]+st*e2[i])
	}
	return channel.DirectionOf(u)
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
		f := farFieldOf(slot)
		for g := range plan.Groups {
			var w []complex128
			for i := range plan.Groups[g].Allocations {
				w = append(w, plan.Groups[g].Allocations[i].Weights...)
			}
			for ring := range 41 {
				off := widthDeg / 2 * float64(ring) / 40
				for turn := 0.0; turn < 360; turn++ {
					if p := f.At(w, turned(towards, off, turn)); !(p <= limitW*(1+1e-9)) {
						t.Errorf("seed %d, group %d, %g deg off the axis, turned by %g: %g W above %g", tc.seed, g, off, turn, p, limitW)
					}
				}
			}
		}
	}
}
