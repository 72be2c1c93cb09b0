package audit

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"leastwatt/scheduler"
)

// someAerial draws an array: a panel, a line of even or odd steps, a heap, one point,
// of antennas that are isotropic or sectors.
func someAerial(rng *rand.Rand) *aerial {
	positions := [][][3]float64{planar(2, 4), planar(4, 4), planar(1, 9), planar(3, 1), planar(5, 5)}[rng.IntN(5)]
	turned := newFrame(vector{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}.unit())
	kind := rng.IntN(5)
	for m, p := range positions {
		switch kind {
		case 0: // odd steps
			positions[m][1] *= 1 + 0.3*rng.Float64()
		case 1: // a heap
			positions[m] = [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		case 2: // turned out of its plane
			positions[m] = vector{}.plus(p[1], turned.axis).plus(p[2], turned.side)
		case 3: // far apart
			positions[m] = [3]float64{0, 5 * p[1], 3 * p[2]}
		}
	}
	slot, _ := onAir(positions)
	if rng.IntN(2) == 0 {
		slot.Array.ElementPattern = scheduler.PatternSector65
	}
	return newAerial(slot)
}

func someBeams(rng *rand.Rand, n, antennas int) [][]complex128 {
	beams := make([][]complex128, n)
	for b := range beams {
		for range antennas {
			beams[b] = append(beams[b], complex(rng.NormFloat64(), rng.NormFloat64()))
		}
	}
	return beams
}

// someRegion draws a cone from a hundredth of a degree wide to the whole sphere.
func someRegion(rng *rand.Rand, a *aerial) region {
	half := math.Pow(10, -4+4.6*rng.Float64())
	return a.cone(towards(360*rng.Float64(), 180*rng.Float64()-90), half)
}

func newSearch(t *testing.T, a *aerial, beams [][]complex128, r region) *search {
	return &search{ctx: t.Context(), array: a, beams: beams, region: r, work: mostSearchWork}
}

// Nowhere in a cell is EIRP above its bound, for cells of all shapes and places: those
// about the pole of their coordinates, at the zenith and behind a sector, at its
// kinks. And the bound closes in on EIRP as cells shrink: by the square of their size, or
// by their size where the sector's gain is not smooth.
func TestBoundHolds(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	tight := 0
	for trial := range 2000 {
		a := someAerial(rng)
		s := newSearch(t, a, someBeams(rng, 1+rng.IntN(3), len(a.positions)), someRegion(rng, a))
		s.prepare()
		size := math.Pow(10, -5*rng.Float64())
		low, high := s.region.loRad, s.region.hiRad
		c := cell{half: point{off: size * (high - low) / 2, turn: size * math.Pi}}
		c.at.off = low + c.half.off + rng.Float64()*(high-low-2*c.half.off)
		c.at.turn = 2 * math.Pi * rng.Float64()
		if !s.region.turns {
			c.half.turn = 0
		}
		s.limitW = math.Inf(1) // nothing is given up
		s.examine(&c)
		here := s.eirpW(c.at)
		for range 40 {
			x := [2]float64{2*rng.Float64() - 1, 2*rng.Float64() - 1}
			if rng.IntN(3) == 0 {
				x[rng.IntN(2)] = float64(2*rng.IntN(2) - 1) // on an edge
			}
			p := point{c.at.off + x[0]*c.half.off, c.at.turn + x[1]*c.half.turn}
			if e := s.eirpW(p); !(e <= c.bound) {
				t.Fatalf("trial %d: %.17g W at %v of cell %+v, bound %.17g W", trial, e, x, c, c.bound)
			}
		}
		if c.bound < 1.01*here {
			tight++
		}
	}
	if tight < 800 {
		t.Errorf("%d of 2000 bounds are within 1 %%", tight)
	}
}

// Every search is proved, and nothing drawn in the region or on its edge is above what it
// found: with a limit at what it found, over it and under it.
func TestSearch(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	onEdge := 0
	for trial := range 80 {
		a := someAerial(rng)
		s := newSearch(t, a, someBeams(rng, 1+rng.IntN(4), len(a.positions)), someRegion(rng, a))
		f := s.run()
		if !f.proved(0) {
			t.Fatalf("trial %d: %g W, bound %g W", trial, f.eirpW, f.boundW)
		}
		edge := 0.0
		for i := range 4000 {
			p := point{s.region.loRad + rng.Float64()*(s.region.hiRad-s.region.loRad), 2 * math.Pi * rng.Float64()}
			if i%2 == 0 {
				p.off = s.region.hiRad
			}
			e := s.eirpW(p)
			if i%2 == 0 {
				edge = max(edge, e)
			}
			if !(e <= f.eirpW*(1+searchTolerance)) {
				t.Fatalf("trial %d: %.17g W at %v, found %.17g W", trial, e, p, f.eirpW)
			}
		}
		if edge > f.eirpW*(1-1e-3) {
			onEdge++
		}
		for _, by := range []float64{0.9, 1 - 1e-6, 1 + 1e-8, 1.1} {
			again := newSearch(t, a, s.beams, s.region)
			again.limitW = by * f.eirpW
			g := again.run()
			if !g.proved(again.limitW) || by < 1 != (g.eirpW > again.limitW) {
				t.Errorf("trial %d: %g W and bound %g W with a limit of %g W, found %g W without", trial, g.eirpW, g.boundW, again.limitW, f.eirpW)
			}
		}
	}
	if onEdge < 20 {
		t.Errorf("only %d peaks on an edge", onEdge)
	}
}

// A cone in which all but 1e-6 of what is radiated is cancelled: two beams 8 antennas wide,
// less their best fit by three waves. The search proves the rest, on the edge.
func TestSearchInNull(t *testing.T) {
	slot, _ := onAir(planar(1, 8))
	a := newAerial(slot)
	rng := rand.New(rand.NewPCG(15, 16))
	beams := someBeams(rng, 2, 8)
	var waves [][]complex128
	for _, deg := range []float64{-0.3, 0, 0.3} {
		wave := make([]complex128, 8)
		for m, x := range a.positions {
			im, re := math.Sincos(-2 * math.Pi * x.dot(towards(20+deg, 0)))
			wave[m] = complex(re, im)
		}
		waves = append(waves, wave)
	}
	for _, w := range beams { // Gram-Schmidt, in many rounds
		for range 3000 {
			for _, v := range waves {
				var z complex128
				for m := range v {
					z += conj(v[m]) * w[m]
				}
				for m := range v {
					w[m] -= z * v[m] / complex(float64(len(v)), 0)
				}
			}
		}
	}
	s := newSearch(t, a, beams, a.cone(towards(20, 0), 0.4*math.Pi/180))
	f := s.run()
	if !f.proved(0) || !(f.eirpW < 1e-6*s.inPhaseW) {
		t.Errorf("%g W of %g W, bound %g W", f.eirpW, s.inPhaseW, f.boundW)
	}
}

// All antennas in one place, and three of them a hundred wavelengths apart, whose lobes
// are 10^5 and all but alike with two beams: work and memory are bounded, and what is not
// proved is told.
func TestSearchDegenerate(t *testing.T) {
	heap, _ := onAir(make([][3]float64, 5))
	far, _ := onAir([][3]float64{{0, 0, 0}, {0, 100, 0}, {0, 3, 100}})
	farther, _ := onAir([][3]float64{{0, 0, 0}, {0, 1e9, 0}, {0, 3, 1e12}})
	rng := rand.New(rand.NewPCG(17, 18))
	for name, tc := range map[string]struct {
		slot   *scheduler.Slot
		beams  int
		proved bool
	}{
		"one place":           {heap, 3, true},
		"far, one beam":       {far, 1, true}, // in phase somewhere
		"far, two beams":      {far, 2, false},
		"beyond all measures": {farther, 2, false},
	} {
		a := newAerial(tc.slot)
		s := newSearch(t, a, someBeams(rng, tc.beams, len(a.positions)), a.everywhere())
		s.work = 1 << 24
		f := s.run()
		if f.proved(0) != tc.proved || !(f.eirpW > 0 && f.boundW >= f.eirpW && f.boundW <= s.inPhaseW) {
			t.Errorf("%s: %g W, bound %g W of %g W", name, f.eirpW, f.boundW, s.inPhaseW)
		}
	}
	// One audit of all of it is bounded too, whatever the number of cones.
	slot, plan := onAir(far.Array.PositionsM, 1, 1i, -1)
	plan.Groups[0].Allocations = append(plan.Groups[0].Allocations, scheduler.Allocation{UserID: "v", Weights: []complex128{1, 2, 3i}})
	slot.Users = append(slot.Users, scheduler.User{ID: "v", NoiseW: 1})
	slot.Channel.Samples = make([]complex128, 6)
	slot.Limits.EIRPW = number(1e3)
	for range 100 {
		slot.Limits.ProtectedDirections = append(slot.Limits.ProtectedDirections, scheduler.ProtectedDirection{WidthDeg: 300, EIRPW: 22})
	}
	a := newAuditor(t.Context(), slot, plan)
	a.work = 1 << 24
	a.eirp()
	if a.work > 0 {
		t.Errorf("%d of the work is left", a.work)
	}
	told := 0
	for _, f := range a.result.Findings {
		if strings.Contains(f.Text, "not proved") {
			told++
		}
	}
	if told < 100 {
		t.Errorf("%d findings tell that a cone is not proved", told)
	}
}

// As many beams as antennas have the far field of more of them.
func TestBeamsOf(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 20))
	slot, _ := onAir(planar(2, 2))
	a := newAerial(slot)
	for _, n := range []int{0, 1, 4, 5, 30} {
		many := someBeams(rng, n, 4)
		group := &scheduler.Group{}
		for b := 0; b < n; b += 5 {
			var al scheduler.Allocation
			for _, w := range many[b:min(b+5, n)] {
				al.Weights = append(al.Weights, w...)
			}
			group.Allocations = append(group.Allocations, al)
		}
		few := beamsOf(group, 4)
		if len(few) != min(n, 4) {
			t.Errorf("%d beams of %d", len(few), n)
		}
		for range 20 {
			u := towards(360*rng.Float64(), 180*rng.Float64()-90)
			near(t, "EIRP", a.eirp(few, u), a.eirp(many, u))
		}
	}
	// Beams that do not use an antenna, more of them than antennas.
	group := &scheduler.Group{Allocations: []scheduler.Allocation{{Weights: []complex128{0, 0, 1, 2, 0, 0, 1i, 2}}, {Weights: []complex128{0, 0, 3, 1, 0, 0, 1, 1}}, {Weights: []complex128{0, 0, 3, 1i}}}}
	near(t, "EIRP", a.eirp(beamsOf(group, 4), vector{1, 0, 0}), 9+5+16+4+10)
}

