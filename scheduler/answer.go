package scheduler

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// What a grouping answers is checked here, and nowhere else, before anything is
// solved for it: a grouping may come from outside, and one that names a user
// twice or hands out more than the slot would look as if it met its targets.

// ask returns the groups of a grouping by name, within the limits on their size
// and number, and what is wrong with its answer; groups only where nothing is.
func (v *View) ask(name string) ([]TimedGroup, []Violation) {
	grouping := groupings[name].grouping
	var groups []TimedGroup
	timed, isTimed := grouping.(TimedGrouping)
	if isTimed {
		groups = timed.Timed(v)
	} else {
		groups = timeless(grouping.Group(v))
	}
	groups = cleared(groups)
	a := answer{view: v, name: name, groups: groups, timed: isTimed}
	if a.check(); len(a.bad.list) > 0 {
		return nil, a.bad.result()
	}
	if !isTimed {
		groups = timeless(v.regroup(untimed(groups)))
	}
	return groups, nil
}

// cleared returns a copy without empty groups, so that nothing that the grouping
// keeps is changed later.
func cleared(groups []TimedGroup) []TimedGroup {
	var out []TimedGroup
	for _, g := range groups {
		if len(g.Users) == 0 {
			continue
		}
		g.Users, g.Rates = slices.Clone(g.Users), slices.Clone(g.Rates)
		if g.Subbands = slices.Clone(g.Subbands); len(g.Subbands) == 0 {
			g.Subbands = nil
		}
		out = append(out, g)
	}
	return out
}

// answer is what a grouping answered, while it is checked.
type answer struct {
	view   *View
	name   string
	groups []TimedGroup
	timed  bool
	bad    violations
}

// add notes what is wrong with something in the answer.
func (a *answer) add(path, value, allowed string) {
	a.bad.add(fmt.Sprintf("grouping %s: %s", a.name, path), value, allowed)
}

// check looks at everything that later steps take for granted.
func (a *answer) check() {
	for g := range a.groups {
		a.users(g)
		a.subbands(g)
		a.share(g)
		a.rates(g)
	}
	if len(a.bad.list) > 0 {
		return // sums would say nothing more
	}
	a.sums()
	a.targets()
	if a.timed {
		a.limits()
		a.turns()
	}
}

// users checks the members of group g.
func (a *answer) users(g int) {
	active := a.view.active
	for i, k := range a.groups[g].Users {
		path := itemPath(itemPath("groups", g, "users"), i, "")
		if _, known := slices.BinarySearch(active, k); !known {
			a.add(path, strconv.Itoa(k), fmt.Sprintf("the number of a user with a rate, one of the %d of View.Active", len(active)))
		} else if slices.Contains(a.groups[g].Users[:i], k) {
			a.add(path, a.user(k)+" again", "each user once in a group")
		}
	}
}

// user names user k.
func (a *answer) user(k int) string {
	return fmt.Sprintf("user %d (%s)", k, text(a.view.slot.Users[k].ID))
}

func (a *answer) subbands(g int) {
	bands := a.groups[g].Subbands
	for i, f := range bands {
		if f < 0 || f >= a.view.Subbands() || i > 0 && f <= bands[i-1] {
			a.add(itemPath(itemPath("groups", g, "subbands"), i, ""), strconv.Itoa(f),
				fmt.Sprintf("from 0 to %d, rising", a.view.Subbands()-1))
		}
	}
}

func (a *answer) share(g int) {
	t := &a.groups[g]
	path := itemPath("groups", g, "share")
	if !(t.Share >= 0 && t.Share <= 1+shareSlack) {
		a.add(path, number(t.Share), "in (0, 1], or 0 for the engine to choose")
		return
	}
	if step := a.view.options.ShareStep; step > 0 && t.Share > 0 {
		if n := math.Round(t.Share / step); n < 1 || math.Abs(t.Share-n*step) > shareSlack {
			a.add(path, number(t.Share), fmt.Sprintf("a multiple of options.shareStep = %g", step))
		}
	}
	if t.Rates != nil && t.Share == 0 {
		a.add(path, "0", "a share, where there are rates")
	}
}

