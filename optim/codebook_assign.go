package optim

import (
	"math"

	"leastwatt/optim/lp"
)

const (
	// beamsPerUser is how many beams a user brings to the assignment program at
	// first. No more than K of the cheapest are ever needed: the others take K-1
	// at most.
	beamsPerUser = 16
	// Costs of the program are relative to the power and lie within mostRise;
	// smaller ones than leastRise are rounding.
	mostRise  = 1e4
	leastRise = 1e-9
)

// assign replaces the beams z, at their uplink powers q, by distinct ones of
// least total cost. The cost of a beam is the rise of the total power if its user
// alone left its beam in z for it, exactly; that of users together is not the
// sum, so that assign pays again at its own outcome. The program is linear: its
// rows are those of an assignment, so that a vertex is whole.
//
// The status is Solved, Unservable when no assignment gives every user a beam
// that it can use within the cap, or StepLimit when the program was not solved.
func (ws *CodebookWorkspace) assign(z []int) Status {
	rise := ws.rises(z)
	for count := min(beamsPerUser, ws.n); ; count = min(2*count, ws.n) {
		status := ws.assignAmong(z, rise, count)
		if status != Unservable || count == ws.n {
			return status
		}
	}
}

// rises returns the costs of assign, [user][beam].
func (ws *CodebookWorkspace) rises(z []int) []float64 {
	power := ws.costW()
	ws.receive()
	ws.respond(z, 1)
	rise := make([]float64, ws.n*ws.l)
	for k := range ws.n {
		for b := range ws.l {
			v, ok := ws.rise(k, b)
			v /= power
			switch {
			case !ok || !(v < mostRise):
				v = mostRise
			case math.Abs(v) < leastRise:
				v = 0
			}
			rise[k*ws.l+b] = math.Max(v, -mostRise)
		}
	}
	return rise
}

// bestBeams fills top, up to its capacity, with the beams of user k of least
// cost, rising; banned beams are left out.
func (ws *CodebookWorkspace) bestBeams(top []int, k int, cost []float64) []int {
	top = top[:0]
	for b, ban := range ws.ban[k*ws.l : (k+1)*ws.l] {
		if ban != 0 || len(top) == cap(top) && cost[b] >= cost[top[len(top)-1]] {
			continue
		}
		if len(top) < cap(top) {
			top = append(top, b)
		}
		i := len(top) - 1
		for ; i > 0 && cost[top[i-1]] > cost[b]; i-- {
			top[i] = top[i-1]
		}
		top[i] = b
	}
	return top
}

// assignAmong is assign where each user brings the beams of least cost, as many
// as count says.
func (ws *CodebookWorkspace) assignAmong(z []int, rise []float64, count int) Status {
	var p lp.Problem
	p.Rows = make([]lp.Row, ws.n)
	var beams []int // of each variable
	row := make([]int, ws.l)
	top := make([]int, 0, count)
	for k := range ws.n {
		p.Rows[k] = lp.Row{Lower: 1, Upper: 1}
		for _, b := range ws.bestBeams(top, k, rise[k*ws.l:(k+1)*ws.l]) {
			p.Rows[k].Index = append(p.Rows[k].Index, len(beams))
			p.Rows[k].Value = append(p.Rows[k].Value, 1)
			beams = append(beams, b)
			p.Cost = append(p.Cost, rise[k*ws.l+b])
			row[b]++
		}
	}
	for v, b := range beams {
		switch {
		case row[b] > 1: // brought by several: a row of its own
			row[b] = -len(p.Rows)
			p.Rows = append(p.Rows, lp.Row{Lower: math.Inf(-1), Upper: 1})
			fallthrough
		case row[b] < 0:
			r := &p.Rows[-row[b]]
			r.Index, r.Value = append(r.Index, v), append(r.Value, 1)
		}
	}
	set := lp.Defaults()
	set.IterationLimit = pivotsPerVariable * len(p.Cost)
	var sol lp.Solution
	switch runProgram(ws.ctx, nil, &p, &set, &sol) {
	case Solved:
	case Unservable:
		return Unservable
	default:
		return StepLimit
	}
	for k := range z {
		for _, v := range p.Rows[k].Index {
			if sol.X[v] > 0.5 {
				z[k] = beams[v]
			}
		}
	}
	return Solved
}
