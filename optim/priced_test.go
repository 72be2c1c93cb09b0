package optim

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// Gradient and Hessian of the least priced power against central differences,
// with estimation errors and without; and what they imply: phi = P + q.gradient.
func TestPricedDerivatives(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range 12 {
		h := rayleigh(rng, 5, 8)
		rows := rayleigh(rng, 3, 8).Data
		limits := Limits{Rows: rows, RowW: []float64{1, 1, 1}}
		var set rowSet
		set.load(&limits, 8)
		band := Band{Channel: h, SINR: []float64{1, 2, 3, 0, 0.5}}
		if i%2 == 1 {
			band.ErrorVariance = []float64{0.02, 0.01, 0.03, 0, 0.02}
		}
		var b pricedBand
		if k := b.load(&set, &band, 0, nil); k >= 0 {
			t.Fatal("zero channel")
		}
		active := []int{1, 3, 8, 9, 10}
		n := len(active)
		b.activate(active, make([]float64, n))
		at := func(q []float64) (value float64, grad, curv []float64) {
			value, lower, status := b.eval(q)
			if status != Solved {
				t.Fatal(status)
			}
			if lower > value*(1+1e-12) || lower < value*(1-1e-7) {
				t.Errorf("lower bound %.12g of %.12g", lower, value)
			}
			grad, curv = make([]float64, n), make([]float64, n*n)
			if !b.derive(q, grad, curv) {
				t.Fatal("no derivatives")
			}
			return value, grad, curv
		}
		q := []float64{0.5, 0, 1, 2, 0.3}
		_, grad, curv := at(q)
		for j := range q {
			const step = 1e-4
			moved := append([]float64(nil), q...)
			moved[j] = q[j] + step
			up, gradUp, _ := at(moved)
			moved[j] = q[j] - step
			down, gradDown, _ := at(moved)
			if d := (up - down) / (2 * step); math.Abs(d-grad[j]) > 1e-6*(1+math.Abs(d)) {
				t.Errorf("gradient %d: %.9g, difference %.9g", j, grad[j], d)
			}
			for k := range q {
				if d := (gradUp[k] - gradDown[k]) / (2 * step); math.Abs(d-curv[j*n+k]) > 1e-5*(math.Abs(d)+0.01) {
					t.Errorf("Hessian %d %d: %.9g, difference %.9g", j, k, curv[j*n+k], d)
				}
			}
		}
		value, _, _ := at(q)
		// A solve that stops early still bounds phi from below.
		b.optimal.Tolerance = 0.5
		b.haveAt = false
		for k := range b.start {
			b.start[k] = 20 * b.l[k]
		}
		if _, lower, status := b.eval(q); status != Solved || lower > value*(1+1e-12) || lower <= 0 {
			t.Errorf("stopped early: %v, lower bound %.12g of %.12g", status, lower, value)
		}
		b.optimal.Tolerance = pricedTolerance
		value, grad, _ = at(q)
		w := make([]complex128, 5*8)
		power, status := b.form(w, 8)
		if status != Solved {
			t.Fatal(status)
		}
		if sum := power + dotReal(q, grad); math.Abs(sum/value-1) > 1e-9 {
			t.Errorf("power and price %.12g, phi %.12g", sum, value)
		}
		powers := make([]float64, len(set.capW))
		for k := range 5 {
			set.addPowers(powers, w[k*8:(k+1)*8])
		}
		for j, row := range active {
			if math.Abs(powers[row]-grad[j]) > 1e-8*power {
				t.Errorf("row %d: %.9g W of the weights, %.9g W of the gradient", row, powers[row], grad[j])
			}
		}
	}
}

