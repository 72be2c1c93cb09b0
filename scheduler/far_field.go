package scheduler

import (
	"leastwatt/channel"
	"leastwatt/scheduler/eirp"
)

// elements are the patterns of one antenna by name.
var elements = map[string]eirp.Element{
	"":               eirp.Isotropic,
	PatternIsotropic: eirp.Isotropic,
	PatternSector65:  eirp.Sector65,
}

// newFarField returns the far field of some of a slot's antennas, nil where it has no
// geometry.
func newFarField(s *Slot, antennas []int) *eirp.Field {
	if s.Array == nil || s.CarrierHz == 0 || len(antennas) == 0 {
		return nil
	}
	var positions [][3]float64
	for _, m := range antennas {
		positions = append(positions, s.Array.PositionsM[m])
	}
	return eirp.New(positions, channel.WavelengthM(s.CarrierHz), s.Array.ElementGainDBi, elements[s.Array.ElementPattern])
}

// eirpWork bounds a search for the peaks of EIRP by the time that is left; when there
// is none, to what is soon done.
func (v *View) eirpWork() eirp.Work {
	if v.crude || v.late() {
		cells := max(1, hurriedCells/(1+len(v.slot.Limits.ProtectedDirections)))
		return eirp.Work{Cells: cells, Stop: func() bool {
			v.clock.check()
			return false
		}}
	}
	return eirp.Work{Stop: v.late}
}

const (
	hurriedCells = 256  // of searches for the peaks of all limits once time is up
	peakAccuracy = 1e-6 // of the largest EIRP reported
)

// peakEIRP returns the largest EIRP of beams, [beam][antenna], in any direction, in W.
// It reports false where time was too short to be sure of it.
func (v *View) peakEIRP(w []complex128) (float64, bool) {
	boundW, found := v.far.Beams(w, v.eirpWork()).Most(v.far.Sphere(), 0)
	return found.EIRPW, boundW <= found.EIRPW*(1+peakAccuracy)
}
