package eirp

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"leastwatt/channel"
)

const carrierHz = 3.5e9

var wavelengthM = channel.WavelengthM(carrierHz)

// arrays are of many shapes: lines along other axes, panels, a cube, one antenna,
// antennas in one place, and scattered ones.
func arrays(rng *rand.Rand) map[string][][3]float64 {
	half := wavelengthM / 2
	along := func(n int, d [3]float64) (out [][3]float64) {
		for i := range n {
			out = append(out, scaled(d, float64(i)*half))
		}
		return out
	}
	scattered := make([][3]float64, 12)
	for i := range scattered {
		scattered[i] = scaled([3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}, wavelengthM)
	}
	var cube [][3]float64
	for i := range 27 {
		cube = append(cube, [3]float64{float64(i%3) * half, float64(i/3%3) * half, float64(i/9) * half})
	}
	return map[string][][3]float64{
		"line of 16": channel.Linear(16, half), "upright": along(8, [3]float64{0, 0, 1}), "slanted": along(5, [3]float64{0.6, 0.64, 0.48}),
		"2 x 8": channel.Planar(2, 8, half), "4 x 4": channel.Planar(4, 4, half), "cube": cube, "one": {{1, 2, 3}},
		"one place": {{}, {}, {}}, "scattered": scattered, "wide": channel.Planar(2, 3, 3*wavelengthM),
	}
}

func randomBeams(rng *rand.Rand, beams, antennas int) []complex128 {
	w := make([]complex128, beams*antennas)
	for i := range w {
		w[i] = complex(rng.NormFloat64(), rng.NormFloat64())
	}
	return w
}

// nulled takes from beams what they send along some directions: near them EIRP is
// many dB below its peak.
func nulled(f *Field, w []complex128, directions []channel.Direction) {
	m := f.Antennas()
	var basis [][]complex128
	for _, d := range directions {
		row := make([]complex128, m)
		f.Row(row, d)
		for _, b := range append(basis, basis...) {
			remove(row, b)
		}
		if n := norm2(row); n > 1e-9 {
			for i := range row {
				row[i] /= complex(math.Sqrt(n), 0)
			}
			basis = append(basis, row)
		}
	}
	for at := 0; at < len(w); at += m {
		for _, b := range append(basis, basis...) {
			remove(w[at:at+m], b)
		}
	}
}

func remove(w, unit []complex128) {
	var z complex128
	for i := range w {
		z += complex(real(unit[i]), -imag(unit[i])) * w[i]
	}
	for i := range w {
		w[i] -= z * unit[i]
	}
}

func norm2(w []complex128) (sum float64) {
	for _, z := range w {
		sum += abs2(z)
	}
	return sum
}

// In a cell no point is above its bound: cells of all sizes, beams with nulls in them
// among them, and the bound of small cells is close.
func TestBound(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for name, positions := range arrays(rng) {
		for _, element := range []Element{Isotropic, Sector65} {
			f := New(positions, wavelengthM, 8, element)
			bounded, worstSmall := 0, 1.0
			for range 400 {
				d := channel.Direction{AzimuthDeg: 360 * (rng.Float64() - 0.5), ElevationDeg: 180 * (rng.Float64() - 0.5)}
				if rng.IntN(8) == 0 {
					d.ElevationDeg = 90 - 20*rng.Float64()
				}
				r := f.Cone(d, 360*rng.Float64())
				w := randomBeams(rng, 1+rng.IntN(4), f.Antennas())
				size := math.Pow(10, -4*rng.Float64())
				c := cell{
					off: r.offLo + (r.offHi-r.offLo)*rng.Float64(), halfOff: size * rng.Float64(),
					turn: r.turnHi * rng.Float64(), halfTurn: size * rng.Float64(),
				}
				c.halfOff = math.Min(c.halfOff, math.Min(c.off-r.offLo, r.offHi-c.off))
				if r.turnHi == 0 {
					c.halfTurn = 0
				}
				u, _, _ := r.frame(c.off, c.turn)
				if rng.IntN(2) == 0 {
					nulled(f, w, []channel.Direction{channel.DirectionOf(u)})
				}
				b := f.Beams(w, Work{})
				reach, ok := c.reach()
				if !ok {
					continue
				}
				bounded++
				bound, _ := f.expand(w, &r, c.off, c.turn).bound(reach, b.weight, b.rounding)
				bound *= f.boresight
				most := 0.0
				for range 60 {
					o := c.off + c.halfOff*corner(rng)
					u, _, _ := r.frame(o, c.turn+c.halfTurn*corner(rng))
					most = math.Max(most, f.At(w, channel.DirectionOf(u)))
				}
				if !(most <= bound) {
					t.Fatalf("%s, element %d: %g W in a cell bounded by %g W: %+v, %+v", name, element, most, bound, c, r)
				}
				if size < 1e-3 && math.Abs(d.ElevationDeg) < 75 && math.Abs(channel.DirectionOf(u).ElevationDeg) < 75 && norm2(w) > 1e-6 && most > 1e-6*norm2(w) {
					worstSmall = math.Max(worstSmall, bound/most)
				}
			}
			if bounded < 100 {
				t.Errorf("%s: %d cells", name, bounded)
			}
			// Near the poles the azimuths within a cell, and with them the sector's gain,
			// differ whatever its size.
			if !(worstSmall < 1.3) && name != "wide" {
				t.Errorf("%s, element %d: bounds of small cells to %g times what is there", name, element, worstSmall)
			}
		}
	}
}

