package optim_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"leastwatt/optim"
	"leastwatt/optim/lp"
)

func dftCodebook(t tester, antennas, columns, oversampling int) optim.Codebook {
	t.Helper()
	c, s := optim.DFTCodebook(antennas, columns, oversampling)
	if s != optim.Solved || optim.DFTBeams(antennas, columns, oversampling) != c.Beams {
		t.Fatalf("grid of %d antennas, %d columns, oversampling %d: %v", antennas, columns, oversampling, s)
	}
	return c
}

// inner returns u^H v.
func inner(u, v []complex128) complex128 {
	var z complex128
	for m := range u {
		z += cmplx.Conj(u[m]) * v[m]
	}
	return z
}

// The formula of the grid, beam by beam; unit power; orthonormal without
// oversampling (rows of a unitary DFT matrix, derived).
func TestDFTCodebook(t *testing.T) {
	for _, c := range []struct{ rows, columns, oversampling, beams int }{
		{1, 1, 1, 1}, {1, 1, 4, 1}, {1, 7, 1, 7}, {1, 16, 1, 16}, {1, 16, 4, 64},
		{4, 8, 1, 32}, {4, 8, 2, 128}, {8, 1, 3, 24}, {3, 5, 2, 60}, {16, 16, 1, 256},
	} {
		what := fmt.Sprintf("%d x %d, oversampling %d", c.rows, c.columns, c.oversampling)
		m := c.rows * c.columns
		book := dftCodebook(t, m, c.columns, c.oversampling)
		if book.Beams != c.beams || book.Antennas != m || len(book.Data) != c.beams*m {
			t.Fatalf("%s: %d beams of %d antennas, %d entries", what, book.Beams, book.Antennas, len(book.Data))
		}
		if c.rows == 1 {
			if line := dftCodebook(t, m, 0, c.oversampling); !slices.Equal(line.Data, book.Data) {
				t.Errorf("%s: a line differs from one row", what)
			}
		}
		up, along := c.rows*c.oversampling, c.columns*c.oversampling
		across := c.beams / max(1, min(up, c.beams)) // beams along a row
		if c.rows == 1 {
			across = c.beams
		}
		for b := range book.Beams {
			for i, got := range book.Beam(b) {
				turn := float64(i/c.columns*(b/across))/float64(up) + float64(i%c.columns*(b%across))/float64(along)
				if want := cmplx.Rect(1/math.Sqrt(float64(m)), 2*math.Pi*turn); cmplx.Abs(got-want) > 1e-12 {
					t.Fatalf("%s: beam %d, antenna %d: %v, want %v", what, b, i, got, want)
				}
			}
			near(t, what+": power", real(inner(book.Beam(b), book.Beam(b))), 1, 1e-13)
		}
		if c.oversampling > 1 {
			continue
		}
		for b := range book.Beams {
			for d := range b {
				if z := inner(book.Beam(b), book.Beam(d)); cmplx.Abs(z) > 1e-12 {
					t.Fatalf("%s: beams %d and %d: %v", what, b, d, z)
				}
			}
		}
	}
}

// A user in a beam's own direction has its gain, M: 10 log10 M dB (common
// practice). With half a wavelength between antennas beam b looks at
// sin(theta) = 2b/N, less 2 past the middle.
func TestDFTCodebookPeakGain(t *testing.T) {
	const m, oversampling = 64, 2
	book := dftCodebook(t, m, 0, oversampling)
	for b := range book.Beams {
		sine := 2 * float64(b) / float64(m*oversampling)
		if sine > 1 {
			sine -= 2
		}
		h := normalized(lineOfSight(m, math.Asin(sine)*180/math.Pi), nil)
		gain := make([]float64, book.Beams)
		book.Gains(gain, h)
		near(t, fmt.Sprintf("beam %d", b), gain[b], m, 1e-9)
		digits(t, fmt.Sprintf("beam %d, dB", b), 10*math.Log10(gain[b]), 18.0618, 4)
		if slices.Max(gain) > gain[b]*(1+1e-12) {
			t.Errorf("beam %d is not the best in its direction", b)
		}
	}
}

// Midway between two beams of a grid a user of M antennas keeps
// (sin(M x)/(M sin x))^2 of the gain, x = pi/(2 M oversampling): for large M
// sinc^2(1/2) = (2/pi)^2, -3.92 dB, and sinc^2(1/4), -0.91 dB, with an
// oversampling of 2 (derived: the geometric sum of the array factor).
func TestDFTCodebookScallopingLoss(t *testing.T) {
	for _, c := range []struct {
		oversampling int
		lossDB       float64
	}{{1, -3.9224}, {2, -0.9121}} {
		const m = 1024
		book := dftCodebook(t, m, 0, c.oversampling)
		h := optim.NewChannel(1, m)
		for i := range h.Data {
			h.Data[i] = cmplx.Rect(1, 2*math.Pi*float64(i)*3.5/float64(book.Beams))
		}
		gain := make([]float64, book.Beams)
		book.Gains(gain, h)
		x := math.Pi / (2 * float64(book.Beams))
		want := math.Pow(math.Sin(m*x)/(m*math.Sin(x)), 2)
		near(t, "gain midway", slices.Max(gain)/m, want, 1e-9)
		digits(t, fmt.Sprintf("loss at oversampling %d, dB", c.oversampling), 10*math.Log10(slices.Max(gain)/m), c.lossDB, 4)
	}
}

