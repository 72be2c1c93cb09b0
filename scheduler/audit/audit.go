// Package audit re-computes a plan from its weights and the channel of its slot,
// with code of its own: it shares nothing with the solvers but the types of slot
// and plan, and takes nothing from the plan but shares, groups, weights and the
// floor's certificate.
//
// Examined are every SINR, rate, power and share, the status, the limits on
// total and antenna power and on EIRP, those on the size and number of groups,
// groups fixed by the caller, the power from the wall (its model's numbers are
// those that the slot's options ask for) and the floor with its certificate; with beams of a
// codebook, that weights are along the beams named and that no two users of a group
// have the same.
//
//	h_k,f  channel of user k on subband f, M samples, y = h^H x + n
//	w_j,f  weights of allocation j of a group on subband f, M samples, sqrt(W)
//	N_k,f  noise in W, F subbands of equal width
//	e_k    variance of the error of h per antenna and subband
//	P_f    power of the group on subband f, in W: sum over j of |w_j,f|^2
//
//	SINR_k,f = |h_k,f^H w_k,f|^2 / (sum over j != k of |h_k,f^H w_j,f|^2 + N_k,f + e_k P_f)
//	rate_k   = share (B/F) sum over f of log2(1 + SINR_k,f / gap), rounded down
//	           to a row of the rate table on every subband where there is one
package audit

import (
	"context"
	"fmt"
	"math"

	"leastwatt/scheduler"
)

// Tolerance is the largest relative difference between a claim and its
// re-computation that counts as agreement: rounding, nothing else.
const Tolerance = 1e-9

// Result is an audited plan.
type Result struct {
	Findings       []Finding            // where the plan disagrees; empty if nowhere
	RadiatedPowerW float64              // mean over the slot
	ConsumedPowerW *float64             // mean over the slot; nil where options name no model of it
	Users          []scheduler.UserRate // in the slot's order
	AntennaPowerW  []float64            // maximum over groups
	PeakEIRPW      *float64             // maximum over groups and directions; nil without an array
	WorstRateRatio float64              // least rate over target, of users with a target; 1 without any
	FloorPowerW    *float64             // what the plan's certificate proves; nil without one
	OverFloorDB    *float64             // RadiatedPowerW over FloorPowerW; nil where either is nil or 0
}

// Agrees tells whether nothing in the plan disagrees with what was re-computed.
func (r *Result) Agrees() bool { return len(r.Findings) == 0 }

// Recompute is Run without a bound on time, over the slot's own channel.
func Recompute(slot *scheduler.Slot, plan *scheduler.Plan) (*Result, error) {
	return Run(context.Background(), slot, plan, nil)
}

// Run audits plan, which answers slot, over the channel as it truly was where truth
// is not nil (see overTruth). It returns an error when there is nothing to re-compute
// (ErrNoPlan, ErrNoWeights), when slot and plan do not fit together or hold values
// that are not finite (ErrMismatch), and the context's when that is done: there is no
// part of an audit. It takes O(groups users^2 subbands antennas).
func Run(ctx context.Context, slot *scheduler.Slot, plan *scheduler.Plan, truth *scheduler.Channel) (*Result, error) {
	if err := check(slot, plan); err != nil {
		return nil, err
	}
	a := newAuditor(ctx, slot, plan)
	err := a.run()
	if err == nil && truth != nil {
		err = a.overTruth(truth)
	}
	if ctx.Err() != nil {
		return nil, fmt.Errorf("audit: stopped: %w", context.Cause(ctx))
	}
	if err != nil {
		return nil, err
	}
	return &a.result, nil
}

// run audits the plan over the slot's own channel, as far as the context lets it. Slot
// and plan have been checked.
func (a *auditor) run() error {
	if a.slot.Options.Beams == scheduler.BeamsCodebook || a.plan.Strategy.Beams == scheduler.BeamsCodebook {
		var err error
		if a.book, err = newCodebook(a.slot); err != nil {
			return err
		}
	}
	a.identity()
	a.groups()
	a.totals()
	a.status()
	a.unservable()
	a.limits()
	a.eirp()
	a.consumed()
	a.floor()
	if !finiteResult(&a.result) {
		return fmt.Errorf("%w: powers or rates overflow", ErrMismatch)
	}
	return nil
}

func finiteResult(r *Result) bool {
	for k := range r.Users {
		if !finite(r.Users[k].RateBps) {
			return false
		}
	}
	if r.PeakEIRPW != nil && !finite(*r.PeakEIRPW) {
		return false
	}
	if r.ConsumedPowerW != nil && !finite(*r.ConsumedPowerW) {
		return false
	}
	return finite(r.RadiatedPowerW, r.WorstRateRatio) && finite(r.AntennaPowerW...)
}

