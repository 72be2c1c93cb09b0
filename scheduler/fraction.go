package scheduler

import (
	"math"
	"slices"
	"strconv"
)

// seeker is a grouping that searches for its groups: where targets cannot be met it
// is the partition of largest common fraction that is wanted, not one that is cheap
// at rates that cannot be had.
type seeker interface {
	// everyPartition returns the number of users up to which every partition is
	// looked at then.
	everyPartition() int
}

const (
	provedUsers  = 7    // up to which every partition is looked at, of groupings that prove nothing else: 127 groups
	fractionEdge = 1e-4 // relative accuracy of least shares where partitions are sought
	fractionGain = 5e-4 // of the fraction, what another partition must bring
	maxLevels    = 40   // fractions tried in turn; without priorities and steps one does
)

// fractionSearch seeks the partition of the largest common fraction.
//
// A fraction t can be had in the groups of a partition when the least shares s_g(t)
// at which they carry it add up to 1 at most (see shortfall). The s_g depend on
// their own group alone: the least sum over partitions at the level t either shows a
// partition that carries more than t or, looked for among all of them, proves
// that none does. As long as no target is met in full s_g is in proportion to t, and
// the least sum at one level gives the largest fraction outright.
type fractionSearch struct {
	short *shortfall
	users []int // rising
	level float64
	known map[string]*need
}

// need is what is known of the least share of a group at the level.
type need struct {
	group onAir
	share float64 // 0: not known
	more  float64 // the largest share seen not to do
}

// mostFraction returns the partition of largest common fraction, with its shares,
// and that fraction, from the best known one. It reports whether every other
// partition is proved to reach no more, to 2 fractionGain.
func (s *shortfall) mostFraction(best *partition, most float64, users []int, tried []*partition) (*partition, float64, bool) {
	by, ok := groupings[s.view.options.Grouping].grouping.(seeker)
	if !ok || len(s.view.slot.Groups) > 0 || len(users) == 0 {
		return best, most, false
	}
	f := &fractionSearch{short: s, users: users, known: map[string]*need{}}
	every := len(users) <= by.everyPartition()
	for range maxLevels {
		if most >= 1 {
			return best, most, true
		}
		f.raise(math.Min(1, math.Max(most*(1+fractionGain), 1/largestLeastShare)))
		var found [][]int
		done := true
		if every {
			found, done = f.every()
		} else {
			found = f.climbed(tried)
		}
		if found == nil {
			return best, most, every && done && s.exactShares()
		}
		p := f.partition(found)
		t := s.share(p, fractionEdge)
		if !(t > most) {
			return best, most, every && done && s.exactShares()
		}
		best, most = p, t
		if s.view.Stopped() {
			break
		}
	}
	return best, most, false
}

// exactShares reports whether the least share of a group is found as such: rates on
// steps, splits over subbands, and beams out of a few are searched for.
func (s *shortfall) exactShares() bool {
	v := s.view
	return v.Subbands() == 1 && v.table == nil && v.options.ShareStep == 0 &&
		(v.options.Beams == BeamsOptimal || v.options.Beams == BeamsZeroForcing || v.options.Beams == BeamsMatched)
}

// raise sets a level above the last.
func (f *fractionSearch) raise(level float64) {
	by, last := level/f.level, f.level
	f.level = level
	for _, n := range f.known {
		full := 0.0
		for _, k := range n.group.users {
			full = math.Max(full, f.short.weight[k])
		}
		if level*full <= 1 && last > 0 {
			n.share, n.more = n.share*by, n.more*by
		} else {
			n.share = 0
		}
	}
}

// need returns the least share at which a group of users carries the level, in the
// steps of shares; +Inf where more than enough would be needed.
func (f *fractionSearch) need(users []int, enough float64) float64 {
	v := f.short.view
	if len(users) > v.MaxGroupSize() || !(enough > 0) {
		return math.Inf(1)
	}
	key := keyOf(users)
	n := f.known[key]
	if n == nil {
		n = &need{group: onAir{users: users, bands: v.allBands}}
		f.known[key] = n
	}
	if n.share == 0 && n.more < enough {
		f.short.deliver(&n.group, f.level)
		if !v.bears(&n.group, enough) {
			n.more = enough
			return math.Inf(1)
		}
		n.share = v.leastShare(&n.group, enough, fractionEdge)
	}
	if n.share == 0 {
		return math.Inf(1)
	}
	share := n.share
	if step := v.options.ShareStep; step > 0 {
		share = step * math.Max(1, math.Ceil(share/step-fractionEdge))
	}
	if share > enough {
		return math.Inf(1)
	}
	return share
}

// keyOf returns a key of a set of users, rising.
func keyOf(users []int) string {
	var key []byte
	for _, k := range users {
		key = append(strconv.AppendInt(key, int64(k), 36), ' ')
	}
	return string(key)
}

// partition returns the partition into groups, with what was found out about them.
func (f *fractionSearch) partition(groups [][]int) *partition {
	p := &partition{grouping: f.short.view.options.Grouping, short: true}
	for _, users := range groups {
		g := f.known[keyOf(users)].group
		g.share = f.known[keyOf(users)].share
		p.groups = append(p.groups, g)
	}
	return p
}

// every returns the groups of the least sum of shares over all partitions, nil where
// there is none of up to 1, and whether it got to the end: dynamic programming over
// subsets, O(3^K) sums and a few solves for each of 2^K subsets at most. Where
// groups are not limited in number, a group is of use only where it needs less than
// the best of its own partitions, which is one solve to find out as a rule.
func (f *fractionSearch) every() (groups [][]int, done bool) {
	v := f.short.view
	layers := min(v.MaxGroups(), len(f.users))
	whole := 1<<len(f.users) - 1
	alone := make([]float64, whole+1)    // [subset] as one group
	least := make([][]float64, layers+1) // [groups][subset] in up to so many
	cut := make([][]int, layers+1)       // [groups][subset] the group of the first user then
	for n := range least {
		least[n] = slices.Repeat([]float64{math.Inf(1)}, whole+1)
		least[n][0] = 0
		cut[n] = make([]int, whole+1)
	}
	for m := 1; m <= whole; m++ {
		if v.Stopped() {
			return nil, false
		}
		first := m & -m
		for n := 2; n <= layers; n++ {
			for sub := (m - 1) & m; sub > 0; sub = (sub - 1) & m {
				if sum := alone[sub] + least[n-1][m&^sub]; sub&first != 0 && sum < least[n][m] {
					least[n][m], cut[n][m] = sum, sub
				}
			}
		}
		enough := 1.0
		if layers == len(f.users) {
			enough = math.Min(1, least[layers][m])
		}
		alone[m] = f.need(subset(f.users, m), enough)
		for n := 1; n <= layers; n++ {
			if alone[m] < least[n][m] {
				least[n][m], cut[n][m] = alone[m], m
			}
		}
	}
	if !(least[layers][whole] <= 1) {
		return nil, true
	}
	for n, m := layers, whole; m > 0; n-- {
		groups = append(groups, subset(f.users, cut[n][m]))
		m &^= cut[n][m]
	}
	return groups, true
}

// subset returns the users of a mask.
func subset(users []int, m int) []int {
	var out []int
	for i, k := range users {
		if m&(1<<i) != 0 {
			out = append(out, k)
		}
	}
	return out
}
