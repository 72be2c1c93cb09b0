package scheduler

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// team is a group in a search: its users, its share, and its cost where it was
// last solved.
type team struct {
	users []int
	key   uint64    // of its users
	share float64   // in the partition at hand
	at    float64   // the share solved; 0: none yet
	c, a  float64   // model c s (exp(a/s) - 1) of share * power, right at that share
	split []float64 // [user][subband] parts of rates there; nil on one subband
}

// phi returns the modelled cost at the team's share.
func (t *team) phi() float64 { return modelCost(t.c, t.a, t.share) }

// held is a partition with shares.
type held struct {
	teams []team
	total float64 // W, mean over the slot
	nu    float64 // what the total falls by per share of the slot
}

// or returns the cheaper one.
func (h held) or(other held) held {
	if other.total < h.total {
		return other
	}
	return h
}

// search looks for the partition of least slot power: it holds one and changes
// it while that saves power. Costs are true ones, shares follow every change:
// at the optimum all groups' costs fall with their shares at one rate nu, so
// that what a change saves is, to first order, the fall of sum (phi - nu s).
type search struct {
	held
	view     *View
	estimate *estimate
	maxSize  int
	maxTeams int
	word     []uint64              // [user] random; a team's key is the xor of its users'
	solved   map[uint64]team       // teams as last solved
	failed   map[uint64]float64    // the longest share in which a team could not be served
	halved   map[uint64][][]int    // teams dealt into two
	measured map[uint64]*marginals // of teams, see bandSolver
	marginal []*marginals          // [team] of those at hand; nil: not known
	home     []int                 // [user] the team at hand
	deal     *deal                 // the partition at hand, where some marginals are not known
	scale    []float64             // [team] cost over the deal's
	changes  []change
	limit    float64 // gain from which changes are listed
	c, a, s  []float64
}

const (
	shareDrift   = 0.03 // log of share over the one solved, within which a model will do
	searchGain   = 1e-4 // part of the total that a change must save
	balanceSteps = 12
	screen       = 0.01 // changes estimated to cost more of the total are not tried where marginals are not known
	screenAll    = 10   // users up to which all changes are tried
	hope         = 3    // times the best gain in sight, what a descent is expected to save yet: from 2 to 6 the 2 ms answer is about as near
	scatterOneIn = 4    // kicks scatter users
)

