package scheduler

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// sizedSlot returns a slot of a Rayleigh channel.
func sizedSlot(users, subbands, antennas int) *Slot {
	return randomWideSlot(rand.New(rand.NewPCG(uint64(users), uint64(antennas))), users, subbands, antennas, 1)
}

// withPositions gives a slot an array at 3 GHz.
func withPositions(s *Slot, at func(m int) [3]float64) {
	s.CarrierHz, s.Array = 3e9, &Array{}
	for m := range s.Channel.Antennas {
		s.Array.PositionsM = append(s.Array.PositionsM, at(m))
	}
}

func panel(columns int, spacingM float64) func(m int) [3]float64 {
	return func(m int) [3]float64 {
		return [3]float64{0, spacingM * float64(m%columns), spacingM * float64(m/columns)}
	}
}

// Slots that would take more than the bounds are refused before anything is made of
// them, by the field that makes them large.
func TestBeyondBounds(t *testing.T) {
	for name, c := range map[string]struct {
		slot func() *Slot
		path string
	}{
		"gram matrices of 512 users on 512 subbands": {func() *Slot {
			s := &Slot{BandwidthHz: 1e6, Channel: Channel{Antennas: 1, Subbands: 512, Samples: filled(512*512, 1)}}
			for k := range 512 {
				s.Users = append(s.Users, User{ID: string(rune('a' + k)), RateBps: 1, NoiseW: 1})
			}
			return s
		}, "channel"},
		"three antennas 10 m apart": {func() *Slot {
			s := sizedSlot(1, 1, 3)
			withPositions(s, func(m int) [3]float64 { return [3]float64{0, 10 * float64(m&1), 10 * float64(m>>1)} })
			return s
		}, "array.positionsM"},
		"antennas on two continents": {func() *Slot {
			s := sizedSlot(1, 1, 2)
			withPositions(s, func(m int) [3]float64 { return [3]float64{1e300 * float64(m), -1e300 * float64(m), 0} })
			return s
		}, "array.positionsM"},
		"256 cones of all directions": {func() *Slot {
			s := sizedSlot(2, 1, 64)
			withPositions(s, panel(8, 0.05))
			s.Limits.ProtectedDirections = slices.Repeat([]ProtectedDirection{{WidthDeg: 360, EIRPW: 1}}, 256)
			return s
		}, "limits.protectedDirections"},
	} {
		slot := c.slot()
		if bad := slot.Validate(); bad != nil {
			t.Fatalf("%s: %v", name, bad)
		}
		plan := NewEngine().Schedule(t.Context(), slot)
		if plan.Status != StatusRejected || len(plan.Violations) == 0 || !strings.HasPrefix(plan.Violations[0].Path, c.path) {
			t.Errorf("%s: %v %v", name, plan.Status, plan.Violations)
		}
		for _, v := range plan.Violations {
			if v.Value == "" || !strings.Contains(v.Allowed, "at most") {
				t.Errorf("%s: %+v", name, v)
			}
		}
	}
}

// Bounds refuse by what they bound, and the defaults let through what they say.
func TestBounds(t *testing.T) {
	slot := sizedSlot(16, 4, 64)
	withPositions(slot, panel(8, 0.05))
	if bad := slot.Exceeds(Bounds{}); bad != nil {
		t.Error(bad)
	}
	for _, b := range []Bounds{{Bytes: 1 << 20}, {Work: 16*16*4*64 - 1}, {Directions: 1000}} {
		if bad := slot.Exceeds(b); len(bad) != 1 {
			t.Errorf("%+v: %v", b, bad)
		}
	}
	if bad := slot.Exceeds(Bounds{Work: 16 * 16 * 4 * 64}); bad != nil {
		t.Error(bad)
	}
	large := sizedSlot(4, 1, 1024)
	withPositions(large, panel(32, 0.05))
	if bad := large.Exceeds(Bounds{}); bad != nil {
		t.Error(bad)
	}
}

// The estimate of directions is that of points on a sphere and on caps of it.
func TestDirections(t *testing.T) {
	// Far apart, points of a grid of step d are the area over d^2: 4 pi (4 L)^2.
	e := extent{along: 100, across: 100}
	l := math.Hypot(100, 100)
	want := 4 * math.Pi * 4 * l * 4 * 100
	if got := e.directions(180); math.Abs(got/want-1) > 0.05 {
		t.Errorf("sphere: %g, want %g", got, want)
	}
	cap := 2 * math.Pi * (1 - math.Cos(0.5)) * 16 * l * l
	if got := e.directions(0.5 * 180 / math.Pi); math.Abs(got/cap-1) > 0.05 {
		t.Errorf("cap: %g, want %g", got, cap)
	}
	line := extent{along: 31.5}
	if got := line.directions(180); got < 4*31.5*math.Pi || got > 36*4*31.5*math.Pi {
		t.Errorf("line: %g", got)
	}
}
