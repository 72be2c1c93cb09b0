package scheduler

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// What a user with next to no rate adds to a group is its marginal; what a user of
// the group's own kind adds, takes away or adds in another's place is near it.
// Powers by the same solver, one solve for each group.
func TestMarginals(t *testing.T) {
	rng := rand.New(rand.NewPCG(51, 52))
	var off [3]float64
	count := 0.0
	for range 12 {
		slot := randomSlot(rng, 9, 16, 1)
		slot.Users[7].RateBps = 1e-4 * slot.BandwidthHz
		v := newView(slot, Options{}.Resolve())
		group := []int{0, 1, 2, 3, 4, 5}
		power := func(users []int) float64 { return v.GroupPower(users, 0.5) }
		own := power(group)
		m := v.solver.band.marginals(0.5)
		with := func(k int) []int { return append(slices.Clone(group), k) }
		if got, want := m.alone(7), power(with(7))-own; math.Abs(got/want-1) > 1e-3 {
			t.Errorf("a user of little rate adds %g W, by its marginal %g W", want, got)
		}
		for place, j := range group {
			rest := slices.DeleteFunc(slices.Clone(group), func(k int) bool { return k == j })
			less := power(rest)
			instead := append(slices.Clone(rest), 8)
			off[0] += math.Abs(math.Log(m.alone(8) / (power(with(8)) - own)))
			off[1] += math.Abs(math.Log(m.alone(j) / (own - less)))
			off[2] += math.Abs(math.Log(m.instead(8, place) / (power(instead) - less)))
			count++
		}
	}
	t.Logf("log off by: joins %.3f, leaves %.3f, instead %.3f", off[0]/count, off[1]/count, off[2]/count)
	for i, name := range []string{"joins", "leaves", "takes another's place"} {
		if off[i]/count > 0.05 {
			t.Errorf("a user %s: marginals off by %.3f in the logarithm", name, off[i]/count)
		}
	}
}
