package audit

import (
	"fmt"
	"math"
	"slices"

	"leastwatt/scheduler"
)

// The far field of a group, with p_m the position of antenna m, u a unit vector,
// lambda the wavelength of the carrier and g the gain of one antenna along u:
//
//	EIRP(u) = g(u) sum over j, f of |sum over m of w_j,f,m exp(+i 2 pi p_m.u / lambda)|^2
//
// An antenna that is closer to the receiver leads in phase.

const (
	// eirpTolerance is the largest relative difference of EIRP that counts as
	// agreement: both sides search for the peak.
	eirpTolerance = 1e-6
	// limitTolerance is the largest relative excess over a limit on EIRP that
	// counts as rounding.
	limitTolerance = 1e-7

	speedOfLightMps = 299792458

	// lineWavelengths is how far off a line an array still counts as one.
	lineWavelengths = 1e-9
)

// aerial is the geometry of a slot's antennas.
type aerial struct {
	element   element
	positions []vector  // over the wavelength, from the middle of the array
	radii     []float64 // their lengths
	longest   vector    // unit vector along which the array is about longest
	line      bool      // nothing is across that
}

func newAerial(slot *scheduler.Slot) *aerial {
	a := &aerial{element: element{
		gain:   math.Pow(10, slot.Array.ElementGainDBi/10),
		sector: slot.Array.ElementPattern == scheduler.PatternSector65,
	}}
	lo, hi := vector{math.Inf(1), math.Inf(1), math.Inf(1)}, vector{math.Inf(-1), math.Inf(-1), math.Inf(-1)}
	for _, p := range slot.Array.PositionsM {
		x := vector{}.plus(slot.CarrierHz/speedOfLightMps, p)
		a.positions = append(a.positions, x)
		for i := range x {
			lo[i], hi[i] = min(lo[i], x[i]), max(hi[i], x[i])
		}
	}
	middle := vector{}.plus(0.5, lo).plus(0.5, hi)
	farthest := 0
	for m := range a.positions {
		a.positions[m] = a.positions[m].plus(-1, middle)
		a.radii = append(a.radii, a.positions[m].norm())
		if a.radii[m] > a.radii[farthest] {
			farthest = m
		}
	}
	a.longest = vector{0, 0, 1}
	if a.radii[farthest] > 0 {
		a.longest = a.positions[farthest].unit()
	}
	_, across := a.extent(a.longest)
	a.line = across < lineWavelengths
	return a
}

// extent returns how far antennas are from the middle of the array, and from the axis
// through it, at most, in wavelengths.
func (a *aerial) extent(axis vector) (far, across float64) {
	for m, x := range a.positions {
		far, across = max(far, a.radii[m]), max(across, axis.cross(x).norm())
	}
	return far, across
}

// everywhere is the whole sphere.
func (a *aerial) everywhere() region {
	return region{newFrame(a.longest), 0, math.Pi, !a.line || a.element.sector}
}

// cone is what is within half an angle of an axis. A line of isotropic antennas has the
// same EIRP all about it: of its cones only the angles to the line count.
func (a *aerial) cone(axis vector, halfRad float64) region {
	if halfRad >= math.Pi {
		return a.everywhere()
	}
	if a.line && !a.element.sector {
		off := math.Atan2(a.longest.cross(axis).norm(), a.longest.dot(axis))
		return region{newFrame(a.longest), max(0, off-halfRad), min(math.Pi, off+halfRad), false}
	}
	return region{newFrame(axis), 0, halfRad, true}
}

// FarField is the far field of a slot's array, by the formula above.
type FarField struct{ array *aerial }

// NewFarField returns the far field of a slot with a carrier; nil where it has no
// array.
func NewFarField(slot *scheduler.Slot) *FarField {
	if slot.Array == nil {
		return nil
	}
	return &FarField{newAerial(slot)}
}

// EIRPW returns the EIRP in W of weights, [subband][antenna] of one beam after the
// other, along a direction. O(weights).
func (f *FarField) EIRPW(weights []complex128, azimuthDeg, elevationDeg float64) float64 {
	return f.array.eirp(slices.Collect(slices.Chunk(weights, len(f.array.positions))), towards(azimuthDeg, elevationDeg))
}

