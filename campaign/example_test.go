package campaign_test

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"leastwatt/campaign"
	"leastwatt/scheduler"
)

// pairs serves two users at a time: each with the one of those left that it is
// least correlated with.
type pairs struct{}

func init() {
	scheduler.RegisterGrouping("pairs", "two users at a time, least correlated first", pairs{})
}

// Group implements scheduler.Grouping.
func (pairs) Group(v *scheduler.View) [][]int {
	var groups [][]int
	left := slices.Clone(v.Active())
	for len(left) > 1 {
		first := left[0]
		mate := slices.MinFunc(left[1:], func(k, j int) int {
			return cmp.Compare(v.Correlation(first, k), v.Correlation(first, j))
		})
		groups = append(groups, []int{first, mate})
		left = slices.DeleteFunc(left, func(k int) bool { return k == first || k == mate })
	}
	if len(left) == 1 {
		groups = append(groups, left)
	}
	return groups
}

// A grouping of one's own, registered above, against one group of all, on users
// in clusters.
func Example() {
	for _, set := range campaign.Sets() {
		if set.Name != "clusters-10x16" {
			continue
		}
		run := campaign.Run{Set: set.Name, Strategies: []scheduler.Strategy{{Grouping: "pairs"}, {Grouping: "together"}}}
		result, err := run.Do(context.Background(), set.Slots(1, 20))
		if err != nil {
			fmt.Println(err)
			return
		}
		for _, s := range result.Summaries() {
			fmt.Printf("%s met the targets on %d of %d slots, %.1f dB over the best\n", s.Grouping, s.Met, s.Slots, s.OverBestDb.Mean)
		}
	}
	// Output:
	// pairs met the targets on 20 of 20 slots, 0.0 dB over the best
	// together met the targets on 20 of 20 slots, 15.7 dB over the best
}
