package campaign

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"leastwatt/energy"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// Trial is what one strategy did on one slot. Powers, rates and SINR behind them
// are those that the audit re-computed from the weights of the plan; with
// Run.TruthPairs rates are means over true channels.
type Trial struct {
	Status         scheduler.Status `json:"status"`              // StatusFailed also where the strategy left users out or there is nothing to audit
	Reason         string           `json:"reason,omitempty"`    // why there is no plan, or the first thing that the audit disagrees with
	Grouping       string           `json:"grouping,omitempty"`  // that made the plan: another one where the groups asked for cannot meet the targets
	RadiatedPowerW float64          `json:"radiatedPowerW"`      // mean over the slot
	PeakEIRPW      *float64         `json:"peakEirpW,omitempty"` // largest of any group and direction; nil where the slot has no array
	Consumed       *energy.Parts    `json:"consumed,omitempty"`  // mean over the slot; nil where the slot names no model of it
	RateBps        float64          `json:"rateBps"`             // delivered, sum over users
	WorstRateRatio float64          `json:"worstRateRatio"`      // least rate over target, of users with a target; 1 without any
	Users          []UserRate       `json:"users,omitempty"`     // in the order of the slot
	Groups         int              `json:"groups"`
	Solves         int64            `json:"solves"`
	Compute        time.Duration    `json:"computeNanos"`            // of the plan, without audit and floor
	Disagreements  int              `json:"disagreements,omitempty"` // found by the audit
}

// UserRate is what a user asked for and gets.
type UserRate struct {
	ID        string  `json:"id"`
	TargetBps float64 `json:"targetBps"`
	RateBps   float64 `json:"rateBps"`
}

// Met tells whether a plan is there that meets every target and that the audit
// agrees with.
func (t *Trial) Met() bool { return t.Status == scheduler.StatusMet && t.Disagreements == 0 }

// planned tells whether there is a plan.
func (t *Trial) planned() bool {
	return t.Status == scheduler.StatusMet || t.Status == scheduler.StatusShort
}

// try tries the strategies on a slot, one after the other.
func (r *Run) try(ctx context.Context, slot *scheduler.Slot, strategies []scheduler.Strategy) Slot {
	out := Slot{Sequence: slot.Sequence, Antennas: slot.Channel.Antennas}
	for k := range slot.Users {
		if slot.Users[k].RateBps > 0 {
			out.Users++
		}
	}
	for _, s := range strategies {
		if ctx.Err() != nil {
			return out
		}
		t, _ := try(ctx, with(slot, s), r.TruthPairs)
		out.Trials = append(out.Trials, t)
	}
	if r.Floor {
		out.proveFloor(ctx, slot, strategies)
	}
	return out
}

// with returns a copy of the slot under a strategy.
func with(slot *scheduler.Slot, s scheduler.Strategy) *scheduler.Slot {
	out := *slot
	out.Options = options(slot.Options, s)
	if s.Grouping != CallersGroups {
		out.Groups = nil
	} else if len(out.Groups) == 0 {
		return nil
	}
	return &out
}

// try plans a slot and audits the plan, rates over so many pairs of true channels where the
// slot's channel is an estimate; 0: rates by the estimate. Faults of the engine, of a strategy and
// of the audit are contained.
func try(ctx context.Context, slot *scheduler.Slot, truthPairs int) (t Trial, audited *audit.Result) {
	if slot == nil {
		return Trial{Status: scheduler.StatusRejected, Reason: "the slot has no groups of its own"}, nil
	}
	defer func() {
		if fault := recover(); fault != nil {
			t, audited = Trial{Status: scheduler.StatusFailed, Reason: fmt.Sprintf("panic: %v", fault)}, nil
		}
	}()
	engine := scheduler.NewEngine()
	start := time.Now()
	plan := engine.Schedule(ctx, slot)
	compute := time.Since(start)
	t, audited = Judge(slot, plan)
	t.Compute = compute
	if audited != nil && truthPairs > 0 && estimated(slot) {
		if err := t.overTruths(ctx, slot, plan, truthPairs); err != nil {
			return Trial{Status: scheduler.StatusFailed, Reason: err.Error()}, nil
		}
	}
	return t, audited
}

// Judge audits a plan of a slot, which has weights, whoever made it. Compute is what
// the plan claims. The audit is nil where there is nothing to audit.
func Judge(slot *scheduler.Slot, plan *scheduler.Plan) (Trial, *audit.Result) {
	t := Trial{
		Status: plan.Status, Grouping: plan.Strategy.Grouping, Groups: len(plan.Groups), Solves: plan.Solves,
		Compute: time.Duration(plan.ComputeMicros) * time.Microsecond,
	}
	if len(slot.Groups) > 0 {
		t.Grouping = CallersGroups
	}
	if plan.Status == scheduler.StatusRejected || plan.Status == scheduler.StatusFailed {
		t.Reason = violations(plan.Violations)
		return t, nil
	}
	audited, err := audit.Recompute(slot, plan)
	if err != nil {
		return Trial{Status: scheduler.StatusFailed, Reason: err.Error()}, nil
	}
	if id, out := leftOut(slot, plan); out {
		return Trial{Status: scheduler.StatusFailed, Reason: fmt.Sprintf("user %q is in no group, and nothing keeps it from being served", id)}, nil
	}
	t.RadiatedPowerW, t.PeakEIRPW, t.WorstRateRatio = audited.RadiatedPowerW, audited.PeakEIRPW, audited.WorstRateRatio
	for _, u := range audited.Users {
		t.Users = append(t.Users, UserRate{ID: u.ID, TargetBps: u.TargetBps, RateBps: u.RateBps})
		t.RateBps += u.RateBps
	}
	t.disagree(audited)
	t.consume(slot, plan, audited)
	return t, audited
}

