package optim_test

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"leastwatt/optim"
	"pgregory.net/rapid"
)

// limit solves a limited problem with a workspace of its own.
func limit(p *optim.LimitedProblem) *optim.LimitedResult {
	var l optim.Limited
	var ws optim.LimitedWorkspace
	var r optim.LimitedResult
	l.Solve(p, &ws, &r)
	return &r
}

// limitsHold re-computes from the weights: every cap holds exactly, every SINR
// to the tolerance, and the powers reported are those of the weights.
func limitsHold(t tester, p *optim.LimitedProblem, r *optim.LimitedResult, tolerance float64) {
	t.Helper()
	f, k, m := len(p.Bands), p.Bands[0].Channel.Users, p.Bands[0].Channel.Antennas
	beam := func(user, band int) []complex128 {
		at := (user*f + band) * m
		return r.Weights[at : at+m]
	}
	total := 0.0
	antenna := make([]float64, m)
	rows := make([]float64, len(p.Limits.RowW))
	for user := range k {
		for band := range f {
			for i, z := range beam(user, band) {
				antenna[i] += real(z)*real(z) + imag(z)*imag(z)
			}
			for i := range rows {
				z := cmplx.Abs(optim.Received(p.Limits.Rows[i*m:(i+1)*m], beam(user, band)))
				rows[i] += z * z
			}
		}
	}
	for i, v := range antenna {
		total += v
		near(t, "antenna power", r.AntennaW[i], v, 1e-9)
		if p.Limits.AntennaW != nil && v > p.Limits.AntennaW[i] {
			t.Errorf("antenna %d: %.17g W, cap %.17g W", i, v, p.Limits.AntennaW[i])
		}
	}
	for i, v := range rows {
		size := 0.0
		for _, z := range p.Limits.Rows[i*m : (i+1)*m] {
			size += real(z * cmplx.Conj(z))
		}
		// A weak row of strong beams loses digits.
		if math.Abs(v-r.RowW[i]) > 1e-9*p.Limits.RowW[i]+1e-14*math.Sqrt(v*size*total) {
			t.Errorf("row %d: %.12g W, reported %.12g W", i, v, r.RowW[i])
		}
		if v > p.Limits.RowW[i] {
			t.Errorf("row %d: %.17g W, cap %.17g W", i, v, p.Limits.RowW[i])
		}
	}
	near(t, "power", r.PowerW, total, 1e-9)
	near(t, "sum of users", sum(r.UserW), total, 1e-9)
	if p.Limits.TotalW > 0 && total > p.Limits.TotalW {
		t.Errorf("total %.17g W, cap %.17g W", total, p.Limits.TotalW)
	}
	for band, b := range p.Bands {
		bandW := 0.0
		for user := range k {
			for _, z := range beam(user, band) {
				bandW += real(z)*real(z) + imag(z)*imag(z)
			}
		}
		for user := range k {
			noise, signal := 1.0, 0.0
			if b.ErrorVariance != nil {
				noise += b.ErrorVariance[user] * bandW
			}
			for j := range k {
				z := cmplx.Abs(optim.Received(b.Channel.User(user), beam(j, band)))
				if j == user {
					signal = z * z
				} else {
					noise += z * z
				}
			}
			if got, want := signal/noise, b.SINR[user]; !(math.Abs(got-want) <= tolerance*want) {
				t.Errorf("subband %d user %d: SINR %.12g, want %.12g", band, user, got, want)
			}
		}
	}
}

// dualValue is a lower bound on the power of any beams within the limits, from
// duals alone and with nothing of the solver: for Q = I + z sum q_i a_i a_i^H,
// z = 1 - sum Lambda_k e_k, and Lambda_k h_k^H (Q + sum Lambda_j h_j h_j^H)^-1 h_k
// <= g_k/(1+g_k), weak duality gives sum over bands of sum Lambda_k / z, less
// sum q_i c_i. It fails where the inequality does by more than rounding, which is
// that of solving with a matrix of the condition 1 + sum q_i ||a_i||^2.
func dualValue(t tester, p *optim.LimitedProblem, d *optim.Duals) float64 {
	t.Helper()
	m := p.Bands[0].Channel.Antennas
	value, condition := 0.0, 1.0
	for i, q := range d.AntennaPrice {
		condition += q
		if q < 0 {
			t.Errorf("price %g of antenna %d", q, i)
		} else if q > 0 {
			value -= q * p.Limits.AntennaW[i]
		}
	}
	for i, q := range d.RowPrice {
		if q < 0 {
			t.Errorf("price %g of row %d", q, i)
		}
		value -= q * p.Limits.RowW[i]
		for _, z := range p.Limits.Rows[i*m : (i+1)*m] {
			condition += q * real(z*cmplx.Conj(z))
		}
	}
	for f, b := range p.Bands {
		k := b.Channel.Users
		lambda := d.Lambda[f*k : (f+1)*k]
		z := 1.0
		for i, e := range b.ErrorVariance {
			z -= lambda[i] * e
		}
		a := make([][]complex128, m)
		for i := range a {
			a[i] = make([]complex128, m)
			a[i][i] = complex(1+z*d.AntennaPrice[i], 0)
		}
		add := func(v []complex128, by float64) {
			for i := range m {
				for j := range m {
					a[i][j] += complex(by, 0) * v[i] * cmplx.Conj(v[j])
				}
			}
		}
		for i, q := range d.RowPrice {
			add(p.Limits.Rows[i*m:(i+1)*m], z*q)
		}
		for i, l := range lambda {
			add(b.Channel.User(i), l)
		}
		for i, l := range lambda {
			h := b.Channel.User(i)
			share := l * real(optim.Received(h, solveLinear(a, h)))
			if g := b.SINR[i]; share > g/(1+g)*(1+1e-9+1e-14*condition) {
				t.Errorf("subband %d user %d: duals not feasible, %.12g over %.12g", f, i, share, g/(1+g))
			}
			value += l / z
		}
	}
	return value
}

