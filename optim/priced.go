package optim

import "math"

// Symbols of this file:
//
//	a_i  row of a limit, scaled to unit norm   q_i  its price in W per W
//	phi  least priced power of the group:
//	     min sum_k ||w_k||^2 + sum_i q_i sum_k |a_i^H w_k|^2 under the targets
//	l_k  uplink power        s_k  sqrt l_k      e_k  error variance over noise
//	z    1 - sum_k l_k e_k   p_i  z q_i         Q    I + sum_i p_i a_i a_i^H
//	A    I + S H^H Q^-1 H S  B    A^-1          N    diag(B_kk) - |B|^2
//	x_k  downlink scale: w_k = sqrt(x_k) Q^-1 H S B e_k
//	P    sum_k ||w_k||^2
//
// Everything here is derived, not taken from a paper; the price enters where Yu
// and Lan (IEEE Trans. SP 55(6), 2007) have the uncertain noise of their dual
// uplink.
//
// The Lagrangian of the priced problem is, with w_k on the outside,
// sum_k w_k^H ((1 + sum_j L_j e_j) I + sum_i q_i a_i a_i^H + sum_{j != k} L_j h_j
// h_j^H - L_k/g_k h_k h_k^H) w_k + sum_k L_k for multipliers L. Divided by
// 1 + sum_j L_j e_j = 1/z it is the problem of Optimal for the channel
// Q^-1/2 H without errors: l = z L, and phi = sum_k l_k / z. So only the Gram
// matrix changes, to H^H Q^-1 H.

// rowSet holds the rows of all limits but the total: antennas first, row m for
// antenna m, then the dense rows. Rows are scaled to unit norm and their caps
// with them.
type rowSet struct {
	antennas int
	dense    []complex128 // [row][antenna], as given
	norm     []float64    // of the dense rows
	capW     []float64    // of unit rows; +Inf where there is no cap
}

func (s *rowSet) load(l *Limits, antennas int) {
	n := len(l.RowW)
	s.antennas = antennas
	s.dense = l.Rows
	s.norm = grow(s.norm, n)
	s.capW = grow(s.capW, antennas+n)
	for m := range antennas {
		s.capW[m] = math.Inf(1)
		if l.AntennaW != nil {
			s.capW[m] = l.AntennaW[m]
		}
	}
	for i, c := range l.RowW {
		s.norm[i] = math.Sqrt(norm2(s.row(i)))
		s.capW[antennas+i] = math.Inf(1) // a row of zeros has no power
		if s.norm[i] > 0 {
			s.capW[antennas+i] = c / s.norm[i] / s.norm[i]
		}
	}
}

// row returns dense row i as given.
func (s *rowSet) row(i int) []complex128 {
	return s.dense[i*s.antennas : (i+1)*s.antennas]
}

// scale returns the squared norm of row i as given.
func (s *rowSet) scale(i int) float64 {
	if i < s.antennas {
		return 1
	}
	n := s.norm[i-s.antennas]
	return n * n
}

// addPowers adds |a_i^H w|^2 of every capped row to powers, and |w_m|^2 of every
// antenna.
func (s *rowSet) addPowers(powers []float64, w []complex128) {
	for m, z := range w {
		powers[m] += abs2(z)
	}
	for i, c := range s.capW[s.antennas:] {
		if c < math.Inf(1) {
			powers[s.antennas+i] += abs2(s.response(s.antennas+i, w))
		}
	}
}

// response returns a_i^H v.
func (s *rowSet) response(i int, v []complex128) complex128 {
	if i < s.antennas {
		return v[i]
	}
	i -= s.antennas
	return scaled(dot(s.row(i), v[:s.antennas]), 1/s.norm[i])
}

