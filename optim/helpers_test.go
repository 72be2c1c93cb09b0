package optim_test

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"leastwatt/optim"
)

// tester is what *testing.T and *rapid.T have in common.
type tester interface {
	Helper()
	Errorf(format string, args ...any)
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

// normalized returns the noise-normalised copy of a channel given user by user.
func normalized(rows [][]complex128, noiseW []float64) optim.Channel {
	h := optim.NewChannel(len(rows), len(rows[0]))
	for k, row := range rows {
		scale := 1.0
		if noiseW != nil {
			scale = 1 / math.Sqrt(noiseW[k])
		}
		for m, z := range row {
			h.User(k)[m] = z * complex(scale, 0)
		}
	}
	return h
}

// formulaChannel is a channel of small integers, the same on any machine
// without a random generator (k, m from zero):
// Re = ((7(k+1)(m+1) + 3k^2 + 5m) mod 17 - 8)/8,
// Im = ((5(k+1)(m+2) + 11k + 2m^2) mod 19 - 9)/9.
func formulaChannel(users, antennas int) [][]complex128 {
	rows := make([][]complex128, users)
	for k := range rows {
		rows[k] = make([]complex128, antennas)
		for m := range rows[k] {
			re := (7*(k+1)*(m+1)+3*k*k+5*m)%17 - 8
			im := (5*(k+1)*(m+2)+11*k+2*m*m)%19 - 9
			rows[k][m] = complex(float64(re)/8, float64(im)/9)
		}
	}
	return rows
}

// lineOfSight is a uniform linear array of half-wavelength spacing seen from
// the angles given: h_m = exp(j pi m sin(angle)).
func lineOfSight(antennas int, anglesDeg ...float64) [][]complex128 {
	rows := make([][]complex128, len(anglesDeg))
	for k, angle := range anglesDeg {
		rows[k] = make([]complex128, antennas)
		for m := range rows[k] {
			rows[k][m] = cmplx.Rect(1, math.Pi*float64(m)*math.Sin(angle*math.Pi/180))
		}
	}
	return rows
}

// equicorrelated returns K users of unit norm and inner products r:
// h_k = sqrt(1-r) e_k + b 1, b = (sqrt(1+(K-1)r) - sqrt(1-r))/K.
func equicorrelated(users int, r float64) [][]complex128 {
	k := float64(users)
	b := (math.Sqrt(1+(k-1)*r) - math.Sqrt(1-r)) / k
	rows := make([][]complex128, users)
	for i := range rows {
		rows[i] = make([]complex128, users)
		for m := range rows[i] {
			rows[i][m] = complex(b, 0)
		}
		rows[i][i] += complex(math.Sqrt(1-r), 0)
	}
	return rows
}

// rayleigh draws independent CN(0, 1) entries.
func rayleigh(rng *rand.Rand, users, antennas int) optim.Channel {
	h := optim.NewChannel(users, antennas)
	for i := range h.Data {
		h.Data[i] = complex(rng.NormFloat64(), rng.NormFloat64()) * complex(math.Sqrt(0.5), 0)
	}
	return h
}

func gramOf(h optim.Channel) *optim.Gram {
	var g optim.Gram
	g.Compute(h)
	return &g
}

// solve finds optimal beams with a workspace of its own.
func solve(p optim.Problem) *optim.Result {
	var o optim.Optimal
	var ws optim.Workspace
	var r optim.Result
	o.Solve(&p, &ws, &r)
	return &r
}

// mustSolve is solve where anything but Solved fails the test.
func mustSolve(t tester, h optim.Channel, sinr []float64) *optim.Result {
	t.Helper()
	r := solve(optim.Problem{Gram: gramOf(h), SINR: sinr})
	if r.Status != optim.Solved {
		t.Fatalf("optimal beams: %v", r.Status)
	}
	return r
}

// fixedPower is the least power of fixed beams, +Inf where none serves.
func fixedPower(t tester, h optim.Channel, sinr []float64, form func(*optim.Beams, *optim.Gram) optim.Status) float64 {
	t.Helper()
	r := fixedSolve(t, h, sinr, form)
	if r.Status == optim.Unservable {
		return math.Inf(1)
	}
	if r.Status != optim.Solved {
		t.Fatalf("powers of fixed beams: %v", r.Status)
	}
	return r.PowerW
}

func fixedSolve(t tester, h optim.Channel, sinr []float64, form func(*optim.Beams, *optim.Gram) optim.Status) optim.PowerResult {
	t.Helper()
	g := gramOf(h)
	var b optim.Beams
	if s := form(&b, g); s != optim.Solved {
		t.Fatalf("beams: %v", s)
	}
	var r optim.PowerResult
	optim.Direct{}.Solve(&optim.FixedProblem{Users: g.Users, Gain: gains(&b, g), SINR: sinr}, &r)
	return r
}

func gains(b *optim.Beams, g *optim.Gram) []float64 {
	a := make([]float64, g.Users*g.Users)
	b.Gains(a, g)
	return a
}

// antennaPowers sums |w_mk|^2 over users, for every antenna.
func antennaPowers(h optim.Channel, b *optim.Beams) []float64 {
	w := make([]complex128, h.Users*h.Antennas)
	b.Weights(w, h)
	out := make([]float64, h.Antennas)
	for i, z := range w {
		out[i%h.Antennas] += real(z)*real(z) + imag(z)*imag(z)
	}
	return out
}

// repeat returns n copies of v.
func repeat(v float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func sum(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s
}

func fromDB(db float64) float64 { return math.Pow(10, db/10) }

// digits fails unless got equals want to the decimals given, a unit in the last
// place allowed. +Inf equals +Inf.
func digits(t tester, what string, got, want float64, decimals int) {
	t.Helper()
	if math.IsInf(want, 1) && math.IsInf(got, 1) {
		return
	}
	if !(math.Abs(got-want) <= math.Pow10(-decimals)) {
		t.Errorf("%s: %.*f, want %.*f", what, decimals+2, got, decimals, want)
	}
}

// near fails unless got equals want to the relative tolerance given.
func near(t tester, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %.12g, want %.12g (off by %.1e, allowed %.1e)", what, got, want, got/want-1, relative)
	}
}

// sample gathers draws for a check against a mean.
type sample []float64

func (s sample) mean() float64 { return sum(s) / float64(len(s)) }

// standardError returns the standard error of the mean.
func (s sample) standardError() float64 {
	m, v := s.mean(), 0.0
	for _, x := range s {
		v += (x - m) * (x - m)
	}
	n := float64(len(s))
	return math.Sqrt(v / (n - 1) / n)
}

// withinErrors fails unless the sample's mean is within 3 standard errors of
// want.
func (s sample) withinErrors(t tester, what string, want float64) {
	t.Helper()
	if m, e := s.mean(), s.standardError(); !(math.Abs(m-want) <= 3*e) {
		t.Errorf("%s: mean of %d draws %.6g, want %.6g, standard error %.2g", what, len(s), m, want, e)
	}
}