// solveLinear solves a x = b by elimination with pivoting.
func solveLinear(a [][]complex128, b []complex128) []complex128 {
	n := len(b)
	m := make([][]complex128, n)
	for i := range m {
		m[i] = append(append([]complex128(nil), a[i]...), b[i])
	}
	for j := range n {
		best := j
		for i := j; i < n; i++ {
			if cmplx.Abs(m[i][j]) > cmplx.Abs(m[best][j]) {
				best = i
			}
		}
		m[j], m[best] = m[best], m[j]
		for i := range n {
			if i == j {
				continue
			}
			f := m[i][j] / m[j][j]
			for c := j; c <= n; c++ {
				m[i][c] -= f * m[j][c]
			}
		}
	}
	x := make([]complex128, n)
	for i := range x {
		x[i] = m[i][n] / m[i][i]
	}
	return x
}

// limitedCase is a case of antenna_limits.json.
type limitedCase struct {
	referenceBeams
	AntennaCapW  []float64 `json:"antenna_cap_w"`
	TotalCapW    float64   `json:"total_cap_w"`
	Feasible     bool
	LimitScale   float64 `json:"limit_scale"`
	Price        []float64
	RateFraction float64 `json:"rate_fraction"`
}

// problem leaves out the antennas of cap 0; kept are the others.
func (c *limitedCase) problem() (p *optim.LimitedProblem, kept []int) {
	rows := c.Channel.rows()
	for m := range rows[0] {
		if len(c.AntennaCapW) == 0 || c.AntennaCapW[m] > 0 {
			kept = append(kept, m)
		}
	}
	p = &optim.LimitedProblem{}
	short := make([][]complex128, len(rows))
	for _, m := range kept {
		for k := range rows {
			short[k] = append(short[k], rows[k][m])
		}
		if len(c.AntennaCapW) > 0 {
			p.Limits.AntennaW = append(p.Limits.AntennaW, c.AntennaCapW[m])
		}
	}
	p.Limits.TotalW = c.TotalCapW
	p.Bands = []optim.Band{{Channel: normalized(short, c.NoiseW), SINR: c.SINR}}
	return p, kept
}

// Optima under caps by a cone solver, polished by another method; computed by
// testdata/reference/antenna_limits.py. Where the limits cannot be met, the
// factor that all of them would have to grow by is that of a second cone program.
func TestLimitedAgainstConeSolver(t *testing.T) {
	proofs := 0
	for _, c := range readReference[limitedCase](t, "antenna_limits.json", 15) {
		t.Run(c.Name, func(t *testing.T) {
			p, kept := c.problem()
			r := limit(p)
			if !c.Feasible {
				if r.Status == optim.Unservable && c.LimitScale == 0 {
					return // no factor on the limits does
				}
				if r.Status != optim.AboveLimits {
					t.Fatalf("%v, want above limits", r.Status)
				}
				proofs++
				radiate := sum(p.Limits.AntennaW)
				if p.Limits.AntennaW == nil || c.TotalCapW > 0 && c.TotalCapW < radiate {
					radiate = c.TotalCapW
				}
				if v := dualValue(t, p, &r.Duals); v <= radiate || r.LowerBoundW <= radiate {
					t.Errorf("dual value %.12g, lower bound %.12g prove nothing against %.12g W", v, r.LowerBoundW, radiate)
				}
				if !(r.Excess > 1) || r.Excess > c.LimitScale*(1+1e-7) {
					t.Errorf("excess %.9g, the least is %.9g", r.Excess, c.LimitScale)
				}
				return
			}
			if r.Status != optim.Solved {
				t.Fatal(r.Status)
			}
			near(t, "power", r.PowerW, c.PowerW, 1e-8)
			near(t, "lower bound", r.LowerBoundW, c.PowerW, 1e-8)
			near(t, "dual value", dualValue(t, p, &r.Duals), c.PowerW, 1e-8)
			for k, want := range c.Lambda {
				near(t, "lambda", r.Duals.Lambda[k], want, 1e-6)
			}
			for i, m := range kept {
				if math.Abs(r.AntennaW[i]-c.AntennaPowerW[m]) > 1e-6*c.PowerW {
					t.Errorf("antenna %d: %.9g W, want %.9g W", m, r.AntennaW[i], c.AntennaPowerW[m])
				}
				if math.Abs(r.Duals.AntennaPrice[i]-c.Price[m]) > 1e-6*(1+c.Price[m]) {
					t.Errorf("antenna %d: price %.9g, want %.9g", m, r.Duals.AntennaPrice[i], c.Price[m])
				}
			}
			limitsHold(t, p, r, 1e-8)
		})
	}
	if proofs < 4 {
		t.Errorf("%d cases proved beyond their limits, want at least 4", proofs)
	}
}

// The formula channel of 4 users and 6 antennas, SINR 3, with all caps at 90 %
// of the uncapped peak, and the least common cap; computed by two methods (cone
// program, dual), digits as found there.
func TestLimitedFormulaChannel(t *testing.T) {
	p := &optim.LimitedProblem{
		Bands:  []optim.Band{{Channel: normalized(formulaChannel(4, 6), nil), SINR: repeat(3, 4)}},
		Limits: optim.Limits{AntennaW: repeat(0.9391084129677256, 6)},
	}
	r := limit(p)
	if r.Status != optim.Solved {
		t.Fatal(r.Status)
	}
	digits(t, "power", r.PowerW, 4.1545918628, 8)
	for m, want := range []float64{0, 0, 0, 0.311410196, 0.228859114, 0} {
		digits(t, "price", r.Duals.AntennaPrice[m], want, 7)
	}
	for k, want := range []float64{1.054374550, 1.758187659, 1.080124052, 0.769277056} {
		digits(t, "lambda", r.Duals.Lambda[k], want, 7)
	}
	for m, want := range []float64{0.42346433, 0.68752087, 0.78767928, 0.93910841, 0.93910841, 0.37771055} {
		digits(t, "antenna power", r.AntennaW[m], want, 7)
	}
	const least = 0.747194518
	p.Limits.AntennaW = repeat(least*(1+1e-7), 6)
	if s := limit(p).Status; s != optim.Solved {
		t.Errorf("just above the least cap: %v", s)
	}
	p.Limits.AntennaW = repeat(least*(1-1e-7), 6)
	if s := limit(p).Status; s != optim.AboveLimits {
		t.Errorf("just below the least cap: %v", s)
	}
}