// product returns a_i^H a_j, i >= j.
func (s *rowSet) product(i, j int) complex128 {
	switch {
	case i == j:
		return 1
	case i < s.antennas:
		return 0
	case j < s.antennas:
		return scaled(conj(s.row(i - s.antennas)[j]), 1/s.norm[i-s.antennas])
	}
	i, j = i-s.antennas, j-s.antennas
	return scaled(dot(s.row(i), s.row(j)), 1/s.norm[i]/s.norm[j])
}

// alike returns |a_i^H a_j|^2.
func (s *rowSet) alike(i, j int) float64 { return abs2(s.product(max(i, j), min(i, j))) }

// pricedBand is the priced problem of one group on one subband. Only users of
// positive target are in it.
type pricedBand struct {
	set    *rowSet
	h      Channel
	users  []int // place of each in h
	sinr   []float64
	errVar []float64
	anyErr bool

	rows []int // the rows that have a price
	// base and ext are the Gram matrix, lower triangle, of the channels followed
	// by the rows: of B^H B, and of B^H Q^-1 B at the last prices.
	base, ext []complex128

	optimal Optimal
	ws      Workspace
	result  Result
	gram    Gram
	start   []float64

	prices []float64 // p
	z      float64
	errs   float64 // sum_k l_k e_k

	// Filled by derive.
	l, noise    []float64    // noise_k = 1 + e_k P
	x           []float64    // at noise
	u, b, m     []complex128 // [row][user]: conj(u_i), u_i = S H^H Q^-1 a_i; B u_i; B X B u_i
	v, tau, y   []float64    // [row][user]: |B u_i|^2, its N^-1, mixed term
	n           []float64    // N, factored
	mid         []complex128 // B X B
	theta       []float64
	curv        []float64 // of sum_k noise_k l_k over p
	rows1, rowE []float64
	column      []complex128

	// Where derive was last called, to predict from.
	at      []float64 // q
	haveAt  bool
	scratch []float64
	amp     []float64 // sqrt(x_k) of the weights formed
	norms   []float64
}

// load takes the band's users. It returns the place of a user whose channel is
// zero, or -1.
func (b *pricedBand) load(set *rowSet, band *Band, maxPenaltyDB float64, poll Poll) int {
	b.set, b.h = set, band.Channel
	b.users = b.users[:0]
	b.sinr = b.sinr[:0]
	b.errVar = b.errVar[:0]
	b.anyErr = false
	for k, g := range band.SINR {
		if g == 0 {
			continue
		}
		b.users = append(b.users, k)
		b.sinr = append(b.sinr, g)
		e := 0.0
		if band.ErrorVariance != nil {
			e = band.ErrorVariance[k]
		}
		b.errVar = append(b.errVar, e)
		b.anyErr = b.anyErr || e > 0
	}
	n := len(b.users)
	b.gram.resize(n)
	for i, k := range b.users {
		poll.step(n)
		hk := b.h.User(k)
		for j := range i {
			b.gram.Data[i*n+j] = dot(hk, b.h.User(b.users[j]))
		}
		b.gram.Data[i*n+i] = complex(real(dot(hk, hk)), 0)
		if b.gram.Data[i*n+i] == 0 {
			return k
		}
	}
	b.optimal = Optimal{Tolerance: pricedTolerance, MaxPenaltyDB: maxPenaltyDB, Poll: poll}
	b.start = grow(b.start, n)
	clear(b.start)
	b.z = 1
	b.haveAt = false
	b.rows = b.rows[:0]
	b.base = b.base[:0]
	for _, s := range []*[]float64{&b.l, &b.noise, &b.x, &b.scratch, &b.amp, &b.norms} {
		*s = grow(*s, n)
	}
	b.n = grow(b.n, n*n)
	b.theta = grow(b.theta, n*n)
	b.mid = grow(b.mid, n*n)
	return -1
}

// pricedTolerance is the last step in log l. Rows' powers are off by a like
// amount and must settle far below the limits' tolerance.
const pricedTolerance = 1e-10

