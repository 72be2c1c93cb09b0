package scheduler

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"

	"leastwatt/optim"
)

// rowsOf yields every way to pick a step of a table, or none (-1), for each of n
// places.
func rowsOf(n, steps int, yield func(rows []int)) {
	rows := make([]int, n)
	var next func(i int)
	next = func(i int) {
		if i == n {
			yield(rows)
			return
		}
		for r := -1; r < steps; r++ {
			rows[i] = r
			next(i + 1)
		}
	}
	next(0)
}

// stepBits returns the efficiency of a step of a table in bit/s/Hz, 0 for none.
func stepBits(t *optim.RateTable, i int) float64 {
	if i < 0 {
		return 0
	}
	return t.Steps[i].EfficiencyBitHz
}

// wholeShare returns the least share from s on that comes in steps, 0 for any.
func wholeShare(s, step float64) float64 {
	if step > 0 {
		s = step * math.Ceil(s/step*(1-1e-12))
	}
	return s
}

// oneUserOnTable returns the least mean power of a slot of one user on a rate table
// over all rows on every subband, each at the least share at which the rows carry
// the rate: p_f = gap (2^eff - 1) (N/F)/|h_f|^2 (Shannon). +Inf where no rows do
// within the slot and the limit on total power.
func oneUserOnTable(s *Slot) float64 {
	t, f := optim.RateTableByName(s.Options.RateTable), s.Channel.Subbands
	free := make([]float64, f)
	for b := range f {
		free[b] = math.Pow(10, s.Options.SINRGapDB/10) * s.Users[0].SubbandNoise(b, f) / powerOf(s.Channel.At(0, b))
	}
	least := math.Inf(1)
	rowsOf(f, len(t.Steps), func(rows []int) {
		power, bits := 0.0, 0.0
		for b, r := range rows {
			power += free[b] * (math.Exp2(stepBits(t, r)) - 1)
			bits += stepBits(t, r)
		}
		share := wholeShare(s.Users[0].RateBps/s.BandwidthHz*float64(f)/bits, s.Options.ShareStep)
		if share <= 1+1e-9 && (s.Limits.TotalPowerW == nil || power <= *s.Limits.TotalPowerW) {
			least = math.Min(least, share*power)
		}
	})
	return least
}

// One user on a rate table gets the rows and the share of least power, or is SHORT
// where no rows do within the limit: judged by all rows on all subbands, for rates
// from far below the first row up, limits on total power from what is too little to
// what is enough, and shares in steps.
func TestOneUserOnTable(t *testing.T) {
	rng := rand.New(rand.NewPCG(51, 52))
	var over []float64
	met, short := 0, 0
	for i := range 300 {
		f := 1 + i%3
		s := scattered(rng, 1, f, 4, 1)
		s.Users[0].RateBps = s.BandwidthHz * math.Pow(10, -3+3.6*rng.Float64())
		s.Options = Options{RateTable: []string{"cqi-64qam", "cqi-256qam"}[rng.IntN(2)], SINRGapDB: float64(rng.IntN(3))}
		if rng.IntN(3) == 0 {
			s.Options.ShareStep = []float64{1.0 / 14, 0.3, 1, 1.0 / 140}[rng.IntN(4)]
		}
		least := oneUserOnTable(s)
		if rng.IntN(2) == 0 && !math.IsInf(least, 1) {
			s.Limits.TotalPowerW = ptr(least * math.Pow(10, -0.3+2*rng.Float64()))
			least = oneUserOnTable(s)
		}
		plan := schedule(context.Background(), s, &memory{})
		if math.IsInf(least, 1) {
			short++
			if plan.Status != StatusShort {
				t.Errorf("slot %d: %v, by all rows it is SHORT", i, plan.Status)
			}
			continue
		}
		met++
		if plan.Status != StatusMet {
			t.Errorf("slot %d: %v at %g W, by all rows MET at %g W; rate %g, %+v", i, plan.Status, plan.RadiatedPowerW, least, s.Users[0].RateBps/s.BandwidthHz, s.Options)
			continue
		}
		over = append(over, plan.RadiatedPowerW/least)
		if f == 1 && !(math.Abs(plan.RadiatedPowerW/least-1) < 3e-6) || !(plan.RadiatedPowerW > least*(1-3e-6)) {
			t.Errorf("slot %d, %d subbands: %g W, by all rows %g W", i, f, plan.RadiatedPowerW, least)
		}
	}
	judgeOver(t, over, 1.001, 1.02)
	if met < 200 || short < 40 {
		t.Errorf("%d slots met, %d short: too few to judge", met, short)
	}
}