func TestCodebookBadInput(t *testing.T) {
	for _, c := range [][3]int{
		{0, 0, 1}, {-1, 0, 1}, {8, 0, 0}, {8, 0, -1}, {8, 3, 1}, {8, 16, 1}, {8, -1, 1},
		{1 << 24, 0, 1}, {8, 0, math.MaxInt}, {math.MaxInt, 0, 1}, {math.MaxInt, math.MaxInt, math.MaxInt}, {4096, 64, 1 << 23},
	} {
		book, s := optim.DFTCodebook(c[0], c[1], c[2])
		if n := optim.DFTBeams(c[0], c[1], c[2]); s != optim.BadInput || book.Beams != 0 || n != 0 {
			t.Errorf("grid %v: %v, %d beams, told %d", c, s, book.Beams, n)
		}
	}
	for _, c := range []struct {
		antennas int
		values   []complex128
	}{
		{0, nil}, {-2, []complex128{1, 1}}, {2, []complex128{1, 1, 1}}, {2, []complex128{1, 1, 0, 0}},
		{1, []complex128{cmplx.NaN()}}, {1, []complex128{complex(0, math.NaN())}},
		{1, []complex128{complex(math.Inf(-1), math.NaN())}}, {2, []complex128{1, complex(0, math.Inf(1))}},
	} {
		if book, s := optim.NewCodebook(c.antennas, c.values); s != optim.BadInput || book.Beams != 0 {
			t.Errorf("%d antennas, %v: %v, %d beams", c.antennas, c.values, s, book.Beams)
		}
	}
}

// The caller's beams come back scaled to unit power, whatever their size.
func TestNewCodebook(t *testing.T) {
	given := []complex128{3, 4i, 1e-200, 0, 1e300, complex(1e300, -1e300), 5e-324, 0}
	book, s := optim.NewCodebook(2, given)
	if s != optim.Solved || book.Beams != 4 {
		t.Fatalf("%v, %d beams", s, book.Beams)
	}
	r := 1 / math.Sqrt(3)
	for i, want := range []complex128{0.6, 0.8i, 1, 0, complex(r, 0), complex(r, -r), 1, 0} {
		if cmplx.Abs(book.Data[i]-want) > 1e-15 {
			t.Errorf("entry %d: %v, want %v", i, book.Data[i], want)
		}
	}
	if given[0] != 3 {
		t.Error("the values given were changed")
	}
}

// codebookCase is a group with a codebook.
type codebookCase struct {
	h    optim.Channel
	book optim.Codebook
	p    optim.CodebookProblem
}

var codebookKinds = []string{"rayleigh", "line of sight", "narrow", "clustered"}

// makeCodebookCase draws users on the air of an oversampled line: Rayleigh, line
// of sight within 60 or 10 degrees, or clustered; path gains spread over 20 dB,
// targets from lowDB to highDB. Below 0 dB users of one direction may share a
// beam, so that assignments have to be sorted out.
func makeCodebookCase(t tester, rng *rand.Rand, kind string, users, antennas, oversampling int, lowDB, highDB float64) codebookCase {
	var c codebookCase
	switch kind {
	case "rayleigh":
		c.h = rayleigh(rng, users, antennas)
	case "line of sight":
		c.h = normalized(lineOfSight(antennas, anglesDeg(rng, users, 60)...), nil)
	case "narrow":
		c.h = normalized(lineOfSight(antennas, anglesDeg(rng, users, 10)...), nil)
	case "clustered":
		c.h = clustered(rng, users, antennas, 10)
	}
	for k := range users {
		scale(c.h.User(k), fromDB(20*(rng.Float64()-0.5)/2))
	}
	c.book = dftCodebook(t, antennas, 0, oversampling)
	c.p = optim.CodebookProblem{Users: users, Beams: c.book.Beams, SINR: make([]float64, users)}
	c.p.Gain = make([]float64, users*c.book.Beams)
	c.book.Gains(c.p.Gain, c.h)
	for k := range users {
		c.p.SINR[k] = fromDB(lowDB + (highDB-lowDB)*rng.Float64())
	}
	return c
}

func search(p *optim.CodebookProblem, maxNodes int) *optim.CodebookResult {
	var ws optim.CodebookWorkspace
	var r optim.CodebookResult
	(&optim.CodebookSearch{MaxNodes: maxNodes}).Solve(p, &ws, &r)
	return &r
}

func exactCodebook(p *optim.CodebookProblem) *optim.CodebookResult {
	var ws optim.CodebookWorkspace
	var r optim.CodebookResult
	(&optim.ExactCodebook{}).Solve(p, &ws, &r)
	return &r
}