// freeW returns sum_k g_k / ||h_k||^2.
func (b *pricedBand) freeW() float64 {
	n := len(b.users)
	sum := 0.0
	for i, g := range b.sinr {
		sum += g / real(b.gram.Data[i*n+i])
	}
	return sum
}

// activate sets the rows that may have a price, in rising order, at prices q.
// The gram field is that of the channels until the first call.
func (b *pricedBand) activate(rows []int, q []float64) {
	n, a := len(b.users), len(rows)
	size := n + a
	b.ext = grow(b.ext, size*size)
	old := len(b.rows) + n
	for i := range n {
		from := b.gram.Data[i*n : i*n+i+1]
		if len(b.base) > 0 {
			from = b.base[i*old : i*old+i+1]
		}
		copy(b.ext[i*size:], from)
	}
	for j, row := range rows {
		out := b.ext[(n+j)*size:]
		for i, k := range b.users {
			out[i] = b.set.response(row, b.h.User(k))
		}
		for i := range j + 1 {
			out[n+i] = b.set.product(row, rows[i])
		}
	}
	b.base, b.ext = b.ext, grow(b.base, size*size)
	b.rows = append(b.rows[:0], rows...)
	b.haveAt = false
	b.prices = grow(b.prices, a)
	b.at = grow(b.at, a)
	b.rows1 = grow(b.rows1, a)
	b.rowE = grow(b.rowE, a)
	b.curv = grow(b.curv, a*a)
	b.column = grow(b.column, size)
	for _, s := range []*[]complex128{&b.u, &b.b, &b.m} {
		*s = grow(*s, a*n)
	}
	for _, s := range []*[]float64{&b.v, &b.tau, &b.y} {
		*s = grow(*s, a*n)
	}
	b.sweep(q)
}

// own returns z a^H Q^-1 a of active row j, one over its price and what the rest
// of Q counts for.
func (b *pricedBand) own(j int) float64 {
	n := len(b.users)
	c := n + j
	return b.z * real(b.ext[c*(n+len(b.rows))+c])
}

// sweep fills ext with B^H Q^-1 B at prices q, one row of a limit at a time: for
// Q' = Q + p a a^H the matrix falls by p/(1 + p a^H Q^-1 a) g g^H,
// g = B^H Q^-1 a. O(a (n+a)^2 / 2); antennas cost O(n^2/2) each, as the columns
// of other antennas are zero.
func (b *pricedBand) sweep(q []float64) {
	n := len(b.users)
	size := n + len(b.rows)
	for j, v := range q {
		b.prices[j] = b.z * v
	}
	for i := range size {
		copy(b.ext[i*size:i*size+i+1], b.base[i*size:i*size+i+1])
	}
	g := b.column[:size]
	for j, p := range b.prices {
		if p == 0 {
			continue
		}
		c := n + j
		copy(g, b.ext[c*size:c*size+c+1]) // conj(g_i) = ext_ci for i <= c
		for i := c + 1; i < size; i++ {
			g[i] = conj(b.ext[i*size+c])
		}
		inv := 1 / (1 + p*real(g[c]))
		f := p * inv
		for i := range size {
			if g[i] == 0 || i == c {
				continue
			}
			// ext_il -= f g_i conj(g_l), with g holding conjugates.
			kernels.Zaxpy(i+1, scaled(conj(g[i]), -f), g, 1, b.ext[i*size:], 1)
		}
		// The row's own entries without cancellation.
		for i := range c {
			b.ext[c*size+i] = scaled(g[i], inv)
		}
		b.ext[c*size+c] = complex(real(g[c])*inv, 0)
		for i := c + 1; i < size; i++ {
			b.ext[i*size+c] = scaled(conj(g[i]), inv)
		}
	}
	for i := range n {
		for j := range i {
			setHermitian(b.gram.Data, n, i, j, b.ext[i*size+j])
		}
		b.gram.Data[i*n+i] = complex(real(b.ext[i*size+i]), 0)
	}
}