// auditor carries what Run has found so far.
type auditor struct {
	ctx     context.Context
	slot    *scheduler.Slot
	plan    *scheduler.Plan
	userOf  map[string]int
	sent    bool      // rows of the rate table are those of the plan
	shares  []float64 // on the air, per subband
	largest float64   // power of any group in W
	book    *codebook // nil: beams of no codebook
	work    int64     // left for searches of the far field
	result  Result
}

func newAuditor(ctx context.Context, slot *scheduler.Slot, plan *scheduler.Plan) *auditor {
	a := &auditor{
		ctx:    ctx,
		slot:   slot,
		plan:   plan,
		userOf: usersByID(slot),
		shares: make([]float64, slot.Channel.Subbands),
		work:   mostWork,
		result: Result{
			Users:         make([]scheduler.UserRate, len(slot.Users)),
			AntennaPowerW: make([]float64, slot.Channel.Antennas),
		},
	}
	for k, u := range slot.Users {
		a.result.Users[k] = scheduler.UserRate{ID: u.ID, TargetBps: u.RateBps}
		// What earlier slots owe is not known here: at most the target once more.
		if slot.Options.BacklogSlots > 0 && k < len(plan.Users) {
			a.result.Users[k].TargetBps = min(max(plan.Users[k].TargetBps, u.RateBps), 2*u.RateBps)
		}
	}
	return a
}

// groups audits every group.
func (a *auditor) groups() {
	for g := range a.plan.Groups {
		a.group(g)
	}
}

// group audits group g and adds what it carries and radiates to the result.
func (a *auditor) group(g int) {
	group := &a.plan.Groups[g]
	path := fmt.Sprintf("groups[%d]", g)
	a.share(path+".share", group.Share)
	subbands := inUse(group, a.slot.Channel.Subbands)
	for _, f := range subbands {
		a.shares[f] += group.Share
	}
	var powerW float64
	for i := range group.Allocations {
		if a.ctx.Err() != nil {
			return
		}
		powerW += a.allocation(path, group, subbands, i)
	}
	if a.book != nil {
		a.beams(path, group, subbands)
	}
	a.compare(path+".radiatedPowerW", "power of the group", group.RadiatedPowerW, powerW)
	a.result.RadiatedPowerW += group.Share * powerW
	a.largest = max(a.largest, powerW)
	for m, p := range antennaPowers(group, a.slot.Channel.Antennas) {
		a.result.AntennaPowerW[m] = max(a.result.AntennaPowerW[m], p)
	}
	if !a.allowed(group, subbands) {
		a.find(path, "users, share or subbands of no group in slot.groups", group.Share, 0)
	}
	if most := a.slot.Limits.MaxGroupSize; most > 0 && len(group.Allocations) > most {
		a.over(path+".allocations", "more users than a group may have", float64(most), float64(len(group.Allocations)))
	}
}

// allocation audits allocation i of group and returns its power in W.
func (a *auditor) allocation(path string, group *scheduler.Group, subbands []int, i int) float64 {
	al := &group.Allocations[i]
	path = fmt.Sprintf("%s.allocations[%d]", path, i)
	k := a.userOf[al.UserID]
	gap := math.Pow(10, a.slot.Options.SINRGapDB/10)
	var bits float64
	for s, f := range subbands {
		sinr, rounding := a.sinr(group, k, i, s, f)
		a.carries(fmt.Sprintf("%s.sinr[%d]", path, s), sinr, rounding)
		if s < len(al.SINR) {
			a.compare(fmt.Sprintf("%s.sinr[%d]", path, s), "SINR", al.SINR[s], sinr)
		}
		bits += a.carried(path, al, s, math.Log1p(sinr/gap)/math.Ln2)
	}
	if len(al.SINR) != len(subbands) {
		a.find(path+".sinr", "not one value per subband in use", float64(len(al.SINR)), float64(len(subbands)))
	}
	rateBps := group.Share * a.slot.BandwidthHz / float64(a.slot.Channel.Subbands) * bits
	a.compare(path+".rateBps", "rate of the allocation", al.RateBps, rateBps)
	powerW := squares(al.Weights)
	a.compare(path+".powerW", "power of the allocation", al.PowerW, powerW)
	a.result.Users[k].RateBps += rateBps
	return powerW
}