// enumerate returns the least power over all assignments of distinct beams, +Inf
// where none meets the targets.
func enumerate(p *optim.CodebookProblem) float64 {
	least := math.Inf(1)
	beam := make([]int, p.Users)
	gain := make([]float64, p.Users*p.Users)
	var r optim.PowerResult
	var next func(k int)
	next = func(k int) {
		if k == p.Users {
			p.AssignedGains(gain, beam)
			f := optim.FixedProblem{Users: p.Users, Gain: gain, SINR: p.SINR, ErrorVariance: p.ErrorVariance}
			if (optim.Direct{}).Solve(&f, &r) == optim.Solved {
				least = min(least, r.PowerW)
			}
			return
		}
		for b := range p.Beams {
			if !slices.Contains(beam[:k], b) {
				beam[k] = b
				next(k + 1)
			}
		}
	}
	next(0)
	return least
}

// Search to the end, the mixed-integer program and the enumeration of all
// assignments find the same power, estimation errors included; where there is
// none, the search proves it.
func TestCodebookAgainstEnumeration(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	solved, none := 0, 0
	for i := range 160 {
		c := makeCodebookCase(t, rng, codebookKinds[i%4], 2+i%3, 4, 2, -12, 6)
		if i%5 == 0 {
			c.p.ErrorVariance = make([]float64, c.p.Users)
			for k := range c.p.ErrorVariance {
				c.p.ErrorVariance[k] = 0.1 * rng.Float64()
			}
		}
		what := fmt.Sprintf("case %d, %s, K=%d", i, codebookKinds[i%4], c.p.Users)
		want := enumerate(&c.p)
		r := search(&c.p, 10000)
		// Integer programs take 100 times as long without lp_solve: some will do.
		integer := lp.Backend() == "lp_solve" || i%8 == 0
		var e *optim.CodebookResult
		if integer {
			e = exactCodebook(&c.p)
		}
		if math.IsInf(want, 1) {
			none++
			if r.Status != optim.Unservable || r.PowerW != 0 || r.LowerBoundW != 0 {
				t.Errorf("%s: %v, %g W, where no assignment will do", what, r.Status, r.PowerW)
			}
			if integer && e.Status != optim.AbovePowerCap {
				t.Errorf("%s: integer program: %v, where no assignment will do", what, e.Status)
			}
			continue
		}
		solved++
		if r.Status != optim.Solved || integer && e.Status != optim.Solved {
			t.Errorf("%s: search %v, integer program %v", what, r.Status, e.Status)
			continue
		}
		near(t, what+": search", r.PowerW, want, 1e-9)
		near(t, what+": bound", r.LowerBoundW, want, 1e-8)
		if integer {
			near(t, what+": integer program", e.PowerW, want, 1e-9)
		}
	}
	if solved < 100 || none < 10 {
		t.Errorf("%d solved, %d not: one side is hardly tested", solved, none)
	}
}

// codebookOptimum returns the optimum by the mixed-integer program or, without
// lp_solve, which takes a hundredth of the time, by a search that ran to its
// proof.
func codebookOptimum(t *testing.T, p *optim.CodebookProblem) *optim.CodebookResult {
	t.Helper()
	if lp.Backend() == "lp_solve" {
		return exactCodebook(p)
	}
	e := search(p, 20000)
	if e.Status == optim.Unservable {
		e.Status = optim.AbovePowerCap
	} else if e.LowerBoundW < e.PowerW*(1-1e-8) {
		t.Errorf("a search without proof: %.12g W, bound %.12g W", e.PowerW, e.LowerBoundW)
	}
	return e
}

// Optima by enumeration and by a mixed-integer program of HiGHS, which agree;
// computed by testdata/reference/codebook.py. Ours is held to them on the way: the
// grid's beams, the search with its default nodes and without, the integer program.
func TestCodebookReference(t *testing.T) {
	var first sample
	for _, c := range readReference[struct {
		referenceBeams
		Antennas, Columns, Oversampling int
		Feasible                        bool
		Beams                           []int
	}](t, "codebook.json", 13) {
		h := normalized(c.Channel.rows(), nil)
		book := dftCodebook(t, c.Antennas, c.Columns, c.Oversampling)
		p := optim.CodebookProblem{Users: h.Users, Beams: book.Beams, Gain: make([]float64, h.Users*book.Beams), SINR: c.SINR}
		book.Gains(p.Gain, h)
		r, one := search(&p, 0), search(&p, 1)
		if !c.Feasible {
			if r.Status != optim.Unservable {
				t.Errorf("%s: %v, where no assignment will do", c.Name, r.Status)
			}
			continue
		}
		if r.Status != optim.Solved || one.Status != optim.Solved {
			t.Errorf("%s: %v, %v", c.Name, r.Status, one.Status)
			continue
		}
		near(t, c.Name, r.PowerW, c.PowerW, 1e-9)
		near(t, c.Name+": bound", r.LowerBoundW, c.PowerW, 1e-8)
		first = append(first, one.PowerW/c.PowerW)
		held := make([]float64, h.Users*h.Users)
		p.AssignedGains(held, c.Beams)
		var f optim.PowerResult
		optim.Direct{}.Solve(&optim.FixedProblem{Users: h.Users, Gain: held, SINR: c.SINR}, &f)
		near(t, c.Name+": the reference's beams", f.PowerW, c.PowerW, 1e-9)
		if h.Users*book.Beams <= optim.MaxExactPairs && (lp.Backend() == "lp_solve" || h.Users*book.Beams <= 32) {
			e := exactCodebook(&p)
			near(t, c.Name+": integer program", e.PowerW, c.PowerW, 1e-9)
		}
	}
	first.within(t, "without branch and bound", 1.01, 1.05)
}