// eval finds the least priced power at prices q of the active rows, and a proved
// lower bound on it.
//
// With errors z solves z = 1 - sum_k e_k l_k(z q). The right side falls and is
// convex in z, so that Newton's method converges from anywhere; a solution
// z <= 0 means that the errors alone take all the power.
func (b *pricedBand) eval(q []float64) (value, lower float64, status Status) {
	n := len(b.users)
	if n == 0 {
		return 0, 0, Solved
	}
	b.predict(q)
	last := math.Inf(1)
	for range maxScaleSteps {
		b.optimal.Poll.now()
		b.sweep(q)
		b.result = Result{Violated: b.result.Violated[:0]}
		status = b.optimal.converge(&Problem{Gram: &b.gram, SINR: b.sinr, Start: b.start}, &b.ws, &b.result)
		if status != Solved {
			return 0, 0, status
		}
		sum := 0.0
		b.errs = 0
		for i := range n {
			b.l[i] = math.Exp(b.ws.t[i] + b.ws.dt[i])
			sum += b.l[i]
			b.errs += b.l[i] * b.errVar[i]
		}
		if !finite(sum) {
			return 0, 0, IllConditioned
		}
		copy(b.start, b.l)
		if b.z == 0 && b.errs >= 1 {
			return 0, 0, Unservable
		}
		off := b.z - 1 + b.errs
		if size := math.Abs(off); !b.anyErr || size <= 1e-13 || size <= 1e-9 && size > last/2 {
			return sum / (1 - b.errs), b.lower(), Solved
		}
		last = math.Abs(off)
		slope, ok := b.errorSlope(q)
		if !ok {
			return 0, 0, IllConditioned
		}
		b.z = math.Max(b.z-off/(1+slope), 0)
	}
	return 0, 0, StepLimit
}

const maxScaleSteps = 50

// lower returns a proved lower bound on the priced power from the last solve.
// Scaled down by c as in Workspace.lowerBound, c l is dual feasible for prices
// z q; times s it is so for prices q when s <= 1/z and s <= 1 + s sum c l e.
func (b *pricedBand) lower() float64 {
	n := len(b.users)
	sum, errs, spread := 0.0, 0.0, 0.0
	for i := range n {
		l := b.ws.s[i] * b.ws.s[i]
		sum += l
		errs += l * b.errVar[i]
		spread = math.Max(spread, l*real(b.gram.Data[i*n+i]))
	}
	bound, _ := b.ws.lowerBound(n, sum, spread)
	if !b.anyErr {
		return math.Max(bound, b.result.LowerBoundW)
	}
	return bound * math.Min(1/b.z, 1/(1-bound/sum*errs))
}

// predict sets the start of a solve at q from the derivatives where derive was
// last called: l is taken as linear in the prices.
func (b *pricedBand) predict(q []float64) {
	if !b.haveAt {
		return
	}
	n := len(b.users)
	z := b.z
	if b.anyErr {
		turn, lean := 0.0, 1.0
		for j, v := range q {
			turn += b.rowE[j] * (v - b.at[j])
			lean += b.rowE[j] * b.at[j]
		}
		z = math.Max(b.z-b.z*turn/lean, b.z/2)
	}
	change := b.scratch[:n]
	clear(change)
	for j, v := range q {
		if d := z*v - b.z*b.at[j]; d != 0 {
			for i, t := range b.tau[j*n : (j+1)*n] {
				change[i] += t * d
			}
		}
	}
	for i, c := range change {
		if c > -0.5 {
			b.start[i] = b.l[i] * (1 + c)
		}
	}
	b.z = z
}

// coupling fills N at the last solve and factors it.
func (b *pricedBand) coupling() bool {
	n := len(b.users)
	for i := range n {
		for j := range i {
			b.n[i*n+j] = -abs2(b.ws.b[i*n+j])
		}
		b.n[i*n+i] = real(b.ws.b[i*n+i]) * b.ws.gain(i, n)
	}
	return choleskyReal(b.n, n)
}

