package optim

import (
	"context"
	"math"

	"leastwatt/optim/lp"
)

// ExactCodebook finds the assignment of distinct beams of least power by a
// mixed-integer program: the independent check on CodebookSearch. The zero value
// is ready to use.
//
// With y_kb the power of user k on beam b over w_k and z_kb = 1 where k has b
// (symbols: codebook_uplink.go),
//
//	minimise    sum_kb w_k y_kb
//	subject to  sum_b o_kb y_kb - sum_{j != k, b} (g_k w_j/w_k)(a_kb + e_k) y_jb >= 1
//	            sum_b z_kb = 1, sum_k z_kb <= 1, z_kb/o_kb <= y_kb <= Y_kb z_kb
//	            sum_kb w_k y_kb <= P
//
// for P 3 dB above the interference-free power, then 10 dB, then by steps of
// 10 dB. Y_kb is what P leaves to user k, or what its interference within P can
// ask for. Exponential in the worst case; 1 to 20 nodes on 5 users and 16 beams.
type ExactCodebook struct {
	// MaxPenaltyDB is the largest P over the interference-free power. 0 means
	// LargestPenaltyDB.
	MaxPenaltyDB float64
	// MaxNodes bounds the nodes of branch and bound for each P. 0 means 2000.
	MaxNodes int
}

// MaxExactPairs is the largest product of users and beams, K L, of ExactCodebook.
const MaxExactPairs = 80

const (
	defaultExactNodes = 2000
	// pivotsPerVariable, and per node, end a simplex method that cycles.
	pivotsPerVariable = 100
)

// Solve solves p into r and returns r.Status: Solved, Unservable where some user
// has no beam, AbovePowerCap where no assignment costs less than MaxPenaltyDB,
// IllConditioned, StepLimit, or BadInput, also for more than MaxExactPairs.
// LowerBoundW is PowerW, Steps counts simplex pivots; Start is not used.
func (e *ExactCodebook) Solve(p *CodebookProblem, ws *CodebookWorkspace, r *CodebookResult) Status {
	r.reset(len(p.SINR))
	r.Status = e.solve(p, ws, r)
	return r.Status
}

func (e *ExactCodebook) solve(p *CodebookProblem, ws *CodebookWorkspace, r *CodebookResult) Status {
	if !p.valid() || p.Users > 0 && p.Beams > MaxExactPairs/p.Users {
		return BadInput
	}
	penaltyDB := orDefault(e.MaxPenaltyDB, LargestPenaltyDB)
	if status := ws.load(p, penaltyDB); status != Solved || ws.n == 0 {
		return status
	}
	set := lp.Defaults()
	set.NodeLimit = int(orDefault(float64(e.MaxNodes), defaultExactNodes))
	set.IterationLimit = pivotsPerVariable * set.NodeLimit
	for db := math.Min(3, penaltyDB); ; db = math.Min(10*math.Floor(db/10)+10, penaltyDB) {
		status := ws.exact(ws.free*math.Pow(10, db/10), &set, r)
		switch {
		case status == Solved:
			return r.power(p, math.Inf(1))
		case status != AbovePowerCap:
			return status
		case db >= penaltyDB:
			return AbovePowerCap
		}
	}
}

// exact solves the program for P = capW and sets r.Beam.
func (ws *CodebookWorkspace) exact(capW float64, set *lp.Settings, r *CodebookResult) Status {
	var sol lp.Solution
	status := runProgram(context.Background(), nil, ws.exactProgram(capW), set, &sol)
	r.Nodes += sol.Nodes
	r.Steps += sol.Iterations
	switch status {
	case Solved:
	case Unservable:
		return AbovePowerCap
	default:
		return status
	}
	has := sol.X[ws.n*ws.l:]
	for i, k := range ws.active {
		for b := range ws.l {
			if has[i*ws.l+b] > 0.5 {
				r.Beam[k] = b
			}
		}
	}
	return Solved
}

// exactProgram returns the program for P = capW: y_kb, then z_kb, each [user][beam].
func (ws *CodebookWorkspace) exactProgram(capW float64) *lp.Problem {
	n, l := ws.n, ws.l
	pairs := n * l
	p := &lp.Problem{
		Cost: make([]float64, 2*pairs), Integer: make([]bool, 2*pairs), Upper: make([]float64, 2*pairs),
	}
	inf := math.Inf(1)
	row := func(lower, upper float64) int {
		p.Rows = append(p.Rows, lp.Row{Lower: lower, Upper: upper})
		return len(p.Rows) - 1
	}
	add := func(i, v int, value float64) {
		r := &p.Rows[i]
		r.Index, r.Value = append(r.Index, v), append(r.Value, value)
	}
	total := row(-inf, 1)
	for k := range n {
		one := row(1, 1)
		for b := range l {
			v := k*l + b
			most := ws.most(k, b, capW)
			if most == 0 {
				continue
			}
			p.Upper[v], p.Cost[v] = most, ws.w[k]/capW
			p.Upper[pairs+v], p.Integer[pairs+v] = 1, true
			add(total, v, ws.w[k]/capW)
			add(one, pairs+v, 1)
			least, link := row(0, inf), row(-inf, 0)
			add(least, v, 1)
			add(least, pairs+v, -1/ws.own(k, b))
			add(link, v, 1)
			add(link, pairs+v, -most)
		}
	}
	for b := range l {
		once := row(-inf, 1)
		for k := range n {
			if v := k*l + b; p.Integer[pairs+v] {
				add(once, pairs+v, 1)
			}
		}
	}
	for k := range n {
		sinr := row(1, inf)
		for j := range n {
			for b := range l {
				switch v := j*l + b; {
				case !p.Integer[pairs+v]:
				case j == k:
					add(sinr, v, ws.own(k, b))
				default:
					add(sinr, v, -ws.w[j]/ws.w[k]*ws.received(k, b))
				}
			}
		}
	}
	return p
}

// most returns Y_kb: no more than the cap leaves to the user, nor than noise and
// the interference that the others can make within the cap ask for; 0 where the
// user alone needs more.
func (ws *CodebookWorkspace) most(k, b int, capW float64) float64 {
	own := ws.own(k, b)
	if !(own > 0) {
		return 0
	}
	left := capW
	for j := range ws.n {
		if j != k {
			left -= ws.aloneW(j)
		}
	}
	heard := ws.g[k] * (1 + ws.e[k]) * capW / ws.w[k]
	most := math.Min(left/ws.w[k], (1+heard)/own)
	if !(most*own >= 1) {
		return 0
	}
	return most
}