// eirp returns the EIRP in W of beams along u.
func (a *aerial) eirp(beams [][]complex128, u vector) float64 {
	fields := make([]complex128, len(beams))
	for m, x := range a.positions {
		im, re := math.Sincos(2 * math.Pi * x.dot(u))
		wave := complex(re, im)
		for b, w := range beams {
			fields[b] += w[m] * wave
		}
	}
	return a.element.gainAt(u) * squares(fields)
}

// beamsOf returns beams whose EIRP is that of a group everywhere: those of its users
// on each subband or, where these are more than the antennas, as many others of the
// same sum of w w^H.
func beamsOf(group *scheduler.Group, antennas int) [][]complex128 {
	var beams [][]complex128
	for i := range group.Allocations {
		for w := range slices.Chunk(group.Allocations[i].Weights, antennas) {
			if squares(w) > 0 {
				beams = append(beams, w)
			}
		}
	}
	if len(beams) <= antennas {
		return beams
	}
	l := make(factor, antennas)
	for m := range l {
		l[m] = make([]complex128, antennas-m)
	}
	for _, w := range beams {
		l.add(1, w)
	}
	out := make([][]complex128, antennas)
	for m, column := range l {
		out[m] = append(make([]complex128, m, antennas), column...)
	}
	return out
}

// eirp audits the largest EIRP of the plan and the limits on it.
func (a *auditor) eirp() {
	slot, claimed := a.slot, a.plan.PeakEIRPW
	if slot.Array == nil {
		if claimed != nil {
			a.find("peakEirpW", "claimed of an array that is not known", *claimed, 0)
		}
		return
	}
	array := newAerial(slot)
	var groups [][][]complex128
	for g := range a.plan.Groups {
		groups = append(groups, beamsOf(&a.plan.Groups[g], slot.Channel.Antennas))
	}
	// largest searches a region for the largest EIRP of any group.
	largest := func(r region, limitW float64) (f found) {
		for _, beams := range groups {
			s := search{ctx: a.ctx, array: array, beams: beams, region: r, limitW: max(limitW, f.eirpW), work: min(a.work, mostSearchWork)}
			a.work -= s.work
			one := s.run()
			a.work += max(0, s.work)
			f.eirpW, f.boundW = max(f.eirpW, one.eirpW), max(f.boundW, one.boundW)
		}
		return f
	}
	limit := func(path string, limitW float64, f found) {
		switch {
		case !(f.eirpW <= limitW*(1+limitTolerance)):
			a.over("groups", "EIRP above "+path, limitW, f.eirpW)
		case !f.proved(limitW):
			a.over("groups", "EIRP not proved to be within "+path+" in the work of an audit, only a bound", limitW, f.boundW)
		}
	}
	peak := largest(array.everywhere(), 0)
	a.result.PeakEIRPW = &peak.eirpW
	switch {
	case claimed == nil && a.plan.StoppedEarly: // before the engine was sure of it
	case claimed == nil:
		a.find("peakEirpW", "absent though the array is known", 0, peak.eirpW)
	case !(math.Abs(*claimed-peak.eirpW) <= eirpTolerance*peak.eirpW):
		a.find("peakEirpW", "largest EIRP", *claimed, peak.eirpW)
	case !peak.proved(0):
		a.find("peakEirpW", "largest EIRP not proved in the work of an audit, only a bound", *claimed, peak.boundW)
	}
	if slot.Limits.EIRPW != nil {
		limit("limits.eirpW", *slot.Limits.EIRPW, peak)
	}
	for i, d := range slot.Limits.ProtectedDirections {
		cone := array.cone(towards(d.AzimuthDeg, d.ElevationDeg), d.WidthDeg/2*math.Pi/180)
		limit(fmt.Sprintf("limits.protectedDirections[%d].eirpW", i), d.EIRPW, largest(cone, d.EIRPW))
	}
}
