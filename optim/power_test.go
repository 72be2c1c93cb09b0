package optim_test

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"leastwatt/optim"
	"leastwatt/optim/lp"
)

// powerControls are all that find the least powers of fixed beams, by name.
var powerControls = map[string]optim.PowerControl{
	"direct":    optim.Direct{},
	"iterative": optim.Iterative{Tolerance: 1e-11},
	// lp_solve where it is built in, and gonum's simplex.
	"linear program": optim.LinearProgram{},
	"simplex":        optim.LinearProgram{New: lp.NewSimplex},
}

// randomFixed draws random unit-power beams, each leaning towards its user, over
// channels whose path gains spread over 8 decades, and targets scaled so that
// the coupling F_kj = g_k a_kj/a_kk has the spectral radius given.
func randomFixed(rng *rand.Rand, users int, radius float64) optim.FixedProblem {
	h := rayleigh(rng, users, users+rng.IntN(8))
	p := optim.FixedProblem{Users: users, Gain: make([]float64, users*users), SINR: make([]float64, users)}
	for k := range users {
		scale(h.User(k), math.Pow(10, 4*(rng.Float64()-0.5)))
	}
	for j := range users {
		beam := rayleigh(rng, 1, h.Antennas).Data
		lean := complex(3*rng.Float64()/math.Sqrt(gramOf(h).Norm2(j)/float64(h.Antennas)), 0)
		norm := 0.0
		for m := range beam {
			beam[m] += lean * h.User(j)[m]
			norm += real(beam[m])*real(beam[m]) + imag(beam[m])*imag(beam[m])
		}
		for k := range users {
			var z complex128
			for m, x := range h.User(k) {
				z += complex(real(x), -imag(x)) * beam[m]
			}
			p.Gain[k*users+j] = (real(z)*real(z) + imag(z)*imag(z)) / norm
		}
		p.SINR[j] = fromDB(20*rng.Float64() - 10)
	}
	by := radius / spectralRadius(&p)
	for k := range p.SINR {
		p.SINR[k] *= by
	}
	return p
}

// spectralRadius finds that of F by power iteration on (F + I)/2, which has no
// other eigenvalue of the same size.
func spectralRadius(p *optim.FixedProblem) float64 {
	n := p.Users
	x := repeat(1/float64(n), n)
	value := 0.0
	for range 20000 {
		next := make([]float64, n)
		for k := range n {
			next[k] = x[k] / 2
			for j := range n {
				if j != k {
					next[k] += p.SINR[k] * p.Gain[k*n+j] / p.Gain[k*n+k] * x[j] / 2
				}
			}
		}
		last := value
		value = sum(next)
		for k := range n {
			x[k] = next[k] / value
		}
		if math.Abs(value-last) < 1e-15*value {
			break
		}
	}
	return 2*value - 1
}

// Closed form, iteration and linear program find the same powers to
// 1e-8/(1 - spectral radius); from a radius of one on, none does (Foschini,
// Miljanic, IEEE Trans. VT 42(4), 1993; Perron, Frobenius).
func TestPowerControlsAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	for i := range 120 {
		users := 2 + rng.IntN(9)
		radius := []float64{0.1, 0.5, 0.9, 0.99, 0.999}[i%5]
		p := randomFixed(rng, users, radius)
		var want optim.PowerResult
		if s := (optim.Direct{}).Solve(&p, &want); s != optim.Solved {
			t.Fatalf("K=%d, radius %g: %v", users, radius, s)
		}
		checkPowers(t, &p, want.UserW)
		for name, control := range powerControls {
			var r optim.PowerResult
			what := fmt.Sprintf("%s, K=%d, radius %g", name, users, radius)
			if s := control.Solve(&p, &r); s != optim.Solved {
				t.Errorf("%s: %v", what, s)
				continue
			}
			near(t, what, r.PowerW, want.PowerW, 1e-8/(1-radius))
			for k, w := range want.UserW {
				near(t, fmt.Sprintf("%s, user %d", what, k), r.UserW[k], w, 1e-8/(1-radius))
			}
		}
		p = randomFixed(rng, users, []float64{1.001, 1.1, 30}[i%3])
		for name, control := range powerControls {
			var r optim.PowerResult
			if s := control.Solve(&p, &r); s != optim.Unservable || r.PowerW != 0 {
				t.Errorf("%s, K=%d, radius above one: %v, %g W", name, users, s, r.PowerW)
			}
		}
	}
}

