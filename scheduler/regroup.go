package scheduler

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
)

// regroup returns groups that keep to the limits on their size and number: as
// they are where they do. Otherwise the users of the smallest groups above the
// number, and of larger groups those above the size that leave the most power, go
// where they cost least by the estimate. Validate has seen to it that there is
// room for all.
func (v *View) regroup(groups [][]int) [][]int {
	if v.fits(groups) {
		return groups
	}
	e := newEstimate(v)
	groups = slices.Clone(groups)
	slices.SortStableFunc(groups, func(a, b []int) int { return len(b) - len(a) })
	n := min(max(len(groups), (len(v.active)+v.MaxGroupSize()-1)/v.MaxGroupSize()), v.MaxGroups())
	share := make([]float64, n)
	for g := range share {
		share[g] = 1 / float64(n)
	}
	d := e.newDeal(v.active, share, v.MaxGroupSize())
	var homeless []int
	for g, users := range groups {
		if g >= n {
			homeless = append(homeless, users...)
			continue
		}
		for _, k := range users {
			d.at[k] = g
		}
		d.groups[g] = slices.Clone(users)
		d.refresh(g)
		for len(d.groups[g]) > d.maxSize {
			most := slices.MaxFunc(d.groups[g], func(k, j int) int { return cmp.Compare(d.fall[k], d.fall[j]) })
			d.take(most)
			homeless = append(homeless, most)
		}
	}
	for _, k := range homeless {
		d.put(k, d.cheapest(k))
	}
	return slices.DeleteFunc(d.groups, func(users []int) bool { return len(users) == 0 })
}

// checkGroupLimits refuses limits on groups that leave no room for the users
// with a rate.
func (s *Slot) checkGroupLimits(v *violations) {
	l := &s.Limits
	if l.MaxGroups < 1 {
		return
	}
	if n := len(s.Groups); n > l.MaxGroups {
		v.add("groups", fmt.Sprintf("%d groups", n), fmt.Sprintf("at most limits.maxGroups = %d", l.MaxGroups))
		return
	}
	if users := s.served(); l.MaxGroupSize > 0 && (users-1)/l.MaxGroupSize+1 > l.MaxGroups {
		v.add("limits.maxGroups", strconv.Itoa(l.MaxGroups),
			fmt.Sprintf("at least %d: %d users with a rate in groups of limits.maxGroupSize = %d", (users-1)/l.MaxGroupSize+1, users, l.MaxGroupSize))
	}
}

// served returns the number of users with a rate.
func (s *Slot) served() int {
	n := 0
	for k := range s.Users {
		if s.Users[k].RateBps > 0 {
			n++
		}
	}
	return n
}