func newSearch(v *View) *search {
	s := &search{
		view: v, estimate: newEstimate(v), maxSize: v.MaxGroupSize(), maxTeams: v.MaxGroups(),
		word: make([]uint64, len(v.slot.Users)), home: make([]int, len(v.slot.Users)), solved: map[uint64]team{}, failed: map[uint64]float64{}, halved: map[uint64][][]int{}, measured: map[uint64]*marginals{},
		held: held{total: math.Inf(1)},
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for k := range s.word {
		s.word[k] = rng.Uint64()
	}
	return s
}

// key returns the key of a team of users.
func (s *search) key(users []int) uint64 {
	key := uint64(0)
	for _, k := range users {
		key ^= s.word[k]
	}
	return key
}

// newTeam returns a team as last solved, or new. It keeps users.
func (s *search) newTeam(users []int) team {
	key := s.key(users)
	if t, ok := s.solved[key]; ok {
		return t
	}
	return team{users: users, key: key}
}

// solve solves the team at its share. It reports false where its users cannot be
// served in it.
func (s *search) solve(t *team) bool {
	if t.share <= s.failed[t.key] {
		return false
	}
	power, slope := s.view.solver.power(&onAir{users: t.users, bands: s.view.allBands}, t.share)
	if !(power <= math.MaxFloat64) {
		s.failed[t.key] = t.share
		return false
	}
	t.at = t.share
	t.c, t.a = shareModel(t.share, t.share*power, slope)
	if !(t.c > 0 && t.c <= math.MaxFloat64 && t.a > 0) {
		s.failed[t.key] = t.share
		return false
	}
	t.split = s.view.solver.fractions(t.users)
	s.solved[t.key] = *t
	return true
}

// solveNear solves the team at its share or, where that fails, nearer to one
// that serves it.
func (s *search) solveNear(t *team) bool {
	for range 6 {
		if s.solve(t) {
			return true
		}
		if t.at == 0 || t.share >= t.at*(1-1e-3) {
			return false
		}
		t.share = math.Sqrt(t.share * t.at)
	}
	return false
}

// spread sets shares to those of least modelled cost and returns that and nu.
func (s *search) spread(teams []team) (total, nu float64) {
	s.c, s.a, s.s = s.c[:0], s.a[:0], s.s[:0]
	for i := range teams {
		s.c, s.a, s.s = append(s.c, teams[i].c), append(s.a, teams[i].a), append(s.s, teams[i].share)
	}
	nu = equalSlopes(s.s, s.c, s.a, 1)
	for i := range teams {
		teams[i].share = s.s[i]
		total += teams[i].phi()
	}
	return total, nu
}

// balance finds shares of teams, all solved once, and solves those named, nil for
// all, there; the others' shares move by their models. It returns the total, and
// false as soon as the models say that it is not below most or a team cannot be
// served.
func (s *search) balance(teams []team, which []int, most float64) (total, nu float64, ok bool) {
	for range balanceSteps {
		total, nu = s.spread(teams)
		if !(total < most) {
			return total, nu, false
		}
		moved := false
		for i := range teams {
			t := &teams[i]
			if which != nil && !slices.Contains(which, i) {
				continue
			}
			if math.Abs(math.Log(t.share/t.at)) > shareDrift {
				moved = true
				if s.view.Stopped() {
					return total, nu, s.teams == nil // the models must do where there is nothing else
				}
				if !s.solveNear(t) {
					return total, nu, false
				}
			}
		}
		if !moved {
			break
		}
	}
	return total, nu, true
}

// start takes a partition to start from. It reports false, and keeps what it had,
// where that is not worse or the groups cannot be served.
func (s *search) start(d dealing) bool {
	if !s.view.fits(d.groups) {
		return false
	}
	teams := make([]team, len(d.groups))
	for g, users := range d.groups {
		teams[g] = s.newTeam(users)
		teams[g].share = d.share[g]
	}
	if !s.serve(teams) {
		return false
	}
	total, nu, ok := s.balance(teams, nil, s.total)
	if ok {
		s.held = held{teams, total, nu}
	}
	return ok
}

// serve solves every team at its share or, where one cannot be served there, at
// shares found for all.
func (s *search) serve(teams []team) bool {
	ok := true
	for i := range teams {
		t := &teams[i]
		if t.at == 0 {
			ok = s.solve(t) && ok
		}
	}
	if ok {
		return true
	}
	share := make([]float64, len(teams))
	for i := range teams {
		share[i] = teams[i].share
	}
	cost := func(g int, at float64) (float64, float64) {
		t := teams[g]
		t.share = at
		if s.view.Stopped() || !s.solve(&t) {
			return math.Inf(1), 0
		}
		return t.phi(), 0
	}
	if !servable(cost, share, 1) {
		return false
	}
	for i := range teams {
		teams[i].share = share[i]
		if !s.solve(&teams[i]) {
			return false
		}
	}
	return true
}

// kick deals the users of some teams anew, in a random order and into as many
// groups or one more or less, and descends from there. It keeps what it had where
// that is not worse.
func (s *search) kick(rng *rand.Rand) {
	had := s.held
	teams := had.teams
	order := rng.Perm(len(teams))
	hit := min(len(teams), 2+rng.IntN(2))
	var users []int
	budget := 0.0
	var groups [][]int
	var share []float64
	for i, g := range order {
		if i < hit {
			users = append(users, teams[g].users...)
			budget += teams[g].share
		} else {
			groups, share = append(groups, teams[g].users), append(share, teams[g].share)
		}
	}
	n := max(hit-1, 1) + rng.IntN(3)
	n = max(min(n, len(users), s.maxTeams-len(groups)), (len(users)+s.maxSize-1)/s.maxSize, 1)
	rng.Shuffle(len(users), func(i, j int) { users[i], users[j] = users[j], users[i] })
	var d dealing
	if rng.IntN(scatterOneIn) == 0 {
		d = s.scattered(rng, users, n, budget)
	} else {
		d = s.estimate.dealt(users, users, n, budget, s.maxSize)
		d = s.estimate.refined(d, users, budget, s.maxSize)
	}
	s.held = held{total: math.Inf(1)}
	if s.start(dealing{append(groups, d.groups...), append(share, d.share...), 0}) {
		s.descend(had.total)
	}
	if !(s.total < had.total*(1-searchGain)) {
		s.held = had
	}
}

// scattered deals shuffled users into n groups by chance, whatever the estimate:
// deals by the estimate are often the same.
func (s *search) scattered(rng *rand.Rand, users []int, n int, budget float64) dealing {
	groups, share := make([][]int, n), make([]float64, n)
	for i, k := range users {
		g := i
		for g >= n || len(groups[g]) >= s.maxSize {
			g = rng.IntN(n)
		}
		groups[g] = append(groups[g], k)
	}
	for g := range share {
		share[g] = budget / float64(n)
	}
	share, cost := s.estimate.shares(groups, share, budget)
	return dealing{groups, share, cost}
}

// change is a way to change the partition. Team a gives user k to team b, and b
// gives user j to a where that is not -1; or, where k is -1, a and b merge; or,
// where b is -1, user k or the users in part leave a for a team of their own.
type change struct {
	a, b, k, j int
	part       []int
	gain       float64 // estimated
}

// descend makes changes while they save power and there is hope to get down to a
// total.
func (s *search) descend(below float64) {
	for !s.view.Stopped() {
		if !s.improve(s.listChanges(), below) && !s.improve(s.listCounts(), below) {
			return
		}
	}
}

// improve makes the first change that saves power. It reports false where there is
// none, or where the largest gain in sight, hope times, does not lead down to a total.
func (s *search) improve(changes []change, below float64) bool {
	if len(changes) == 0 || s.total-hope*math.Max(changes[0].gain, 0) > below {
		return false
	}
	return slices.ContainsFunc(changes, s.try)
}

// try makes a change where it saves power. It reports whether it did.
func (s *search) try(c change) bool {
	if s.view.Stopped() {
		return false
	}
	// By duality the new total is at least this, were costs as modelled.
	bound := s.total - s.worth(c.a)
	if c.b >= 0 {
		bound -= s.worth(c.b)
	}
	most := s.total * (1 - searchGain)
	var fresh [2]team
	n := 2
	if c.b >= 0 && c.k < 0 {
		n = 1
	}
	for i := range n {
		t, ok := s.changed(&c, i)
		if !ok {
			return false
		}
		least, share := leastPriced(t.c, t.a, s.nu)
		t.share = share
		fresh[i] = t
		if bound += least; bound >= most {
			return false
		}
	}
	teams := slices.Clone(s.teams)
	var which []int
	switch {
	case c.b < 0:
		teams[c.a] = fresh[0]
		teams = append(teams, fresh[1])
		which = []int{c.a, len(teams) - 1}
	case c.k < 0:
		teams[c.a] = fresh[0]
		teams[c.b] = teams[len(teams)-1]
		teams = teams[:len(teams)-1]
		which = []int{min(c.a, c.b)}
	default:
		teams[c.a], teams[c.b] = fresh[0], fresh[1]
		which = []int{c.a, c.b}
	}
	if _, _, ok := s.balance(teams, which, most); !ok {
		return false
	}
	total, nu, ok := s.balance(teams, nil, most)
	if ok {
		s.held = held{teams, total, nu}
	}
	return ok
}

// worth returns what a team costs, its time at nu.
func (s *search) worth(g int) float64 { return s.teams[g].phi() + s.nu*s.teams[g].share }

// changed returns the first or second team that a change makes, as solved before
// or, where it is new, at a share near that of the team it comes from. It reports
// false where its users cannot be served there.
func (s *search) changed(c *change, second int) (team, bool) {
	a := &s.teams[c.a]
	at, others := a, []int{c.k, c.j} // users that leave or join
	switch {
	case c.b < 0 && c.k < 0:
		others = c.part
	case c.b < 0:
		others = []int{c.k}
	case c.k < 0:
		others = s.teams[c.b].users
	case second == 1:
		at = &s.teams[c.b]
	}
	key := at.key
	if c.b < 0 && second == 1 {
		key = 0
	}
	for _, k := range others {
		if k >= 0 {
			key ^= s.word[k]
		}
	}
	if t, ok := s.solved[key]; ok {
		return t, true
	}
	t := team{key: key, share: at.share}
	switch {
	case c.b < 0 && second == 1:
		t.users = others
		_, t.share = s.priced(a, t.users)
	case c.b < 0:
		t.users = without(a.users, others)
		_, t.share = s.priced(a, t.users)
	case c.k < 0:
		t.users = append(slices.Clone(a.users), others...)
		t.share += s.teams[c.b].share
	default:
		leave, join := c.k, c.j
		if second == 1 {
			leave, join = c.j, c.k
		}
		for _, k := range at.users {
			if k != leave {
				t.users = append(t.users, k)
			}
		}
		if join >= 0 {
			t.users = append(t.users, join)
		}
	}
	return t, s.solve(&t)
}

// priced returns the least of cost and time at nu of some users of a team, and
// the share: their model is the team's with the power in proportion to the
// estimate's.
func (s *search) priced(t *team, users []int) (cost, share float64) {
	e := s.estimate
	return leastPriced(t.c*e.power(users, t.share)/e.power(t.users, t.share), t.a, s.nu)
}

// listChanges lists moves and swaps worth a try.
func (s *search) listChanges() []change {
	s.changes = s.changes[:0]
	for g := range s.teams {
		for _, k := range s.teams[g].users {
			s.home[k] = g
		}
	}
	s.measure()
	s.limit = 0 // by marginals: of changes that seem to cost power one in a hundred saves any
	if slices.Contains(s.marginal, nil) {
		s.limit = -screen * s.total
		s.estimateCosts()
	}
	if len(s.view.active) <= screenAll {
		s.limit = math.Inf(-1)
	}
	s.listMoves()
	s.listSwaps()
	s.sortChanges()
	return s.changes
}

// estimateCosts sets up the estimate's deal of the partition at hand.
func (s *search) estimateCosts() {
	share, groups := make([]float64, len(s.teams)), make([][]int, len(s.teams))
	for g := range s.teams {
		share[g], groups[g] = s.teams[g].share, s.teams[g].users
	}
	s.deal = s.estimate.newDeal(s.view.active, share, s.maxSize)
	s.deal.seat(groups)
	s.scale = s.scale[:0]
	for g := range s.teams {
		s.scale = append(s.scale, s.teams[g].phi()/s.deal.cost(g))
	}
}

// listCounts lists what makes one team less or more.
func (s *search) listCounts() []change {
	s.changes = s.changes[:0]
	s.listMerges()
	if len(s.teams) < s.maxTeams {
		s.listParts()
	}
	s.sortChanges()
	return s.changes
}

// sortChanges puts those that ought to save most first.
func (s *search) sortChanges() {
	slices.SortFunc(s.changes, func(x, y change) int {
		if c := cmp.Compare(y.gain, x.gain); c != 0 {
			return c
		}
		return cmp.Or(x.k-y.k, x.j-y.j, x.a-y.a, x.b-y.b)
	})
}

// measure finds the marginals of the teams at hand, where they can be told from a
// solve.
func (s *search) measure() {
	v := s.view
	s.marginal = s.marginal[:0]
	for i := range s.teams {
		t := &s.teams[i]
		m, known := s.measured[t.key]
		if !known && v.options.Beams == BeamsOptimal && v.peak == nil && v.Subbands() == 1 {
			if power, _ := v.solver.power(&onAir{users: t.users, bands: v.allBands}, t.share); !math.IsInf(power, 1) {
				m = v.solver.band.marginals(t.share)
			}
			s.measured[t.key] = m
		}
		s.marginal = append(s.marginal, m)
	}
}

// falls returns what the cost of user k's team falls by when it leaves, to first
// order.
func (s *search) falls(k int) float64 {
	g := s.home[k]
	if m := s.marginal[g]; m != nil {
		return m.alone(k) * s.teams[g].share
	}
	return s.deal.fall[k] * s.scale[g]
}

// rises returns what the cost of team g rises by when user k joins it and the one
// in a place leaves, -1 for none, to first order.
func (s *search) rises(k, g, place int) float64 {
	m, t := s.marginal[g], &s.teams[g]
	switch {
	case m != nil && place >= 0:
		return m.instead(k, place) * t.share
	case m != nil:
		return m.alone(k) * t.share
	case place >= 0:
		return s.deal.join(k, g, t.users[place]) * s.scale[g]
	}
	return s.deal.join(k, g, -1) * s.scale[g]
}

func (s *search) addChange(c change) {
	if c.gain > s.limit {
		s.changes = append(s.changes, c)
	}
}

func (s *search) listMoves() {
	for _, k := range s.view.active {
		a := s.home[k]
		if len(s.teams[a].users) == 1 {
			continue // that is a merge
		}
		fall := s.falls(k)
		for b := range s.teams {
			if b != a && len(s.teams[b].users) < s.maxSize {
				s.addChange(change{a: a, b: b, k: k, j: -1, gain: fall - s.rises(k, b, -1)})
			}
		}
	}
}

func (s *search) listSwaps() {
	for a := range s.teams {
		for b := range a {
			ta, tb := s.teams[a].users, s.teams[b].users
			if len(ta) == 1 && len(tb) == 1 {
				continue
			}
			for i, k := range ta {
				fall := s.falls(k)
				for l, j := range tb {
					gain := fall + s.falls(j) - s.rises(j, a, i) - s.rises(k, b, l)
					s.addChange(change{a: a, b: b, k: k, j: j, gain: gain})
				}
			}
		}
	}
}

func (s *search) listMerges() {
	over := make([]float64, len(s.teams)) // cost over the estimate's
	for g := range s.teams {
		t := &s.teams[g]
		over[g] = t.phi() / (t.share * s.estimate.power(t.users, t.share))
	}
	for a := range s.teams {
		for b := range a {
			ta, tb := &s.teams[a], &s.teams[b]
			if len(ta.users)+len(tb.users) > s.maxSize {
				continue
			}
			users := append(slices.Clone(ta.users), tb.users...)
			share := ta.share + tb.share
			phi := (over[a] + over[b]) / 2 * share * s.estimate.power(users, share)
			s.addChange(change{a: a, b: b, k: -1, j: -1, gain: ta.phi() + tb.phi() - phi})
		}
	}
}

// listParts lists every user on its own, and every team in two as the estimate
// deals it.
func (s *search) listParts() {
	for a := range s.teams {
		t := &s.teams[a]
		if len(t.users) == 1 {
			continue
		}
		whole := t.phi()
		for _, k := range t.users {
			free, _ := s.estimate.need(k, t.share)
			alone, _ := leastPriced(t.c*t.share*free/whole, t.a, s.nu)
			rest, _ := leastPriced(t.c*math.Max(1-s.falls(k)/whole, leastPart), t.a, s.nu)
			s.addChange(change{a: a, b: -1, k: k, j: -1, gain: s.worth(a) - alone - rest})
		}
		if len(t.users) < 4 {
			continue // a user on its own is one part
		}
		if halves := s.halves(t); len(halves) == 2 {
			one, _ := s.priced(t, halves[0])
			other, _ := s.priced(t, halves[1])
			s.addChange(change{a: a, b: -1, k: -1, j: -1, part: halves[0], gain: s.worth(a) - one - other})
		}
	}
}

// leastPart of a team's cost is left by the estimate when a user leaves: to first
// order it may be less than nothing.
const leastPart = 0.1

// halves returns the team dealt into two.
func (s *search) halves(t *team) [][]int {
	if h, ok := s.halved[t.key]; ok {
		return h
	}
	h := s.estimate.dealt(t.users, nil, 2, t.share, s.maxSize).groups
	s.halved[t.key] = h
	return h
}
