package scheduler

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
)

// The master program over the columns of gen(3, 2) at one rate of 1 to 4 bit each:
// powers, optimum and prices of an independent computation in Python (fixed point
// of uplink-downlink duality; linear program).
func TestMixedMaster(t *testing.T) {
	subsets := [][]int{{0}, {1}, {2}, {0, 1}, {0, 2}, {1, 2}, {0, 1, 2}}
	powers := [][]float64{
		{0.7243258348, 2.1729775045, 5.0702808439, 10.8648875227},
		{0.5344329897, 1.6032989691, 3.7410309278, 8.0164948454},
		{0.7043478261, 2.1130434783, 4.9304347826, 10.5652173913},
		{1.7536230894, 6.3409860944, 16.0033367212, 35.5018240374},
		{1.5249467918, 4.7302579181, 11.2174037499, 24.2276607332},
		{3.0712479040, 16.9029162446, 47.0885642891, 107.9126376717},
		{6.4690754644},
	}
	for _, c := range []struct {
		bits        []float64
		optimum, nu float64
		prices      []float64 // W per bit
		columns     int       // in use
	}{
		{[]float64{0.5, 0.7, 0.9}, 1.8302549475, 1.6803643345, []float64{1.3086072199, 1.6418316518, 1.8967039064}, 4},
		{[]float64{0.75, 1.05, 1.35}, 3.8051640658, 3.5217391304, []float64{1.3086072199, 2.4209233528, 2.8173913043}, 4},
	} {
		m := newColumns(newView(integerSlot(3, 2, c.bits...), Options{}.Resolve()), [][]int{{0}})
		for i, users := range subsets {
			for bits, want := range powers[i] {
				rates := make([]float64, len(users))
				for j := range rates {
					rates[j] = float64(bits+1) * math.Ln2
				}
				col := m.solved(0, users, rates)
				if math.Abs(col.powerW/want-1) > 1e-9 {
					t.Errorf("users %v at %d bit: %.10f W, want %.10f W", users, bits+1, col.powerW, want)
				}
				m.add(col)
			}
		}
		if !m.master() {
			t.Fatal("no optimum")
		}
		total, used := 0.0, 0
		for _, c := range m.inUse() {
			total += c.share * c.powerW
			used++
		}
		if math.Abs(total-c.optimum) > 1e-9 || math.Abs(m.nu[0]-c.nu) > 1e-8 || used != c.columns {
			t.Errorf("%.10f W at price %.10f with %d columns, want %.10f, %.10f, %d", total, m.nu[0], used, c.optimum, c.nu, c.columns)
		}
		for k, want := range c.prices {
			if got := m.pi[k] * math.Ln2; math.Abs(got-want) > 1e-8 {
				t.Errorf("price %.10f of user %d, want %.10f", got, k, want)
			}
		}
	}
}

// In mixed plans the rates of a user's groups add up to its target.
func TestMixedPlans(t *testing.T) {
	rng := rand.New(rand.NewPCG(51, 52))
	several := 0
	for i := range 6 {
		slot := draws[i%len(draws)](rng, 5, 3, 1)
		slot.Options = Options{Grouping: GroupingMixed, Weights: WeightsF64}
		plan := NewEngine().Schedule(context.Background(), slot)
		if plan.Status != StatusMet {
			t.Fatalf("slot %d: %v", i, plan.Status)
		}
		shares, served := 0.0, 0
		for _, g := range plan.Groups {
			shares += g.Share
			served += len(g.Allocations)
		}
		if shares > 1+1e-9 {
			t.Errorf("slot %d: shares add up to %g", i, shares)
		}
		if served > 5 {
			several++
		}
		for _, u := range plan.Users {
			if math.Abs(u.RateBps/u.TargetBps-1) > RateTolerance {
				t.Errorf("slot %d: user %s gets %g of %g bit/s", i, u.ID, u.RateBps, u.TargetBps)
			}
		}
	}
	if several < 3 {
		t.Errorf("users in several groups in %d slots", several)
	}
}

// generatedOn returns what column generation from a partition on sets of subbands
// ends with.
func generatedOn(v *View, base *partition, places [][]int) *columns {
	m := newColumns(v, places)
	for i := range base.groups {
		m.seed(base.groups[i])
	}
	m.generate()
	return m
}

