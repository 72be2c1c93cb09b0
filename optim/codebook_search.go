package optim

import (
	"context"
	"math"
)

// CodebookProblem gives each of K users a beam of its own from L and asks for
// the least powers then: minimise sum p_k subject to SINR_k >= g_k as in
// FixedProblem, over powers and assignments of distinct beams.
type CodebookProblem struct {
	Users int // K
	Beams int // L
	// Gain holds |h_k^H u_b|^2 of the noise-normalised channel and unit-power
	// beams in 1/W, K x L in the order [user][beam]: that of Codebook.Gains.
	Gain []float64
	// SINR holds the K targets, linear, >= 0. A user of target 0 gets no beam.
	SINR []float64
	// ErrorVariance holds e_k as in Problem; nil means an exact channel.
	ErrorVariance []float64
	// RowGain, N x L in the order [row][beam], and RowW cap, for LimitedCodebook alone,
	// sum_k RowGain_i,b(k) p_k at RowW[i] >= 0, in W, b(k) the beam of
	// user k.
	RowGain []float64
	RowW    []float64
	// Start holds K beams to start from, such as those of the last slot, < 0
	// where there is none. Where every user of a target has one, distinct and
	// with a signal above the errors, they take the place of the first assignment
	// program.
	Start []int
}

// CodebookResult is what CodebookSearch or ExactCodebook found. Slices have one
// entry per user; they are overwritten by the next solve.
type CodebookResult struct {
	Status Status
	Steps  int // power solves of K users; pivots of ExactCodebook
	Nodes  int // of branch and bound

	// PowerW is the sum of UserW; 0 unless Solved.
	PowerW float64
	// LowerBoundW is proved to be no more than the least power over all
	// assignments of distinct beams, up to rounding. It equals PowerW where the
	// search was complete. 0 when nothing is proved.
	LowerBoundW float64

	Beam      []int     // -1 for users of target 0 and when not Solved
	UserW     []float64 // the least powers of the beams
	SlopeSINR []float64 // dP/dg_k in W for the beams held, as of Direct
}

func (p *CodebookProblem) valid() bool {
	k, l := p.Users, p.Beams
	if k < 0 || l < 0 || k > 0 && l > math.MaxInt/k || len(p.Gain) != k*l || len(p.SINR) != k ||
		p.ErrorVariance != nil && len(p.ErrorVariance) != k || p.Start != nil && len(p.Start) != k ||
		len(p.RowW) > 0 && l > math.MaxInt/len(p.RowW) || len(p.RowGain) != len(p.RowW)*l {
		return false
	}
	for _, s := range [][]float64{p.Gain, p.SINR, p.ErrorVariance, p.RowGain, p.RowW} {
		for _, v := range s {
			if !finiteNonNegative(v) {
				return false
			}
		}
	}
	for _, b := range p.Start {
		if b >= l {
			return false
		}
	}
	return true
}

// AssignedGains fills dst, K x K in the order [user][beam], with the gains of
// FixedProblem for the K beams given; zeros for users whose beam is negative. It
// panics when dst is too short or there is no such beam. O(K^2).
func (p *CodebookProblem) AssignedGains(dst []float64, beam []int) {
	n := p.Users
	for k := range n {
		for j, b := range beam {
			dst[k*n+j] = 0
			if b >= 0 {
				dst[k*n+j] = p.Gain[k*p.Beams+b]
			}
		}
	}
}

func (r *CodebookResult) reset(k int) {
	*r = CodebookResult{Beam: grow(r.Beam, k), UserW: grow(r.UserW, k), SlopeSINR: grow(r.SlopeSINR, k)}
	clear(r.UserW)
	clear(r.SlopeSINR)
	for i := range r.Beam {
		r.Beam[i] = -1
	}
}