// corner is in [-1, 1], often at an end.
func corner(rng *rand.Rand) float64 {
	if rng.IntN(2) == 0 {
		return float64(2*rng.IntN(2) - 1)
	}
	return 2*rng.Float64() - 1
}

// The proved maximum over a cone, or the sphere, is no less than EIRP on a fine grid
// with random points, and is found to 1e-6; none is above a limit it proves. Among
// the beams are some with nulls in the cone.
func TestMost(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for name, positions := range arrays(rng) {
		for _, element := range []Element{Isotropic, Sector65} {
			f := New(positions, wavelengthM, 8, element)
			for i := range 6 {
				axis := channel.Direction{AzimuthDeg: 60 * rng.NormFloat64(), ElevationDeg: 30 * rng.NormFloat64()}
				widthDeg := []float64{1, 10, 60, 360}[rng.IntN(4)]
				w := randomBeams(rng, 1+rng.IntN(5), f.Antennas())
				if i%2 == 1 {
					nulled(f, w, []channel.Direction{axis, {AzimuthDeg: axis.AzimuthDeg + widthDeg/4, ElevationDeg: axis.ElevationDeg}})
				}
				if norm2(w) < 1e-20 || f.Beams(w, Work{}).amplitude < 1e-9 || name == "one place" && i%2 == 1 {
					continue // so few antennas are nulled out
				}
				r := f.Cone(axis, widthDeg)
				bound, found := f.Beams(w, Work{}).Most(r, 0)
				grid := gridMost(f, w, axis, widthDeg, rng)
				what := fmt.Sprintf("%s, element %d, %+v, %g degrees", name, element, axis, widthDeg)
				if !(grid <= bound*(1+1e-12)) {
					t.Errorf("%s: %g W on the grid, bound %g", what, grid, bound)
				}
				if !(found.EIRPW >= bound*(1-1e-6)) && element == Isotropic {
					t.Errorf("%s: bound %g W, found %g", what, bound, found.EIRPW)
				}
				if at := f.At(w, found.Direction); math.Abs(at/found.EIRPW-1) > 1e-9 || math.IsNaN(at) {
					t.Errorf("%s: %g W where %g was found", what, at, found.EIRPW)
				}
				if peaks, proved := f.Beams(w, Work{}).Above(r, bound*1.001); len(peaks) > 0 || !proved {
					t.Errorf("%s: %v above the maximum, proved %t", what, peaks, proved)
				}
				if peaks, _ := f.Beams(w, Work{}).Above(r, found.EIRPW*0.999); len(peaks) == 0 {
					t.Errorf("%s: nothing above what is below the maximum", what)
				}
			}
		}
	}
}

// gridMost is the largest EIRP on a grid in a cone and at random points of it, its
// edge included.
func gridMost(f *Field, w []complex128, axis channel.Direction, widthDeg float64, rng *rand.Rand) float64 {
	most := 0.0
	r := about(axis.Unit())
	at := func(off, turn float64) {
		u, _, _ := r.frame(off, turn)
		most = math.Max(most, f.At(w, channel.DirectionOf(u)))
	}
	half := widthDeg / 2 * math.Pi / 180
	const rings, turns = 40, 90
	for i := range rings + 1 {
		for j := range turns {
			at(half*float64(i)/rings, 2*math.Pi*float64(j)/turns)
		}
	}
	for range 400 {
		at(half*math.Sqrt(rng.Float64()), 2*math.Pi*rng.Float64())
		at(half, 2*math.Pi*rng.Float64())
	}
	return most
}