// The search's distance to the optimum of the mixed-integer program, without
// branch and bound and with the few nodes it has by default.
func TestCodebookSearchDistance(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	var first, full sample
	collided := 0
	for i := range 96 {
		kind := []string{"rayleigh", "line of sight", "narrow", "clustered", "narrow", "clustered"}[i%6]
		x := makeCodebookCase(t, rng, kind, 4+i%2, 8, 2, -12, 0)
		e := codebookOptimum(t, &x.p)
		if e.Status == optim.AbovePowerCap {
			continue
		}
		for _, s := range []struct {
			maxNodes int
			excess   *sample
		}{{1, &first}, {0, &full}} {
			r := search(&x.p, s.maxNodes)
			if e.Status != optim.Solved || r.Status != optim.Solved {
				t.Errorf("case %d, MaxNodes %d: integer program %v, search %v", i, s.maxNodes, e.Status, r.Status)
				continue
			}
			if r.PowerW < e.PowerW*(1-1e-9) || r.LowerBoundW > e.PowerW*(1+1e-9) {
				t.Errorf("case %d: %.12g W, bound %.12g W, optimum %.12g W", i, r.PowerW, r.LowerBoundW, e.PowerW)
			}
			if s.maxNodes == 1 && r.LowerBoundW < r.PowerW*(1-1e-6) {
				collided++
			}
			*s.excess = append(*s.excess, r.PowerW/e.PowerW)
		}
	}
	if len(first) < 80 || collided < 40 {
		t.Errorf("%d cases, %d with collisions", len(first), collided)
	}
	first.within(t, "without branch and bound", 1.01, 1.05)
	full.within(t, "by default", 1+1e-9, 1+1e-9)
}

// within fails unless the sample's mean and largest value are no more than those
// given.
func (s sample) within(t *testing.T, what string, mean, worst float64) {
	t.Helper()
	m, w := s.mean(), slices.Max(s)
	t.Logf("%s: %d cases, mean %.2e dB, worst %.2e dB over the optimum", what, len(s), 10*math.Log10(m), 10*math.Log10(w))
	if m > mean || w > worst {
		t.Errorf("%s: mean %.9f, worst %.9f of the optimum", what, m, w)
	}
}

// The same for 8 users of one cluster or sector, where most collide and some of
// the groups are hardly servable, against a search that ran to its end.
func TestCodebookSearchDistanceCrowded(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	var first, full sample
	for i := range 96 {
		x := makeCodebookCase(t, rng, codebookKinds[2+i%2], 8, 8, 2, -14, -4)
		e := search(&x.p, 20000)
		if e.Status != optim.Solved || e.LowerBoundW < e.PowerW*(1-1e-8) {
			continue
		}
		a, b := search(&x.p, 1), search(&x.p, 0)
		if a.Status != optim.Solved || b.Status != optim.Solved {
			t.Errorf("case %d: %v, %v", i, a.Status, b.Status)
			continue
		}
		first, full = append(first, a.PowerW/e.PowerW), append(full, b.PowerW/e.PowerW)
	}
	if len(first) < 60 {
		t.Errorf("%d cases", len(first))
	}
	first.within(t, "without branch and bound", 1.01, 1.05)
	full.within(t, "by default", 1.01, 1.05)
}

// Users in the directions of different beams get those, each at
// g noise/||h||^2: the beams are orthogonal (derived).
func TestCodebookUsersOnGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 3))
	for _, c := range []struct{ antennas, columns int }{{16, 0}, {32, 8}} {
		book := dftCodebook(t, c.antennas, c.columns, 1)
		beams := rng.Perm(book.Beams)[:9]
		h := optim.NewChannel(9, c.antennas)
		p := optim.CodebookProblem{Users: 9, Beams: book.Beams, Gain: make([]float64, 9*book.Beams), SINR: make([]float64, 9)}
		want := make([]float64, 9)
		for k, b := range beams {
			amplitude, noise := math.Exp(3*rng.NormFloat64()), math.Exp(3*rng.NormFloat64())
			for m, z := range book.Beam(b) {
				h.User(k)[m] = z * complex(amplitude/math.Sqrt(noise), 0)
			}
			p.SINR[k] = fromDB(30*rng.Float64() - 10)
			want[k] = p.SINR[k] * noise / (amplitude * amplitude)
		}
		p.SINR[8], want[8], beams[8] = 0, 0, -1
		book.Gains(p.Gain, h)
		for _, r := range []*optim.CodebookResult{search(&p, 0), search(&p, 1)} {
			if r.Status != optim.Solved || !slices.Equal(r.Beam, beams) {
				t.Fatalf("%v, beams %v, want %v", r.Status, r.Beam, beams)
			}
			for k, w := range want {
				near(t, fmt.Sprintf("user %d", k), r.UserW[k], w, 1e-12)
			}
			near(t, "bound", r.LowerBoundW, sum(want), 1e-12)
		}
	}
}

