package lp

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// powerControl is the least-power program of fixed beams: user k, with path gain
// gain[k][j] from beam j and noise noiseW, needs the SINR target[k],
//
//	min sum p  s.t.  p_k gain[k][k] - target[k] sum_{j != k} p_j gain[k][j] >= target[k] noiseW
type powerControl struct {
	gain   [][]float64
	target []float64
	noiseW float64
}

// newPowerControl draws users whose channels spread over decades of path gain,
// with matched beams of unit power, and scales the targets so that the spectral
// radius of the interference is rho. The interference is multiplied by leak.
func newPowerControl(rnd *rand.Rand, users, antennas int, decades, rho, leak float64) *powerControl {
	h := make([][]complex128, users)
	norm := make([]float64, users)
	for k := range h {
		amplitude := math.Sqrt(math.Pow(10, -6-decades*float64(k)/float64(users-1)) / 2)
		h[k] = make([]complex128, antennas)
		for m := range h[k] {
			h[k][m] = complex(amplitude*rnd.NormFloat64(), amplitude*rnd.NormFloat64())
			norm[k] += real(h[k][m])*real(h[k][m]) + imag(h[k][m])*imag(h[k][m])
		}
	}
	c := &powerControl{gain: make([][]float64, users), target: make([]float64, users), noiseW: 1e-13}
	for k := range h {
		c.gain[k] = make([]float64, users)
		c.target[k] = math.Pow(2, 0.1+3*rnd.Float64()) - 1
		for j := range h {
			var inner complex128
			for m := range h[k] {
				inner += cmplx.Conj(h[k][m]) * h[j][m]
			}
			c.gain[k][j] = (real(inner)*real(inner) + imag(inner)*imag(inner)) / norm[j]
			if j != k {
				c.gain[k][j] *= leak
			}
		}
	}
	scale := rho / c.spectralRadius()
	for k := range c.target {
		c.target[k] *= scale
	}
	return c
}

// interference returns F, F_kj = target_k gain_kj / gain_kk off the diagonal.
func (c *powerControl) interference() *mat.Dense {
	n := len(c.target)
	f := mat.NewDense(n, n, nil)
	for k := range n {
		for j := range n {
			if j != k {
				f.Set(k, j, c.target[k]*c.gain[k][j]/c.gain[k][k])
			}
		}
	}
	return f
}

func (c *powerControl) spectralRadius() float64 {
	var eig mat.Eigen
	if !eig.Factorize(c.interference(), mat.EigenNone) {
		panic("no eigenvalues")
	}
	rho := 0.0
	for _, v := range eig.Values(nil) {
		rho = max(rho, cmplx.Abs(v))
	}
	return rho
}

// closedForm returns (I - F)^-1 u, u_k = target_k noiseW / gain_kk, the least
// powers where the spectral radius is below 1.
func (c *powerControl) closedForm() []float64 {
	n := len(c.target)
	a := c.interference()
	a.Scale(-1, a)
	u := mat.NewVecDense(n, nil)
	for k := range n {
		a.Set(k, k, 1)
		u.SetVec(k, c.target[k]*c.noiseW/c.gain[k][k])
	}
	var p mat.VecDense
	if err := p.SolveVec(a, u); err != nil {
		panic(err)
	}
	return p.RawVector().Data
}

// problem returns the program in watts.
func (c *powerControl) problem() *Problem {
	p := &Problem{}
	for k, target := range c.target {
		p.Cost = append(p.Cost, 1)
		r := Row{Lower: target * c.noiseW, Upper: inf}
		for j := range c.target {
			v := -target * c.gain[k][j]
			if j == k {
				v = c.gain[k][k]
			}
			r.Index = append(r.Index, j)
			r.Value = append(r.Value, v)
		}
		p.Rows = append(p.Rows, r)
	}
	return p
}

// TestPowerControl solves the program in raw watts, with path gains over 8 to 12
// decades and 1e-13 W of noise, and compares it with the closed form (Foschini
// and Miljanic, IEEE Trans. Veh. Technol. 42 (1993)): each power to 1e-12 over
// (1 - spectral radius).
func TestPowerControl(t *testing.T) {
	for _, b := range backends {
		for _, rho := range []float64{0.3, 0.9, 0.999, 0.999999} {
			for _, leak := range []float64{1, 1e-4, 1e-15} {
				for _, decades := range []float64{8, 12} {
					if rho > 0.9 && leak < 1 {
						continue // the targets that this needs are absurd
					}
					t.Run(fmt.Sprintf("%s/rho=%v/leak=%v/decades=%v", b.name, rho, leak, decades), func(t *testing.T) {
						rnd := rand.New(rand.NewPCG(3, 5))
						for range 15 {
							users := 2 + rnd.IntN(15)
							c := newPowerControl(rnd, users, users+rnd.IntN(17), decades, rho, 1)
							for k := range c.gain {
								for j := range c.gain[k] {
									if j != k {
										c.gain[k][j] *= leak
									}
								}
							}
							sol := solveOnce(t, b, c.problem(), nil)
							if sol.Status != Optimal {
								t.Fatalf("status %v", sol.Status)
							}
							for k, want := range c.closedForm() {
								if d := math.Abs(sol.X[k]-want) / want; !(d <= 1e-12/(1-rho)) {
									t.Errorf("power %d of %d: %v W, want %v W (%.2g off)", k, users, sol.X[k], want, d)
								}
							}
						}
					})
				}
			}
		}
	}
}