// Work that ends early proves less, but what it says is true.
func TestWorkEnds(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	f := New(channel.Planar(8, 8, wavelengthM/2), wavelengthM, 8, Sector65)
	w := randomBeams(rng, 8, 64)
	most, _ := f.Beams(w, Work{}).Most(f.Sphere(), 0)
	last := math.Inf(1)
	for _, cells := range []int{1, 100, 10000} {
		bound, _ := f.Beams(w, Work{Cells: cells}).Most(f.Sphere(), 0)
		if !(bound >= most*(1-1e-6)) || bound > last {
			t.Errorf("%d cells: bound %g W after %g, the maximum is %g", cells, bound, last, most)
		}
		last = bound
	}
	stopped := 0
	bound, _ := f.Beams(w, Work{Stop: func() bool { stopped++; return true }}).Most(f.Sphere(), 0)
	if !(bound >= most) || stopped == 0 {
		t.Errorf("stopped at once: bound %g, the maximum is %g", bound, most)
	}
	if peaks, proved := f.Beams(w, Work{Cells: 1}).Above(f.Sphere(), most*1.1); proved || len(peaks) > 0 {
		t.Errorf("one cell proves a limit")
	}
}

// One beam on boresight from 64 antennas of 8 dBi at 200 W: EIRP = 200 W * 64 *
// 10^0.8 = 80,762 W, 79.07 dBm (array gain 10 log10 N: common practice, no source).
func TestMostOfOneBeam(t *testing.T) {
	f := New(channel.Planar(8, 8, wavelengthM/2), wavelengthM, 8, Sector65)
	w := make([]complex128, 64)
	for i := range w {
		w[i] = complex(math.Sqrt(200.0/64), 0)
	}
	want := 200 * 64 * math.Pow(10, 0.8)
	if bound, found := f.Beams(w, Work{}).Most(f.Sphere(), 0); math.Abs(bound/want-1) > 1e-6 || math.Abs(found.EIRPW/want-1) > 1e-9 {
		t.Errorf("%g W, found %g, want %g", bound, found.EIRPW, want)
	}
}

// Rows are the waves of package channel, but for one phase of all antennas.
func TestRow(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for name, positions := range arrays(rng) {
		f := New(positions, wavelengthM, 6, Sector65)
		a := channel.Array{PositionsM: positions, Pattern: channel.Sector65}
		row, wave := make([]complex128, len(positions)), make([]complex128, len(positions))
		for range 50 {
			d := channel.Direction{AzimuthDeg: 360*rng.Float64() - 180, ElevationDeg: 180*rng.Float64() - 90}
			f.Row(row, d)
			a.Steering(wave, d, wavelengthM)
			for i := range row {
				// 6 dBi in place of the 8 of channel.Sector65.
				got, want := row[i]*cmplx.Conj(row[0]), wave[i]*cmplx.Conj(wave[0])*complex(math.Pow(10, -0.2), 0)
				if !(cmplx.Abs(got-want) <= 1e-11*cmplx.Abs(want)) {
					t.Fatalf("%s, antenna %d along %v: %v, want %v", name, i, d, got, want)
				}
			}
		}
	}
}

// The largest EIRP of 16 beams of a panel, as in every plan with a geometry, and the
// proof of a limit in a cone held 30 dB under it.
func BenchmarkSearch(b *testing.B) {
	for _, side := range []int{4, 8, 16} {
		f := New(channel.Planar(side, side, wavelengthM/2), wavelengthM, 8, Sector65)
		m := side * side
		rng := rand.New(rand.NewPCG(1, 2))
		w := make([]complex128, 16*m)
		for j := range 16 {
			f.Row(w[m*j:m*(j+1)], channel.Direction{AzimuthDeg: 100 * (rng.Float64() - 0.5), ElevationDeg: 20 * (rng.Float64() - 0.5)})
		}
		most, _ := f.Beams(w, Work{}).Most(f.Sphere(), 0)
		run := func(name string, r Region, limit func() float64) {
			b.Run(fmt.Sprintf("M=%d/%s", m, name), func(b *testing.B) {
				left := 0
				for range b.N {
					s := f.Beams(w, Work{}).newSearch(&r, limit()/f.boresight)
					for s.next() {
						if peaks := s.above(); len(peaks) > 0 {
							s.level = math.Max(s.level, peaks[0].EIRPW/f.boresight*(1+relativePeakUp))
						}
					}
					left = s.left
				}
				b.ReportMetric(float64(DefaultCells-left), "cells")
			})
		}
		run("most", f.Sphere(), func() float64 { return 0 })
		run("limit", f.Sphere(), func() float64 { return most * 1.001 })
		cone := f.Cone(channel.Direction{AzimuthDeg: 20}, 20)
		nulled(f, w, []channel.Direction{{AzimuthDeg: 20}, {AzimuthDeg: 26}, {AzimuthDeg: 14}, {AzimuthDeg: 20, ElevationDeg: 6}, {AzimuthDeg: 20, ElevationDeg: -6}})
		run("nulls", cone, func() float64 { return 0 })
	}
}