// One user under antenna caps: amplitudes min(c |h_m|, sqrt(cap_m)), phases those
// of the channel, c from the target (derived: water-filling in amplitude), and
// beyond the limits exactly when (sum |h_m| sqrt(cap_m))^2 < target.
func TestLimitedSingleUser(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		m := rapid.IntRange(1, 12).Draw(t, "antennas")
		h := rayleigh(rng, 1, m)
		caps := make([]float64, m)
		most := 0.0
		for i := range caps {
			caps[i] = math.Exp(rng.NormFloat64())
			most += cmplx.Abs(h.Data[i]) * math.Sqrt(caps[i])
		}
		// The part of the largest target.
		part := rapid.Float64Range(0.01, 1.2).Filter(func(v float64) bool { return math.Abs(v-1) > 1e-3 }).Draw(t, "part")
		g := part * most * most
		p := &optim.LimitedProblem{
			Bands:  []optim.Band{{Channel: h, SINR: []float64{g}}},
			Limits: optim.Limits{AntennaW: caps},
		}
		r := limit(p)
		if part > 1 {
			if r.Status != optim.AboveLimits {
				t.Fatalf("beyond the limits: %v", r.Status)
			}
			if r.Excess > part*(1+1e-9) {
				t.Errorf("excess %g, the least is %g", r.Excess, part)
			}
			return
		}
		if r.Status != optim.Solved {
			t.Fatal(r.Status)
		}
		amplitude := func(c float64, i int) float64 { return math.Min(c*cmplx.Abs(h.Data[i]), math.Sqrt(caps[i])) }
		lo, hi := 0.0, 1e6
		for range 200 {
			c, got := (lo+hi)/2, 0.0
			for i := range caps {
				got += cmplx.Abs(h.Data[i]) * amplitude(c, i)
			}
			if got*got < g {
				lo = c
			} else {
				hi = c
			}
		}
		want := 0.0
		for i := range caps {
			a := amplitude(hi, i)
			want += a * a
			// The power is flat at its optimum, a split among antennas is not: where
			// the one is good to 1e-8 the other was seen off by 1.1e-7.
			if math.Abs(r.AntennaW[i]-a*a) > 1e-6*caps[i] {
				t.Errorf("antenna %d: %.9g W, want %.9g W", i, r.AntennaW[i], a*a)
			}
		}
		near(t, "power", r.PowerW, want, 1e-8)
		limitsHold(t, p, r, 1e-8)
	})
}

// eirpCase is a case of eirp.json.
type eirpCase struct {
	Name         string
	Channel      complexRows
	NoiseW       []float64 `json:"noise_w"`
	SINR         []float64
	CarrierHz    float64     `json:"carrier_hz"`
	PositionsM   [][]float64 `json:"positions_m"`
	GainDBi      float64     `json:"element_gain_dbi"`
	Feasible     bool
	Scale        float64
	UncappedW    float64 `json:"uncapped_power_w"`
	PowerW       float64 `json:"power_w"`
	Directions   []eirpDirection
	EverywhereW  *float64 `json:"eirp_cap_w"`
	ElementShape string   `json:"element_pattern"`
}

type eirpDirection struct {
	Azimuth   float64  `json:"azimuth_deg"`
	Elevation float64  `json:"elevation_deg"`
	Gain      float64  `json:"gain"`
	CapW      *float64 `json:"eirp_cap_w"`
	EIRPW     float64  `json:"eirp_w"`
}

func (c *eirpCase) problem() *optim.LimitedProblem {
	p := &optim.LimitedProblem{Bands: []optim.Band{{Channel: normalized(c.Channel.rows(), c.NoiseW), SINR: c.SINR}}}
	wave := 2 * math.Pi * c.CarrierHz / 299792458
	for _, d := range c.Directions {
		if d.CapW == nil {
			continue
		}
		az, el := d.Azimuth*math.Pi/180, d.Elevation*math.Pi/180
		for _, r := range c.PositionsM {
			path := math.Cos(el)*math.Cos(az)*r[0] + math.Cos(el)*math.Sin(az)*r[1] + math.Sin(el)*r[2]
			p.Limits.Rows = append(p.Limits.Rows, cmplx.Rect(math.Sqrt(d.Gain), wave*path))
		}
		p.Limits.RowW = append(p.Limits.RowW, *d.CapW)
	}
	return p
}

// Optima under caps on EIRP over a grid of directions, by a cone solver with one
// cone per direction; computed by testdata/reference/eirp.py.
func TestLimitedEIRPAgainstConeSolver(t *testing.T) {
	binding := 0
	for _, c := range readReference[eirpCase](t, "eirp.json", 10) {
		t.Run(c.Name, func(t *testing.T) {
			p := c.problem()
			r := limit(p)
			if !c.Feasible {
				if r.Status != optim.AboveLimits {
					t.Fatalf("%v, want above limits", r.Status)
				}
				dualValue(t, p, &r.Duals)
				return
			}
			if r.Status != optim.Solved {
				t.Fatal(r.Status)
			}
			near(t, "power", r.PowerW, c.PowerW, 1e-7)
			near(t, "dual value", dualValue(t, p, &r.Duals), c.PowerW, 1e-7)
			if r.PowerW > c.UncappedW*(1+1e-4) {
				binding++
			}
			limitsHold(t, p, r, 1e-8)
		})
	}
	if binding < 8 {
		t.Errorf("limits cost power in %d cases, want at least 8", binding)
	}
}

