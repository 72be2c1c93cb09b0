package scheduler

import (
	"context"
	"math"
	"slices"
)

// Session schedules the slots of one moving channel, one at a time. Unlike an
// Engine it remembers: least-power starts from the last slot's groups, shares and
// uplink powers, so that a channel that has moved little takes a fraction of the
// time, and options.hysteresisDb keeps groups as they are for gains below it. What
// is planned depends on the slots so far, in order, and on nothing else. It must
// not be shared between goroutines.
type Session struct {
	memory memory
}

// NewSession returns a session that has seen no slot.
func NewSession() *Session { return &Session{} }

// Schedule is Engine.Schedule with what the session remembers.
func (s *Session) Schedule(ctx context.Context, slot *Slot) *Plan {
	if bad := slot.Validate(); len(bad) > 0 {
		return rejected(slot, bad)
	}
	return schedule(ctx, slot, &s.memory)
}

// memory is what a session keeps from slot to slot, by user id.
type memory struct {
	slots   int // planned
	groups  [][]string
	share   []float64 // of groups
	penalty map[string][]float64
}

// recall sets what solves of v start from.
func (m *memory) recall(v *View) {
	k := len(v.slot.Users)
	for i := range v.slot.Users {
		for f, p := range m.penalty[v.slot.Users[i].ID] {
			if f < v.Subbands() {
				v.solver.penalty[f*k+i] = p
			}
		}
	}
}

// keep remembers the partition of a plan.
func (m *memory) keep(v *View, p *partition) {
	m.slots++
	m.groups, m.share = nil, nil
	for i := range p.groups {
		var ids []string
		for _, k := range p.groups[i].users {
			ids = append(ids, v.slot.Users[k].ID)
		}
		m.groups = append(m.groups, ids)
		m.share = append(m.share, p.groups[i].share)
	}
	m.penalty = make(map[string][]float64, len(v.active))
	k := len(v.slot.Users)
	for _, i := range v.active {
		for f := range v.Subbands() {
			m.penalty[v.slot.Users[i].ID] = append(m.penalty[v.slot.Users[i].ID], v.solver.penalty[f*k+i])
		}
	}
}

// remembered returns the last partition of the session with the users of this
// slot: those that are new where they cost least by the estimate. It has no groups
// where nothing is remembered or the limits on groups do not allow it.
func (s *search) remembered() dealing {
	v, m := s.view, s.view.memory
	if m == nil || len(m.groups) == 0 {
		return dealing{}
	}
	number := make(map[string]int, len(v.slot.Users))
	for k := range v.slot.Users {
		number[v.slot.Users[k].ID] = k
	}
	var out dealing
	known := make([]bool, len(v.slot.Users))
	for g, ids := range m.groups {
		var users []int
		for _, id := range ids {
			if k, ok := number[id]; ok && v.rate[k] > 0 && !known[k] {
				known[k] = true
				users = append(users, k)
			}
		}
		if len(users) > 0 {
			out.groups, out.share = append(out.groups, users), append(out.share, m.share[g])
		}
	}
	if len(out.groups) == 0 || !v.fits(out.groups) {
		return dealing{}
	}
	normalize(out.share, 1)
	if slices.ContainsFunc(v.active, func(k int) bool { return !known[k] }) {
		d := s.estimate.newDeal(v.active, out.share, s.maxSize)
		d.seat(out.groups)
		for _, k := range v.active {
			if !known[k] {
				d.put(k, d.cheapest(k))
			}
		}
		out.groups = d.groups
	}
	return out
}

// resume searches from the session's last partition: it descends, then looks
// whether the best deal of this slot is better, then deals some groups anew, not
// the same ones in every slot. It reports false where there is no such partition
// or it cannot be served any more. Below the hysteresis what was remembered stays.
func (s *search) resume() bool {
	d := s.remembered()
	if len(d.groups) == 0 || !s.start(d) {
		return false
	}
	last := s.held
	s.descend()
	if !s.view.Stopped() {
		best := s.held
		s.held = held{total: math.Inf(1)}
		if s.start(s.refined(s.deals()[0])) && s.total < best.total*(1-searchGain) {
			s.descend()
		}
		s.held = best.or(s.held)
	}
	s.kicks(max(kicks(len(s.view.active))/resumeKicks, 1), uint64(s.view.memory.slots))
	if s.total > last.total*math.Pow(10, -s.view.options.HysteresisDB/10) {
		s.held = last
	}
	return true
}

// resumeKicks is how many slots share the kicks of one.
const resumeKicks = 8
