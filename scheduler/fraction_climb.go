package scheduler

import (
	"math"
	"math/rand/v2"
	"slices"
)

const (
	climbGain  = 1e-4 // of the sum of shares, what a change must save
	climbKicks = 12   // deals anew of some groups
)

// fractionClimb descends to partitions of small sums of least shares by single
// changes. Most changes that do not save anything are seen in one solve: it is
// asked whether the group made can bear the share that is left for it.
type fractionClimb struct {
	*fractionSearch
	groups [][]int
	shares []float64
	sum    float64
}

// climbed returns the groups of the least sum of shares found, nil where there are
// none of up to 1: from the partitions tried, from semi-orthogonal groups, and
// from the best with the users of some groups dealt anew by chance.
func (f *fractionSearch) climbed(tried []*partition) [][]int {
	v := f.short.view
	best := fractionClimb{fractionSearch: f, sum: math.Inf(1)}
	from := func(groups [][]int) {
		c := fractionClimb{fractionSearch: f}
		if !v.Stopped() && v.fits(groups) && c.start(groups) {
			if c.climb(); c.sum < best.sum {
				best = c
			}
		}
	}
	for _, p := range tried {
		from(f.without(p.users()))
	}
	from(f.without(v.groups(semiOrthogonal{})))
	rng := rand.New(rand.NewPCG(5, 6))
	for range climbKicks {
		if v.Stopped() || math.IsInf(best.sum, 1) {
			break
		}
		from(best.dealtAnew(rng))
	}
	if !(best.sum <= 1) {
		return nil
	}
	return best.groups
}

// users returns the users of each group.
func (p *partition) users() [][]int {
	var out [][]int
	for i := range p.groups {
		out = append(out, p.groups[i].users)
	}
	return out
}

// without returns groups of the users sought for alone, each rising.
func (f *fractionSearch) without(groups [][]int) [][]int {
	var out [][]int
	for _, users := range groups {
		users = slices.DeleteFunc(slices.Sorted(slices.Values(users)), func(k int) bool { return !slices.Contains(f.users, k) })
		if len(users) > 0 {
			out = append(out, users)
		}
	}
	return out
}

// start takes groups to start from. It reports false where some share serves not all.
func (c *fractionClimb) start(groups [][]int) bool {
	c.groups, c.shares = slices.Clone(groups), nil
	for _, users := range groups {
		c.shares = append(c.shares, c.need(users, largestLeastShare))
	}
	c.total()
	return !math.IsInf(c.sum, 1)
}

func (c *fractionClimb) total() {
	c.sum = 0
	for _, s := range c.shares {
		c.sum += s
	}
}

// climb makes changes while one saves anything.
func (c *fractionClimb) climb() {
	for !c.view().Stopped() && (c.move() || c.merge() || c.swap()) {
		c.total()
	}
}

func (c *fractionClimb) view() *View { return c.short.view }

// set replaces group i; by nobody, it goes.
func (c *fractionClimb) set(i int, users []int, share float64) {
	c.groups, c.shares = slices.Clone(c.groups), slices.Clone(c.shares)
	if len(users) == 0 {
		c.groups, c.shares = slices.Delete(c.groups, i, i+1), slices.Delete(c.shares, i, i+1)
		return
	}
	c.groups[i], c.shares[i] = users, share
}

// move moves one user to another group or one of its own.
func (c *fractionClimb) move() bool {
	least := climbGain * c.sum
	for a, users := range c.groups {
		for _, k := range users {
			rest, left := exchanged(users, k, -1), 0.0
			if len(rest) > 0 {
				left = c.need(rest, c.shares[a])
			}
			free := c.shares[a] - left - least
			if !(free > 0) {
				continue
			}
			if len(rest) > 0 && len(c.groups) < c.view().MaxGroups() {
				if s := c.need([]int{k}, free); !math.IsInf(s, 1) {
					c.set(a, rest, left)
					c.groups, c.shares = append(c.groups, []int{k}), append(c.shares, s)
					return true
				}
			}
			for b := range c.groups {
				if b == a {
					continue
				}
				if c.view().Stopped() {
					return false
				}
				more := exchanged(c.groups[b], -1, k)
				if s := c.need(more, c.shares[b]+free); !math.IsInf(s, 1) {
					c.set(b, more, s)
					c.set(a, rest, left)
					return true
				}
			}
		}
	}
	return false
}

// merge makes one group of two.
func (c *fractionClimb) merge() bool {
	for a := range c.groups {
		for b := range a {
			if c.view().Stopped() {
				return false
			}
			both := slices.Sorted(slices.Values(slices.Concat(c.groups[a], c.groups[b])))
			if s := c.need(both, c.shares[a]+c.shares[b]-climbGain*c.sum); !math.IsInf(s, 1) {
				c.set(b, both, s)
				c.set(a, nil, 0)
				return true
			}
		}
	}
	return false
}

// swap exchanges two users.
func (c *fractionClimb) swap() bool {
	for a := range c.groups {
		for b := range a {
			if len(c.groups[a]) == 1 && len(c.groups[b]) == 1 {
				continue
			}
			budget := c.shares[a] + c.shares[b] - climbGain*c.sum
			for _, k := range c.groups[a] {
				for _, j := range c.groups[b] {
					if c.view().Stopped() {
						return false
					}
					one, other := exchanged(c.groups[a], k, j), exchanged(c.groups[b], j, k)
					s := c.need(one, budget)
					if math.IsInf(s, 1) {
						continue
					}
					if t := c.need(other, budget-s); !math.IsInf(t, 1) {
						c.set(a, one, s)
						c.set(b, other, t)
						return true
					}
				}
			}
		}
	}
	return false
}

// exchanged returns the users, rising, without one and with another; -1 for none.
func exchanged(users []int, leave, join int) []int {
	var out []int
	for _, k := range users {
		if k != leave {
			out = append(out, k)
		}
	}
	if join >= 0 {
		at, _ := slices.BinarySearch(out, join)
		out = slices.Insert(out, at, join)
	}
	return out
}

// dealtAnew returns the groups with the users of two or three of them dealt by
// chance into as many, or one more or less.
func (c *fractionClimb) dealtAnew(rng *rand.Rand) [][]int {
	order := rng.Perm(len(c.groups))
	hit := min(len(order), 2+rng.IntN(2))
	var users []int
	var groups [][]int
	for i, g := range order {
		if i < hit {
			users = append(users, c.groups[g]...)
		} else {
			groups = append(groups, c.groups[g])
		}
	}
	size := c.view().MaxGroupSize()
	n := max(1, min(max(hit-1, 1)+rng.IntN(3), len(users), c.view().MaxGroups()-len(groups)), (len(users)+size-1)/size)
	rng.Shuffle(len(users), func(i, j int) { users[i], users[j] = users[j], users[i] })
	dealt := make([][]int, n)
	for i, k := range users {
		g := i
		for g >= n || len(dealt[g]) >= size {
			g = rng.IntN(n)
		}
		dealt[g] = append(dealt[g], k)
	}
	for _, d := range dealt {
		slices.Sort(d)
	}
	return append(groups, dealt...)
}