// checkPowers re-computes every SINR: met with equality.
func checkPowers(t tester, p *optim.FixedProblem, powerW []float64) {
	t.Helper()
	for k := range p.Users {
		noise := 1.0
		for j, w := range powerW {
			if j != k {
				noise += w * p.Gain[k*p.Users+j]
			}
		}
		near(t, fmt.Sprintf("SINR of user %d", k), powerW[k]*p.Gain[k*p.Users+k]/noise, p.SINR[k], 1e-9)
	}
}

// Estimation errors as extra noise e_k P: the same powers as without errors and
// the noise 1 + e_k P, P the total found (derived).
func TestPowerControlsWithError(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for range 40 {
		p := randomFixed(rng, 2+rng.IntN(6), 0.5)
		var exact optim.PowerResult
		optim.Direct{}.Solve(&p, &exact)
		for _, share := range []float64{0.3, 1000} {
			p.ErrorVariance = make([]float64, p.Users)
			for k := range p.ErrorVariance {
				p.ErrorVariance[k] = share * rng.Float64() / exact.PowerW
			}
			for name, control := range powerControls {
				var r, again optim.PowerResult
				s := control.Solve(&p, &r)
				if share > 1 {
					if s != optim.Unservable {
						t.Errorf("%s: %v where errors eat the signal", name, s)
					}
					continue
				}
				if s != optim.Solved {
					t.Errorf("%s: %v", name, s)
					continue
				}
				q := p
				q.ErrorVariance = nil
				q.Gain = append([]float64(nil), p.Gain...)
				for k := range q.Users {
					for j := range q.Users {
						q.Gain[k*q.Users+j] /= 1 + p.ErrorVariance[k]*r.PowerW
					}
				}
				optim.Direct{}.Solve(&q, &again)
				near(t, name, r.PowerW, again.PowerW, 1e-7)
			}
		}
	}
}

// Powers beyond float64 are unservable, where that is proved, or ill-conditioned,
// and the bound stays a number.
func TestPowersBeyondFloat64(t *testing.T) {
	for _, p := range []optim.FixedProblem{
		{Users: 2, Gain: repeat(1, 4), SINR: repeat(1e200, 2)},
		{Users: 2, Gain: []float64{1, 0, 1, 1}, SINR: repeat(1e200, 2)},
		{Users: 1, Gain: []float64{1e-200}, SINR: []float64{1e200}},
		{Users: 1, Gain: repeat(1, 1), SINR: repeat(1e200, 1), RowGain: []float64{1e200}, RowW: repeat(1, 1)},
	} {
		for name, control := range powerControls {
			var r optim.PowerResult
			if s := control.Solve(&p, &r); s != optim.Unservable && s != optim.IllConditioned {
				t.Errorf("%s: %v of %+v", name, s, p)
			}
			numbers(t, name, r.UserW, r.RowW, r.SlopeSINR, []float64{r.PowerW, r.LowerBoundW})
		}
		if radius := spectralRadius(&p); radius == 0 {
			var r optim.PowerResult
			if s := (optim.Direct{}).Solve(&p, &r); s == optim.Unservable {
				t.Errorf("unservable at a spectral radius of 0: %+v", p)
			}
		}
	}
}

// A slope beyond float64 is none, while the power is a number: 1 W.
func TestSlopeBeyondFloat64(t *testing.T) {
	p := optim.FixedProblem{Users: 1, Gain: []float64{1e-309}, SINR: []float64{1e-309}}
	for name, control := range powerControls {
		var r optim.PowerResult
		s := control.Solve(&p, &r)
		if _, ok := control.(optim.Direct); ok && s != optim.IllConditioned {
			t.Errorf("%s: %v", name, s)
		}
		numbers(t, name, r.UserW, r.SlopeSINR, []float64{r.PowerW})
	}
}