// The box model against coordinate descent.
func TestBoxModel(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 7))
	held := 0
	for i := range 100 {
		n := 1 + rng.IntN(5)
		// K = L L^T, in a third of the cases of rank one less.
		l := make([]float64, n*n)
		for j := range l {
			l[j] = rng.NormFloat64()
		}
		if i%3 == 0 {
			for j := range n {
				l[j*n] = 0
			}
		}
		k := make([]float64, n*n)
		for a := range n {
			for b := range n {
				k[a*n+b] = dotReal(l[a*n:(a+1)*n], l[b*n:(b+1)*n])
			}
		}
		var m boxModel
		m.resize(n)
		for j := range n {
			m.linear[j] = 2 * rng.NormFloat64()
			m.low[j], m.high[j], m.y[j] = -rng.Float64(), rng.Float64(), 0
			m.at[j] = free
		}
		value := func(y []float64) float64 {
			v := 0.0
			for a := range n {
				v += y[a] * (dotReal(k[a*n:(a+1)*n], y)/2 - m.linear[a])
			}
			return v
		}
		m.solve(k)
		for j, y := range m.y {
			if y < m.low[j] || y > m.high[j] {
				t.Fatalf("entry %d: %g outside %g to %g", j, y, m.low[j], m.high[j])
			}
			if m.at[j] != free {
				held++
			}
		}
		// Coordinate descent, slow and sure.
		y := make([]float64, n)
		for range 4000 {
			for j := range n {
				if d := k[j*n+j]; d > 0 {
					g := m.linear[j] - dotReal(k[j*n:(j+1)*n], y)
					y[j] = math.Min(math.Max(y[j]+g/d, m.low[j]), m.high[j])
				}
			}
		}
		if got, want := value(m.y), value(y); got > want+1e-6*(1+math.Abs(want)) {
			t.Errorf("n=%d: value %.9g, coordinate descent %.9g", n, got, want)
		}
	}
	if held < 50 {
		t.Errorf("only %d entries held", held)
	}
}

// A user inside a cone of protected directions close to each other: the nearer
// the caps come to what can be met, the deeper the beams' nulls and the worse the
// arithmetic. Whatever happens is told apart: what is solved meets its targets
// within the caps, some of it only with caps drawn in.
func TestLimitedInsideProtectedCone(t *testing.T) {
	const antennas = 8
	steer := func(sine float64) []complex128 {
		row := make([]complex128, antennas)
		for m := range row {
			row[m] = cmplx.Rect(1, math.Pi*float64(m)*sine)
		}
		return row
	}
	var l Limited
	var ws LimitedWorkspace
	var r LimitedResult
	count := map[Status]int{}
	drawnIn := 0
	for i := range 256 {
		off := math.Pow(10, -0.5-float64(i%8)/4) // of the user's channel, outside the cone
		down := float64(i / 8 * 4)
		h := NewChannel(2, antennas)
		copy(h.User(0), steer(0.02))
		copy(h.User(1), steer(0.4))
		for m := range antennas {
			h.Data[m] += complex(off*math.Cos(float64(3*m)), off*math.Sin(float64(5*m)))
		}
		p := LimitedProblem{Bands: []Band{{Channel: h, SINR: []float64{10, 3}}}}
		for _, sine := range []float64{-0.04, -0.03, -0.01, 0, 0.01, 0.02, 0.03, 0.05} {
			p.Limits.Rows = append(p.Limits.Rows, steer(sine)...)
			p.Limits.RowW = append(p.Limits.RowW, 20*math.Pow(10, -down/10))
		}
		status := l.Solve(&p, &ws, &r)
		count[status]++
		if status != Solved && (status != IllConditioned || down <= 50) {
			t.Errorf("caps %g dB down, %.2g off the cone: %v", down, off, status)
		}
		if status != Solved {
			continue
		}
		if ws.drawnIn > 0 {
			drawnIn++
		}
		for j, v := range r.RowW {
			if v > p.Limits.RowW[j] {
				t.Errorf("caps %g dB down: row %d %.17g W, cap %.17g W", down, j, v, p.Limits.RowW[j])
			}
		}
		if got := sinrs(h, r.Weights)[0]; math.Abs(got/10-1) > 3e-7 {
			t.Errorf("caps %g dB down: SINR %.12g", down, got)
		}
		if r.LowerBoundW > r.PowerW || r.LowerBoundW < r.PowerW*(1-2e-3) {
			t.Errorf("caps %g dB down: %.9g W, lower bound %.9g W", down, r.PowerW, r.LowerBoundW)
		}
	}
	if drawnIn < 3 || count[IllConditioned] < 3 {
		t.Errorf("%v, caps drawn in in %d: the draw tests little", count, drawnIn)
	}
}
