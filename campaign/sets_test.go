package campaign

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Sets are as their names say, their slots are good, depend on the seed and their
// number alone and differ.
func TestSets(t *testing.T) {
	names := map[string]bool{}
	moreUsers := 0
	for _, s := range Sets() {
		if names[s.Name] {
			t.Errorf("%s is there twice", s.Name)
		}
		names[s.Name] = true
		if s.Users > s.Antennas {
			moreUsers++
		}
		slots := slotsOf(t, s.Slots(5, 6))
		for i, slot := range slots {
			if bad := slot.Validate(); len(bad) > 0 {
				t.Errorf("%s, slot %d: %v", s.Name, i, bad)
			}
			for j := range i {
				if cmp.Equal(slot.Channel, slots[j].Channel) {
					t.Errorf("%s: slots %d and %d are the same", s.Name, j, i)
				}
			}
			if len(slot.Users) != s.Users || slot.Channel.Antennas != s.Antennas || slot.Sequence != int64(i) {
				t.Errorf("%s, slot %d: %d users, %d antennas, sequence %d", s.Name, i, len(slot.Users), slot.Channel.Antennas, slot.Sequence)
			}
		}
		if diff := cmp.Diff(slots[:3], slotsOf(t, s.Slots(5, 3))); diff != "" {
			t.Errorf("%s: slots depend on how many there are:\n%s", s.Name, diff)
		}
		other := slotsOf(t, s.Slots(6, 1))
		if cmp.Equal(slots[0].Channel, other[0].Channel) {
			t.Errorf("%s: seeds do not differ", s.Name)
		}
	}
	if len(names) != 8 || moreUsers != 2 {
		t.Errorf("%d sets, %d with more users than antennas", len(names), moreUsers)
	}
}

// In line of sight phases turn by pi sin(azimuth) from antenna to antenna, which
// gives the azimuth back: within 60 degrees of the front, users of a cluster within
// 6 of each other.
func TestAzimuths(t *testing.T) {
	azimuthDeg := func(h []complex128) float64 {
		return -180 / math.Pi * math.Asin(cmplx.Phase(h[1]*cmplx.Conj(h[0]))/math.Pi)
	}
	for _, name := range []string{"clusters-8x32", "clusters-10x16", "line-of-sight-8x16"} {
		least, most := math.Inf(1), math.Inf(-1)
		for _, slot := range slotsOf(t, set(t, name).Slots(2, 10)) {
			for k := range slot.Users {
				a := azimuthDeg(slot.Channel.At(k, 0))
				least, most = math.Min(least, a), math.Max(most, a)
				if first := azimuthDeg(slot.Channel.At(k/4*4, 0)); strings.HasPrefix(name, "clusters") && math.Abs(a-first) > 6 {
					t.Errorf("%s: user %d at %.1f degrees, the first of its cluster at %.1f", name, k, a, first)
				}
			}
		}
		if least < -60 || least > -45 || most > 60 || most < 45 {
			t.Errorf("%s: from %.1f to %.1f degrees", name, least, most)
		}
	}
}
