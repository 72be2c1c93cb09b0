package optim

import (
	"cmp"
	"math"
	"slices"
)

// separation is the scratch of separate.
type separation struct {
	blocks  []floorBlock
	reduced []complex128 // [block][subband] Q of the block, given those before it
	excess  []float64    // [user] rate that ws.order carries less rate asked
	mixed   []float64    // [user] the same for shared time
	within  []int        // an order of one block, in positions
	norms   []float64
	ones    []float64
	weights []float64
	cut     []int
}

// floorBlock is a run of the order whose users have one price, as far as can be
// told. Their rates hang on the users before it only as a set, so that the
// orders inside it are chosen by themselves.
type floorBlock struct {
	first, size int // in ws.order
	at          int // in reduced
	// The orders that share the time: positions in the block, [order][size];
	// the excess rates less their mean, in the same shape; and their shares.
	count  int
	orders []int
	points []float64
	shares []float64
	least  []float64 // sum of shares x points: the base of least norm so far
	rates  []float64
}

func (b *floorBlock) order(i int) []int     { return b.orders[i*b.size : (i+1)*b.size] }
func (b *floorBlock) point(i int) []float64 { return b.points[i*b.size : (i+1)*b.size] }

// separate looks for sets that the present powers violate and adds them to the
// rows. It returns by how much the worst of them is violated, over its scale; 0
// when there is none. Then time shared between orders carries the rates, to
// target, which gives an upper bound. Users must be sorted by price.
func (ws *FloorWorkspace) separate(stopped func() bool, target float64) float64 {
	power := ws.power()
	ws.excesses()
	before := len(ws.rows)
	worst := ws.cutByPrice()
	ws.reduce(1)
	slack := 0.0 // of the users before the block
	for i := range ws.blocks {
		b := &ws.blocks[i]
		if b.size > 1 && !stopped() {
			worst = math.Max(worst, ws.separateBlock(b, slack, target/4))
		} else {
			b.alone()
		}
		for _, k := range ws.order[b.first : b.first+b.size] {
			slack += ws.excess[k]
		}
	}
	if worst == 0 {
		ws.raise(power)
	}
	if len(ws.rows) > before {
		ws.centre(before, worst*power)
	}
	return worst
}

// power returns the power of the interior point.
func (ws *FloorWorkspace) power() float64 {
	sum := 0.0
	for i, p := range ws.p {
		sum += p * ws.cost[i%ws.n]
	}
	return sum
}

// excesses fills ws.excess with the rates that ws.order carries less those asked.
func (ws *FloorWorkspace) excesses() {
	ws.excess = grow(ws.excess, ws.n)
	x := ws.excess
	for k := range x {
		x[k] = -ws.rate[k]
	}
	share := 1 / float64(ws.bands)
	for f := range ws.bands {
		ws.pick(f, ws.order)
		for i, k := range ws.order {
			x[k] += math.Log1p(ws.pivot(i, ws.n, ws.p[f*ws.n+k])) * share
		}
	}
}

// cutByPrice cuts the order into blocks: between two users where the relative
// fall in price exceeds what the prefix has to spare over its scale, as multiplier
// and slack are not both positive at the optimum. It adds the prefixes that are
// violated and returns by how much the worst is.
func (ws *FloorWorkspace) cutByPrice() float64 {
	ws.blocks = ws.blocks[:0]
	worst, slack, need, first := 0.0, 0.0, 0.0, 0
	for i, k := range ws.order {
		slack += ws.excess[k]
		if i+1 < ws.n {
			need += ws.rate[k]
			if next := ws.price[ws.order[i+1]]; slack > (1-next/ws.price[k])*math.Min(1, need) {
				continue
			}
			worst = math.Max(worst, ws.addCut(ws.order[:i+1], slack))
		}
		ws.blocks = extend(ws.blocks)
		b := &ws.blocks[len(ws.blocks)-1]
		b.first, b.size = first, i+1-first
		first = i + 1
	}
	return worst
}

// addCut adds the set as a row when value, f(S) less the rates asked, is negative
// and the set is new. It returns by how much it was violated, over the row's
// scale; 0 when it was not added.
func (ws *FloorWorkspace) addCut(users []int, value float64) float64 {
	if !(value < 0) {
		return 0
	}
	key := setKey(users)
	for i := range ws.rows {
		if ws.rows[i].key == key {
			return 0
		}
	}
	ws.addChain(users)
	row := ws.addRow(len(users))
	row.slack = -value
	return -value / row.scale()
}