// judgeOver judges powers over the least there are: on several subbands the search
// looks at a part of all shares only.
func judgeOver(t *testing.T, over []float64, most99, most float64) {
	t.Helper()
	slices.Sort(over)
	at := func(part int) float64 { return over[(len(over)-1)*part/100] }
	t.Logf("%d slots, over all rows: median %.4f, p90 %.4f, p99 %.4f, worst %.4f", len(over), at(50), at(90), at(99), at(100))
	if !(at(50) < 1+3e-6 && at(99) < most99 && at(100) < most) {
		t.Errorf("powers over the least: median %g, p99 %g, worst %g", at(50), at(99), at(100))
	}
}

// rowOption is a share and what it costs by some rows.
type rowOption struct{ share, phi float64 }

// rowOptions returns, for one group of a slot on a rate table, every choice of rows
// for its users on all subbands at the least share at which they carry the rates,
// within the limit on total power. Powers of one subband are those of optimal beams.
func rowOptions(s *Slot, users []int) []rowOption {
	t, f := optim.RateTableByName(s.Options.RateTable), s.Channel.Subbands
	steps, n := len(t.Steps)+1, len(users)
	gap := math.Pow(10, s.Options.SINRGapDB/10)
	var ws optim.Workspace
	power := make([][]float64, f) // [subband][rows of its users]
	for b := range f {
		rowsOf(n, len(t.Steps), func(rows []int) {
			var h optim.Channel
			var sinr []float64
			h.Antennas = s.Channel.Antennas
			for i, r := range rows {
				if r < 0 {
					continue
				}
				h.Users++
				for _, z := range s.Channel.At(users[i], b) {
					h.Data = append(h.Data, z/complex(math.Sqrt(s.Users[users[i]].SubbandNoise(b, f)), 0))
				}
				sinr = append(sinr, gap*(math.Exp2(stepBits(t, r))-1))
			}
			w := 0.0
			if h.Users > 0 {
				var gram optim.Gram
				var result optim.Result
				gram.Compute(h)
				if (&optim.Optimal{}).Solve(&optim.Problem{Gram: &gram, SINR: sinr}, &ws, &result) != optim.Solved {
					result.PowerW = math.Inf(1)
				}
				w = result.PowerW
			}
			power[b] = append(power[b], w)
		})
	}
	var out []rowOption
	rowsOf(n*f, len(t.Steps), func(rows []int) { // [subband][user]
		total, share := 0.0, 0.0
		for b := range f {
			at := 0
			for _, r := range rows[b*n : (b+1)*n] {
				at = at*steps + r + 1
			}
			total += power[b][at]
		}
		if s.Limits.TotalPowerW != nil && !(total <= *s.Limits.TotalPowerW) || math.IsInf(total, 1) {
			return
		}
		for i, k := range users {
			bits := 0.0
			for b := range f {
				bits += stepBits(t, rows[b*n+i])
			}
			share = math.Max(share, s.Users[k].RateBps/s.BandwidthHz*float64(f)/bits)
		}
		if share = wholeShare(share, s.Options.ShareStep); share <= 1+1e-9 {
			out = append(out, rowOption{share, share * total})
		}
	})
	return out
}

// leastOfTurns returns the least total of one option of each of two groups, whose
// shares fit the slot.
func leastOfTurns(one, other []rowOption) float64 {
	slices.SortFunc(other, func(a, b rowOption) int { return cmp.Compare(a.share, b.share) })
	for i := 1; i < len(other); i++ {
		other[i].phi = math.Min(other[i].phi, other[i-1].phi)
	}
	least := math.Inf(1)
	for _, o := range one {
		n := sort.Search(len(other), func(i int) bool { return other[i].share+o.share > 1+1e-9 })
		if n > 0 {
			least = math.Min(least, o.phi+other[n-1].phi)
		}
	}
	return least
}

