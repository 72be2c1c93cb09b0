package optim

import (
	"cmp"
	"context"
	"math"
	"slices"
)

// LimitedCodebook assigns beams to users as CodebookSearch does, such that the caps
// on rows of CodebookProblem hold. The zero value is ready to use.
//
// Method: the assignment of CodebookSearch stands where it keeps to the caps.
// Otherwise from there, and from the beams on which each user alone comes least near
// a cap, users move to other beams and exchange them while the largest power over its
// cap falls and, once all caps hold, the power. Powers are the least for each
// assignment, which meets the caps with them or not at all. Where this ends above a
// cap, or Exact asks for it, assignments are looked through user by user: powers only
// rise as users join, so that a few users that exceed a cap, or the least power known,
// rule out all assignments that go on from there. What has been looked through to the
// end is a proof.
//
// Complexity: O(K^3 + N K) for each assignment tried, of which there are 2 MaxTries at
// most. Status is that of CodebookSearch, AboveLimits where no assignment keeps to the
// caps, proved, or StepLimit where none was found.
type LimitedCodebook struct {
	// MaxNodes is that of CodebookSearch.
	MaxNodes int
	// MaxTries bounds the assignments tried by exchanges, and then those looked through,
	// parts of them included. 0 means 2000, or a try of each beam of one user.
	MaxTries int
	// Exact asks for the assignment of least power, within MaxTries.
	Exact bool
	// Stop, where not nil, is asked before every assignment: true ends the search with
	// the best so far.
	Stop func() bool
	// Poll and Context are those of CodebookSearch.
	Poll    Poll
	Context context.Context
}

const (
	defaultBeamTries = 2000
	// mostBeams is how many of its strongest beams each user tries, or mostPairs over
	// the number of users where that is more.
	mostBeams = 16
	mostPairs = 512
)

// Solve solves p into r and returns r.Status; which and at what cost, see
// LimitedCodebook. LowerBoundW is that of CodebookSearch, which knows no caps, unless
// all assignments were looked through.
func (s *LimitedCodebook) Solve(p *CodebookProblem, ws *CodebookWorkspace, r *CodebookResult) Status {
	free := CodebookSearch{MaxNodes: s.MaxNodes, Poll: s.Poll, Context: s.Context}
	if status := free.Solve(p, ws, r); status != Solved || len(p.RowW) == 0 {
		return status
	}
	t := newLimitedBeams(s, p)
	if free := t.try(r.Beam); free.excess <= 1 {
		return r.Status
	}
	steps, bound := r.Steps, r.LowerBoundW
	t.descend(slices.Clone(r.Beam))
	if !(t.best.excess <= 1) {
		t.descend(t.leastAlone())
	}
	proved := false
	if s.Exact || !(t.best.excess <= 1) {
		proved = t.lookThrough()
	}
	r.reset(p.Users)
	r.Steps = steps + t.count
	if !(t.best.excess <= 1) {
		r.Status = StepLimit
		if proved {
			r.Status = AboveLimits
		}
		return r.Status
	}
	copy(r.Beam, t.best.beam)
	if proved {
		bound = t.best.powerW
	}
	r.Status = r.power(p, bound)
	return r.Status
}

// beamsTried is an assignment with its largest power over a cap and its power.
type beamsTried struct {
	beam           []int
	excess, powerW float64
}

// better reports whether b is better: nearer to caps that are exceeded, or of less power.
func (b *beamsTried) better(than *beamsTried) bool {
	if than.excess > 1 {
		return b.excess < than.excess*(1-exchangeMargin)
	}
	return b.excess <= 1 && b.powerW < than.powerW*(1-exchangeMargin)
}

// limitedBeams is the search of LimitedCodebook.
type limitedBeams struct {
	settings *LimitedCodebook
	p        *CodebookProblem
	most     int // tries
	tries    int // left
	count    int // so far
	fixed    FixedProblem
	result   PowerResult
	all      [][]int // [user] beams by falling gain; none for a target of 0
	strong   [][]int // [user] those to exchange
	best     beamsTried
}

func newLimitedBeams(s *LimitedCodebook, p *CodebookProblem) *limitedBeams {
	k := p.Users
	t := &limitedBeams{settings: s, p: p, most: s.MaxTries}
	count := min(p.Beams, max(mostBeams, mostPairs/max(k, 1)))
	if k == 1 {
		count = p.Beams
	}
	if t.most == 0 {
		t.most = max(defaultBeamTries, 4*count)
	}
	t.tries = t.most
	t.fixed = FixedProblem{Users: k, Gain: make([]float64, k*k), SINR: p.SINR, ErrorVariance: p.ErrorVariance,
		RowGain: make([]float64, len(p.RowW)*k), RowW: p.RowW}
	t.best.excess = math.Inf(1)
	for u := range k {
		var all []int
		if p.SINR[u] > 0 {
			gain := p.Gain[u*p.Beams : (u+1)*p.Beams]
			for b := range gain {
				all = append(all, b)
			}
			slices.SortStableFunc(all, func(a, b int) int { return cmp.Compare(gain[b], gain[a]) })
		}
		t.all = append(t.all, all)
		t.strong = append(t.strong, all[:min(len(all), count)])
	}
	return t
}

func (t *limitedBeams) stopped() bool {
	return t.tries <= 0 || t.settings.Stop != nil && t.settings.Stop()
}