// carried returns what the s-th subband in use carries, in bit/s/Hz, when its SINR
// is good for bits.
func (a *auditor) carried(path string, al *scheduler.Allocation, s int, bits float64) float64 {
	table := rateTables[a.slot.Options.RateTable]
	if table == nil {
		return bits
	}
	if a.sent {
		if s >= len(al.RateStep) {
			return 0
		}
		return table.sent(al.RateStep[s], bits)
	}
	row, efficiency := table.carried(bits)
	if s >= len(al.RateStep) || al.RateStep[s] != row {
		claimed := -1
		if s < len(al.RateStep) {
			claimed = al.RateStep[s]
		}
		a.find(fmt.Sprintf("%s.rateStep[%d]", path, s), "row of the rate table", float64(claimed), float64(row))
	}
	return efficiency
}

// totals audits what the plan says of the slot as a whole.
func (a *auditor) totals() {
	a.compare("radiatedPowerW", "mean radiated power", a.plan.RadiatedPowerW, a.result.RadiatedPowerW)
	for f, share := range a.shares {
		if share > 1+Tolerance {
			a.over("groups", fmt.Sprintf("shares on subband %d exceed the slot", f), 1, share)
		}
	}
	if most := a.slot.Limits.MaxGroups; most > 0 && len(a.plan.Groups) > most {
		a.over("groups", "more groups than allowed", float64(most), float64(len(a.plan.Groups)))
	}
	a.users()
	if len(a.plan.AntennaPowerW) != len(a.result.AntennaPowerW) {
		a.find("antennaPowerW", "not one value per antenna", float64(len(a.plan.AntennaPowerW)), float64(len(a.result.AntennaPowerW)))
		return
	}
	for m, p := range a.result.AntennaPowerW {
		a.compare(fmt.Sprintf("antennaPowerW[%d]", m), "largest power of the antenna", a.plan.AntennaPowerW[m], p)
	}
}

// users audits the rates of all users and finds the worst.
func (a *auditor) users() {
	a.result.WorstRateRatio = math.Inf(1)
	for _, u := range a.result.Users {
		if u.TargetBps > 0 {
			a.result.WorstRateRatio = min(a.result.WorstRateRatio, u.RateBps/u.TargetBps)
		}
	}
	if math.IsInf(a.result.WorstRateRatio, 1) {
		a.result.WorstRateRatio = 1
	}
	if len(a.plan.Users) != len(a.result.Users) {
		a.find("users", "not every user of the slot", float64(len(a.plan.Users)), float64(len(a.result.Users)))
		return
	}
	for k, u := range a.result.Users {
		path := fmt.Sprintf("users[%d]", k)
		if got := a.plan.Users[k].ID; got != u.ID {
			a.find(path+".id", fmt.Sprintf("%q in place of %q", got, u.ID), 0, 0)
		}
		a.compare(path+".targetBps", "target of the user", a.plan.Users[k].TargetBps, u.TargetBps)
		a.compare(path+".rateBps", "rate of the user", a.plan.Users[k].RateBps, u.RateBps)
	}
}

// status audits whether the plan is MET or SHORT as it says.
func (a *auditor) status() {
	const least = 1 - scheduler.RateTolerance
	met := a.result.WorstRateRatio >= least
	switch {
	case a.plan.Status == scheduler.StatusMet && !met:
		a.over("status", "says MET, with the worst rate over target below what that allows", least, a.result.WorstRateRatio)
	case a.plan.Status == scheduler.StatusShort && met:
		a.over("status", "says SHORT, with the worst rate over target above what that allows", least, a.result.WorstRateRatio)
	}
}

// inUse returns the subbands of group, all of them where it names none.
func inUse(group *scheduler.Group, subbands int) []int {
	if len(group.Subbands) > 0 {
		return group.Subbands
	}
	all := make([]int, subbands)
	for f := range all {
		all[f] = f
	}
	return all
}

// antennaPowers returns the power of each antenna in W while group is on the air.
func antennaPowers(group *scheduler.Group, antennas int) []float64 {
	powersW := make([]float64, antennas)
	for i := range group.Allocations {
		for n, w := range group.Allocations[i].Weights {
			powersW[n%antennas] += real(w)*real(w) + imag(w)*imag(w)
		}
	}
	return powersW
}

func noiseW(u *scheduler.User, f, subbands int) float64 {
	if len(u.SubbandNoiseW) > 0 {
		return u.SubbandNoiseW[f]
	}
	return u.NoiseW / float64(subbands)
}

// squares returns the sum of |w|^2.
func squares(w []complex128) float64 {
	var sum float64
	for _, x := range w {
		sum += real(x)*real(x) + imag(x)*imag(x)
	}
	return sum
}
