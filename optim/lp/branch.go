package lp

import (
	"container/heap"
	"math"
)

// node is a part of the space of the integers: their bounds, and the objective
// that no point in them is better than.
type node struct {
	lower, upper []float64 // of all variables; only integers differ
	bound        float64
	start        *Basis // the parent's vertex
	depth        int
}

// nodes is a heap, the least bound first; of equals the deepest, which is
// nearest to a whole point.
type nodes []*node

func (h nodes) Len() int { return len(h) }
func (h nodes) Less(i, j int) bool {
	if h[i].bound != h[j].bound {
		return h[i].bound < h[j].bound
	}
	return h[i].depth > h[j].depth
}
func (h nodes) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *nodes) Push(x any)   { *h = append(*h, x.(*node)) }
func (h *nodes) Pop() any {
	old := *h
	n := old[len(old)-1]
	*h = old[:len(old)-1]
	return n
}

// branch is best-first branch and bound over relax: the node of least bound is
// solved and split at its most fractional integer. It sets x to the best point.
// For backends that have no such search; fit for tens of integers.
func (s *solver) branch(r *run, x []float64) Status {
	m := s.model
	defer s.release()
	open := nodes{{
		lower: append([]float64(nil), m.scaled.lower...),
		upper: append([]float64(nil), m.scaled.upper...),
		bound: math.Inf(-1),
	}}
	best, found := math.Inf(1), false
	gap := m.scaledGap(&s.set)
	for len(open) > 0 {
		if over := r.over(); over != NotRun {
			return over
		}
		n := heap.Pop(&open).(*node)
		if found && n.bound >= best-max(gap, s.set.RelativeGap*math.Abs(best)) {
			break
		}
		if r.nodes >= r.nodeLimit {
			return NodeLimit
		}
		r.nodes++
		for j, is := range m.integer {
			if is {
				m.setBounds(j, n.lower[j], n.upper[j])
			}
		}
		switch st := s.relax(r, n.start); st {
		case Optimal:
		case Infeasible:
			continue
		default:
			return st
		}
		value := s.vert.objective(&m.scaled)
		if value >= best {
			continue
		}
		j := s.mostFractional()
		if j < 0 {
			best, found = value, true
			copy(x, s.vert.x)
			continue
		}
		down, start := math.Floor(s.vert.x[j]), new(Basis)
		start.copyFrom(&s.found)
		heap.Push(&open, n.child(j, n.lower[j], down, value, start))
		heap.Push(&open, n.child(j, down+1, n.upper[j], value, start))
	}
	if !found {
		return Infeasible
	}
	return Optimal
}

// child returns n with the bounds of variable j narrowed.
func (n *node) child(j int, lower, upper, bound float64, start *Basis) *node {
	c := &node{
		lower: append([]float64(nil), n.lower...),
		upper: append([]float64(nil), n.upper...),
		bound: bound,
		start: start,
		depth: n.depth + 1,
	}
	c.lower[j], c.upper[j] = lower, upper
	return c
}

// mostFractional returns the integer furthest from whole in the vertex, or -1
// when all are whole to tolerance.
func (s *solver) mostFractional() int {
	at, most := -1, s.set.IntegralityTol
	for j, is := range s.model.integer {
		if is {
			x := s.vert.x[j]
			if f := math.Abs(x - math.Round(x)); f > most {
				at, most = j, f
			}
		}
	}
	return at
}