// reach fills conj(u), B u and |B u|^2 of active row j.
func (b *pricedBand) reach(j int) {
	n := len(b.users)
	size := n + len(b.rows)
	u := b.u[j*n : (j+1)*n]
	for i, z := range b.ext[(n+j)*size : (n+j)*size+n] {
		u[i] = scaled(z, b.ws.s[i])
	}
	out := b.b[j*n : (j+1)*n]
	v := b.v[j*n : (j+1)*n]
	timesConj(out, b.ws.b, u, n)
	for i, z := range out {
		v[i] = abs2(z)
	}
}

// timesConj fills out with a times conj(v), a n x n. O(n^2).
func timesConj(out, a, v []complex128, n int) {
	var sums [4]complex128
	for i := 0; i < n; {
		first, count := dots(&sums, v, a, 0, n, n, i)
		for ; i < first+count; i++ {
			out[i] = sums[i-first]
		}
	}
}

// errorSlope returns d/dz of sum_k e_k l_k(z q).
func (b *pricedBand) errorSlope(q []float64) (float64, bool) {
	n := len(b.users)
	if !b.coupling() {
		return 0, false
	}
	change := b.scratch[:n]
	clear(change)
	for j, v := range q {
		if v == 0 {
			continue
		}
		b.reach(j)
		for i, r := range b.v[j*n : (j+1)*n] {
			change[i] += v * r
		}
	}
	choleskySubstitute(b.n, n, change)
	slope := 0.0
	for i, c := range change {
		slope += b.errVar[i] * b.l[i] * c
	}
	return slope, true
}

// derive adds to rowW the gradient of phi over the prices, which are the powers
// of the active rows, and to curvature, a x a, its Hessian. It reports false
// where rounding spoils them. O(n^3/2 + a n^2 + a^2 n).
//
// For fixed noise let f(p) = sum_k noise_k l_k(p). From the optimality condition
// B_kk = 1/(1+g_k), d log l / dp_i = tau_i = N^-1 v_i, v_i = |B u_i|^2. So
// df/dp_i = x . v_i with N x = l * noise, and, differentiated once more,
//
//	d2f/dp_i dp_j = tau_i^T T tau_j + tau_i . y_j + tau_j . y_i
//	                - 2 Re conj(c_ij) (s_ij - u_i^H B u_j),
//	T    = diag(2 l * noise) - (x_k + x_l) |B_kl|^2 + 2 Re (B X B)_kl conj(B_kl),
//	y_i  = 2 Re conj(B X B u_i) * (B u_i) - x * v_i,
//	c_ij = (B u_i)^H X B u_j,  s_ij = a_i^H Q^-1 a_j.
//
// The noise 1 + e_k P and p = z q move with q too. With E = I - r q^T/(1 + q.r),
// r_i = d(sum e_k l_k)/dp_i, the Hessian of phi is z E (d2f) E^T.
func (b *pricedBand) derive(q, rowW, curvature []float64) bool {
	n, a := len(b.users), len(b.rows)
	if n == 0 {
		return true
	}
	if !b.coupling() {
		return false
	}
	for i := range n {
		b.l[i] = b.ws.s[i] * b.ws.s[i]
	}
	for j := range a {
		b.reach(j)
		copy(b.tau[j*n:(j+1)*n], b.v[j*n:(j+1)*n])
		choleskySubstitute(b.n, n, b.tau[j*n:(j+1)*n])
	}
	b.downlink(q)
	for j := range a {
		rowW[j] += dotReal(b.x[:n], b.v[j*n:(j+1)*n])
	}
	b.curve()
	b.addCurvature(q, curvature)
	copy(b.at, q)
	b.haveAt = true
	return true
}

