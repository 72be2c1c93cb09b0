package scheduler

import "math"

// MaxBacklogSlots is the largest bound on what is owed to a user.
const MaxBacklogSlots = 1e6

// withRepayment returns the slot with targets raised by what earlier slots of the
// session owe, the slot itself where that is nothing. A slot repays no more than a
// user's own target: queues of this kind keep mean rates wherever the mean channel
// does (Georgiadis, Neely, Tassiulas, Resource Allocation and Cross-Layer Control
// in Wireless Networks, ch. 4, from memory).
func (m *memory) withRepayment(slot *Slot) *Slot {
	if slot.Options.BacklogSlots == 0 || len(m.Owed) == 0 {
		return slot
	}
	raised := *slot
	raised.Users = make([]User, len(slot.Users))
	for k, u := range slot.Users {
		u.RateBps += math.Min(m.Owed[u.ID], u.RateBps)
		raised.Users[k] = u
	}
	return &raised
}

// settle notes what is owed after the plan of a slot, no more than
// options.backlogSlots times the target, in the memory and in the plan. Users who
// are not in the slot are owed nothing any more.
func (m *memory) settle(slot *Slot, p *Plan) {
	if slot.Options.BacklogSlots == 0 {
		m.Owed = nil
		return
	}
	owed := make(map[string]float64)
	for k := range p.Users {
		u, asked := &p.Users[k], slot.Users[k].RateBps
		left := math.Max(0, m.Owed[u.ID]-(u.TargetBps-asked)) // not asked of this slot
		if !u.met() {
			left += u.TargetBps - u.RateBps
		}
		if u.BacklogBps = math.Min(left, slot.Options.BacklogSlots*asked); u.BacklogBps > 0 {
			owed[u.ID] = u.BacklogBps
		}
	}
	m.Owed = owed
}