// TestPowerControlInfeasible checks that a spectral radius above 1 is found to be
// infeasible (Zander, IEEE Trans. Veh. Technol. 41 (1992)).
func TestPowerControlInfeasible(t *testing.T) {
	for _, b := range backends {
		rnd := rand.New(rand.NewPCG(3, 6))
		for _, rho := range []float64{1.001, 1.1, 10} {
			for range 10 {
				users := 2 + rnd.IntN(15)
				c := newPowerControl(rnd, users, users+rnd.IntN(17), 8, rho, 1)
				if sol := solveOnce(t, b, c.problem(), nil); sol.Status != Infeasible {
					t.Errorf("%s: spectral radius %v: status %v", b.name, rho, sol.Status)
				}
			}
		}
	}
}

// TestUnscaled checks what scaling is for: without it a backend reads raw watts
// as zeros and says "optimal", and that is never passed on.
func TestUnscaled(t *testing.T) {
	set := Defaults()
	set.Scale = false
	for _, b := range backends {
		rnd := rand.New(rand.NewPCG(3, 7))
		failed := 0
		for range 20 {
			c := newPowerControl(rnd, 8, 16, 8, 0.5, 1)
			sol := solveOnce(t, b, c.problem(), &set)
			if sol.Status != Optimal {
				failed++
				continue
			}
			for k, want := range c.closedForm() {
				if d := math.Abs(sol.X[k]-want) / want; !(d <= 1e-9) {
					t.Errorf("%s: optimal with power %v W, want %v W", b.name, sol.X[k], want)
				}
			}
		}
		t.Logf("%s: %d of 20 programs in raw watts not solved without scaling", b.name, failed)
	}
}

// TestDrift keeps a solver while the noise rises and falls by 12 decades, in
// steps that the first scaling would not survive.
func TestDrift(t *testing.T) {
	for _, b := range backends {
		rnd := rand.New(rand.NewPCG(3, 8))
		c := newPowerControl(rnd, 6, 8, 8, 0.5, 1)
		s, err := b.new(c.problem(), nil)
		if err != nil {
			t.Fatal(err)
		}
		var sol Solution
		for _, noiseW := range []float64{1e-13, 1e-12, 1e-1, 1e-13, 2e-13} {
			c.noiseW = noiseW
			for k, target := range c.target {
				if err := s.SetRowBounds(k, target*noiseW, inf); err != nil {
					t.Fatal(err)
				}
			}
			mustSolve(t, s, context.Background(), &sol)
			for k, want := range c.closedForm() {
				if d := math.Abs(sol.X[k]-want) / want; !(d <= 1e-12) {
					t.Errorf("%s: noise %v W: power %v W, want %v W", b.name, noiseW, sol.X[k], want)
				}
			}
		}
		s.Close()
	}
}

// TestRowDrift is TestDrift for one user alone, whose noise leaves the others' by
// 14 decades.
func TestRowDrift(t *testing.T) {
	for _, b := range backends {
		rnd := rand.New(rand.NewPCG(3, 9))
		c := newPowerControl(rnd, 6, 8, 4, 0.5, 1e-15)
		s, err := b.new(c.problem(), nil)
		if err != nil {
			t.Fatal(err)
		}
		var sol Solution
		mustSolve(t, s, context.Background(), &sol)
		if err := s.SetRowBounds(0, 1e-14*c.target[0]*c.noiseW, inf); err != nil {
			t.Fatal(err)
		}
		mustSolve(t, s, context.Background(), &sol)
		verify(t, &Problem{Cost: c.problem().Cost, Rows: append([]Row{{
			Index: c.problem().Rows[0].Index, Value: c.problem().Rows[0].Value,
			Lower: 1e-14 * c.target[0] * c.noiseW, Upper: inf,
		}}, c.problem().Rows[1:]...)}, &sol, 1e-10)
		s.Close()
	}
}