// drawLimited draws a problem on one or two subbands whose antenna caps, rows
// and total are parts of what the unlimited optimum takes; nil where that cannot
// be found.
func drawLimited(t *rapid.T) (p *optim.LimitedProblem, free *optim.LimitedResult) {
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
	m := rapid.IntRange(2, 10).Draw(t, "antennas")
	k := rapid.IntRange(1, min(m, 5)).Draw(t, "users")
	p = &optim.LimitedProblem{}
	withError := rapid.Bool().Draw(t, "errors")
	for range rapid.IntRange(1, 2).Draw(t, "subbands") {
		b := optim.Band{Channel: rayleigh(rng, k, m), SINR: make([]float64, k)}
		for i := range b.SINR {
			b.SINR[i] = math.Exp(3*rng.Float64() - 1)
			if withError {
				b.ErrorVariance = append(b.ErrorVariance, 0.05*rng.Float64())
			}
		}
		p.Bands = append(p.Bands, b)
	}
	free = limit(p)
	if free.Status != optim.Solved {
		return nil, nil
	}
	top := 0.0
	for _, v := range free.AntennaW {
		top = math.Max(top, v)
	}
	kind := rapid.IntRange(0, 2).Draw(t, "kind")
	if kind != 1 {
		part := rapid.Float64Range(0.6, 1).Draw(t, "antenna part")
		for range m {
			p.Limits.AntennaW = append(p.Limits.AntennaW, top*part*(0.9+0.2*rng.Float64()))
		}
	}
	if kind != 0 {
		part := rapid.Float64Range(0.5, 1).Draw(t, "row part")
		for range 2 * m {
			row := rayleigh(rng, 1, m).Data
			power := 0.0
			for at := 0; at < len(free.Weights); at += m {
				z := cmplx.Abs(optim.Received(row, free.Weights[at:at+m]))
				power += z * z
			}
			p.Limits.Rows = append(p.Limits.Rows, row...)
			p.Limits.RowW = append(p.Limits.RowW, power*part*(0.8+0.8*rng.Float64()))
		}
	}
	return p, free
}

// What must hold of any limited optimum: caps exactly, targets, a dual value that
// closes the gap, prices only where caps bind, no less power than without limits;
// and what is proved beyond its limits has duals that say so.
func TestLimitedProperties(t *testing.T) {
	solved, beyond := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		p, free := drawLimited(t)
		if p == nil {
			return
		}
		r := limit(p)
		switch r.Status {
		case optim.AboveLimits:
			beyond++
			v := dualValue(t, p, &r.Duals)
			if p.Limits.AntennaW != nil && v < sum(p.Limits.AntennaW)*(1-1e-9) && v < 9e4*free.PowerW {
				t.Errorf("dual value %g proves nothing against %g W", v, sum(p.Limits.AntennaW))
			}
			return
		case optim.IllConditioned:
			return
		case optim.Solved:
		default:
			t.Fatal(r.Status)
		}
		solved++
		limitsHold(t, p, r, 1e-8)
		v := dualValue(t, p, &r.Duals)
		near(t, "dual value", v, r.PowerW, 3e-8)
		if r.LowerBoundW > r.PowerW || r.LowerBoundW < r.PowerW*(1-1e-7) {
			t.Errorf("lower bound %.12g of %.12g W", r.LowerBoundW, r.PowerW)
		}
		if r.PowerW < free.PowerW*(1-1e-8) {
			t.Errorf("%.12g W within limits, %.12g W without", r.PowerW, free.PowerW)
		}
		slack := 0.0
		for i, q := range r.Duals.AntennaPrice {
			if q > 0 {
				slack += q * (p.Limits.AntennaW[i] - r.AntennaW[i])
			}
		}
		for i, q := range r.Duals.RowPrice {
			slack += q * (p.Limits.RowW[i] - r.RowW[i])
		}
		if !(slack >= 0 && slack <= 1e-7*r.PowerW) {
			t.Errorf("prices times slack %g of %g W", slack, r.PowerW)
		}
	})
	if solved < 20 || beyond < 3 {
		t.Errorf("%d drawn problems solved, %d beyond their limits: the draw tests little", solved, beyond)
	}
}

// Looser caps never cost more, and a start from the tighter solution or any other
// duals gives the same answer as none.
func TestLimitedLooserAndWarm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, _ := drawLimited(t)
		if p == nil {
			return
		}
		tight := limit(p)
		if tight.Status != optim.Solved {
			return
		}
		by := rapid.Float64Range(1, 1.2).Draw(t, "looser")
		loose := *p
		loose.Limits.AntennaW = scaled(p.Limits.AntennaW, by)
		loose.Limits.RowW = scaled(p.Limits.RowW, by)
		cold := limit(&loose)
		if cold.Status != optim.Solved {
			t.Fatalf("looser caps: %v", cold.Status)
		}
		if cold.PowerW > tight.PowerW*(1+1e-8) {
			t.Errorf("%.12g W with looser caps, %.12g W with tighter", cold.PowerW, tight.PowerW)
		}
		loose.Start = tight.Duals
		warm := limit(&loose)
		if warm.Status != optim.Solved {
			t.Fatalf("warm: %v", warm.Status)
		}
		near(t, "warm power", warm.PowerW, cold.PowerW, 1e-8)
		for i := range loose.Start.AntennaPrice {
			if loose.Limits.AntennaW != nil {
				loose.Start.AntennaPrice[i] = rapid.Float64Range(0, 3).Draw(t, "price")
			}
		}
		for i := range loose.Start.Lambda {
			loose.Start.Lambda[i] *= rapid.Float64Range(0.1, 10).Draw(t, "lambda")
		}
		odd := limit(&loose)
		if odd.Status != optim.Solved {
			t.Fatalf("from arbitrary duals: %v", odd.Status)
		}
		near(t, "power from arbitrary duals", odd.PowerW, cold.PowerW, 1e-8)
	})
}

