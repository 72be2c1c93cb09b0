package eirp

import (
	"math"

	"leastwatt/channel"
	"leastwatt/optim"
)

// expansion is the field of beams about a direction u0, to second order along the
// great circles through it.
//
//	f(s, t) = f0 + s f_t + s^2/2 f_tt + ...,  t = cos(theta) e1 + sin(theta) e2,
//
// e1 along off and e2 along turn. With phases p0 = x.u0, p1 = x.e1, p2 = x.e2 the
// phase at a distance s is p0 cos(s) + p_t sin(s).
type expansion struct {
	column     [6][]complex128 // conjugated: f0, f_1, f_2, f_11, f_12, f_22
	p0, p1, p2 []float64

	power    float64      // sum |f0|^2
	gradient [2]float64   // of it, by e1 and e2
	hessian  [3]float64   // 11, 12, 22
	norm     [6]float64   // of the columns' fields over beams
	gain     elementLocal // of one antenna
	unit     [3]float64   // u0
	off      float64      // where, in the region's coordinates
	turn     float64
}

// elementLocal is log g = -c (az^2 + el^2) about a direction.
type elementLocal struct {
	gain     float64    // g0 over boresight's, of the quadratic itself, without floor
	slope    [2]float64 // of log g by e1 and e2
	az, el   float64
	sinE     float64
	cosE     float64
	isFloor  bool // the floor is higher here
	constant bool // isotropic
}

func (x *expansion) init(antennas int) {
	for i := range x.column {
		x.column[i] = make([]complex128, antennas)
	}
	x.p0, x.p1, x.p2 = make([]float64, antennas), make([]float64, antennas), make([]float64, antennas)
}

// expand finds the expansion of beams w about a direction of a region.
// O(beams antennas).
func (f *Field) expand(w []complex128, r *Region, off, turn float64) *expansion {
	x := &f.expansion
	u, e1, e2 := r.frame(off, turn)
	x.unit, x.off, x.turn = u, off, turn
	f.waves.along(x.column[0], u, 1)
	for m, p := range f.radians {
		p0, p1, p2 := dot(p, u), dot(p, e1), dot(p, e2)
		x.p0[m], x.p1[m], x.p2[m] = p0, p1, p2
		z := x.column[0][m]
		re, im := real(z), imag(z)
		x.column[1][m] = complex(im*p1, -re*p1) // -j p1 z
		x.column[2][m] = complex(im*p2, -re*p2)
		x.column[3][m] = complex(-re*p1*p1-im*p0, -im*p1*p1+re*p0) // (-p1^2 + j p0) z
		x.column[4][m] = complex(-re*p1*p2, -im*p1*p2)
		x.column[5][m] = complex(-re*p2*p2-im*p0, -im*p2*p2+re*p0)
	}
	x.power, x.gradient, x.hessian, x.norm = 0, [2]float64{}, [3]float64{}, [6]float64{}
	antennas := len(f.radians)
	for at := 0; at < len(w); at += antennas {
		var z [6]complex128
		for i := range z {
			z[i] = optim.Received(x.column[i], w[at:at+antennas])
			x.norm[i] += abs2(z[i])
		}
		x.power += abs2(z[0])
		x.gradient[0] += 2 * inner(z[0], z[1])
		x.gradient[1] += 2 * inner(z[0], z[2])
		x.hessian[0] += 2 * (abs2(z[1]) + inner(z[0], z[3]))
		x.hessian[1] += 2 * (inner(z[1], z[2]) + inner(z[0], z[4]))
		x.hessian[2] += 2 * (abs2(z[2]) + inner(z[0], z[5]))
	}
	for i, n := range x.norm {
		x.norm[i] = math.Sqrt(n)
	}
	x.gain = f.localGain(u, e1, e2)
	return x
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// inner returns Re conj(a) b.
func inner(a, b complex128) float64 { return real(a)*real(b) + imag(a)*imag(b) }

// localGain returns the gain of one antenna about u.
func (f *Field) localGain(u, e1, e2 [3]float64) elementLocal {
	if f.element == Isotropic {
		return elementLocal{gain: 1, constant: true}
	}
	l := elementLocal{sinE: u[2], cosE: math.Hypot(u[0], u[1])}
	l.az, l.el = math.Atan2(u[1], u[0]), math.Atan2(u[2], l.cosE)
	l.gain = math.Exp(-sectorFalloff * (l.az*l.az + l.el*l.el))
	l.isFloor = l.gain < sectorFloor
	if l.cosE > 0 {
		sinA, cosA := math.Sincos(l.az)
		for i, e := range [][3]float64{e1, e2} {
			elBy := e[2] / l.cosE
			azBy := (cosA*e[1] - sinA*e[0]) / l.cosE
			l.slope[i] = -2 * sectorFalloff * (l.el*elBy + l.az*azBy)
		}
	}
	return l
}

// eirp returns the EIRP at the centre, in W for a boresight gain of 1.
func (x *expansion) eirp() float64 {
	if x.gain.isFloor {
		return x.power * sectorFloor
	}
	return x.power * x.gain.gain
}

// ascent returns gradient and Hessian of the EIRP over the gain at the centre, the
// gain's slopes included; its curvature is left out where it is small beside the
// field's.
func (x *expansion) ascent() (gradient [2]float64, hessian [3]float64) {
	gradient, hessian = x.gradient, x.hessian
	if x.gain.constant || x.gain.isFloor {
		return gradient, hessian
	}
	s := x.gain.slope
	hessian[0] += 2*s[0]*gradient[0] + x.power*(s[0]*s[0]-2*sectorFalloff)
	hessian[1] += s[0]*gradient[1] + s[1]*gradient[0] + x.power*s[0]*s[1]
	hessian[2] += 2*s[1]*gradient[1] + x.power*(s[1]*s[1]-2*sectorFalloff)
	gradient[0] += x.power * s[0]
	gradient[1] += x.power * s[1]
	return gradient, hessian
}

// direction returns that of the centre.
func (x *expansion) direction() channel.Direction { return channel.DirectionOf(x.unit) }
