package quay

import (
	"fmt"
	"math"
	"math/cmplx"
	"reflect"
	"testing"

	"leastwatt/channel"
)

func TestSceneIsItsSeed(t *testing.T) {
	a, b := New(1, DayShift, 8, 8), New(1, DayShift, 8, 8)
	if !reflect.DeepEqual(a.Slot(17), b.Slot(17)) {
		t.Error("the same seed gives another slot")
	}
	if reflect.DeepEqual(a.Slot(17), New(2, DayShift, 8, 8).Slot(17)) {
		t.Error("another seed gives the same slot")
	}
	if reflect.DeepEqual(a.Slot(17), a.Slot(18)) {
		t.Error("nothing moves from slot to slot")
	}
}

func TestCrew(t *testing.T) {
	s := New(1, DayShift, 1, 1)
	if len(s.Users) != 16 {
		t.Fatalf("%d users, want 16", len(s.Users))
	}
	seen := map[string]bool{}
	for _, u := range s.Users {
		if seen[u.ID] {
			t.Errorf("user %s twice", u.ID)
		}
		seen[u.ID] = true
	}
	// A larger crew has the smaller one in it.
	large := New(1, Crew{StraddleCarriers: 18, CraneCabs: 6, HandHelds: 8}, 1, 1)
	for _, u := range large.Users {
		for _, v := range s.Users {
			if u.ID == v.ID && u.PositionM(12) != v.PositionM(12) {
				t.Errorf("%s stands elsewhere in a larger crew", u.ID)
			}
		}
	}
}

func TestGrid(t *testing.T) {
	for _, tc := range []struct{ antennas, rows, columns int }{
		{1, 1, 1}, {2, 1, 2}, {4, 2, 2}, {8, 2, 4}, {16, 4, 4}, {32, 4, 8}, {64, 8, 8}, {128, 8, 16},
	} {
		if r, c := Grid(tc.antennas); r != tc.rows || c != tc.columns {
			t.Errorf("Grid(%d) = %d x %d, want %d x %d", tc.antennas, r, c, tc.rows, tc.columns)
		}
	}
}

// A column has the gain of what hangs on masts, 15 to 18 dBi (common practice, no
// source): 10 log10(n) dB over its element, derived, and in the mean over the sphere,
// integrated, no more than is fed in.
func TestColumn(t *testing.T) {
	want := 8 + 10*math.Log10(ColumnElements)
	if got := ColumnGainDBi(); !(math.Abs(got-want) < 0.01) || !(got >= 15 && got <= 18) {
		t.Errorf("gain of %.2f dBi, want %.2f", got, want)
	}
	const stepDeg = 0.5
	gain := NewColumn(1, DayShift).Array.Pattern
	var mean, most float64
	for e := -90 + stepDeg/2; e < 90; e += stepDeg {
		for a := -180 + stepDeg/2; a < 180; a += stepDeg {
			g := math.Pow(10, gain(channel.Direction{AzimuthDeg: a, ElevationDeg: e})/10)
			most = max(most, g)
			mean += g * math.Cos(e*math.Pi/180) * square(stepDeg*math.Pi/180) / (4 * math.Pi)
		}
	}
	if !(mean > 0.5 && mean <= 1) || !(10*math.Log10(most) <= want) {
		t.Errorf("in the mean %.3f of what is fed in, at most %.2f dBi", mean, 10*math.Log10(most))
	}
	// In the mean over the shift users hear it better than one element.
	one, col := New(1, DayShift, 1, 1).Slot(0), NewColumn(1, DayShift).Slot(0)
	var dB float64
	for k := range one.Channel {
		dB += 20 * math.Log10(cmplx.Abs(col.Channel[k][0])/cmplx.Abs(one.Channel[k][0])) / float64(len(one.Channel))
	}
	if !(dB > 2) {
		t.Errorf("users hear a column %.1f dB better than one element", dB)
	}
}

func square(x float64) float64 { return x * x }

// Speeds are those the scene states, and nobody jumps.
func TestSpeeds(t *testing.T) {
	const stepS = 0.05
	fastest := map[string]float64{StraddleCarrier.Name: 30 / 3.6, CraneCab.Name: math.Pi / 2 * 4, HandHeld.Name: math.Pi / 2 * 1.3}
	for _, u := range New(3, DayShift, 1, 1).Users {
		var largest, wayM float64
		const seconds = 200
		for s := 0.0; s < seconds; s += stepS {
			a, b := u.PositionM(s), u.PositionM(s+stepS)
			d := math.Hypot(b[0]-a[0], b[1]-a[1])
			largest, wayM = max(largest, d/stepS), wayM+d
		}
		if largest > fastest[u.Class.Name]*(1+1e-9) {
			t.Errorf("%s reaches %.2f m/s, want at most %.2f", u.ID, largest, fastest[u.Class.Name])
		}
		if u.Class == StraddleCarrier && wayM/seconds < 20/3.6*0.99 {
			t.Errorf("%s makes %.2f m/s on average, want at least 20 km/h", u.ID, wayM/seconds)
		}
		if wayM < 50 {
			t.Errorf("%s moves %.0f m in %d s", u.ID, wayM, seconds)
		}
	}
}

