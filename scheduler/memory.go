package scheduler

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
)

// memory is what an engine keeps from slot to slot, by user id. It travels as
// JSON.
type memory struct {
	Slots   int // planned
	Groups  [][]string
	Share   []float64            // of groups
	Penalty map[string][]float64 // [user][subband], see groupSolver
	Owed    map[string]float64   // [user] bit/s over one slot, see withRepayment
}

// State returns what the engine remembers, to be handed to another.
func (e *Engine) State() []byte {
	state, err := json.Marshal(&e.memory)
	if err != nil {
		return nil // a number that JSON does not have: as good as nothing
	}
	return state
}

// Restore makes the engine remember what another did. It refuses what is not the
// State of this version, and is then as new; nothing at all is that of a new one.
func (e *Engine) Restore(state []byte) error {
	e.memory = memory{}
	if len(state) == 0 {
		return nil
	}
	if err := checkNesting(state); err != nil {
		return err
	}
	var m memory
	d := json.NewDecoder(bytes.NewReader(state))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return fmt.Errorf("scheduler: state: %w", err)
	}
	if len(m.Share) != len(m.Groups) || m.Slots < 0 {
		return errors.New("scheduler: state: not what an engine remembers")
	}
	for _, s := range m.Share {
		if !(s > 0 && s <= 1) {
			return errors.New("scheduler: state: a share out of range")
		}
	}
	for _, g := range m.Groups {
		if len(g) == 0 {
			return errors.New("scheduler: state: a group of nobody")
		}
	}
	for _, owed := range m.Owed {
		if !(owed >= 0) {
			return errors.New("scheduler: state: a backlog below 0")
		}
	}
	e.memory = m
	return nil
}

// Bounds on what Restore takes: a memory has lists in lists in a record, and no
// more elements than a penalty for each of 512 users on each of 512 subbands, twice
// over.
const (
	stateNesting  = 3
	stateElements = 1 << 19
)

// checkNesting refuses what is nested deeper than a memory is or has more elements,
// in one pass over its text and before anything is made of it.
func checkNesting(state []byte) error {
	depth, elements, quoted := 0, 0, false
	for i := 0; i < len(state); i++ {
		switch c := state[i]; {
		case quoted:
			if c == '\\' {
				i++
			}
			quoted = c != '"'
		case c == '"':
			quoted = true
		case c == '[' || c == '{':
			depth++
			elements++
		case c == ']' || c == '}':
			depth--
		case c == ',':
			elements++
		}
		if depth > stateNesting || elements > stateElements {
			return fmt.Errorf("scheduler: state: more than %d levels or %d elements", stateNesting, stateElements)
		}
	}
	return nil
}

// remember gives the view what a search may start from.
func (v *View) remember(m *memory) {
	if v.options.Grouping != GroupingLeastPower || len(v.slot.Groups) > 0 {
		return // what is solved is to be the same, to the last bit, in any slot of a session
	}
	v.memory = m
	k := len(v.slot.Users)
	for i := range v.slot.Users {
		for f, p := range m.Penalty[v.slot.Users[i].ID] {
			if f < v.Subbands() && p > 0 {
				v.solver.penalty[f*k+i] = p
			}
		}
	}
}

// keep remembers the partition of a plan made with it.
func (m *memory) keep(v *View, p *partition) {
	if v.memory == nil {
		return
	}
	m.Slots++
	m.Groups, m.Share = nil, nil
	for i := range p.groups {
		var ids []string
		for _, k := range p.groups[i].users {
			ids = append(ids, v.slot.Users[k].ID)
		}
		m.Groups = append(m.Groups, ids)
		m.Share = append(m.Share, p.groups[i].share)
	}
	m.Penalty = make(map[string][]float64, len(v.active))
	k := len(v.slot.Users)
	for _, i := range v.active {
		for f := range v.Subbands() {
			m.Penalty[v.slot.Users[i].ID] = append(m.Penalty[v.slot.Users[i].ID], v.solver.penalty[f*k+i])
		}
	}
}

// remembered returns the last partition of the session with the users of this
// slot: those that are new where they cost least by the estimate. It has no groups
// where nothing is remembered or the limits on groups do not allow it.
func (s *search) remembered() dealing {
	v, m := s.view, s.view.memory
	if m == nil || len(m.Groups) == 0 {
		return dealing{}
	}
	number := make(map[string]int, len(v.slot.Users))
	for k := range v.slot.Users {
		number[v.slot.Users[k].ID] = k
	}
	var out dealing
	known := make([]bool, len(v.slot.Users))
	for g, ids := range m.Groups {
		var users []int
		for _, id := range ids {
			if k, ok := number[id]; ok && v.rate[k] > 0 && !known[k] {
				known[k] = true
				users = append(users, k)
			}
		}
		if len(users) > 0 {
			out.groups, out.share = append(out.groups, users), append(out.share, m.Share[g])
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

// resume searches from the session's last partition: it descends, then deals some
// groups anew, not the same ones in every slot. It reports false where there is no
// such partition or it cannot be served any more. Below the hysteresis what was remembered stays.
func (s *search) resume() bool {
	d := s.remembered()
	if len(d.groups) == 0 || !s.start(d) {
		return false
	}
	last := s.held
	s.descend(math.Inf(1))
	s.kicks(max(kicks(len(s.view.active))/resumeKicks, 1), uint64(s.view.memory.Slots))
	if s.total > last.total*math.Pow(10, -s.view.options.HysteresisDB/10) {
		s.held = last
	}
	return true
}

// resumeKicks is how many slots share the kicks of one.
const resumeKicks = 16