// reduce fills ws.reduced with each block's Q given the blocks before it, with
// powers times scale.
func (ws *FloorWorkspace) reduce(scale float64) {
	n, at := ws.n, 0
	for i := range ws.blocks {
		ws.blocks[i].at = at
		at += ws.bands * ws.blocks[i].size * ws.blocks[i].size
	}
	ws.reduced = grow(ws.reduced, at)
	for f := range ws.bands {
		ws.pick(f, ws.order)
		for i := range ws.blocks {
			b := &ws.blocks[i]
			m := b.size
			to := ws.reduced[b.at+f*m*m : b.at+(f+1)*m*m]
			for a := range m {
				copy(to[a*m:a*m+a+1], ws.q[(b.first+a)*n+b.first:])
			}
			for a := range m {
				ws.pivot(b.first+a, n, scale*ws.p[f*n+ws.order[b.first+a]])
			}
		}
	}
}

// blockRates fills x with the rates that an order of block b carries, indexed by
// position in the block. ws.reduced must be that of the same scale.
func (ws *FloorWorkspace) blockRates(b *floorBlock, order []int, scale float64, x []float64) {
	m := b.size
	clear(x)
	share := 1 / float64(ws.bands)
	for f := range ws.bands {
		from := ws.reduced[b.at+f*m*m : b.at+(f+1)*m*m]
		for i, a := range order {
			for j, c := range order[:i+1] {
				if c <= a {
					ws.q[i*m+j] = from[a*m+c]
				} else {
					ws.q[i*m+j] = conj(from[c*m+a])
				}
			}
		}
		for i, a := range order {
			k := ws.order[b.first+a]
			x[a] += math.Log1p(ws.pivot(i, m, scale*ws.p[f*ws.n+k])) * share
		}
	}
}

// alone makes the order that the block has its only one.
func (b *floorBlock) alone() {
	b.resize()
	b.count = 1
	b.shares[0] = 1
	for i := range b.size {
		b.orders[i] = i
	}
}

func (b *floorBlock) resize() {
	m := b.size
	b.orders = grow(b.orders, (m+2)*m)
	b.points = grow(b.points, (m+2)*m)
	b.shares = grow(b.shares, m+2)
	b.least = grow(b.least, m)
	b.rates = grow(b.rates, m)
	b.count = 0
}

// separateBlock finds orders of block b whose shared time carries the block's
// rates up to their mean excess, to within tolerance for each user, or adds a
// violated set. It returns by how much the set is violated. slack is what the
// users before the block have to spare.
//
// The vectors of excess rates of the orders are the vertices of a polytope, the
// bases of a submodular function, and the rates are carried if and only if it
// contains the constant vector. Wolfe's algorithm finds the point nearest to that;
// it is ended as soon as the face that it looks at lies well off.
func (ws *FloorWorkspace) separateBlock(b *floorBlock, slack, tolerance float64) float64 {
	m := b.size
	b.resize()
	ws.within = grow(ws.within, m)
	for i := range m {
		ws.within[i] = i
	}
	ws.addVertex(b)
	copy(b.least, b.point(0))
	b.shares[0] = 1
	for step := 0; step < 20*(m+1) && b.count < m+2; step++ { // rounding might cycle
		if ws.carried(b, tolerance) {
			return 0
		}
		slices.SortStableFunc(ws.within, func(i, j int) int { return cmp.Compare(b.least[i], b.least[j]) })
		ws.addVertex(b)
		x := b.point(b.count - 1)
		square, product := dotReal(b.least, b.least), dotReal(b.least, x)
		if product > square/2 {
			b.count--
			return ws.cutBlock(b, slack)
		}
		if square-product <= 1e-12*square || !ws.nearest(b) {
			return ws.cutBlock(b, slack)
		}
	}
	return 0
}

// carried reports whether block b's shared time is short of no user's rate by more
// than tolerance, over its scale.
func (ws *FloorWorkspace) carried(b *floorBlock, tolerance float64) bool {
	for a, x := range b.least {
		if -x > tolerance*math.Min(1, ws.rate[ws.order[b.first+a]]) {
			return false
		}
	}
	return true
}

// addVertex adds the order ws.within and its point to block b, with no share.
func (ws *FloorWorkspace) addVertex(b *floorBlock) {
	i := b.count
	b.count++
	b.shares[i] = 0
	copy(b.order(i), ws.within)
	x := b.point(i)
	ws.blockRates(b, ws.within, 1, b.rates)
	mean := 0.0
	for a := range x {
		x[a] = b.rates[a] - ws.rate[ws.order[b.first+a]]
		mean += x[a] / float64(b.size)
	}
	for a := range x {
		x[a] -= mean
	}
}

// cutBlock adds the set that the order ws.within, whose rates b.rates holds,
// violates most, if any.
func (ws *FloorWorkspace) cutBlock(b *floorBlock, slack float64) float64 {
	value, least, size := slack, 0.0, 0
	for i, a := range ws.within[:b.size-1] {
		value += b.rates[a] - ws.rate[ws.order[b.first+a]]
		if value < least {
			least, size = value, i+1
		}
	}
	if size == 0 {
		return 0
	}
	ws.cut = append(ws.cut[:0], ws.order[:b.first]...)
	for _, a := range ws.within[:size] {
		ws.cut = append(ws.cut, ws.order[b.first+a])
	}
	return ws.addCut(ws.cut, least)
}

