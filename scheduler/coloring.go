package scheduler

import (
	"cmp"
	"slices"
)

func init() {
	RegisterGrouping("coloring", "greedy colouring of the graph of users correlated above a threshold, most neighbours first", coloring{})
}

// coloring puts an edge between users whose correlation reaches the threshold and
// colours the graph greedily, users with most neighbours first (Welsh, Powell,
// The Computer Journal 10(1), 1967, from memory): each joins the first group in
// which it has no neighbour and that has room. At most one group more than the
// most neighbours where groups have room. O(K^2).
type coloring struct{}

// Group implements Grouping.
func (coloring) Group(v *View) [][]int {
	threshold := v.Options().CorrelationThreshold
	if threshold == 0 {
		threshold = defaultCorrelation
	}
	users := v.Active()
	near := func(k, j int) bool { return k != j && v.Correlation(k, j) >= threshold }
	degree := make([]int, len(v.slot.Users))
	for _, k := range users {
		for _, j := range users {
			if near(k, j) {
				degree[k]++
			}
		}
	}
	order := slices.Clone(users)
	slices.SortStableFunc(order, func(k, j int) int { return cmp.Compare(degree[j], degree[k]) })
	size := min(v.Antennas(), v.MaxGroupSize())
	var out [][]int
	for _, k := range order {
		g := slices.IndexFunc(out, func(group []int) bool {
			return len(group) < size && !slices.ContainsFunc(group, func(j int) bool { return near(k, j) })
		})
		if g < 0 {
			out = append(out, []int{k})
		} else {
			out[g] = append(out[g], k)
		}
	}
	return out
}