// consume splits what the plan consumes by cause. The sum has to be what the audit
// found by its own formula.
func (t *Trial) consume(slot *scheduler.Slot, plan *scheduler.Plan, audited *audit.Result) {
	t.Consumed = Consumed(slot, plan, t.RateBps)
	if t.Consumed == nil || audited.ConsumedPowerW == nil {
		return
	}
	if got, want := t.Consumed.TotalW(), *audited.ConsumedPowerW; math.Abs(got-want) > audit.Tolerance*want {
		t.Disagreements++
		t.Reason = fmt.Sprintf("consumed power by cause adds up to %g W, the audit finds %g", got, want)
	}
}

// Consumed splits what a plan of a slot draws from the wall by cause, in W, means
// over the slot, by the model that the slot's options name; nil where they name
// none. The plan comes with its weights; rateBps is the sum of the rates that it
// delivers. O(users subbands antennas).
func Consumed(slot *scheduler.Slot, plan *scheduler.Plan, rateBps float64) *energy.Parts {
	station := slot.Options.Station()
	if station == nil {
		return nil
	}
	c := &slot.Channel
	load := energy.Load{Antennas: c.Antennas, RateBps: rateBps}
	busy := make([]float64, c.Subbands)
	for _, g := range plan.Groups {
		bands := len(g.Subbands)
		for _, f := range g.Subbands {
			busy[f] += g.Share
		}
		if bands == 0 {
			bands = c.Subbands
			for f := range busy {
				busy[f] += g.Share
			}
		}
		each := make([]float64, c.Antennas)
		for _, a := range g.Allocations {
			for i, w := range a.Weights {
				each[i%c.Antennas] += real(w)*real(w) + imag(w)*imag(w)
			}
		}
		load.Groups = append(load.Groups, energy.GroupLoad{
			Share: g.Share, Users: len(g.Allocations), AntennaPowerW: each,
			BandwidthHz: slot.BandwidthHz * float64(bands) / float64(c.Subbands),
		})
	}
	load.BusyShare = min(1, slices.Max(busy))
	parts := station.Consumed(&load)
	return &parts
}

// disagree notes what an audit disagrees with.
func (t *Trial) disagree(audited *audit.Result) {
	t.Disagreements += len(audited.Findings)
	if t.Reason == "" && !audited.Agrees() {
		t.Reason = audited.Findings[0].String()
	}
}

// violations writes violations on one line.
func violations(list []scheduler.Violation) string {
	var words []string
	for _, v := range list {
		words = append(words, fmt.Sprintf("%s: %s, allowed: %s", v.Path, v.Value, v.Allowed))
	}
	return strings.Join(words, "; ")
}

// leftOut returns a user with a target who is in no group of the plan though
// nothing binds: a fault of the grouping, not of the slot.
func leftOut(slot *scheduler.Slot, plan *scheduler.Plan) (id string, out bool) {
	if plan.Status != scheduler.StatusShort || len(plan.LimitsBinding) > 0 {
		return "", false
	}
	seen := make(map[string]bool)
	for _, id := range plan.UnservableUserIDs {
		seen[id] = true
	}
	for g := range plan.Groups {
		for i := range plan.Groups[g].Allocations {
			seen[plan.Groups[g].Allocations[i].UserID] = true
		}
	}
	for k := range slot.Users {
		if u := &slot.Users[k]; u.RateBps > 0 && !seen[u.ID] {
			return u.ID, true
		}
	}
	return "", false
}

// proveFloor makes the plan of fewest solves that meets the targets again, now
// with a floor, and takes from its audit what the certificate proves. Delivered
// rates above the targets do not count, so that the floor is that of every plan
// that meets them.
func (s *Slot) proveFloor(ctx context.Context, slot *scheduler.Slot, strategies []scheduler.Strategy) {
	best, fewest := -1, int64(math.MaxInt64)
	for i := range s.Trials {
		if t := &s.Trials[i]; t.Met() && t.Solves < fewest {
			best, fewest = i, t.Solves
		}
	}
	if best < 0 {
		return
	}
	again := with(slot, strategies[best])
	again.Options.Floor = true
	t, audited := try(ctx, again, 0)
	if audited == nil {
		t.Disagreements = 1
	}
	if t.Disagreements > 0 {
		s.Trials[best].Disagreements, s.Trials[best].Reason = t.Disagreements, t.Reason
		return
	}
	s.FloorPowerW = audited.FloorPowerW
}

// BestPowerW returns the least power of the strategies that met the targets, +Inf
// where none did.
func (s *Slot) BestPowerW() float64 {
	best := math.Inf(1)
	for i := range s.Trials {
		if t := &s.Trials[i]; t.Met() {
			best = math.Min(best, t.RadiatedPowerW)
		}
	}
	return best
}

// OverFloorDB returns how far strategy i is over the floor of the slot; false
// where it did not meet the targets or one of the powers is not there.
func (s *Slot) OverFloorDB(i int) (dB float64, ok bool) {
	if s.FloorPowerW == nil || !s.Trials[i].Met() {
		return 0, false
	}
	return over(s.Trials[i].RadiatedPowerW, *s.FloorPowerW)
}

// OverBestDB returns how far strategy i is over the best of the run on the slot;
// false where it did not meet the targets or takes no power.
func (s *Slot) OverBestDB(i int) (dB float64, ok bool) {
	if !s.Trials[i].Met() {
		return 0, false
	}
	return over(s.Trials[i].RadiatedPowerW, s.BestPowerW())
}

func over(powerW, leastW float64) (dB float64, ok bool) {
	if !(powerW > 0 && leastW > 0) {
		return 0, false
	}
	dB = 10 * math.Log10(powerW/leastW)
	return dB, !math.IsInf(dB, 0)
}
