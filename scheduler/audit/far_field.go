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

	gridWavelengths  = 0.2 // between directions of the grid, over the array's extent, in rad
	finestGridRad    = 0.4 * math.Pi / 180
	coarsestGridRad  = 6 * math.Pi / 180
	leastGrid        = 400 // directions, in a cone of any width
	alikeWavelengths = 0.3
	worthRefining    = 0.5  // of the largest EIRP of the grid
	mostRefined      = 60   // peaks
	refineToRad      = 1e-7 // EIRP is flat at its peak
)

type vector [3]float64

func (a vector) dot(b vector) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func (a vector) cross(b vector) vector {
	return vector{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// plus returns a + t b.
func (a vector) plus(t float64, b vector) vector {
	return vector{a[0] + t*b[0], a[1] + t*b[1], a[2] + t*b[2]}
}

// times returns t a.
func (a vector) times(t float64) vector { return vector{t * a[0], t * a[1], t * a[2]} }

func (a vector) unit() vector { return a.times(1 / math.Sqrt(a.dot(a))) }

// towards returns the unit vector of an azimuth from +x to +y and an elevation
// from there to +z.
func towards(azimuthDeg, elevationDeg float64) vector {
	a, e := azimuthDeg*math.Pi/180, elevationDeg*math.Pi/180
	return vector{math.Cos(e) * math.Cos(a), math.Cos(e) * math.Sin(a), math.Sin(e)}
}

// tangents returns two unit vectors that stand upright on u and on each other.
func (a vector) tangents() (vector, vector) {
	least := vector{1, 0, 0}
	if math.Abs(a[0]) > 0.6 {
		least = vector{0, 1, 0}
	}
	s := a.cross(least).unit()
	return s, a.cross(s)
}

// region is a cone of directions about an axis, to halfRad off it.
type region struct {
	axis    vector
	halfRad float64
}

// within returns u, or the closest direction of the region.
func (r *region) within(u vector) vector {
	along := u.dot(r.axis)
	if along >= math.Cos(r.halfRad) {
		return u
	}
	off := u.plus(-along, r.axis)
	if off.dot(off) == 0 {
		off, _ = r.axis.tangents()
	}
	return r.axis.times(math.Cos(r.halfRad)).plus(math.Sin(r.halfRad), off.unit())
}

// aerial is the geometry of a slot's antennas.
type aerial struct {
	axes    [3]axis // positions over the wavelength, by coordinate
	gain    float64 // of one antenna on boresight
	sector  bool
	size    vector  // in wavelengths
	stepRad float64 // of the grid
	waves   []complex128
}

// axis holds the coordinates that antennas have along it, each once: those of a
// panel share them, and so the phases of a wave.
type axis struct {
	coordinates []float64
	of          []int // [antenna]
	phases      []complex128
}

func newAxis(positions []vector, i int) axis {
	var a axis
	for _, p := range positions {
		at := slices.Index(a.coordinates, p[i])
		if at < 0 {
			at = len(a.coordinates)
			a.coordinates = append(a.coordinates, p[i])
		}
		a.of = append(a.of, at)
	}
	a.phases = make([]complex128, len(a.coordinates))
	return a
}

func newAerial(slot *scheduler.Slot) *aerial {
	const speedOfLightMps = 299792458
	a := &aerial{
		gain:   math.Pow(10, slot.Array.ElementGainDBi/10),
		sector: slot.Array.ElementPattern == scheduler.PatternSector65,
	}
	var positions []vector
	lo, hi := vector{}, vector{}
	for m, p := range slot.Array.PositionsM {
		v := vector(p).times(slot.CarrierHz / speedOfLightMps)
		positions = append(positions, v)
		for i, x := range v {
			if m == 0 {
				lo[i], hi[i] = x, x
			}
			lo[i], hi[i] = min(lo[i], x), max(hi[i], x)
		}
	}
	for i := range a.axes {
		a.axes[i] = newAxis(positions, i)
	}
	a.waves = make([]complex128, len(positions))
	a.size = hi.plus(-1, lo)
	extent := math.Sqrt(a.size.dot(a.size))
	a.stepRad = max(finestGridRad, min(coarsestGridRad, gridWavelengths/extent))
	return a
}

// phases bounds how far, in wavelengths, the phases of two antennas come apart
// between directions that differ by d.
func (a *aerial) phases(d vector) float64 {
	return a.size[0]*math.Abs(d[0]) + a.size[1]*math.Abs(d[1]) + a.size[2]*math.Abs(d[2])
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
// other, along a direction. Not for several goroutines. O(weights).
func (f *FarField) EIRPW(weights []complex128, azimuthDeg, elevationDeg float64) float64 {
	return f.array.eirp(weights, towards(azimuthDeg, elevationDeg))
}

// elementGain returns the gain of one antenna along u. The sector is that of TR
// 38.901 table 7.3-1: each cut falls as 12 (angle/65)^2 dB, both together by at
// most 30 dB.
func (a *aerial) elementGain(u vector) float64 {
	if !a.sector {
		return a.gain
	}
	azimuth := math.Atan2(u[1], u[0]) * 180 / math.Pi
	elevation := math.Asin(max(-1, min(1, u[2]))) * 180 / math.Pi
	down := min(30, 12*azimuth*azimuth/65/65) + min(30, 12*elevation*elevation/65/65)
	return a.gain * math.Pow(10, -min(30, down)/10)
}

// eirp returns the EIRP in W of weights, one beam after the other, along u.
func (a *aerial) eirp(weights []complex128, u vector) float64 {
	for i := range a.axes {
		x := &a.axes[i]
		for n, at := range x.coordinates {
			im, re := math.Sincos(2 * math.Pi * at * u[i])
			x.phases[n] = complex(re, im)
		}
	}
	x, y, z := &a.axes[0], &a.axes[1], &a.axes[2]
	for m := range a.waves {
		a.waves[m] = x.phases[x.of[m]] * y.phases[y.of[m]] * z.phases[z.of[m]]
	}
	var sum float64
	for beam := range slices.Chunk(weights, len(a.waves)) {
		var field complex128
		for m, w := range beam {
			field += w * a.waves[m]
		}
		sum += real(field)*real(field) + imag(field)*imag(field)
	}
	return a.elementGain(u) * sum
}

// peak returns the largest EIRP in W of weights in a region: that of a grid on a
// spiral of equal areas, from its best directions on refined.
func (a *aerial) peak(weights []complex128, r region) float64 {
	type sample struct {
		u     vector
		eirpW float64
	}
	height := 1 - math.Cos(r.halfRad)
	n := max(leastGrid, int(math.Ceil(2*math.Pi*height/(a.stepRad*a.stepRad))))
	spacing := math.Sqrt(2 * math.Pi * height / float64(n))
	s, t := r.axis.tangents()
	goldenAngle := math.Pi * (3 - math.Sqrt(5))
	grid := make([]sample, n)
	for i := range grid {
		z := 1 - height*(float64(i)+0.5)/float64(n)
		x, y := math.Sincos(goldenAngle * float64(i))
		off := math.Sqrt(1 - z*z)
		u := r.axis.times(z).plus(off*x, s).plus(off*y, t)
		grid[i] = sample{u, a.eirp(weights, u)}
	}
	slices.SortFunc(grid, func(a, b sample) int { // by falling EIRP
		switch {
		case a.eirpW > b.eirpW:
			return -1
		case a.eirpW < b.eirpW:
			return 1
		}
		return 0
	})
	var best float64
	var tried []vector
	for _, g := range grid {
		if g.eirpW < worthRefining*grid[0].eirpW || len(tried) == mostRefined {
			break
		}
		alike := func(u vector) bool { return a.phases(u.plus(-1, g.u)) < alikeWavelengths }
		if slices.ContainsFunc(tried, alike) {
			continue // the same peak
		}
		tried = append(tried, g.u)
		best = max(best, a.climb(weights, r, g.u, g.eirpW, spacing))
	}
	return best
}

// climb returns the EIRP of the local peak uphill of u, by steps to four sides
// that are halved where none leads up.
func (a *aerial) climb(weights []complex128, r region, u vector, eirpW, step float64) float64 {
	for step > refineToRad {
		s, t := u.tangents()
		from := u
		for _, by := range []vector{s, s.times(-1), t, t.times(-1)} {
			v := r.within(from.plus(step, by).unit())
			if e := a.eirp(weights, v); e > eirpW {
				u, eirpW = v, e
			}
		}
		if u == from {
			step /= 2
		}
	}
	return eirpW
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
	largest := func(r region) float64 {
		var peakW float64
		for g := range a.plan.Groups {
			if a.ctx.Err() != nil {
				return 0
			}
			var weights []complex128
			for i := range a.plan.Groups[g].Allocations {
				weights = append(weights, a.plan.Groups[g].Allocations[i].Weights...)
			}
			peakW = max(peakW, array.peak(weights, r))
		}
		return peakW
	}
	peakW := largest(region{vector{1, 0, 0}, math.Pi})
	a.result.PeakEIRPW = &peakW
	switch {
	case claimed == nil:
		a.find("peakEirpW", "absent though the array is known", 0, peakW)
	case !(math.Abs(*claimed-peakW) <= eirpTolerance*peakW):
		a.find("peakEirpW", "largest EIRP", *claimed, peakW)
	}
	if limit := slot.Limits.EIRPW; limit != nil && !(peakW <= *limit*(1+limitTolerance)) {
		a.find("groups", "EIRP above limits.eirpW", peakW, *limit)
	}
	for i, d := range slot.Limits.ProtectedDirections {
		r := region{towards(d.AzimuthDeg, d.ElevationDeg), min(math.Pi, d.WidthDeg/2*math.Pi/180)}
		if got := largest(r); !(got <= d.EIRPW*(1+limitTolerance)) {
			a.find("groups", fmt.Sprintf("EIRP above limits.protectedDirections[%d].eirpW", i), got, d.EIRPW)
		}
	}
}