func scaled(v []float64, by float64) []float64 {
	var out []float64
	for _, x := range v {
		out = append(out, x*by)
	}
	return out
}

// Without limits the answer is that of Optimal, errors included, and two
// subbands are two problems.
func TestLimitedWithoutLimits(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for i := range 20 {
		k := 1 + rng.IntN(4)
		p := &optim.LimitedProblem{}
		want := 0.0
		for range 2 {
			b := optim.Band{Channel: rayleigh(rng, k, 6), SINR: repeat(2, k)}
			if i%2 == 1 {
				b.ErrorVariance = repeat(0.03, k)
			}
			p.Bands = append(p.Bands, b)
			o := solve(optim.Problem{Gram: gramOf(b.Channel), SINR: b.SINR, ErrorVariance: b.ErrorVariance})
			want += o.PowerW
			r := limit(&optim.LimitedProblem{Bands: []optim.Band{b}})
			near(t, "power", r.PowerW, o.PowerW, 1e-9)
			for j := range k {
				near(t, "user power", r.UserW[j], o.UserW[j], 1e-8)
				near(t, "lambda", r.Duals.Lambda[j], o.Lambda[j], 1e-8)
				near(t, "slope over SINR", r.SlopeSINR[j], o.SlopeSINR[j], 1e-8)
				near(t, "slope over rate", r.SlopeRate[j], o.SlopeRate[j], 1e-8)
			}
		}
		near(t, "two subbands", limit(p).PowerW, want, 1e-9)
	}
}

// Slopes over targets and caps against central differences.
func TestLimitedSlopes(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	checked := 0
	for i := range 12 {
		k, m := 3, 5
		p := &optim.LimitedProblem{}
		for range 1 + i%2 {
			b := optim.Band{Channel: rayleigh(rng, k, m), SINR: []float64{1, 2, 3}}
			if i%3 == 0 {
				b.ErrorVariance = repeat(0.02, k)
			}
			p.Bands = append(p.Bands, b)
		}
		free := limit(p)
		top := 0.0
		for _, v := range free.AntennaW {
			top = math.Max(top, v)
		}
		p.Limits.AntennaW = repeat(0.9*top, m)
		p.Limits.Rows = rayleigh(rng, 1, m).Data
		z := 0.0
		for at := 0; at < len(free.Weights); at += m {
			a := cmplx.Abs(optim.Received(p.Limits.Rows, free.Weights[at:at+m]))
			z += a * a
		}
		p.Limits.RowW = []float64{0.8 * z}
		r := limit(p)
		if r.Status != optim.Solved {
			continue
		}
		checked++
		difference := func(x *float64) float64 {
			at := *x
			defer func() { *x = at }()
			step := 1e-4 * at
			*x = at + step
			up := limit(p)
			*x = at - step
			down := limit(p)
			if up.Status != optim.Solved || down.Status != optim.Solved {
				t.Fatal(up.Status, down.Status)
			}
			return (up.PowerW - down.PowerW) / (2 * step)
		}
		agree := func(what string, slope, difference float64) {
			t.Helper()
			if math.Abs(slope-difference) > 1e-4*(math.Abs(slope)+0.01) {
				t.Errorf("%s: slope %.8g, difference %.8g", what, slope, difference)
			}
		}
		for f := range p.Bands {
			for j := range k {
				g := &p.Bands[f].SINR[j]
				d := difference(g)
				agree("target", r.SlopeSINR[f*k+j], d)
				agree("rate", r.SlopeRate[f*k+j], d*(1+*g))
			}
		}
		for j, q := range r.Duals.AntennaPrice {
			agree("antenna cap", -q, difference(&p.Limits.AntennaW[j]))
		}
		agree("row cap", -r.Duals.RowPrice[0], difference(&p.Limits.RowW[0]))
	}
	if checked < 6 {
		t.Errorf("%d problems checked, want at least 6", checked)
	}
}