// downlink fills x, the noise it is for, and the slopes r of derive.
//
// phi = P + sum_i q_i (row power i), and row powers are affine in P.
func (b *pricedBand) downlink(q []float64) {
	n := len(b.users)
	copy(b.x, b.l)
	choleskySubstitute(b.n, n, b.x)
	for i := range n {
		b.noise[i] = 1
	}
	if !b.anyErr {
		clear(b.rowE)
		return
	}
	xe := b.scratch[:n]
	sum, errs := 0.0, 0.0
	for i, l := range b.l {
		xe[i] = l * b.errVar[i]
		sum += l
		errs += xe[i]
	}
	choleskySubstitute(b.n, n, xe)
	power, lean := sum/(1-errs), 1.0
	for j, v := range q {
		b.rowE[j] = dotReal(xe, b.v[j*n:(j+1)*n])
		power -= v * dotReal(b.x[:n], b.v[j*n:(j+1)*n])
		lean += v * b.rowE[j]
	}
	power = math.Max(power/lean, 0)
	for i := range n {
		b.noise[i] = 1 + b.errVar[i]*power
		b.x[i] += power * xe[i]
	}
}

// curve fills curv with d2f of derive.
func (b *pricedBand) curve() {
	n, a := len(b.users), len(b.rows)
	if a == 0 {
		return
	}
	size := n + a
	bb := b.ws.b
	// B X B = (B X^1/2) (B X^1/2)^H; the scaled rows borrow the scratch of ws.
	half := b.ws.x[:n*n]
	var sums [4]complex128
	for i := range n {
		for j := range n {
			half[i*n+j] = scaled(bb[i*n+j], math.Sqrt(math.Max(b.x[j], 0)))
		}
	}
	for i := range n {
		for j := 0; j <= i; {
			first, count := dots(&sums, half[i*n:(i+1)*n], half, 0, n, n, j)
			for ; j <= min(i, first+count-1); j++ {
				setHermitian(b.mid, n, i, j, conj(sums[j-first]))
			}
		}
	}
	for i := range n {
		for j := range i {
			w, m := bb[i*n+j], b.mid[i*n+j]
			t := -(b.x[i]+b.x[j])*abs2(w) + 2*(real(m)*real(w)+imag(m)*imag(w))
			b.theta[i*n+j] = t
			b.theta[j*n+i] = t
		}
		d := real(bb[i*n+i])
		b.theta[i*n+i] = 2*b.l[i]*b.noise[i] - 2*b.x[i]*d*d + 2*real(b.mid[i*n+i])*d
	}
	turned := b.scratch[:n]
	for j := range a {
		at := j * n
		m, u, w := b.m[at:at+n], b.b[at:at+n], b.v[at:at+n]
		timesConj(m, b.mid, b.u[at:at+n], n)
		for i := range n {
			b.y[at+i] = 2*(real(m[i])*real(u[i])+imag(m[i])*imag(u[i])) - b.x[i]*w[i]
		}
	}
	for j := range a {
		tj := b.tau[j*n : (j+1)*n]
		for i := range n {
			turned[i] = dotReal(b.theta[i*n:(i+1)*n], tj) + b.y[j*n+i]
		}
		for i := range j + 1 {
			v := dotReal(turned, b.tau[i*n:(i+1)*n]) + dotReal(tj, b.y[i*n:(i+1)*n])
			// conj(c_ji) (s_ji - u_j^H B u_i).
			var c complex128
			bj, bi := b.b[j*n:(j+1)*n], b.b[i*n:(i+1)*n]
			for k := range n {
				c += scaled(conj(bj[k])*bi[k], b.x[k])
			}
			s := b.ext[(n+j)*size+n+i] - kernels.Zdotu(n, b.u[j*n:(j+1)*n], 1, bi, 1)
			v -= 2 * (real(c)*real(s) + imag(c)*imag(s))
			b.curv[j*a+i] = v
			b.curv[i*a+j] = v
		}
	}
}