// nearest moves b.least to the point of least norm in the hull of b's points,
// dropping those it does not need (the minor cycle of Wolfe's algorithm). It
// reports false when rounding stopped it.
func (ws *FloorWorkspace) nearest(b *floorBlock) bool {
	for {
		if !ws.affine(b) {
			return false
		}
		// Walk from the shares at hand to those of the affine minimum, up to the
		// first that would turn negative.
		length, inside := 1.0, true
		for i, y := range ws.weights[:b.count] {
			if y <= shareTolerance {
				inside = false
				if s := b.shares[i]; s > y {
					length = math.Min(length, s/(s-y))
				}
			}
		}
		kept := 0
		for i, y := range ws.weights[:b.count] {
			s := b.shares[i] + length*(y-b.shares[i])
			if !inside && s <= shareTolerance {
				continue
			}
			b.shares[kept] = s
			copy(b.order(kept), b.order(i))
			copy(b.point(kept), b.point(i))
			kept++
		}
		dropped := kept < b.count
		b.count = kept
		if inside || !dropped {
			break
		}
	}
	clear(b.least)
	for i := range b.count {
		for a, x := range b.point(i) {
			b.least[a] += b.shares[i] * x
		}
	}
	return true
}

// shareTolerance is the share of time below which an order is dropped.
const shareTolerance = 1e-12

// affine fills ws.weights with the weights, of sum one, of the point of least
// norm in the affine hull of b's points. It reports false when they are dependent
// in float64.
func (ws *FloorWorkspace) affine(b *floorBlock) bool {
	m := b.count
	ws.norms = grow(ws.norms, m*m)
	ws.ones = grow(ws.ones, m)
	ws.weights = grow(ws.weights, m)
	// A constant added to all products leaves the minimiser; of their size, it
	// leaves the digits.
	size := 0.0
	for i := range m {
		ws.ones[i] = 1
		size = math.Max(size, dotReal(b.point(i), b.point(i)))
	}
	for i := range m {
		for j := range i + 1 {
			ws.norms[i*m+j] = size + dotReal(b.point(i), b.point(j))
		}
	}
	if !choleskySolveReal(ws.norms, m, ws.weights, ws.ones) {
		return false
	}
	sum := 0.0
	for _, y := range ws.weights[:m] {
		sum += y
	}
	for i := range ws.weights[:m] {
		ws.weights[i] /= sum
	}
	return true
}

// raise scales the powers up until the orders found carry the rates, which gives
// an upper bound. With the logarithm of the scale every user's rate grows, at a
// slope below one.
func (ws *FloorWorkspace) raise(power float64) {
	up, slope, before := 0.0, 1.0, 0.0
	for range 12 {
		if !(power*math.Exp(up)*(1+ws.rounding) < ws.upper) {
			return
		}
		ws.mix(math.Exp(up))
		worst := slices.Min(ws.mixed)
		if worst >= 0 {
			ws.upper = power * math.Exp(up) * (1 + ws.rounding)
			return
		}
		if up == 0 {
			before = worst
		} else if s := (worst - before) / up; s > 0 {
			slope = math.Min(1, s)
		}
		up += -worst/slope*1.01 + 1e-14
	}
}

// mix fills ws.mixed with the rates that the shared orders carry, at powers
// times scale, less those asked.
func (ws *FloorWorkspace) mix(scale float64) {
	ws.reduce(scale)
	ws.mixed = grow(ws.mixed, ws.n)
	for k := range ws.mixed {
		ws.mixed[k] = -ws.rate[k]
	}
	for i := range ws.blocks {
		b := &ws.blocks[i]
		for j := range b.count {
			ws.blockRates(b, b.order(j), scale, b.rates)
			for a, r := range b.rates {
				ws.mixed[ws.order[b.first+a]] += b.shares[j] * r
			}
		}
	}
}

// centre brings the interior point to where the rows from first on, short by
// their slack, can be met: their multipliers and whatever is closer to its bound
// are moved to the place of the central path at which they cost power.
func (ws *FloorWorkspace) centre(first int, power float64) {
	weight := 1.0
	for i := range ws.rows {
		weight += ws.rows[i].weight
	}
	tau := power / weight
	for i := range ws.rows {
		row := &ws.rows[i]
		if i >= first {
			row.lambda = tau * row.weight / row.slack
		} else {
			row.slack = math.Max(row.slack, tau*row.weight/row.lambda)
		}
	}
	for i, p := range ws.p {
		ws.z[i] = math.Max(ws.z[i], tau*ws.cost[i%ws.n]/(p*float64(ws.bands)))
	}
	ws.evaluate()
}
