package eirp

import (
	"math"

	"leastwatt/channel"
	"leastwatt/optim"
)

// Element is the pattern of one antenna.
type Element int

const (
	// Isotropic is the same in all directions.
	Isotropic Element = iota
	// Sector65 is that of TR 38.901 table 7.3-1, see channel.Sector65.
	Sector65
)

// sectorFalloff is c of g = exp(-c (az^2 + el^2)), angles in radians: 12 dB at 65
// degrees off boresight, each way.
var sectorFalloff = 1.2 * math.Ln10 * math.Pow(180/(65*math.Pi), 2)

// sectorFloor is the gain of Sector65 at the sides and behind, over boresight's.
const sectorFloor = 1e-3

// Field is the far field of an array. It holds scratch, so that it must not be
// shared between goroutines.
type Field struct {
	element   Element
	boresight float64      // power gain of one antenna
	radians   [][3]float64 // [antenna] position times 2 pi / lambda, about the array's middle
	waves     waves
	lineAxis  [3]float64 // of antennas on a line, of unit length
	isLine    bool
	expansion expansion
	row       []complex128
}

// New returns the far field of antennas at positions in m, x, y, z each.
func New(positionsM [][3]float64, wavelengthM, gainDBi float64, element Element) *Field {
	f := &Field{element: element, boresight: math.Pow(10, gainDBi/10)}
	var lo, hi [3]float64
	for i := range 3 {
		lo[i], hi[i] = math.Inf(1), math.Inf(-1)
		for _, p := range positionsM {
			lo[i], hi[i] = math.Min(lo[i], p[i]), math.Max(hi[i], p[i])
		}
	}
	for _, p := range positionsM {
		var r [3]float64
		for i := range r {
			r[i] = (p[i] - (lo[i]/2 + hi[i]/2)) * 2 * math.Pi / wavelengthM
		}
		f.radians = append(f.radians, r)
	}
	f.waves = newWaves(f.radians)
	f.findLine()
	f.row = make([]complex128, len(positionsM))
	f.expansion.init(len(positionsM))
	return f
}

// lineWidth is how far off a line, in radians of phase, antennas may be that are
// taken to lie on it.
const lineWidth = 1e-9

// findLine tells whether all antennas lie on one line.
func (f *Field) findLine() {
	longest := 0.0
	for _, p := range f.radians {
		for _, q := range f.radians[:1] {
			d := sub(p, q)
			if l := norm(d); l > longest {
				longest, f.lineAxis = l, scaled(d, 1/l)
			}
		}
	}
	if longest == 0 {
		f.lineAxis = [3]float64{0, 0, 1} // one antenna, or all in one place
	}
	f.isLine = true
	for _, p := range f.radians {
		d := sub(p, f.radians[0])
		f.isLine = f.isLine && norm(sub(d, scaled(f.lineAxis, dot(d, f.lineAxis)))) <= lineWidth
	}
}

// Antennas returns the number of antennas.
func (f *Field) Antennas() int { return len(f.radians) }

// Row fills dst with the row a of which |a^H w|^2 is the EIRP of weights w along d,
// in W.
func (f *Field) Row(dst []complex128, d channel.Direction) {
	f.waves.along(dst, d.Unit(), math.Sqrt(f.gain(d)))
}

// At returns the EIRP in W of beams, [beam][antenna], along d.
func (f *Field) At(w []complex128, d channel.Direction) float64 {
	f.Row(f.row, d)
	return Received(f.row, w)
}

// gain returns the power gain of one antenna along d.
func (f *Field) gain(d channel.Direction) float64 {
	if f.element == Isotropic {
		return f.boresight
	}
	return f.boresight * math.Pow(10, (channel.Sector65(d)-channel.Sector65(channel.Direction{}))/10)
}

// Received returns the power sum |a^H w|^2 of beams, [beam][antenna], along a row a.
func Received(row, w []complex128) float64 {
	sum := 0.0
	for at := 0; at < len(w); at += len(row) {
		z := optim.Received(row, w[at:at+len(row)])
		sum += real(z)*real(z) + imag(z)*imag(z)
	}
	return sum
}

// waves gives the phases of plane waves at antennas. Antennas of an array share
// coordinates: a panel of 8 x 8 has 16, each with one phase.
type waves struct {
	axes []waveAxis
}

// waveAxis is one axis along which antennas differ.
type waveAxis struct {
	axis    int
	radians []float64    // the distinct coordinates
	at      []int        // [antenna] place in radians
	phase   []complex128 // of the last wave
}

func newWaves(radians [][3]float64) waves {
	var w waves
	for axis := range 3 {
		a := waveAxis{axis: axis}
		place := make(map[float64]int)
		for _, p := range radians {
			at, there := place[p[axis]]
			if !there {
				at = len(a.radians)
				place[p[axis]] = at
				a.radians = append(a.radians, p[axis])
			}
			a.at = append(a.at, at)
		}
		if len(a.radians) > 1 || a.radians[0] != 0 {
			a.phase = make([]complex128, len(a.radians))
			w.axes = append(w.axes, a)
		}
	}
	return w
}

// along sets dst to amplitude exp(-j x.u).
func (w *waves) along(dst []complex128, u [3]float64, amplitude float64) {
	for m := range dst {
		dst[m] = complex(amplitude, 0)
	}
	for i := range w.axes {
		a := &w.axes[i]
		for n, r := range a.radians {
			sin, cos := math.Sincos(-r * u[a.axis])
			a.phase[n] = complex(cos, sin)
		}
		for m := range dst {
			dst[m] *= a.phase[a.at[m]]
		}
	}
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func norm(a [3]float64) float64 { return math.Sqrt(dot(a, a)) }

func sub(a, b [3]float64) [3]float64 { return [3]float64{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }

func scaled(a [3]float64, by float64) [3]float64 {
	return [3]float64{a[0] * by, a[1] * by, a[2] * by}
}

func cross(a, b [3]float64) [3]float64 {
	return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}