// leastW returns the power that the columns take.
func (m *columns) leastW() float64 {
	sum := 0.0
	for _, c := range m.merged() {
		sum += c.share * c.powerW
	}
	return sum
}

// Columns on one subband each take less than columns that occupy all, on average
// over slots of several sizes, more users than antennas among them.
func TestColumnsApart(t *testing.T) {
	rng := rand.New(rand.NewPCG(55, 56))
	mean, slots := 0.0, 0
	t.Logf("mean dB over groups of least-power: %9s %9s", "in turn", "apart")
	for _, c := range []struct{ users, subbands, antennas int }{
		{3, 2, 4}, {4, 2, 2}, {4, 3, 2}, {5, 2, 3}, {5, 3, 4}, {4, 4, 3},
	} {
		const drops = 4
		var turn, apart float64
		for range drops {
			v := newView(randomWideSlot(rng, c.users, c.subbands, c.antennas, 1.5), Options{}.Resolve())
			base := v.partitionOf(leastPower{}.Timed(v))
			v.divide(base)
			t, a := generatedOn(v, base, v.inTurn()).leastW(), generatedOn(v, base, v.apart()).leastW()
			turn += dB(t/base.powerW) / drops
			apart += dB(a/base.powerW) / drops
		}
		t.Logf("K=%d F=%d M=%d %32.3f %9.3f", c.users, c.subbands, c.antennas, turn, apart)
		if apart > turn+1e-3 {
			t.Errorf("%v: %g dB apart, %g dB in turn", c, apart, turn)
		}
		mean += (apart - turn) * drops
		slots += drops
	}
	mean /= float64(slots)
	t.Logf("%d slots: apart %.3f dB over in turn", slots, mean)
	if mean > -0.02 {
		t.Errorf("apart %g dB over in turn on average", mean)
	}
}

// Groups on a subband each, given as a strategy gives them, are served like a
// caller's.
func TestTimedOnSubbands(t *testing.T) {
	slot := randomWideSlot(rand.New(rand.NewPCG(57, 58)), 4, 3, 2, 1)
	v := newView(slot, Options{}.Resolve())
	p := v.partitionOf([]TimedGroup{{Users: []int{0, 1}, Subbands: []int{0}}, {Users: []int{2}, Subbands: []int{1, 2}}, {Users: []int{3}, Subbands: []int{1, 2}}})
	v.divide(p)
	slot.Groups = []FixedGroup{{UserIDs: []string{"u0", "u1"}, Subbands: []int{0}}, {UserIDs: []string{"u2"}, Subbands: []int{1, 2}}, {UserIDs: []string{"u3"}, Subbands: []int{1, 2}}}
	if plan := planned(slot, Options{}); math.Abs(plan.RadiatedPowerW/p.powerW-1) > 1e-6 {
		t.Errorf("%g W, a caller's groups %g W", p.powerW, plan.RadiatedPowerW)
	}
}

// Prices at the end of column generation are those of the best columns: no random
// group at random rates is worth much more than its time.
func TestMixedPrices(t *testing.T) {
	rng := rand.New(rand.NewPCG(53, 54))
	for _, subbands := range []int{1, 3} {
		v := newView(randomWideSlot(rng, 5, subbands, 3, 1), Options{}.Resolve())
		base := v.partitionOf(leastPower{}.Timed(v))
		v.divide(base)
		m := generatedOn(v, base, v.apart())
		worst := math.Inf(-1)
		for range 3000 {
			var users []int
			var rates []float64
			for _, k := range v.active {
				if rng.IntN(2) == 0 {
					users, rates = append(users, k), append(rates, 4*float64(subbands)*rng.Float64())
				}
			}
			if c := m.solved(rng.IntN(subbands), users, rates); len(users) > 0 && c.powerW <= math.MaxFloat64 {
				worst = math.Max(worst, m.worth(&c)/m.nu[c.place])
			}
		}
		t.Logf("%d subbands: best random column worth %g of nu above it", subbands, worst)
		if worst > 1e-3 {
			t.Errorf("%d subbands: a random column is worth %g of nu above it", subbands, worst)
		}
	}
}