// checkCodebook holds a solved result against the problem: distinct beams that
// meet the targets with the weights formed, and a bound no higher than the
// power.
func (c *codebookCase) check(t tester, r *optim.CodebookResult) {
	t.Helper()
	n, m := c.p.Users, c.h.Antennas
	w := make([]complex128, n*m)
	c.book.Weights(w, r.Beam, r.UserW)
	used := map[int]bool{}
	for k := range n {
		if c.p.SINR[k] == 0 {
			if r.Beam[k] != -1 || r.UserW[k] != 0 {
				t.Errorf("user %d without target: beam %d, %g W", k, r.Beam[k], r.UserW[k])
			}
			continue
		}
		if r.Beam[k] < 0 || used[r.Beam[k]] {
			t.Fatalf("beams %v", r.Beam)
		}
		used[r.Beam[k]] = true
		noise, signal := 1.0, 0.0
		if c.p.ErrorVariance != nil {
			noise += c.p.ErrorVariance[k] * r.PowerW
		}
		for j := range n {
			z := inner(c.h.User(k), w[j*m:(j+1)*m])
			if v := real(z)*real(z) + imag(z)*imag(z); j == k {
				signal = v
			} else {
				noise += v
			}
		}
		near(t, fmt.Sprintf("SINR of user %d", k), signal/noise, c.p.SINR[k], 1e-7)
	}
	near(t, "power of the weights", real(inner(w, w)), r.PowerW, 1e-9)
	if r.LowerBoundW > r.PowerW {
		t.Errorf("bound %g above the power %g", r.LowerBoundW, r.PowerW)
	}
}

func drawCodebookCase(t *rapid.T, maxUsers int) codebookCase {
	users := rapid.IntRange(1, maxUsers).Draw(t, "users")
	low := rapid.Float64Range(-20, 0).Draw(t, "least target, dB")
	c := makeCodebookCase(t, rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)),
		rapid.SampledFrom(codebookKinds).Draw(t, "kind"), users,
		rapid.IntRange(max(4, users), 2*users+4).Draw(t, "antennas"), rapid.IntRange(1, 4).Draw(t, "oversampling"), low, low+10)
	if rapid.Bool().Draw(t, "idle user") {
		c.p.SINR[0] = 0
	}
	if rapid.Bool().Draw(t, "errors") {
		c.p.ErrorVariance = make([]float64, users)
		for k := range c.p.ErrorVariance {
			c.p.ErrorVariance[k] = 0.01 * float64(k%3)
		}
	}
	return c
}

// Optimal beams never cost more than those of a codebook (derived: they are
// feasible for it), and neither does a search with more nodes.
func TestCodebookNeverBelowOptimal(t *testing.T) {
	solved := 0
	rapid.Check(t, func(t *rapid.T) {
		c := drawCodebookCase(t, 10)
		r := search(&c.p, 0)
		if r.Status != optim.Solved {
			if r.Status != optim.Unservable && r.Status != optim.IllConditioned && r.Status != optim.StepLimit {
				t.Fatalf("%v", r.Status)
			}
			return
		}
		solved++
		c.check(t, r)
		best := solve(optim.Problem{Gram: gramOf(c.h), SINR: c.p.SINR, ErrorVariance: c.p.ErrorVariance})
		if best.Status != optim.Solved || r.LowerBoundW < best.PowerW*(1-1e-9) {
			t.Fatalf("optimal beams %v, %.12g W, codebook %.12g W, bound %.12g W", best.Status, best.PowerW, r.PowerW, r.LowerBoundW)
		}
		more := search(&c.p, 500)
		if more.PowerW > r.PowerW*(1+1e-9) || more.LowerBoundW < r.LowerBoundW*(1-1e-9) {
			t.Fatalf("more nodes: %.12g W from %.12g W, bound %.12g W from %.12g W", more.PowerW, r.PowerW, more.LowerBoundW, r.LowerBoundW)
		}
	})
	if solved < 20 {
		t.Errorf("%d solved", solved)
	}
}

// dP/dg_k at the beams held against differences of the closed form.
func TestCodebookSlopes(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 4))
	c := makeCodebookCase(t, rng, "line of sight", 5, 16, 2, -5, 5)
	r := search(&c.p, 0)
	if r.Status != optim.Solved {
		t.Fatal(r.Status)
	}
	gain := make([]float64, 25)
	c.p.AssignedGains(gain, r.Beam)
	for k, g := range c.p.SINR {
		at := func(v float64) float64 {
			sinr := slices.Clone(c.p.SINR)
			sinr[k] = v
			var f optim.PowerResult
			optim.Direct{}.Solve(&optim.FixedProblem{Users: 5, Gain: gain, SINR: sinr}, &f)
			return f.PowerW
		}
		near(t, fmt.Sprintf("slope of user %d", k), r.SlopeSINR[k], (at(g*1.0001)-at(g*0.9999))/(0.0002*g), 1e-6)
	}
}