// Wrong lengths, negative numbers and what is not finite are bad input for every
// beam and every power control.
func TestFixedBadInput(t *testing.T) {
	nan := math.NaN()
	for _, p := range []optim.FixedProblem{
		{Users: -1},
		{Users: 1},
		{Users: 2, Gain: repeat(1, 4), SINR: repeat(1, 1)},
		{Users: 1, Gain: []float64{nan}, SINR: repeat(1, 1)},
		{Users: 1, Gain: []float64{-1}, SINR: repeat(1, 1)},
		{Users: 1, Gain: repeat(0, 1), SINR: repeat(1, 1)},
		{Users: 1, Gain: repeat(1, 1), SINR: []float64{math.Inf(1)}},
		{Users: 1, Gain: repeat(1, 1), SINR: repeat(1, 1), ErrorVariance: []float64{-1}},
		{Users: 1, Gain: repeat(1, 1), SINR: repeat(1, 1), RowW: repeat(1, 1)},
		{Users: 1, Gain: repeat(1, 1), SINR: repeat(1, 1), RowGain: repeat(1, 1), RowW: []float64{nan}},
		{Users: 1, Gain: repeat(1, 1), SINR: repeat(1, 1), TotalW: nan},
	} {
		for name, control := range powerControls {
			var r optim.PowerResult
			if s := control.Solve(&p, &r); s != optim.BadInput || r.Status != s {
				t.Errorf("%s: %v of %+v", name, s, p)
			}
		}
	}
	for _, g := range []optim.Gram{
		{Users: -1}, {Users: 2, Data: []complex128{1}}, {Users: 1, Data: []complex128{0}},
		{Users: 1, Data: []complex128{complex(nan, 0)}}, {Users: 1, Data: []complex128{complex(math.Inf(1), 0)}},
	} {
		var b optim.Beams
		if s := b.Matched(&g); s != optim.BadInput {
			t.Errorf("matched: %v of %v", s, g)
		}
		if s := b.ZeroForcing(&g); s != optim.BadInput {
			t.Errorf("zero forcing: %v of %v", s, g)
		}
		if _, s := b.BestRegularized(&g, make([]float64, max(g.Users, 0)), nil); s != optim.BadInput {
			t.Errorf("best regularised: %v of %v", s, g)
		}
	}
	one := optim.Gram{Users: 1, Data: []complex128{1}}
	var b optim.Beams
	for _, alpha := range []float64{-1, nan, math.Inf(1)} {
		if s := b.Regularized(&one, alpha); s != optim.BadInput {
			t.Errorf("regularisation %g: %v", alpha, s)
		}
	}
	for _, sinr := range [][]float64{nil, {-1}, {nan}} {
		if _, s := b.BestRegularized(&one, sinr, nil); s != optim.BadInput {
			t.Errorf("best regularised for %v: %v", sinr, s)
		}
	}
}

// Least powers of fixed beams under caps on antennas, directions and the total, by
// HiGHS; computed by testdata/reference/fixed_beams.py.
func TestFixedBeamsReference(t *testing.T) {
	outcomes := map[string]optim.Status{"solved": optim.Solved, "above limits": optim.AboveLimits, "unservable": optim.Unservable}
	seen := map[optim.Status]int{}
	for _, c := range readReference[struct {
		referenceBeams
		Beams      complexRows // [user][antenna]
		Directions complexRows
		RowCapW    []float64 `json:"row_cap_w"`
		TotalCapW  float64   `json:"total_cap_w"`
		UserPowerW []float64 `json:"user_power_w"`
		Outcome    string
	}](t, "fixed_beams.json", 12) {
		t.Run(c.Name, func(t *testing.T) {
			h := c.channel()
			var w []complex128
			for _, beam := range c.Beams.rows() {
				w = append(w, beam...)
			}
			k, m := h.Users, h.Antennas
			p := optim.FixedProblem{Users: k, Gain: make([]float64, k*k), SINR: c.SINR, ErrorVariance: c.errorVariance(), TotalW: c.TotalCapW}
			for u := range k {
				for j := range k {
					p.Gain[u*k+j] = math.Pow(cmplx.Abs(optim.Received(h.User(u), w[j*m:(j+1)*m])), 2)
				}
			}
			if len(c.RowCapW) > 0 {
				l := optim.Limits{AntennaW: c.RowCapW[:m], RowW: c.RowCapW[m:]}
				for _, d := range c.Directions.rows() {
					l.Rows = append(l.Rows, d...)
				}
				p.RowGain, p.RowW = l.FixedRows(nil, nil, w, m)
			}
			want := outcomes[c.Outcome]
			seen[want]++
			for name, control := range powerControls {
				var r optim.PowerResult
				if s := control.Solve(&p, &r); s != want {
					t.Errorf("%s: %v, want %v", name, s, want)
					continue
				}
				if want == optim.Unservable {
					continue
				}
				near(t, name, sum(r.UserW), c.PowerW, 1e-9)
				for u, v := range c.UserPowerW {
					near(t, name+", user", r.UserW[u], v, 1e-8)
				}
				if (r.PowerW > 0) != (want == optim.Solved) {
					t.Errorf("%s: %v with %g W", name, want, r.PowerW)
				}
			}
		})
	}
	if seen[optim.Solved] < 6 || seen[optim.AboveLimits] < 3 || seen[optim.Unservable] < 2 {
		t.Errorf("%v: some outcome is hardly tested", seen)
	}
}
