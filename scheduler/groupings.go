package scheduler

import (
	"math"
)

func init() {
	RegisterGrouping("together", "one group of all users", together{})
	RegisterGrouping("alone", "every user by itself, in turn", alone{})
	RegisterGrouping("random", "a seeded deal of users into as few groups of half the antennas as hold them", random{})
	RegisterGrouping("semi-orthogonal", "groups picked one user at a time, strongest remainder first, below a correlation threshold", semiOrthogonal{})
}

// together puts all users into one group.
type together struct{}

// Group implements Grouping.
func (together) Group(v *View) [][]int {
	return [][]int{append([]int(nil), v.Active()...)}
}

// alone gives every user a group of its own.
type alone struct{}

// Group implements Grouping.
func (alone) Group(v *View) [][]int {
	var out [][]int
	for _, k := range v.Active() {
		out = append(out, []int{k})
	}
	return out
}

// random deals users, shuffled by the slot's seed, into groups of nearly equal
// size: the fewest that keep to half the antennas and to the largest group
// allowed. It is the baseline that grouping by channel is measured against.
type random struct{}

// Group implements Grouping.
func (random) Group(v *View) [][]int {
	users := append([]int(nil), v.Active()...)
	v.Rand().Shuffle(len(users), func(i, j int) { users[i], users[j] = users[j], users[i] })
	size := min(max(1, v.Antennas()/2), v.MaxGroupSize())
	out := make([][]int, (len(users)+size-1)/size)
	for i, k := range users {
		g := i % len(out)
		out[g] = append(out[g], k)
	}
	return out
}

// defaultCorrelation is the correlation threshold of semi-orthogonal selection
// when options name none; 0.2 to 0.4 is the range in use (common practice, no
// source).
const defaultCorrelation = 0.35

// semiOrthogonal is semi-orthogonal user selection (Yoo, Goldsmith, IEEE JSAC
// 24(3), 2006), repeated until every user has a group: the next user of a group
// is the one with the strongest channel off the span of the group, and those
// whose correlation with that remainder reaches the threshold wait for a later
// group. With several subbands norms add up and the largest correlation counts.
// O(K^2 * group size) per group after the Gram matrix.
type semiOrthogonal struct{}

// Group implements Grouping.
func (semiOrthogonal) Group(v *View) [][]int {
	threshold := v.Options().CorrelationThreshold
	if threshold == 0 {
		threshold = defaultCorrelation
	}
	size := max(1, min(v.Antennas(), v.MaxGroupSize())) // every antenna may be off
	left := append([]int(nil), v.Active()...)
	var out [][]int
	for len(left) > 0 {
		group := selectSemiOrthogonal(v, left, threshold, size)
		out = append(out, group)
		left = without(left, group)
	}
	return out
}

// selectSemiOrthogonal picks one group from the candidates.
func selectSemiOrthogonal(v *View, candidates []int, threshold float64, size int) []int {
	n := len(candidates)
	bands := v.Subbands()
	// Column by column of the Cholesky factor of the candidates' Gram matrix:
	// l[f][c][i] is the part of candidate i along pick c, left[f][i] the squared
	// norm of its remainder.
	l := make([][][]complex128, bands)
	left := make([][]float64, bands)
	for f := range bands {
		left[f] = make([]float64, n)
		for i, k := range candidates {
			left[f][i] = v.Gram(f).Norm2(k)
		}
	}
	open := make([]bool, n)
	for i := range open {
		open[i] = true
	}
	var picks, group []int
	for len(group) < size {
		best, most := -1, 0.0
		for i := range n {
			if !open[i] {
				continue
			}
			sum := 0.0
			for f := range bands {
				sum += left[f][i]
			}
			if best < 0 || sum > most {
				best, most = i, sum
			}
		}
		if best < 0 {
			break
		}
		open[best] = false
		for f := range bands {
			g := v.Gram(f)
			col := make([]complex128, n)
			root := math.Sqrt(left[f][best])
			for i, k := range candidates {
				if !open[i] || root == 0 {
					continue
				}
				z := g.At(candidates[best], k)
				for c := range picks {
					prev := l[f][c]
					z -= complex(real(prev[best]), -imag(prev[best])) * prev[i]
				}
				col[i] = complex(real(z)/root, imag(z)/root)
				p := real(col[i])*real(col[i]) + imag(col[i])*imag(col[i])
				left[f][i] = math.Max(0, left[f][i]-p)
				if norm := g.Norm2(k); norm > 0 && math.Sqrt(p/norm) >= threshold {
					open[i] = false
				}
			}
			l[f] = append(l[f], col)
		}
		picks = append(picks, best)
		group = append(group, candidates[best])
	}
	return group
}

// without returns the users not in group, in order.
func without(users, group []int) []int {
	var out []int
	for _, k := range users {
		in := false
		for _, g := range group {
			in = in || g == k
		}
		if !in {
			out = append(out, k)
		}
	}
	return out
}