func TestLimitedStatuses(t *testing.T) {
	h := normalized(formulaChannel(2, 3), nil)
	good := func() *optim.LimitedProblem {
		return &optim.LimitedProblem{
			Bands: []optim.Band{{Channel: h, SINR: []float64{1, 1}}},
			Limits: optim.Limits{
				AntennaW: repeat(1, 3), Rows: []complex128{1, 1i, 1}, RowW: []float64{5},
			},
		}
	}
	parallel := optim.NewChannel(2, 3)
	copy(parallel.User(0), []complex128{1, 2, 3})
	copy(parallel.User(1), []complex128{2, 4, 6})
	for name, c := range map[string]struct {
		change func(*optim.LimitedProblem)
		want   optim.Status
	}{
		"as is":                  {func(*optim.LimitedProblem) {}, optim.Solved},
		"no cap is infinite":     {func(p *optim.LimitedProblem) { p.Limits.AntennaW[1] = math.Inf(1) }, optim.Solved},
		"infinite total":         {func(p *optim.LimitedProblem) { p.Limits.TotalW = math.Inf(1) }, optim.Solved},
		"total below the least":  {func(p *optim.LimitedProblem) { p.Limits.TotalW = 0.9 }, optim.AboveLimits},
		"total above the least":  {func(p *optim.LimitedProblem) { p.Limits.TotalW = 0.9020 }, optim.Solved},
		"zero targets":           {func(p *optim.LimitedProblem) { p.Bands[0].SINR = []float64{0, 0} }, optim.Solved},
		"one zero target":        {func(p *optim.LimitedProblem) { p.Bands[0].SINR = []float64{0, 1} }, optim.Solved},
		"row of zeros":           {func(p *optim.LimitedProblem) { clear(p.Limits.Rows) }, optim.Solved},
		"parallel channels":      {func(p *optim.LimitedProblem) { p.Bands[0].Channel = parallel }, optim.Unservable},
		"zero channel":           {func(p *optim.LimitedProblem) { p.Bands[0].Channel = optim.NewChannel(2, 3) }, optim.Unservable},
		"errors take all":        {func(p *optim.LimitedProblem) { p.Bands[0].ErrorVariance = []float64{5, 5} }, optim.Unservable},
		"tiny antenna caps":      {func(p *optim.LimitedProblem) { p.Limits.AntennaW = repeat(1e-9, 3) }, optim.AboveLimits},
		"no subbands":            {func(p *optim.LimitedProblem) { p.Bands = nil }, optim.BadInput},
		"cap of zero":            {func(p *optim.LimitedProblem) { p.Limits.AntennaW[1] = 0 }, optim.BadInput},
		"cap not a number":       {func(p *optim.LimitedProblem) { p.Limits.AntennaW[1] = math.NaN() }, optim.BadInput},
		"row cap of zero":        {func(p *optim.LimitedProblem) { p.Limits.RowW[0] = 0 }, optim.BadInput},
		"row not a number":       {func(p *optim.LimitedProblem) { p.Limits.Rows[0] = cmplx.NaN() }, optim.BadInput},
		"rows too short":         {func(p *optim.LimitedProblem) { p.Limits.Rows = p.Limits.Rows[1:] }, optim.BadInput},
		"antenna caps too short": {func(p *optim.LimitedProblem) { p.Limits.AntennaW = repeat(1, 2) }, optim.BadInput},
		"negative total":         {func(p *optim.LimitedProblem) { p.Limits.TotalW = -1 }, optim.BadInput},
		"negative target":        {func(p *optim.LimitedProblem) { p.Bands[0].SINR = []float64{-1, 1} }, optim.BadInput},
		"infinite channel": {func(p *optim.LimitedProblem) {
			p.Bands[0].Channel = normalized([][]complex128{{cmplx.Inf(), 1, 1}, {1, 1, 1}}, nil)
		}, optim.BadInput},
		"start too short":    {func(p *optim.LimitedProblem) { p.Start.Lambda = []float64{1} }, optim.BadInput},
		"start not a number": {func(p *optim.LimitedProblem) { p.Start.AntennaPrice = repeat(math.NaN(), 3) }, optim.Solved},
		"subbands of unequal size": {func(p *optim.LimitedProblem) {
			p.Bands = append(p.Bands, optim.Band{Channel: optim.NewChannel(1, 3), SINR: []float64{1}})
		}, optim.BadInput},
	} {
		p := good()
		c.change(p)
		r := limit(p)
		if r.Status != c.want {
			t.Errorf("%s: %v, want %v", name, r.Status, c.want)
		}
		if r.Status == optim.Solved {
			limitsHold(t, p, r, 1e-8)
		} else if r.PowerW != 0 {
			t.Errorf("%s: power %g", name, r.PowerW)
		}
	}
	var l optim.Limited
	l.MaxSolves = 1
	p := good()
	p.Limits.AntennaW = repeat(0.35, 3)
	var ws optim.LimitedWorkspace
	var r optim.LimitedResult
	if s := l.Solve(p, &ws, &r); s != optim.StepLimit || r.LowerBoundW <= 0 {
		t.Errorf("one solve allowed: %v, lower bound %g", s, r.LowerBoundW)
	}
}

