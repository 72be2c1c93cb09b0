package scheduler

import (
	"fmt"
	"math"
	"slices"
)

// explore adds other groups than those in use: on each set of subbands it climbs
// from nobody and from the groups in use there; widely, from those in use on any.
func (m *columns) explore(widely bool) {
	used := m.inUse()
	for place := range m.places {
		c := climbing{columns: m, place: place, known: make(map[string]column), been: make(map[string]bool)}
		c.climb(nil)
		for i := range used {
			if m.view.Stopped() {
				return
			}
			if widely || used[i].place == place {
				c.climb(used[i].users)
			}
		}
	}
}

// climbing is the climbs on one set of subbands at the same prices.
type climbing struct {
	*columns
	place int
	known map[string]column // by users asked for
	been  map[string]bool   // by users
}

// climb goes from a group to that which is worth most of those that differ from it
// by one user, while that is worth more, and adds what is worth its time on the way.
func (c *climbing) climb(users []int) {
	at := c.best(users)
	for {
		key := fmt.Sprint(at.users)
		if c.been[key] {
			return // and from here on
		}
		c.been[key] = true
		c.addWorthy(at)
		top, worth := at, c.worth(&at)
		for _, k := range c.view.active {
			if c.view.Stopped() {
				return
			}
			next := slices.Clone(at.users)
			if i, in := slices.BinarySearch(next, k); in {
				next = slices.Delete(next, i, i+1)
			} else {
				next = slices.Insert(next, i, k)
			}
			if len(next) > c.view.MaxGroupSize() {
				continue
			}
			if to := c.best(next); c.worth(&to) > worth {
				top, worth = to, c.worth(&to)
			}
		}
		at = top
	}
}

// best returns what ascent makes of a group from the rates that are worth most to
// each of its users by itself, or lower ones where those cannot be had together. Of
// nobody it makes a column of no power.
func (c *climbing) best(users []int) column {
	key := fmt.Sprint(users)
	known, ok := c.known[key]
	if !ok {
		known = c.ascend(c.start(users))
		c.known[key] = known
	}
	return known
}

// start returns the column that best ascends from, of those users who are worth
// anything.
func (c *climbing) start(users []int) column {
	var worthy []int
	var rates []float64
	for _, k := range users {
		if r := math.Log(c.part * c.pi[k] / c.first[c.place][k]); r > leastNats {
			worthy, rates = append(worthy, k), append(rates, r)
		}
	}
	for range halvings {
		if s := c.solved(c.place, worthy, rates); !math.IsInf(s.powerW, 1) {
			return s
		}
		for i := range rates {
			rates[i] /= 2
		}
	}
	return column{place: c.place}
}