// try solves the powers of an assignment.
func (t *limitedBeams) try(beam []int) beamsTried {
	t.tries--
	t.count++
	k, l := t.p.Users, t.p.Beams
	t.p.AssignedGains(t.fixed.Gain, beam)
	for i := range t.p.RowW {
		for u, b := range beam {
			t.fixed.RowGain[i*k+u] = 0
			if b >= 0 {
				t.fixed.RowGain[i*k+u] = t.p.RowGain[i*l+b]
			}
		}
	}
	out := beamsTried{beam: beam, excess: math.Inf(1), powerW: math.Inf(1)}
	switch (Direct{}).Solve(&t.fixed, &t.result) {
	case Solved, AboveLimits:
	default:
		return out
	}
	out.excess, out.powerW = 0, 0
	for _, w := range t.result.UserW {
		out.powerW += w
	}
	for i, w := range t.result.RowW {
		if w > 0 {
			out.excess = math.Max(out.excess, w/t.p.RowW[i])
		}
	}
	return out
}

// descend moves users to other beams, and exchanges beams, while that is better, and
// keeps where it ends. It takes an assignment nil for none.
func (t *limitedBeams) descend(beam []int) {
	if beam == nil {
		return
	}
	at := t.try(beam)
	holder := slices.Repeat([]int{-1}, t.p.Beams)
	for u, b := range beam {
		if b >= 0 {
			holder[b] = u
		}
	}
	for moved := true; moved; {
		moved = false
		for u := range beam {
			for _, b := range t.strong[u] {
				if t.stopped() {
					break
				}
				last, other := beam[u], holder[b]
				if other == u {
					continue
				}
				if beam[u] = b; other >= 0 {
					beam[other] = last
				}
				if now := t.try(beam); now.better(&at) {
					at, moved = now, true
					holder[last], holder[b] = other, u
					continue
				}
				if beam[u] = last; other >= 0 {
					beam[other] = b
				}
			}
		}
	}
	if at.better(&t.best) || t.best.beam == nil {
		t.best = at
	}
}

// leastAlone gives each user the beam on which it would come least near a cap were it
// alone, those who come nearest first; nil where one has none.
func (t *limitedBeams) leastAlone() []int {
	p := t.p
	alone := func(u, b int) float64 {
		e := 0.0
		if p.ErrorVariance != nil {
			e = p.ErrorVariance[u]
		}
		powerW := p.SINR[u] / math.Max(0, p.Gain[u*p.Beams+b]-p.SINR[u]*e)
		most := 0.0
		for i, w := range p.RowW {
			if g := p.RowGain[i*p.Beams+b]; g > 0 {
				most = math.Max(most, powerW*g/w)
			}
		}
		return most
	}
	beam, order := slices.Repeat([]int{-1}, p.Users), []int{}
	least := make([]float64, p.Users)
	for u, strong := range t.strong {
		if len(strong) == 0 {
			continue
		}
		order = append(order, u)
		least[u] = math.Inf(1)
		for _, b := range strong {
			least[u] = math.Min(least[u], alone(u, b))
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(least[b], least[a]) })
	taken := make([]bool, p.Beams)
	for _, u := range order {
		best := math.Inf(1)
		for _, b := range t.strong[u] {
			if w := alone(u, b); !taken[b] && w < best {
				best, beam[u] = w, b
			}
		}
		if beam[u] < 0 {
			return nil
		}
		taken[beam[u]] = true
	}
	return beam
}

// lookThrough looks through all assignments that could be better than the best. It
// reports false where it was stopped before the end.
func (t *limitedBeams) lookThrough() bool {
	t.tries = t.most
	p := t.p
	var order []int
	for u, all := range t.all {
		if len(all) > 0 {
			order = append(order, u)
		}
	}
	alone := func(u int) float64 { return p.SINR[u] / p.Gain[u*p.Beams+t.all[u][0]] }
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(alone(b), alone(a)) })
	// What users yet to join need at least, each alone on its best beam.
	rest := make([]float64, len(order)+1)
	for i := len(order) - 1; i >= 0; i-- {
		rest[i] = rest[i+1] + alone(order[i])
	}
	t.fixed.SINR = make([]float64, p.Users)
	defer func() { t.fixed.SINR = p.SINR }()
	if !(t.best.excess <= 1) {
		t.best = beamsTried{excess: 1, powerW: math.Inf(1)}
		defer func() {
			if t.best.beam == nil {
				t.best.excess = math.Inf(1)
			}
		}()
	}
	return t.join(order, rest, slices.Repeat([]int{-1}, p.Users))
}

// join tries every beam left for the first of the users in order, and then the rest of
// them. It reports false where it was stopped.
func (t *limitedBeams) join(order []int, rest []float64, beam []int) bool {
	if len(order) == 0 {
		return true
	}
	u := order[0]
	t.fixed.SINR[u] = t.p.SINR[u]
	defer func() { t.fixed.SINR[u], beam[u] = 0, -1 }()
	for _, b := range t.all[u] {
		if slices.Contains(beam, b) {
			continue
		}
		if t.stopped() {
			return false
		}
		if beam[u] = b; t.p.Gain[u*t.p.Beams+b] == 0 {
			break // nor do those that follow
		}
		now := t.try(beam)
		if now.excess > 1 || !(now.powerW+rest[1] < t.best.powerW*(1-exchangeMargin)) {
			beam[u] = -1
			continue
		}
		if len(order) == 1 {
			t.best = now
			t.best.beam = slices.Clone(beam)
		} else if !t.join(order[1:], rest[1:], beam) {
			return false
		}
		beam[u] = -1
	}
	return true
}