// CodebookSearch assigns beams of a codebook to users. The zero value is ready
// to use.
//
// Method, on the uplink that is dual to the downlink with the same beams (sum
// of powers equal; see codebook_uplink.go):
//
//  1. Were beams free to be shared, every user would pick its own receive beam,
//     and picks and least powers would be one fixed point (Yates, Huang, IEEE
//     Trans. VT 44(3), 1995, for base stations in place of beams; from memory).
//     It is a lower bound on any assignment, or the proof that there is none.
//     Two users of g_k g_j >= 1 never share a beam in it, so that it often is
//     the answer.
//  2. Where picks collide, an assignment program in linear form gives out
//     distinct beams. A beam costs a user what the total power would rise by if
//     the user alone left its pick for it, which counts the interference both
//     ways. Each user brings its cheapest beams only.
//  3. Beams are exchanged while the power falls: a user moves to a free beam, or
//     takes another's, which moves to a free one or to the first one's. Only
//     beams that a user would gain from are tried: no exchange without one
//     lowers the power. Where the targets cannot be met yet, exchanges lower the
//     factor by which they are missed first. From where they end, beams are
//     assigned as in 2 once more, while that lowers the power.
//  4. Branch and bound over collisions, bounded by 1, up to MaxNodes. When it
//     ends before, the assignment is the best there is, or there is none.
//
// Complexity: O(K^3 + K L) per power solve, 3 to 30 of them and a few more per
// node; O(K^2 L) per exchange. The same input gives the same assignment. Status
// is Solved, Unservable (proved for every assignment),
// IllConditioned, StepLimit (no assignment found within MaxNodes) or BadInput.
type CodebookSearch struct {
	// MaxNodes bounds the nodes of branch and bound; 1 does without. 0 means 50.
	MaxNodes int
	// MaxPenaltyDB is how far above the interference-free power, each user alone
	// on its best beam, an assignment may lie; where none does without, the
	// status is IllConditioned. 0 means
	// LargestPenaltyDB.
	MaxPenaltyDB float64
	// Poll is called from every round of the search.
	Poll Poll
	// Context ends the programs of an assignment, with StepLimit; nil means never.
	Context context.Context
}

const defaultMaxNodes = 50

// Solve solves p into r and returns r.Status; which and at what cost, see
// CodebookSearch.
func (s *CodebookSearch) Solve(p *CodebookProblem, ws *CodebookWorkspace, r *CodebookResult) Status {
	r.reset(len(p.SINR))
	r.Status = s.solve(p, ws, r)
	return r.Status
}

func (s *CodebookSearch) solve(p *CodebookProblem, ws *CodebookWorkspace, r *CodebookResult) Status {
	if !p.valid() {
		return BadInput
	}
	ws.poll, ws.ctx = s.Poll, s.Context
	if status := ws.load(p, orDefault(s.MaxPenaltyDB, LargestPenaltyDB)); status != Solved || ws.n == 0 {
		return status
	}
	t := beamTree{ws: ws, maxNodes: int(orDefault(float64(s.MaxNodes), defaultMaxNodes)), leastW: math.Inf(1)}
	bound := t.search(p.Start)
	r.Steps, r.Nodes = ws.steps, t.nodes
	switch {
	case !math.IsInf(t.leastW, 1):
		for i, k := range ws.active {
			r.Beam[k] = t.best[i]
		}
		return r.power(p, bound)
	case t.cut:
		return StepLimit
	case t.beyond:
		return IllConditioned
	}
	return Unservable
}

// power finds the powers of r.Beam; boundW is a lower bound on those of any
// assignment.
func (r *CodebookResult) power(p *CodebookProblem, boundW float64) Status {
	gain := make([]float64, p.Users*p.Users)
	p.AssignedGains(gain, r.Beam)
	fixed := FixedProblem{Users: p.Users, Gain: gain, SINR: p.SINR, ErrorVariance: p.ErrorVariance}
	powers := PowerResult{UserW: r.UserW, SlopeSINR: r.SlopeSINR}
	if (Direct{}).Solve(&fixed, &powers) != Solved {
		r.reset(p.Users)
		return IllConditioned
	}
	r.PowerW = powers.PowerW
	r.LowerBoundW = math.Min(boundW, r.PowerW)
	return Solved
}