// A used workspace and result give the same bits as fresh ones, allocate nothing,
// and a start may lie in the result that is overwritten.
func TestLimitedReuse(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	var l optim.Limited
	var ws optim.LimitedWorkspace
	var r optim.LimitedResult
	var p optim.LimitedProblem
	for _, m := range []int{12, 6, 9} {
		p = optim.LimitedProblem{Bands: []optim.Band{{Channel: rayleigh(rng, 4, m), SINR: repeat(3, 4)}}}
		l.Solve(&p, &ws, &r)
		p.Limits.AntennaW = repeat(0.5*(sum(r.AntennaW)/float64(m)+maxOf(r.AntennaW)), m)
		p.Limits.Rows, p.Limits.RowW = rayleigh(rng, 1, m).Data, []float64{r.PowerW / 5}
		fresh := limit(&p)
		if s := l.Solve(&p, &ws, &r); s != fresh.Status || r.PowerW != fresh.PowerW {
			t.Errorf("M=%d: used workspace %v %.17g, fresh %v %.17g", m, s, r.PowerW, fresh.Status, fresh.PowerW)
		}
	}
	want := r.PowerW
	p.Start = r.Duals
	if s := l.Solve(&p, &ws, &r); s != optim.Solved || math.Abs(r.PowerW/want-1) > 1e-8 {
		t.Errorf("start in the result: %v %.12g, want %.12g", s, r.PowerW, want)
	}
	p.Start = optim.Duals{}
	if n := testing.AllocsPerRun(20, func() { l.Solve(&p, &ws, &r) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func maxOf(v []float64) float64 {
	m := v[0]
	for _, x := range v {
		m = math.Max(m, x)
	}
	return m
}

// Fixed beams under caps: met by the least powers or by none. All three power
// controls agree on which, and the linear program is an independent check.
func TestFixedBeamsUnderCaps(t *testing.T) {
	controls := map[string]optim.PowerControl{"direct": optim.Direct{}, "iterative": optim.Iterative{}, "linear program": optim.LinearProgram{}}
	rng := rand.New(rand.NewPCG(11, 12))
	within, beyond := 0, 0
	for i := range 60 {
		k, m := 1+rng.IntN(4), 6
		h := rayleigh(rng, k, m)
		g := gramOf(h)
		var b optim.Beams
		if s := b.Regularized(g, 0.1); s != optim.Solved {
			t.Fatal(s)
		}
		w := make([]complex128, k*m)
		b.Weights(w, h)
		p := optim.FixedProblem{Users: k, Gain: gains(&b, g), SINR: repeat(0.5, k)}
		var free optim.PowerResult
		if (optim.Direct{}).Solve(&p, &free) != optim.Solved {
			continue
		}
		l := optim.Limits{AntennaW: make([]float64, m), Rows: rayleigh(rng, 2, m).Data, RowW: []float64{1, 1}}
		for j := range l.AntennaW {
			l.AntennaW[j] = 1
		}
		l.AntennaW[2] = math.Inf(1)
		p.RowGain, p.RowW = l.FixedRows(nil, nil, w, m)
		// What every row takes, from powered weights.
		take := make([]float64, 0, m+2)
		for j := range m {
			if j != 2 {
				v := 0.0
				for u := range k {
					v += free.UserW[u] * math.Pow(cmplx.Abs(w[u*m+j]), 2)
				}
				take = append(take, v)
			}
		}
		for j := range 2 {
			v := 0.0
			for u := range k {
				v += free.UserW[u] * math.Pow(cmplx.Abs(optim.Received(l.Rows[j*m:(j+1)*m], w[u*m:(u+1)*m])), 2)
			}
			take = append(take, v)
		}
		if len(take) != len(p.RowW) {
			t.Fatalf("%d rows, want %d", len(p.RowW), len(take))
		}
		over := -1
		for j := range take {
			p.RowW[j] = take[j] * (1 + rng.Float64())
		}
		switch i % 3 {
		case 1:
			over = rng.IntN(len(take))
			p.RowW[over] = take[over] * 0.9
		case 2:
			p.TotalW = free.PowerW * (0.9 + 0.2*float64(rng.IntN(2)))
		}
		want := optim.Solved
		if over >= 0 || p.TotalW > 0 && p.TotalW < free.PowerW {
			want = optim.AboveLimits
			beyond++
		} else {
			within++
		}
		for name, c := range controls {
			var r optim.PowerResult
			if s := c.Solve(&p, &r); s != want {
				t.Errorf("%s: %v, want %v", name, s, want)
				continue
			}
			for j, v := range take {
				near(t, name+" row", r.RowW[j], v, 1e-7)
			}
			if over >= 0 && (len(r.Exceeded) != 1 || r.Exceeded[0] != over) {
				t.Errorf("%s: rows exceeded %v, want %d", name, r.Exceeded, over)
			}
			if want == optim.Solved {
				near(t, name, r.PowerW, free.PowerW, 1e-8)
			} else if r.PowerW != 0 {
				t.Errorf("%s: power %g beyond the limits", name, r.PowerW)
			}
		}
	}
	if within < 10 || beyond < 10 {
		t.Errorf("%d within, %d beyond", within, beyond)
	}
	// Unservable stays so under caps, and a cap of zero is a cap.
	p := optim.FixedProblem{Users: 2, Gain: []float64{1, 1, 1, 1}, SINR: []float64{2, 2}, RowGain: []float64{1, 1}, RowW: []float64{1}}
	for name, c := range controls {
		var r optim.PowerResult
		if s := c.Solve(&p, &r); s != optim.Unservable {
			t.Errorf("%s: %v, want unservable", name, s)
		}
	}
	p = optim.FixedProblem{Users: 1, Gain: []float64{1}, SINR: []float64{2}, RowGain: []float64{1}, RowW: []float64{0}}
	for name, c := range controls {
		var r optim.PowerResult
		if s := c.Solve(&p, &r); s != optim.AboveLimits {
			t.Errorf("%s: cap of zero: %v", name, s)
		}
	}
}

// One user under caps on two antennas far below what its SINR takes: derived, its
// interference-free power alone is above them.
func TestLimitedHighSINR(t *testing.T) {
	h := optim.NewChannel(1, 2)
	copy(h.User(0), []complex128{-1.426 - 2.091i, 2.665 + 0.553i})
	var l optim.Limited
	var ws optim.LimitedWorkspace
	var r optim.LimitedResult
	for sinr := 1.0; sinr < 1e20; sinr *= 7 {
		p := optim.LimitedProblem{
			Bands:  []optim.Band{{Channel: h, SINR: []float64{sinr}}},
			Limits: optim.Limits{AntennaW: []float64{0.01, 0.012}},
		}
		least := sinr / 13.813791
		if s := l.Solve(&p, &ws, &r); s != optim.AboveLimits || !(r.Excess > 0.5*least/0.022) || r.LowerBoundW > least {
			t.Errorf("SINR %g: %v, %g times the caps, at least %g W", sinr, s, r.Excess, r.LowerBoundW)
		}
	}
}

// FuzzLimited: any input ends with a status and numbers that are numbers; what is
// solved keeps its caps and targets.
func FuzzLimited(f *testing.F) {
	// users, antennas, rows, spread in dB, kind, seed, odd value
	f.Add(uint8(4), uint8(6), uint8(3), uint16(0), uint8(0), uint64(1), 1.0)
	f.Add(uint8(5), uint8(3), uint8(2), uint16(20), uint8(1), uint64(2), 0.5)
	f.Add(uint8(3), uint8(5), uint8(6), uint16(300), uint8(2), uint64(3), 1e-9)
	f.Add(uint8(3), uint8(4), uint8(6), uint16(40), uint8(3), uint64(4), math.NaN())
	f.Add(uint8(3), uint8(4), uint8(2), uint16(0), uint8(4), uint64(5), math.Inf(1))
	f.Add(uint8(2), uint8(4), uint8(8), uint16(0), uint8(5), uint64(6), -1.0)
	f.Add(uint8(4), uint8(4), uint8(8), uint16(0), uint8(6), uint64(7), 1e300)
	f.Add(uint8(2), uint8(4), uint8(5), uint16(0), uint8(7), uint64(8), 1e98)
	f.Fuzz(func(t *testing.T, users, antennas, rows uint8, spreadDB uint16, kind uint8, seed uint64, odd float64) {
		rng := rand.New(rand.NewPCG(seed, 4))
		k, m, n := 1+int(users%6), 1+int(antennas%8), int(rows%10)
		p := &optim.LimitedProblem{}
		for range 1 + int(kind>>6)%2 {
			b := optim.Band{Channel: rayleigh(rng, k, m), SINR: make([]float64, k)}
			for i := range k {
				b.SINR[i] = math.Exp(4*rng.Float64() - 2)
				gain := complex(math.Pow(10, -float64(spreadDB%400)*rng.Float64()/20), 0)
				for j := range b.Channel.User(i) {
					b.Channel.User(i)[j] *= gain
				}
			}
			p.Bands = append(p.Bands, b)
		}
		first := p.Bands[0]
		for range n {
			p.Limits.Rows = append(p.Limits.Rows, rayleigh(rng, 1, m).Data...)
			p.Limits.RowW = append(p.Limits.RowW, math.Exp(6*rng.Float64()-4))
		}
		for range m {
			p.Limits.AntennaW = append(p.Limits.AntennaW, math.Exp(6*rng.Float64()-2))
		}
		switch kind % 8 {
		case 1: // duplicated users
			if k > 1 {
				copy(first.Channel.User(1), first.Channel.User(0))
			}
		case 2: // duplicated rows, no antenna caps
			p.Limits.AntennaW = nil
			if n > 1 {
				copy(p.Limits.Rows[m:2*m], p.Limits.Rows[:m])
			}
		case 3: // an odd number in the channel
			first.Channel.Data[0] = complex(odd, 0)
		case 4: // an odd cap
			p.Limits.AntennaW[0] = odd
			p.Limits.TotalW = odd
		case 5: // errors, odd duals to start from
			first.ErrorVariance = repeat(0.05, k)
			p.Bands[0] = first
			p.Start = optim.Duals{Lambda: repeat(odd, k*len(p.Bands)), AntennaPrice: repeat(odd, m), RowPrice: repeat(odd, n)}
		case 6: // a user along a capped row, rank deficient
			if n > 0 {
				copy(first.Channel.User(0), p.Limits.Rows[:m])
				p.Limits.AntennaW = nil
				p.Limits.RowW[0] = odd
			}
		case 7:
			first.SINR[0] = odd
		}
		r := limit(p)
		for _, v := range [][]float64{r.AntennaW, r.RowW, r.UserW, r.SlopeSINR, r.SlopeRate, r.Duals.Lambda, r.Duals.AntennaPrice,
			r.Duals.RowPrice, {r.PowerW, r.LowerBoundW, r.Excess}} {
			for _, x := range v {
				if x-x != 0 || x < 0 {
					t.Fatalf("%v: %g in the result", r.Status, x)
				}
			}
		}
		switch r.Status {
		case optim.Solved:
			limitsHold(t, p, r, 1e-6)
			if r.LowerBoundW > r.PowerW {
				t.Errorf("lower bound %g of %g W", r.LowerBoundW, r.PowerW)
			}
		case optim.NotRun:
			t.Error("not run")
		default:
			if r.PowerW != 0 {
				t.Errorf("%v with power %g", r.Status, r.PowerW)
			}
		}
	})
}

// The cold and the warm path with antenna caps, 64 antennas and 16 users; warm
// starts from the duals of a channel 1 % different.
func BenchmarkLimited(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	h := rayleigh(rng, 16, 64)
	moved := optim.NewChannel(16, 64)
	for i, z := range h.Data {
		moved.Data[i] = z + complex(rng.NormFloat64(), rng.NormFloat64())*complex(0.01*math.Sqrt(0.5), 0)
	}
	sinr := repeat(10, 16)
	bands := func(h optim.Channel) []optim.Band { return []optim.Band{{Channel: h, SINR: sinr}} }
	free := limit(&optim.LimitedProblem{Bands: bands(h)})
	directions := func(n int) []complex128 {
		var rows []complex128
		for i := range n {
			s := 2*(float64(i)+0.5)/float64(n) - 1
			for j := range 64 {
				rows = append(rows, cmplx.Rect(1, math.Pi*float64(j)*s))
			}
		}
		return rows
	}
	eirp := optim.Limits{Rows: directions(256), RowW: repeat(math.Inf(1), 256)}
	bright := maxOf(limit(&optim.LimitedProblem{Bands: bands(h), Limits: optim.Limits{Rows: eirp.Rows, RowW: repeat(1e9, 256)}}).RowW)
	for _, c := range []struct {
		name   string
		limits optim.Limits
	}{
		{"none", optim.Limits{}},
		{"caps=0.8peak", optim.Limits{AntennaW: repeat(0.8*maxOf(free.AntennaW), 64)}},
		{"caps=0.7peak", optim.Limits{AntennaW: repeat(0.7*maxOf(free.AntennaW), 64)}},
		{"caps=0.6peak", optim.Limits{AntennaW: repeat(0.6*maxOf(free.AntennaW), 64)}},
		{"eirp=0.7peak", optim.Limits{Rows: eirp.Rows, RowW: repeat(0.7*bright, 256)}},
	} {
		for _, start := range []string{"cold", "warm"} {
			p := &optim.LimitedProblem{Bands: bands(moved), Limits: c.limits}
			if start == "warm" {
				p.Start = limit(&optim.LimitedProblem{Bands: bands(h), Limits: c.limits}).Duals
			}
			b.Run(c.name+"/"+start, func(b *testing.B) {
				var l optim.Limited
				var ws optim.LimitedWorkspace
				var r optim.LimitedResult
				b.ReportAllocs()
				for b.Loop() {
					if s := l.Solve(p, &ws, &r); s != optim.Solved {
						b.Fatal(s)
					}
				}
				binding := 0
				for _, q := range append(append([]float64(nil), r.Duals.AntennaPrice...), r.Duals.RowPrice...) {
					if q > 0 {
						binding++
					}
				}
				b.ReportMetric(float64(binding), "binding")
				b.ReportMetric(float64(r.Solves), "solves")
			})
		}
	}
}
