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
	key   uint64  // of its users
	share float64 // in the partition at hand
	at    float64 // the share solved; 0: none yet
	c, a  float64 // model c s (exp(a/s) - 1) of share * power, right at that share
}

// phi returns the modelled cost at the team's share.
func (t *team) phi() float64 { return modelCost(t.c, t.a, t.share) }

// search looks for the partition of least slot power: it holds one and changes
// it while that saves power. Costs are true ones, shares follow every change:
// at the optimum all groups' costs fall with their shares at one rate nu, so
// that what a change saves is, to first order, the fall of sum (phi - nu s).
type search struct {
	view     *View
	estimate *estimate
	maxSize  int
	maxTeams int
	word     []uint64        // [user] random; a team's key is the xor of its users'
	solved   map[uint64]team // teams as last solved
	teams    []team
	total    float64 // W, mean over the slot
	nu       float64 // what the total falls by per share of the slot
	failed   map[uint64]float64
	c, a, s  []float64
}

const (
	shareDrift   = 0.03 // log of share over the one solved, within which a model will do
	searchGain   = 1e-4 // part of the total that a change must save
	balanceSteps = 12
	screen       = 0.25 // changes estimated to cost more of the total are not tried
	screenAll    = 10   // users up to which all changes are tried
)

func newSearch(v *View) *search {
	s := &search{
		view: v, estimate: newEstimate(v), maxSize: v.MaxGroupSize(), maxTeams: v.MaxGroups(),
		word: make([]uint64, len(v.slot.Users)), solved: map[uint64]team{}, failed: map[uint64]float64{},
		total: math.Inf(1),
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for k := range s.word {
		s.word[k] = rng.Uint64()
	}
	return s
}

// newTeam returns a team as last solved, or new. It keeps users.
func (s *search) newTeam(users []int) team {
	key := uint64(0)
	for _, k := range users {
		key ^= s.word[k]
	}
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

// balance finds shares of the teams from number first on, all solved once, and
// solves them there; the others' shares move by their models. It returns the
// total, and false as soon as the models say that it is not below most or a team
// cannot be served.
func (s *search) balance(teams []team, first int, most float64) (total, nu float64, ok bool) {
	for range balanceSteps {
		total, nu = s.spread(teams)
		if !(total < most) {
			return total, nu, false
		}
		moved := false
		for i := first; i < len(teams); i++ {
			t := &teams[i]
			if math.Abs(math.Log(t.share/t.at)) > shareDrift {
				moved = true
				if s.view.Stopped() || !s.solveNear(t) {
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

// start takes a partition with shares to start from. It reports false, and keeps
// what it had, where that is not worse or the groups cannot be served.
func (s *search) start(groups [][]int, share []float64) bool {
	if len(groups) > s.maxTeams {
		return false
	}
	teams := make([]team, len(groups))
	for g, users := range groups {
		if len(users) > s.maxSize {
			return false
		}
		teams[g] = s.newTeam(users)
		teams[g].share = share[g]
	}
	if !s.serve(teams) {
		return false
	}
	total, nu, ok := s.balance(teams, 0, s.total)
	if ok {
		s.teams, s.total, s.nu = teams, total, nu
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
	teams, total, nu := s.teams, s.total, s.nu
	defer func() {
		if s.teams == nil || s.total > total*(1-searchGain) {
			s.teams, s.total, s.nu = teams, total, nu
		}
	}()
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
	n := hit - 1 + rng.IntN(3)
	n = max(min(n, len(users), s.maxTeams-len(groups)), (len(users)+s.maxSize-1)/s.maxSize, 1)
	rng.Shuffle(len(users), func(i, j int) { users[i], users[j] = users[j], users[i] })
	parts, partShare, _ := s.estimate.dealt(users, users, n, budget, s.maxSize)
	s.teams, s.total = nil, math.Inf(1)
	if s.start(append(groups, parts...), append(share, partShare...)) {
		s.descend()
	}
}

// change is a way to change the partition: teams of some users less and others
// in their place.
type change struct {
	old   [2]int // numbers of the teams that go; second -1: one only
	fresh [2][]int
	share [2]float64 // to start from
	gain  float64    // estimated
}

// descend makes changes while they save power.
func (s *search) descend() {
	for !s.view.Stopped() {
		if !slices.ContainsFunc(s.changes(), s.try) {
			return
		}
	}
}

// try makes a change where it saves power. It reports whether it did.
func (s *search) try(c change) bool {
	if s.view.Stopped() {
		return false
	}
	teams := make([]team, 0, len(s.teams)+1)
	bound := s.total // on the new total, were costs as modelled: by duality
	for i := range s.teams {
		if t := &s.teams[i]; i != c.old[0] && i != c.old[1] {
			teams = append(teams, *t)
		} else {
			bound -= t.phi() + s.nu*t.share
		}
	}
	first := len(teams)
	for i, users := range c.fresh {
		if len(users) == 0 {
			continue
		}
		t := s.newTeam(users)
		if t.at == 0 {
			t.share = c.share[i]
			if !s.solve(&t) {
				return false
			}
		}
		least, share := leastPriced(t.c, t.a, s.nu)
		bound += least
		t.share = share
		teams = append(teams, t)
	}
	most := s.total * (1 - searchGain)
	if bound >= most {
		return false
	}
	if _, _, ok := s.balance(teams, first, most); !ok {
		return false
	}
	total, nu, ok := s.balance(teams, 0, most)
	if ok {
		s.teams, s.total, s.nu = teams, total, nu
	}
	return ok
}

// changes lists the changes worth a try, those that ought to save most first.
func (s *search) changes() []change {
	var out []change
	e := s.estimate
	n := len(s.teams)
	limit := -screen * s.total
	if len(s.view.active) <= screenAll {
		limit = math.Inf(-1)
	}
	add := func(c change) {
		if c.gain > limit {
			out = append(out, c)
		}
	}
	d := s.dealt()
	scale := make([]float64, n) // true over estimated cost
	for g := range s.teams {
		t := &s.teams[g]
		sum := 0.0
		for _, k := range t.users {
			sum += d.free[k*n+g] * penalty(d.z[k*n+g])
		}
		scale[g] = t.phi() / sum
	}
	for _, k := range s.view.active {
		from := d.at[k]
		t := &s.teams[from]
		if len(t.users) == 1 {
			continue
		}
		fall := d.leave(k) * scale[from]
		rest := without(t.users, []int{k})
		for g := range s.teams {
			if g == from || len(s.teams[g].users) >= s.maxSize {
				continue
			}
			add(change{
				old: [2]int{from, g}, fresh: [2][]int{rest, with(s.teams[g].users, k)},
				share: [2]float64{t.share, s.teams[g].share}, gain: fall - d.join(k, g, -1)*scale[g],
			})
		}
		if n < s.maxTeams {
			out = s.parted(out, from, rest, []int{k}, limit)
		}
	}
	for i, k := range s.view.active {
		for _, j := range s.view.active[:i] {
			a, b := d.at[k], d.at[j]
			if a == b || len(s.teams[a].users) == 1 && len(s.teams[b].users) == 1 {
				continue
			}
			gain := scale[a]*(d.leave(k)-d.join(j, a, k)) + scale[b]*(d.leave(j)-d.join(k, b, j))
			if gain > limit {
				out = append(out, change{
					old: [2]int{a, b},
					fresh: [2][]int{
						with(without(s.teams[a].users, []int{k}), j),
						with(without(s.teams[b].users, []int{j}), k),
					},
					share: [2]float64{s.teams[a].share, s.teams[b].share}, gain: gain,
				})
			}
		}
	}
	for a := range s.teams {
		for b := range a {
			users := append(slices.Clone(s.teams[a].users), s.teams[b].users...)
			if len(users) > s.maxSize {
				continue
			}
			share := s.teams[a].share + s.teams[b].share
			ratio := (scale[a] + scale[b]) / 2
			add(change{
				old: [2]int{a, b}, fresh: [2][]int{users}, share: [2]float64{share},
				gain: s.teams[a].phi() + s.teams[b].phi() - ratio*share*e.power(users, share),
			})
		}
		if t := &s.teams[a]; n < s.maxTeams && len(t.users) > 3 {
			if parts, _, _ := e.dealt(t.users, nil, 2, t.share, s.maxSize); len(parts) == 2 {
				out = s.parted(out, a, parts[0], parts[1], limit)
			}
		}
	}
	slices.SortStableFunc(out, func(x, y change) int { return -cmp.Compare(x.gain, y.gain) })
	return out
}

// parted adds the change of one team into two: their models are the team's with
// the power in proportion to the estimate's.
func (s *search) parted(out []change, from int, one, other []int, limit float64) []change {
	e, t := s.estimate, &s.teams[from]
	c := change{old: [2]int{from, -1}, fresh: [2][]int{one, other}, gain: t.phi() + s.nu*t.share}
	whole := e.power(t.users, t.share)
	for i, users := range c.fresh {
		var least float64
		least, c.share[i] = leastPriced(t.c*e.power(users, t.share)/whole, t.a, s.nu)
		c.gain -= least
	}
	if c.gain > limit {
		out = append(out, c)
	}
	return out
}

// dealt returns the partition at hand as a deal.
func (s *search) dealt() *deal {
	n, groups := len(s.view.slot.Users), len(s.teams)
	d := &deal{
		e: s.estimate, share: make([]float64, groups), groups: make([][]int, groups), at: make([]int, n),
		free: make([]float64, n*groups), theta: make([]float64, n*groups), z: make([]float64, n*groups),
	}
	for g := range s.teams {
		d.share[g] = s.teams[g].share
	}
	for _, k := range s.view.active {
		for g, share := range d.share {
			power, theta := s.estimate.need(k, share)
			d.free[k*groups+g], d.theta[k*groups+g] = share*power, theta
		}
		d.at[k] = -1
	}
	for g := range s.teams {
		for _, k := range s.teams[g].users {
			d.put(k, g)
		}
	}
	return d
}

// with returns users and one more.
func with(users []int, k int) []int { return append(slices.Clone(users), k) }