func (a *answer) rates(g int) {
	t := &a.groups[g]
	if t.Rates == nil {
		return
	}
	if len(t.Rates) != len(t.Users) {
		a.add(itemPath("groups", g, "rates"), fmt.Sprintf("%d rates", len(t.Rates)), fmt.Sprintf("one for each of %d users", len(t.Users)))
		return
	}
	for i, r := range t.Rates {
		if !(r >= 0 && r <= math.MaxFloat64) {
			a.add(itemPath(itemPath("groups", g, "rates"), i, ""), number(r), "at least 0 and finite")
		}
	}
}

// bandsOf returns the subbands of group g.
func (a *answer) bandsOf(g int) []int {
	if bands := a.groups[g].Subbands; bands != nil {
		return bands
	}
	return a.view.allBands
}

// sums checks that shares fit the slot on every subband and leave something to
// groups without one.
func (a *answer) sums() {
	sum := make([]float64, a.view.Subbands())
	for g := range a.groups {
		for _, f := range a.bandsOf(g) {
			sum[f] += a.groups[g].Share
		}
	}
	for f, s := range sum {
		if s > 1+shareSlack {
			a.add("groups", fmt.Sprintf("shares with a sum of %g on subband %d", s, f), "at most 1 on each subband")
			return
		}
	}
	for g := range a.groups {
		left := 1.0
		for _, f := range a.bandsOf(g) {
			left = math.Min(left, 1-sum[f])
		}
		if a.groups[g].Share == 0 && left <= shareSlack {
			a.add(itemPath("groups", g, "share"), "0", "a share: the others leave none")
		}
	}
}

// targets checks that every user with a rate is in one group, or in several whose
// rates add up to its target.
func (a *answer) targets() {
	v := a.view
	in := make([]int, len(v.rate))      // groups
	rated := make([]int, len(v.rate))   // groups with rates
	sum := make([]float64, len(v.rate)) // nats per use, mean over slot and subbands
	for g := range a.groups {
		t := &a.groups[g]
		part := t.Share * float64(len(a.bandsOf(g))) / float64(v.Subbands())
		for i, k := range t.Users {
			if in[k]++; t.Rates != nil {
				rated[k]++
				sum[k] += part * t.Rates[i]
			}
		}
	}
	for _, k := range v.active {
		switch {
		case in[k] == 0:
			a.add("groups", a.user(k)+" is in no group", "each user with a rate in one group")
		case in[k] > 1 && rated[k] < in[k]:
			a.add("groups", fmt.Sprintf("%s is in %d groups", a.user(k), in[k]), "one group, or several of which each has rates")
		case rated[k] > 0 && !(sum[k] >= v.rate[k]*(1-RateTolerance)):
			a.add("groups", fmt.Sprintf("rates of %s with a sum of %g nats per use, mean over the slot", a.user(k), sum[k]),
				fmt.Sprintf("its target of %g", v.rate[k]))
		}
	}
}

// limits checks the limits on groups of a grouping that decides on time too: its
// groups cannot be dealt anew.
func (a *answer) limits() {
	v := a.view
	for g := range a.groups {
		if n := len(a.groups[g].Users); n > v.MaxGroupSize() {
			a.add(itemPath("groups", g, "users"), fmt.Sprintf("%d users", n), fmt.Sprintf("at most View.MaxGroupSize = %d", v.MaxGroupSize()))
		}
	}
	if most := v.slot.Limits.MaxGroups; most > 0 && len(a.groups) > most {
		a.add("groups", fmt.Sprintf("%d groups", len(a.groups)), fmt.Sprintf("at most limits.maxGroups = %d", most))
	}
}

// turns checks that groups take turns where power is limited or time on the air
// costs: on one subband that all of them use.
func (a *answer) turns() {
	v := a.view
	if v.peak == nil && v.options.Objective != ObjectiveConsumed {
		return
	}
	for _, f := range v.allBands {
		if !slices.ContainsFunc(a.groups, func(t TimedGroup) bool { return t.Subbands != nil && !slices.Contains(t.Subbands, f) }) {
			return
		}
	}
	a.add("groups", "groups without a subband in common", "one that all use, with limits on power or objective "+ObjectiveConsumed)
}