// From whatever beams a search starts, exchanges reach a feasible assignment
// close to the bound, also where the start misses its targets.
func TestCodebookFromBadStart(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	missed := 0
	for i := range 60 {
		c := makeCodebookCase(t, rng, codebookKinds[i%2], 8, 16, 2, -3, 7)
		best := search(&c.p, 0)
		if best.Status != optim.Solved {
			continue
		}
		c.p.Start = rng.Perm(c.p.Beams)[:8]
		gain := make([]float64, 64)
		c.p.AssignedGains(gain, c.p.Start)
		var f optim.PowerResult
		if (optim.Direct{}).Solve(&optim.FixedProblem{Users: 8, Gain: gain, SINR: c.p.SINR}, &f) == optim.Unservable {
			missed++
		}
		r := search(&c.p, 1)
		if r.Status != optim.Solved {
			t.Errorf("case %d: %v", i, r.Status)
			continue
		}
		c.check(t, r)
		if r.PowerW > 1.05*best.PowerW {
			t.Errorf("case %d: %g W, %g W from the assignment program", i, r.PowerW, best.PowerW)
		}
		// The result as a start is kept.
		c.p.Start = r.Beam
		if again := search(&c.p, 1); again.PowerW > r.PowerW*(1+1e-12) {
			t.Errorf("case %d: %g W after %g W", i, again.PowerW, r.PowerW)
		}
	}
	if missed < 20 {
		t.Errorf("only %d starts missed their targets", missed)
	}
}

// Unservable is proved: too few beams, beams that no assignment can hand out, a
// user out of reach of every beam, errors that eat the signal, users at one
// place whose targets no two beams carry.
func TestCodebookUnservable(t *testing.T) {
	for _, c := range []struct {
		what        string
		p           optim.CodebookProblem
		want, exact optim.Status // exact: what an integer program can tell, where that is less
	}{
		{"more users than beams", optim.CodebookProblem{Users: 3, Beams: 2, Gain: repeat(1, 6), SINR: repeat(0.01, 3)}, optim.Unservable, 0},
		{"two beams for three users", optim.CodebookProblem{Users: 3, Beams: 4, SINR: repeat(0.01, 3),
			Gain: []float64{1, 2, 0, 0, 2, 1, 0, 0, 3, 3, 0, 0}}, optim.Unservable, optim.AbovePowerCap},
		{"as many as users", optim.CodebookProblem{Users: 3, Beams: 4, SINR: repeat(0.01, 3),
			Gain: []float64{1, 2, 0, 0, 2, 1, 0, 0, 3, 3, 1e-3, 0}}, optim.Solved, 0},
		{"out of reach", optim.CodebookProblem{Users: 2, Beams: 3, Gain: []float64{1, 2, 3, 0, 0, 0}, SINR: repeat(1, 2)}, optim.Unservable, 0},
		{"out of reach without a target", optim.CodebookProblem{Users: 2, Beams: 3, Gain: []float64{1, 2, 3, 0, 0, 0}, SINR: []float64{1, 0}}, optim.Solved, 0},
		{"errors", optim.CodebookProblem{Users: 1, Beams: 2, Gain: []float64{1, 2}, SINR: []float64{4}, ErrorVariance: []float64{0.5}}, optim.Unservable, 0},
		{"fewer errors", optim.CodebookProblem{Users: 1, Beams: 2, Gain: []float64{1, 2}, SINR: []float64{4}, ErrorVariance: []float64{0.4}}, optim.Solved, 0},
		{"one place", optim.CodebookProblem{Users: 2, Beams: 3, Gain: []float64{1, 2, 3, 1, 2, 3}, SINR: []float64{2, 0.51}}, optim.Unservable, optim.AbovePowerCap},
		{"one place, lower targets", optim.CodebookProblem{Users: 2, Beams: 3, Gain: []float64{1, 2, 3, 1, 2, 3}, SINR: []float64{2, 0.49}}, optim.Solved, 0},
		{"no beams", optim.CodebookProblem{Users: 1, SINR: []float64{1}}, optim.Unservable, 0},
		{"no users", optim.CodebookProblem{Beams: 2}, optim.Solved, 0},
		{"short", optim.CodebookProblem{Users: 1, Beams: 2, Gain: []float64{1}, SINR: []float64{1}}, optim.BadInput, 0},
		{"negative", optim.CodebookProblem{Users: 1, Beams: 1, Gain: []float64{-1}, SINR: []float64{1}}, optim.BadInput, 0},
		{"users below 0", optim.CodebookProblem{Users: -1, Beams: -1, Gain: []float64{1}}, optim.BadInput, 0},
		{"start beyond", optim.CodebookProblem{Users: 1, Beams: 1, Gain: []float64{1}, SINR: []float64{1}, Start: []int{1}}, optim.BadInput, 0},
		{"huge", optim.CodebookProblem{Users: math.MaxInt, Beams: math.MaxInt, Gain: []float64{1}, SINR: []float64{1}}, optim.BadInput, 0},
		{"a weak beam each", optim.CodebookProblem{Users: 2, Beams: 2, Gain: []float64{1, 1e-12, 1, 1e-12}, SINR: repeat(0.1, 2)}, optim.IllConditioned, optim.AbovePowerCap},
	} {
		if r := search(&c.p, 0); r.Status != c.want {
			t.Errorf("%s: %v, want %v", c.what, r.Status, c.want)
		}
		if c.exact == optim.NotRun {
			c.exact = c.want
		}
		if r := exactCodebook(&c.p); r.Status != c.exact {
			t.Errorf("%s: integer program %v, want %v", c.what, r.Status, c.exact)
		}
	}
	large := optim.CodebookProblem{Users: 9, Beams: 9, Gain: repeat(1, 81), SINR: repeat(0.01, 9)}
	if r := exactCodebook(&large); r.Status != optim.BadInput {
		t.Errorf("81 pairs: %v", r.Status)
	}
}