// addCurvature adds z E curv E^T to the sum over bands.
func (b *pricedBand) addCurvature(q, sum []float64) {
	a := len(b.rows)
	if !b.anyErr {
		for i, v := range b.curv[:a*a] {
			sum[i] += v
		}
		return
	}
	// E C E^T = C - r t^T - t r^T + (q.t/(1+q.r)) r r^T, t = C q/(1+q.r).
	lean := 1 + dotReal(q, b.rowE)
	t := b.rows1[:a]
	qt := 0.0
	for i := range a {
		t[i] = dotReal(b.curv[i*a:(i+1)*a], q) / lean
		qt += q[i] * t[i]
	}
	for i := range a {
		for j := range a {
			v := b.curv[i*a+j] - b.rowE[i]*t[j] - t[i]*b.rowE[j] + qt/lean*b.rowE[i]*b.rowE[j]
			sum[i*a+j] += b.z * v
		}
	}
}

// form fills the weights of the last solve, w[k*stride:] for the k-th user of
// the channel, with the powers that meet every target exactly, and returns
// their power. O(n^2 M + a n (M + n)).
func (b *pricedBand) form(w []complex128, stride int) (powerW float64, status Status) {
	n, mm := len(b.users), b.h.Antennas
	size := n + len(b.rows)
	c := b.column[:n]
	for k, user := range b.users {
		for i := range n {
			c[i] = scaled(b.ws.b[i*n+k], b.ws.s[i])
		}
		out := w[user*stride : user*stride+mm]
		clear(out)
		for i, from := range b.users {
			kernels.Zaxpy(mm, c[i], b.h.User(from), 1, out, 1)
		}
		// Q^-1 v = v - sum_j p_j a_j a_j^H Q^-1 v; exact at priced antennas.
		for j := len(b.rows) - 1; j >= 0; j-- {
			if b.prices[j] == 0 {
				continue
			}
			got := kernels.Zdotu(n, b.ext[(n+j)*size:(n+j)*size+n], 1, c, 1)
			if row := b.rows[j]; row < mm {
				out[row] = got
			} else {
				row -= mm
				kernels.Zaxpy(mm, scaled(got, -b.prices[j]/b.set.norm[row]), b.set.row(row), 1, out, 1)
			}
		}
		b.norms[k] = norm2(out)
	}
	if status = b.balance(); status != Solved {
		return 0, status
	}
	for k, user := range b.users {
		x := b.x[k]
		powerW += x * b.norms[k]
		kernels.Zdscal(mm, math.Sqrt(x), w[user*stride:user*stride+mm], 1)
	}
	return powerW, Solved
}

// balance fills x with the scales that meet every target exactly, errors
// included, for beams whose squared norms are in norms (see Workspace.finish).
func (b *pricedBand) balance() Status {
	n := len(b.users)
	m, ws := b.ws.n, &b.ws
	lift := b.scratch[:n]
	for j, g := range b.sinr {
		for k := range n {
			m[j*n+k] = -g * abs2(ws.b[j*n+k])
		}
		own := ws.gain(j, n)
		m[j*n+j] = own * own
		b.x[j] = g * ws.s[j] * ws.s[j]
		lift[j] = b.x[j] * b.errVar[j]
	}
	if !eliminate(m, n) {
		return IllConditioned
	}
	substitute(m, n, b.x[:n])
	power := dotReal(b.norms[:n], b.x)
	if b.anyErr {
		substitute(m, n, lift)
		rest := 1 - dotReal(b.norms[:n], lift)
		if !(rest > 0) {
			return IllConditioned
		}
		power /= rest
		for j := range n {
			b.x[j] += power * lift[j]
		}
	}
	for _, x := range b.x[:n] {
		if !(x > 0) || math.IsInf(x, 1) {
			return IllConditioned
		}
	}
	return Solved
}