// Two users on a rate table, at once or in turn, on one and two subbands, with and
// without share steps and a limit on total power, against all rows and shares. Where
// a grouping can meet the targets the slot is MET.
func TestTwoUsersOnTable(t *testing.T) {
	rng := rand.New(rand.NewPCG(53, 54))
	over := map[string][]float64{}
	met, short := 0, 0
	for i := range 320 {
		f := 1 + i%2
		s := scattered(rng, 2, f, 4, 1)
		for k := range s.Users {
			s.Users[k].RateBps = s.BandwidthHz * math.Pow(10, -2.5+2.8*rng.Float64())
		}
		s.Options = Options{Grouping: []string{"together", "alone"}[i/2%2], RateTable: "cqi-64qam"}
		if rng.IntN(2) == 0 {
			s.Options.ShareStep = []float64{1.0 / 14, 0.3, 0.5, 1.0 / 140}[rng.IntN(4)]
		}
		least := func() (together, alone float64) {
			together = math.Inf(1)
			for _, o := range rowOptions(s, []int{0, 1}) {
				together = math.Min(together, o.phi)
			}
			return together, leastOfTurns(rowOptions(s, []int{0}), rowOptions(s, []int{1}))
		}
		together, alone := least()
		if w := math.Min(together, alone); rng.IntN(2) == 0 && !math.IsInf(w, 1) {
			s.Limits.TotalPowerW = ptr(w * math.Pow(10, -0.2+1.2*rng.Float64()))
			together, alone = least()
		}
		plan := schedule(context.Background(), s, &memory{})
		if math.IsInf(math.Min(together, alone), 1) {
			short++
			if plan.Status != StatusShort {
				t.Errorf("slot %d: %v, by all rows it is SHORT", i, plan.Status)
			}
			continue
		}
		met++
		want := together
		if plan.Strategy.Grouping == "alone" {
			want = alone
		}
		if plan.Status != StatusMet || plan.Strategy.Grouping != s.Options.Grouping && !math.IsInf(map[string]float64{"together": together, "alone": alone}[s.Options.Grouping], 1) {
			t.Errorf("slot %d: %v %s at %g W, by all rows together %g W, alone %g W; %+v", i, plan.Status, plan.Strategy.Grouping, plan.RadiatedPowerW, together, alone, s.Options)
			continue
		}
		name := fmt.Sprintf("%s on %d", plan.Strategy.Grouping, f)
		over[name] = append(over[name], plan.RadiatedPowerW/want)
		if !(plan.RadiatedPowerW > want*(1-3e-6)) {
			t.Errorf("slot %d: %g W, below all rows: %g W", i, plan.RadiatedPowerW, want)
		}
	}
	for name, o := range over {
		t.Log(name)
		judgeOver(t, o, 1.03, 1.08)
	}
	if met < 220 || short < 15 {
		t.Errorf("%d slots met, %d short: too few to judge", met, short)
	}
}

// A row is used only where it carries the rate, or the SINR the row: a rate of 1e-5 more
// than a row carries over the whole slot takes the next row, and an SINR that is 1e-5
// too low the row below. What is allowed for is rounding and the tolerance of rates.
func TestRowsAreCarried(t *testing.T) {
	table := optim.RateTableByName("cqi-64qam")
	for subbands := 1; subbands <= 2; subbands++ {
		for i := range table.Steps[:len(table.Steps)-1] {
			for _, c := range []struct {
				rate float64
				want int
			}{{1 - 1e-5, i}, {1, i}, {1 + 1e-5, i + 1}} {
				s := flatSlot(2, 1, Options{RateTable: table.Name, ShareStep: 1})
				s.Channel.Subbands = subbands
				s.Channel.Samples = slices.Concat(s.Channel.Samples, s.Channel.Samples)[:2*subbands]
				s.Users[0].RateBps = s.BandwidthHz * table.Steps[i].EfficiencyBitHz * c.rate
				plan := schedule(context.Background(), s, &memory{})
				most := 0
				for _, row := range plan.Groups[0].Allocations[0].RateStep {
					most = max(most, row)
				}
				if u := plan.Users[0]; plan.Status != StatusMet || most != table.Steps[c.want].Index || !(u.RateBps >= u.TargetBps*(1-1e-9)) {
					t.Errorf("%d subbands, %g of step %d: %v, row %d, %g bit/s of %g", subbands, c.rate, i, plan.Status, most, u.RateBps, u.TargetBps)
				}
			}
		}
	}
	v := newView(flatSlot(2, 1, Options{RateTable: table.Name, SINRGapDB: 3}), Options{RateTable: table.Name, SINRGapDB: 3}.Resolve())
	for i := range table.Steps {
		sinr := v.gap * (math.Exp2(table.Steps[i].EfficiencyBitHz) - 1)
		for _, c := range []struct {
			by  float64
			row int
		}{{1, table.Steps[i].Index}, {1 - 1e-6, table.Steps[i].Index}, {1 - 1e-5, table.Steps[i].Index - 1}} {
			if c.row == 0 {
				c.row = -1 // below the first
			}
			if _, row := v.carried(sinr * c.by); row != c.row {
				t.Errorf("an SINR %g of step %d: row %d, want %d", c.by, i, row, c.row)
			}
		}
	}
}

// The programme over shares asks between groups whether it is to stop, and has no
// answer then.
func TestChooseSharesStops(t *testing.T) {
	options := make([][]shareOption, 50)
	for i := range options {
		options[i] = []shareOption{{share: 0.01, phi: 2}, {share: 0.02, phi: 1}}
	}
	asked := 0
	_, powerW := chooseShares(options, 0.01, 100, func() bool { asked++; return asked > 3 })
	if asked != 4 || !math.IsInf(powerW, 1) {
		t.Errorf("asked %d times, %g W", asked, powerW)
	}
	if shares, powerW := chooseShares(options, 0.01, 100, func() bool { return false }); powerW != 50 || shares[0] != 0.02 {
		t.Errorf("%g W, share %g; all groups have room for 0.02, at 1 W each", powerW, shares[0])
	}
}