// Duplicated users of low targets share the beams of their direction: the first
// takes the best, whoever that is.
func TestCodebookUsersAtOnePlace(t *testing.T) {
	book := dftCodebook(t, 16, 0, 4)
	one := lineOfSight(16, 20)[0]
	for _, users := range []int{2, 3, 4} {
		rows := make([][]complex128, users)
		for k := range rows {
			rows[k] = one
		}
		p := optim.CodebookProblem{Users: users, Beams: book.Beams, Gain: make([]float64, users*book.Beams), SINR: repeat(0.05, users)}
		book.Gains(p.Gain, normalized(rows, nil))
		r := search(&p, 0)
		if r.Status != optim.Solved {
			t.Fatalf("%d users: %v", users, r.Status)
		}
		// The best beams of the one direction, in whatever order: user k on a gain
		// a meets p a >= g (1 + a' p'), alike for all, so that sum p a = c with
		// p_k a_k (1 + g) = g (1 + c).
		gain := slices.Clone(p.Gain[:book.Beams])
		slices.Sort(gain)
		slices.Reverse(gain)
		want := 0.0
		n := float64(users)
		c := 0.05 * n / (1.05 - 0.05*n) // c = n g (1 + c)/(1 + g)
		for k := range users {
			want += 0.05 * (1 + c) / (1.05 * gain[k])
		}
		near(t, fmt.Sprintf("%d users", users), r.PowerW, want, 1e-9)
	}
}

// The same input gives the same bits, whatever the workspace held before.
func TestCodebookSameBits(t *testing.T) {
	var ws optim.CodebookWorkspace
	var r optim.CodebookResult
	rapid.Check(t, func(t *rapid.T) {
		c := drawCodebookCase(t, 8)
		want := search(&c.p, 0)
		(&optim.CodebookSearch{}).Solve(&c.p, &ws, &r)
		if r.Status != want.Status || r.PowerW != want.PowerW || r.LowerBoundW != want.LowerBoundW ||
			r.Steps != want.Steps || r.Nodes != want.Nodes || !slices.Equal(r.Beam, want.Beam) || !slices.Equal(r.UserW, want.UserW) {
			t.Fatalf("a used workspace changed the result: %+v, %+v", r, *want)
		}
	})
}

// fuzzNumber turns a byte into a number that a caller may send: NaN, infinities,
// zero, negative, subnormal, or within 150 dB of 1.
func fuzzNumber(b byte) float64 {
	switch b {
	case 255:
		return math.NaN()
	case 254:
		return math.Inf(1)
	case 253:
		return -1
	case 252:
		return 5e-324
	case 251:
		return math.MaxFloat64
	case 250:
		return math.Inf(-1)
	}
	if b%8 == 7 {
		return 0
	}
	return math.Pow(10, (float64(b)-125)/8.33)
}