// Straight path by hand: free space over the distance, the element's gain in the
// panel's axes, the class's loss and the reserve; behind the stack at least 5 dB
// less.
func TestStraightPath(t *testing.T) {
	s := New(1, DayShift, 1, 1)
	for _, u := range s.Users {
		p := u.PositionM(0)
		distanceM := math.Sqrt(p[0]*p[0] + p[1]*p[1] + (p[2]-32)*(p[2]-32))
		clear := -channel.FreeSpaceLossDB(distanceM, 3.5e9) - u.Class.LossDB - 10
		got := 20 * math.Log10(cmplx.Abs(u.Paths(0)[0].Gain))
		if behind := u.Class == HandHeld && p[0] == 120; behind {
			if clear-got < 5 {
				t.Errorf("%s behind the stack loses %.1f dB, want at least 5", u.ID, clear-got)
			}
		} else if math.Abs(got-clear) > 1e-9 {
			t.Errorf("%s: straight path %.3f dB, want %.3f", u.ID, got, clear)
		}
	}
}

// The stack blocks by how much of it stands in the way: not through the gap, not
// over a user as high as the mast, not before it.
func TestStackLoss(t *testing.T) {
	for _, tc := range []struct {
		at     [3]float64
		lo, hi float64
	}{
		{[3]float64{100, 60, 1.5}, 20, 50},
		{[3]float64{100, 0, 1.5}, 0, 0},
		{[3]float64{100, 60, 32}, 0, 0},
		{[3]float64{90, 60, 1.5}, 0, 0},
		{[3]float64{100, 10 * 100 / 97.0, 1.5}, 6.0, 6.1}, // grazes the end at y = 10
	} {
		if got := stackLossDB(tc.at); got < tc.lo || got > tc.hi {
			t.Errorf("stack loss at %v = %.2f dB, want %v to %v", tc.at, got, tc.lo, tc.hi)
		}
	}
}

// Noise: -174 dBm/Hz over 20 MHz, the noise figure and the rise of 10 dB.
func TestSlotValues(t *testing.T) {
	s := New(1, DayShift, 2, 2)
	slot := s.Slot(0)
	for k, u := range s.Users {
		want := -174 + 10*math.Log10(20e6) + u.Class.NoiseFigureDB + 10
		if got := channel.DBm(slot.NoiseW[k]); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: noise %.3f dBm, want %.3f", u.ID, got, want)
		}
		if slot.RateBps[k] != u.Class.RateBps || len(slot.Channel[k]) != 4 {
			t.Errorf("%s: rate %v, %d antennas", u.ID, slot.RateBps[k], len(slot.Channel[k]))
		}
	}
}

// The same people whatever the panel: an array gathers N times the power of its
// single element on every path, so N times on the mean over wavelengths of
// motion, and the antenna in the middle of a 1 x 1 panel sees the same phases.
func TestPanelsSeeTheSameScene(t *testing.T) {
	const slots = 400
	one, many := New(1, DayShift, 1, 1), New(1, DayShift, 4, 4)
	var single, array float64
	for i := range slots {
		a, b := one.Slot(i), many.Slot(i)
		for k := range a.Channel {
			single += energy(a.Channel[k])
			array += energy(b.Channel[k])
		}
	}
	if ratio := array / single; math.Abs(ratio-16) > 0.5 {
		t.Errorf("16 antennas gather %.3f times the power of one", ratio)
	}
}

func energy(h []complex128) (sum float64) {
	for _, x := range h {
		sum += real(x)*real(x) + imag(x)*imag(x)
	}
	return sum
}

func ExampleScene_Slot() {
	rows, columns := Grid(64)
	scene := New(1, DayShift, rows, columns)
	slot := scene.Slot(0)
	fmt.Println(len(slot.Channel), "users,", len(slot.Channel[0]), "antennas")
	fmt.Println(scene.Users[0].ID, slot.RateBps[0]/1e6, "Mbit/s")
	// Output:
	// 16 users, 64 antennas
	// straddle-1 6 Mbit/s
}