// What is not proved of the largest EIRP is told without a limit too, and of any group;
// work that is not needed is left for the next search; a search stops with its context.
func TestSearchTold(t *testing.T) {
	slot, plan := onAir([][3]float64{{0, 0, 0}, {0, 100, 0}, {0, 3, 100}}, 1, 1i, -1)
	slot.Channel.Subbands = 2
	plan.Groups[0].Allocations[0].Weights = []complex128{1, 1i, -1, 1, 2, 3i} // two beams
	quiet := scheduler.Group{Share: 0.5, Allocations: []scheduler.Allocation{{UserID: "u", Weights: make([]complex128, 6)}}}
	plan.Groups = append(plan.Groups, quiet)
	for _, claim := range []float64{0, 1} { // the first audit finds what the second claims
		a := newAuditor(t.Context(), slot, plan)
		a.work = 1 << 20
		a.eirp()
		if claim == 1 && !strings.Contains(a.result.Findings[0].Text, "not proved") {
			t.Errorf("findings %v", a.result.Findings)
		}
		plan.PeakEIRPW = a.result.PeakEIRPW
	}

	slot, plan = onAir(planar(2, 2), 1, 1, 1, 1)
	a := newAuditor(t.Context(), slot, plan)
	a.eirp()
	if spent := mostWork - a.work; !(spent > 0 && spent < 1<<22) {
		t.Errorf("%d of work spent", spent)
	}

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	s := search{ctx: ctx, array: newAerial(slot), beams: [][]complex128{{1, 2, 3, 4}}, region: newAerial(slot).everywhere(), work: mostSearchWork}
	if f := s.run(); f.proved(0) || mostSearchWork-s.work > 1<<12 {
		t.Errorf("after its context is done: %v, work %d", f, mostSearchWork-s.work)
	}
}

// A line of sectors does not send the same all about it: most ahead, 3^2 times the power of
// one antenna.
func TestSectorsOnALine(t *testing.T) {
	slot, _ := onAir(planar(3, 1))
	slot.Array.ElementPattern = scheduler.PatternSector65
	a := newAerial(slot)
	f := newSearch(t, a, [][]complex128{{1, 1, 1}}, a.everywhere()).run()
	if !f.proved(0) || math.Abs(f.eirpW/9-1) > 1e-9 {
		t.Errorf("%.12g W, bound %.12g W", f.eirpW, f.boundW)
	}
}