// Whatever comes in, a status comes out, no NaN, and a result that holds.
func FuzzCodebook(f *testing.F) {
	f.Add([]byte{2, 3, 0, 100, 110, 120, 120, 110, 100, 110, 112})
	f.Add([]byte{3, 3, 1, 100, 110, 120, 120, 110, 100, 255, 254, 7, 1, 2, 3, 4, 5, 6})
	f.Add([]byte{4, 8, 3, 1, 249, 120, 8, 200, 9, 77, 31})
	f.Add([]byte{5, 2, 2, 100})
	f.Add([]byte{6, 9, 7, 100, 101, 102, 103, 104, 105, 106, 108, 109})
	// What fuzzing found: a better beam 80 dB below the best one, gains hidden by a
	// target of 100 dB, exchanges that went round, a simplex method that did, and
	// one that crashed.
	f.Add([]byte("A708000x0000"))
	f.Add([]byte("A7$\xcf1"))
	f.Add([]byte("00\x10\x000000\xd2a0"))
	f.Add([]byte("C70\xe50X\xd3\xd3\xd3\xd3\xd3\xd3\xe50X\xd3\xd3\xd3\xd3ӫ0"))
	f.Add([]byte("\x80-00000C"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) < 4 {
			return
		}
		users, beams, flags := int(data[0]%7), int(data[1]%10), data[2]
		data = data[3:]
		at := 0
		next := func() float64 {
			v := fuzzNumber(data[at%len(data)] + byte(at/len(data)))
			at++
			return v
		}
		p := optim.CodebookProblem{Users: users, Beams: beams, Gain: make([]float64, users*beams), SINR: make([]float64, users)}
		for i := range p.Gain {
			p.Gain[i] = next()
			if flags&1 != 0 && i >= beams { // duplicated users
				p.Gain[i] = p.Gain[i-beams]
			}
		}
		for k := range p.SINR {
			p.SINR[k] = next()
		}
		if flags&2 != 0 {
			p.ErrorVariance = make([]float64, users)
			for k := range p.ErrorVariance {
				p.ErrorVariance[k] = next()
			}
		}
		if flags&4 != 0 {
			p.Start = make([]int, users)
			for k := range p.Start {
				p.Start[k] = int(binary.LittleEndian.Uint16([]byte{data[k%len(data)], 0}))%12 - 1
			}
		}
		r := search(&p, 20)
		checkCodebookResult(t, &p, r)
		if users*beams <= 20 {
			var ws optim.CodebookWorkspace
			var e optim.CodebookResult
			(&optim.ExactCodebook{MaxNodes: 50}).Solve(&p, &ws, &e)
			checkCodebookResult(t, &p, &e)
			if e.Status == optim.Solved && (r.Status == optim.Unservable || r.LowerBoundW > e.PowerW*(1+1e-6)) {
				t.Errorf("%v, bound %g W; integer program %g W", r.Status, r.LowerBoundW, e.PowerW)
			}
		}
	})
}

func checkCodebookResult(t tester, p *optim.CodebookProblem, r *optim.CodebookResult) {
	t.Helper()
	if r.Status == optim.NotRun || len(r.Beam) != p.Users || len(r.UserW) != p.Users || len(r.SlopeSINR) != p.Users {
		t.Fatalf("%+v", *r)
	}
	for _, v := range slices.Concat(r.UserW, r.SlopeSINR, []float64{r.PowerW, r.LowerBoundW}) {
		if !(v >= 0) || math.IsInf(v, 1) {
			t.Fatalf("%+v", *r)
		}
	}
	for k, b := range r.Beam {
		if r.Status != optim.Solved || p.SINR[k] == 0 {
			if b != -1 || r.UserW[k] != 0 {
				t.Fatalf("user %d has beam %d: %+v", k, b, *r)
			}
			continue
		}
		if b < 0 || b >= p.Beams || slices.Contains(r.Beam[:k], b) {
			t.Fatalf("beams %v", r.Beam)
		}
		noise := 1.0
		for j, w := range r.UserW {
			if j != k && r.Beam[j] >= 0 {
				noise += w * p.Gain[k*p.Beams+r.Beam[j]]
			}
			if p.ErrorVariance != nil {
				noise += w * p.ErrorVariance[k]
			}
		}
		if r.UserW[k] > 1e-300 && noise < 1e300 { // float64 has the digits
			near(t, fmt.Sprintf("SINR of user %d", k), r.UserW[k]*p.Gain[k*p.Beams+b]/noise, p.SINR[k], 1e-6)
		}
	}
}

func BenchmarkCodebook(b *testing.B) {
	for _, kind := range []string{"rayleigh", "line of sight", "narrow", "clustered"} {
		rng := rand.New(rand.NewPCG(5, 6))
		var cases []codebookCase
		for range 16 {
			cases = append(cases, makeCodebookCase(b, rng, kind, 16, 64, 4, -15, -5))
		}
		b.Run(fmt.Sprintf("users=16/antennas=64/beams=256/%s", kind), func(b *testing.B) {
			var ws optim.CodebookWorkspace
			var r optim.CodebookResult
			b.ReportAllocs()
			gapDB, nodes := 0.0, 0
			for i := 0; b.Loop(); i++ {
				(&optim.CodebookSearch{}).Solve(&cases[i%16].p, &ws, &r)
				gapDB += 10 * math.Log10(r.PowerW/r.LowerBoundW)
				nodes += r.Nodes
			}
			b.ReportMetric(gapDB/float64(b.N), "dB-gap")
			b.ReportMetric(float64(nodes)/float64(b.N), "nodes")
		})
	}
	b.Run("gains/users=16/antennas=64/beams=256", func(b *testing.B) {
		c := makeCodebookCase(b, rand.New(rand.NewPCG(5, 7)), "rayleigh", 16, 64, 4, -15, -5)
		for b.Loop() {
			c.book.Gains(c.p.Gain, c.h)
		}
	})
}
