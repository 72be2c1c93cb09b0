package optim_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"leastwatt/optim"
)

// One user, matched beam: P = g noise / ||h||^2 (Tse, Viswanath, Fundamentals of
// Wireless Communication, 2005, maximum-ratio transmission).
func TestSingleUser(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		h := rayleigh(rng, 1, 1+rng.IntN(64))
		noise := math.Exp(rng.NormFloat64() * 5)
		g := math.Exp(rng.NormFloat64())
		want := g * noise / gramOf(h).Norm2(0)
		h = normalized([][]complex128{h.Data}, []float64{noise})
		near(t, "optimal", mustSolve(t, h, []float64{g}).PowerW, want, 1e-12)
		near(t, "matched", fixedPower(t, h, []float64{g}, (*optim.Beams).Matched), want, 1e-12)
		near(t, "zero forcing", fixedPower(t, h, []float64{g}, (*optim.Beams).ZeroForcing), want, 1e-12)
	}
}

// In line of sight each doubling of antennas halves one user's power, so that
// 16 antennas need 1/16 of one antenna's (common practice; ||h||^2 = M).
func TestSingleUserLineOfSight(t *testing.T) {
	power := func(antennas int) float64 {
		return mustSolve(t, normalized(lineOfSight(antennas, 17), nil), []float64{5}).PowerW
	}
	one := power(1)
	near(t, "1 antenna", one, 5, 1e-14)
	for m := 2; m <= 256; m *= 2 {
		near(t, fmt.Sprintf("%d antennas over %d", m, m/2), power(m)/power(m/2), 0.5, 1e-12)
		digits(t, fmt.Sprintf("%d antennas, dB", m), 10*math.Log10(power(m)/5), -3.0103*math.Log2(float64(m)), 3)
	}
	near(t, "16 antennas over 1", power(16)/one, 1.0/16, 1e-12)
}

// Under Rayleigh fading ||h||^2 ~ Gamma(M, 1), so one user's mean power is
// g/(M-1) (derived).
func TestSingleUserRayleighMean(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, m := range []int{4, 8, 16, 32} {
		var s sample
		for range 4000 {
			s = append(s, mustSolve(t, rayleigh(rng, 1, m), []float64{1}).PowerW)
		}
		s.withinErrors(t, fmt.Sprintf("M=%d", m), 1/float64(m-1))
	}
}

// For G = H H^H complex Wishart, CW_K(M, I), the zero-forcing power at SINR 1 is
// (G^-1)_kk: 1/(G^-1)_kk ~ Gamma(M-K+1, 1), mean 1/(M-K), variance
// 1/((M-K)^2 (M-K-1)), E tr G^-2 = MK/((M-K)^3-(M-K)) (Tulino, Verdu, Random
// Matrix Theory and Wireless Communications, 2004, lemma 2.10 from memory; the
// variance derived from the Gamma law).
func TestZeroForcingInverseWishart(t *testing.T) {
	const m, k, draws = 10, 4, 4000
	rng := rand.New(rand.NewPCG(1, 3))
	var mean, variance, square sample
	var gamma []float64 // one per draw: users of one draw are not independent
	for range draws {
		h := rayleigh(rng, k, m)
		var b optim.Beams
		g := gramOf(h)
		if s := b.ZeroForcing(g); s != optim.Solved {
			t.Fatal(s)
		}
		var r optim.PowerResult
		optim.Direct{}.Solve(&optim.FixedProblem{Users: k, Gain: gains(&b, g), SINR: repeat(1, k)}, &r)
		// Beam j at power (G^-1)_jj has the coefficients of column j of G^-1.
		b.SetPowers(r.UserW)
		frobenius := 0.0
		for _, z := range b.Coefficients {
			frobenius += real(z)*real(z) + imag(z)*imag(z)
		}
		mean = append(mean, r.PowerW/k)
		v := 0.0
		for _, p := range r.UserW {
			v += (p - 1.0/(m-k)) * (p - 1.0/(m-k)) / k
		}
		variance = append(variance, v)
		square = append(square, frobenius)
		gamma = append(gamma, 1/r.UserW[0])
	}
	mean.withinErrors(t, "mean of (G^-1)_kk", 1.0/6)
	variance.withinErrors(t, "variance of (G^-1)_kk", 1.0/180)
	square.withinErrors(t, "tr G^-2", 40.0/210)

	// Kolmogorov's test at level 0.001.
	slices.Sort(gamma)
	law := distuv.Gamma{Alpha: m - k + 1, Beta: 1}
	distance := 0.0
	for i, x := range gamma {
		c := law.CDF(x)
		distance = max(distance, c-float64(i)/draws, float64(i+1)/draws-c)
	}
	if distance > 1.95/math.Sqrt(draws) {
		t.Errorf("1/(G^-1)_kk is not Gamma(%d, 1): distance %.3g", m-k+1, distance)
	}
}

// Mean zero-forcing power per user under Rayleigh fading is g noise/(M-K)
// (Tulino, Verdu 2004), unequal gains included (derived).
func TestZeroForcingRayleighMean(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 4))
	for _, c := range []struct{ m, k int }{{8, 4}, {16, 8}, {32, 24}, {64, 16}} {
		gain, sinr := make([]float64, c.k), make([]float64, c.k)
		want := 0.0
		for i := range c.k {
			gain[i], sinr[i] = fromDB(10*rng.NormFloat64()), fromDB(5*rng.NormFloat64())
			want += sinr[i] / gain[i] / float64(c.m-c.k)
		}
		var s sample
		for range 250 {
			h := rayleigh(rng, c.k, c.m)
			for i := range c.k {
				for j := range h.User(i) {
					h.User(i)[j] *= complex(math.Sqrt(gain[i]), 0)
				}
			}
			s = append(s, fixedPower(t, h, sinr, (*optim.Beams).ZeroForcing))
		}
		s.withinErrors(t, fmt.Sprintf("M=%d K=%d", c.m, c.k), want)
	}
}

// Adding user k to a zero-forcing group costs g_k/s + sum_i g_i |(Gi b)_i|^2/s,
// Gi the inverse Gram matrix of the group, b = H_S h_k, s = ||h_k||^2 - b^H Gi b
// (derived: block inverse). Two users are enough to write it out:
// s = b(1-c), cost (g_2 + g_1 c b/a)/s.
func TestZeroForcingIncrement(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 5))
	for range 20 {
		h := rayleigh(rng, 2, 3)
		g := gramOf(h)
		a, b, c := g.Norm2(0), g.Norm2(1), g.Correlation(0, 1)*g.Correlation(0, 1)
		g1, g2 := rng.ExpFloat64(), rng.ExpFloat64()
		alone := g1 / a
		both := fixedPower(t, h, []float64{g1, g2}, (*optim.Beams).ZeroForcing)
		near(t, "increment", both-alone, (g2+g1*c*b/a)/(b*(1-c)), 1e-10)
	}
}

// If every pair of n users correlates by at most mu and (n-1) mu < 1, then
// sum g/||h||^2 <= P_opt <= P_ZF <= sum g/||h||^2 / (1-(n-1)mu) (derived:
// Gershgorin).
func TestCoherenceBound(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 6))
	tried := 0
	for range 200 {
		k := 2 + rng.IntN(4)
		h := rayleigh(rng, k, 64)
		g := gramOf(h)
		mu, free := 0.0, 0.0
		sinr := make([]float64, k)
		for i := range k {
			sinr[i] = fromDB(20*rng.Float64() - 10)
			free += sinr[i] / g.Norm2(i)
			for j := range i {
				mu = max(mu, g.Correlation(i, j))
			}
		}
		rest := 1 - float64(k-1)*mu
		if rest <= 0 {
			continue
		}
		tried++
		opt := mustSolve(t, h, sinr).PowerW
		zf := fixedPower(t, h, sinr, (*optim.Beams).ZeroForcing)
		if !(free <= opt && opt <= zf*(1+1e-12) && zf <= free/rest) {
			t.Errorf("K=%d mu=%.3g: want %.6g <= %.6g <= %.6g <= %.6g", k, mu, free, opt, zf, free/rest)
		}
	}
	if tried < 100 {
		t.Errorf("the bound applied to %d of 200 draws only", tried)
	}
}

// The squared correlation of independent Rayleigh channels is Beta(1, M-1): mean
// 1/M, P(>x) = (1-x)^(M-1) (derived).
func TestCorrelationOfRayleighPairs(t *testing.T) {
	const m = 16
	rng := rand.New(rand.NewPCG(1, 7))
	var square, tail sample
	for range 20000 {
		c := gramOf(rayleigh(rng, 2, m)).Correlation(0, 1)
		square = append(square, c*c)
		if c*c > 0.25 {
			tail = append(tail, 1)
		} else {
			tail = append(tail, 0)
		}
	}
	square.withinErrors(t, "mean", 1.0/m)
	tail.withinErrors(t, "P(c^2 > 0.25)", 0.0133635)
}

// Large-M power of matched beams, equal users:
// K g/(M - g(K-1)) (derived: mean field); none when M <= g(K-1).
func TestMatchedLargeArray(t *testing.T) {
	const m, k = 512, 16
	rng := rand.New(rand.NewPCG(1, 8))
	for _, g := range []float64{1, 5} {
		var s sample
		for range 20 {
			s = append(s, fixedPower(t, rayleigh(rng, k, m), repeat(g, k), (*optim.Beams).Matched))
		}
		near(t, fmt.Sprintf("g=%g", g), s.mean(), k*g/(m-g*(k-1)), 0.02)
	}
	if p := fixedPower(t, rayleigh(rng, k, m), repeat(60, k), (*optim.Beams).Matched); !math.IsInf(p, 1) {
		t.Errorf("g=60: power %g where M <= g(K-1)", p)
	}
}

// Optimal power of large random systems: sum g/(M - sum g/(1+g)), zero forcing
// K g/(M-K) (Tse, Hanly, IEEE Trans. IT 45(2), 1999, by uplink-downlink
// duality; formulas from memory, re-derived).
func TestLargeSystem(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	for _, k := range []int{16, 32} {
		for _, db := range []float64{0, 10} {
			const m, draws = 64, 200
			g := fromDB(db)
			var opt, zf sample
			for range draws {
				h := rayleigh(rng, k, m)
				opt = append(opt, mustSolve(t, h, repeat(g, k)).PowerW)
				zf = append(zf, fixedPower(t, h, repeat(g, k), (*optim.Beams).ZeroForcing))
			}
			kf := float64(k)
			name := fmt.Sprintf("M=%d K=%d %g dB", m, k, db)
			near(t, name+" optimal", opt.mean(), kf*g/(m-kf*g/(1+g)), 0.03)
			zf.withinErrors(t, name+" zero forcing", kf*g/(m-kf))
		}
	}
}

// Means over draws of small and large arrays, Rayleigh, equal targets: computed
// once with another program (fixed point, own random numbers), standard error
// under 1 %.
func TestFiniteSizeMeans(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 10))
	for _, c := range []struct {
		m, k     int
		db       float64
		optimalW float64
		matched  float64 // fraction of draws that matched beams can serve, -1 not given
		ratioDB  float64 // mean zero-forcing over optimal, dB
	}{
		{8, 4, 0, 0.7280, 0.999, 1.262},
		{8, 4, 10, 9.487, 0.002, 0.216},
		{8, 6, 0, 1.3279, 0.963, 3.144},
		{16, 8, 0, 0.6940, 1, 1.527},
		{16, 8, 5, 2.6185, 0.016, 0.775},
		{16, 8, 10, 9.339, 0, 0.300},
		{32, 16, 0, 0.6809, 1, 1.654},
		{32, 16, 10, 9.217, 0, 0.339},
		{32, 24, 0, 1.2263, 1, 3.863},
		{32, 24, 10, 23.96, 0, 0.930},
		{64, 8, 0, 0.13444, 1, 0.268},
		{64, 16, 0, 0.28784, 1, 0.629},
		{64, 16, 10, 3.2257, 0, 0.118},
		{64, 32, 0, 0.6731, 1, 1.706},
		{64, 32, 10, 9.205, 0, 0.362},
		{64, 48, 0, 1.2151, 1, 3.945},
		{64, 60, 0, 1.7844, 1, 9.256},
		{128, 32, 0, 0.28705, 1, 0.653},
	} {
		draws := 25
		if c.k <= 16 {
			draws = 150
		}
		sinr := repeat(fromDB(c.db), c.k)
		var opt, ratio, matched sample
		for range draws {
			h := rayleigh(rng, c.k, c.m)
			p := mustSolve(t, h, sinr).PowerW
			opt = append(opt, p)
			ratio = append(ratio, 10*math.Log10(fixedPower(t, h, sinr, (*optim.Beams).ZeroForcing)/p))
			ok := 0.0
			if !math.IsInf(fixedPower(t, h, sinr, (*optim.Beams).Matched), 1) {
				ok = 1
			}
			matched = append(matched, ok)
		}
		name := fmt.Sprintf("M=%d K=%d %g dB", c.m, c.k, c.db)
		within := func(what string, s sample, want, theirs float64) {
			if e := s.standardError(); !(math.Abs(s.mean()-want) <= 3*e+theirs) {
				t.Errorf("%s %s: mean %.5g, want %.5g, standard error %.2g", name, what, s.mean(), want, e)
			}
		}
		within("optimal", opt, c.optimalW, 0.01*c.optimalW)
		within("zero forcing over optimal, dB", ratio, c.ratioDB, 0.01*c.ratioDB+0.005)
		within("served by matched beams", matched, c.matched, 0.01)
	}
}

// twoUsersOptimum is the least power of two users of squared norms a, b and
// squared correlation c, unit noise (derived from the uplink dual
// x(1+sy) = g1(1+y), y(1+sx) = g2(1+x), s = 1-c).
func twoUsersOptimum(a, b, c, g1, g2 float64) float64 {
	s := 1 - c
	if s == 0 {
		if g1*g2 >= 1 {
			return math.Inf(1)
		}
		y := g2 * (1 + g1) / (1 - g1*g2)
		return g1*(1+y)/a + y/b
	}
	q := 1 - g1*g2 + s*(g1-g2)
	y := (-q + math.Sqrt(q*q+4*s*g2*(1+g1)*(1+g1))) / (2 * s * (1 + g1))
	return g1*(1+y)/(1+s*y)/a + y/b
}

// twoUsers has squared norms a, b and squared correlation c.
func twoUsers(a, b, c float64) optim.Channel {
	return normalized([][]complex128{
		{complex(math.Sqrt(a), 0), 0},
		{complex(0, math.Sqrt(b*c)), complex(math.Sqrt(b*(1-c)), 0)},
	}, nil)
}

func optimalOrInf(t tester, h optim.Channel, sinr []float64) float64 {
	t.Helper()
	r := solve(optim.Problem{Gram: gramOf(h), SINR: sinr})
	switch r.Status {
	case optim.Solved:
		return r.PowerW
	case optim.Unservable:
		return math.Inf(1)
	}
	t.Fatalf("optimal beams: %v", r.Status)
	return 0
}

// Two users of unit norm: optimal, zero-forcing and matched power (closed forms
// derived; numbers computed from them and by fixed point).
func TestTwoUsersTable(t *testing.T) {
	inf := math.Inf(1)
	sinr := []float64{0.5, 1, 3, 10}
	for _, c := range []struct {
		correlation float64
		power       [4][3]float64
	}{
		{0, [4][3]float64{{1, 1, 1}, {2, 2, 2}, {6, 6, 6}, {20, 20, 20}}},
		{0.25, [4][3]float64{{1.0971675407, 1.3333333333, 1.1428571429}, {2.3094010768, 2.6666666667, 2.6666666667}, {7.4740683673, 8, 24}, {26.0475383371, 26.6666666667, inf}}},
		{0.5, [4][3]float64{{1.2360679775, 2, 1.3333333333}, {2.8284271247, 4, 4}, {10.3245553203, 12, inf}, {38.0997512422, 40, inf}}},
		{0.75, [4][3]float64{{1.4641016151, 4, 1.6}, {4, 8, 8}, {18.5830052443, 24, inf}, {74.1575680567, 80, inf}}},
		{0.9, [4][3]float64{{1.7082039325, 10, 1.8181818182}, {6.3245553203, 20, 20}, {42.8035085020, 60, inf}, {182.1954445729, 200, inf}}},
	} {
		h := twoUsers(1, 1, c.correlation)
		for i, want := range c.power {
			g := repeat(sinr[i], 2)
			name := fmt.Sprintf("c=%g g=%g ", c.correlation, sinr[i])
			digits(t, name+"optimal", mustSolve(t, h, g).PowerW, want[0], 10)
			digits(t, name+"zero forcing", fixedPower(t, h, g, (*optim.Beams).ZeroForcing), want[1], 10)
			digits(t, name+"matched", fixedPower(t, h, g, (*optim.Beams).Matched), want[2], 10)
		}
	}
}

// Two unequal users against the closed forms (derived), parallel channels
// included: those are served if and only if g1 g2 < 1.
func TestTwoUsersClosedForm(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 11))
	for i := range 200 {
		a, b := fromDB(30*rng.Float64()-15), fromDB(30*rng.Float64()-15)
		g1, g2 := fromDB(20*rng.Float64()-10), fromDB(20*rng.Float64()-10)
		c := rng.Float64()
		if i%10 == 0 {
			c = 1
			if math.Abs(g1*g2-1) < 0.01 {
				continue
			}
		}
		h, g := twoUsers(a, b, c), []float64{g1, g2}
		name := fmt.Sprintf("a=%.3g b=%.3g c=%.3g g=%.3g,%.3g ", a, b, c, g1, g2)
		want := twoUsersOptimum(a, b, c, g1, g2)
		if got := optimalOrInf(t, h, g); !(got == want || math.Abs(got/want-1) < 1e-10) {
			t.Errorf("%soptimal: %.12g, want %.12g", name, got, want)
		}
		if c < 1 {
			near(t, name+"zero forcing", fixedPower(t, h, g, (*optim.Beams).ZeroForcing), (g1/a+g2/b)/(1-c), 1e-9)
		}
		matched := math.Inf(1)
		if rest := 1 - g1*g2*c*c; rest > 0 {
			matched = (g1/a + g1*g2*c/b + g2/b + g1*g2*c/a) / rest
		}
		if got := fixedPower(t, h, g, (*optim.Beams).Matched); !(got == matched || math.Abs(got/matched-1) < 1e-9) {
			t.Errorf("%smatched: %.12g, want %.12g", name, got, matched)
		}
	}
}

// Two equal users at rate R each: sharing the slot in space beats half a slot
// each (power g^2+2g) exactly when 1-c > 2(1+g)/(2+g)^2, g = 2^R-1 (derived;
// thresholds computed from it).
func TestTwoUsersSpaceOrTime(t *testing.T) {
	for _, c := range []struct{ rate, threshold float64 }{
		{0.5, 0.514719}, {1, 5.0 / 9}, {2, 0.68}, {3, 0.802469},
	} {
		g := math.Pow(2, c.rate) - 1
		turns := mustSolve(t, twoUsers(1, 1, 0), []float64{g*g + 2*g, 0}).PowerW
		for _, side := range []float64{-1, 1} {
			space := mustSolve(t, twoUsers(1, 1, c.threshold+side*2e-6), repeat(g, 2)).PowerW
			if (space < turns) != (side < 0) {
				t.Errorf("R=%g, c %+.0e from the threshold: space %.9g, turns %.9g", c.rate, side*2e-6, space, turns)
			}
		}
	}
}

// K users of equal norm and correlation r (closed forms derived for any K;
// numbers computed from them and by fixed point).
func TestEquicorrelatedUsers(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		k                    int
		r, g, optimal, zf, m float64
	}{
		{4, 0.1, 1, 4.0556514500, 4.1025641026, 4.1237113402},
		{4, 0.3, 1, 4.4861279061, 4.8120300752, 5.4794520548},
		{4, 0.5, 1, 5.5191835885, 6.4, 16},
		{4, 0.5, 10, 62.8370158923, 64, inf},
		{8, 0.3, 1, 9.6820927195, 10.3225806452, 21.6216216216},
		{8, 0.3, 10, 102.4188254367, 103.2258064516, inf},
		{8, 0.5, 1, 12.8758056660, 14.2222222222, inf},
		{16, 0.3, 10, 215.0401950920, 216.1038961039, inf},
		{16, 0.5, 1, 28.4687781734, 30.1176470588, inf},
	} {
		h, g := normalized(equicorrelated(c.k, c.r), nil), repeat(c.g, c.k)
		name := fmt.Sprintf("K=%d r=%g g=%g ", c.k, c.r, c.g)
		digits(t, name+"optimal", mustSolve(t, h, g).PowerW, c.optimal, 10)
		digits(t, name+"zero forcing", fixedPower(t, h, g, (*optim.Beams).ZeroForcing), c.zf, 10)
		digits(t, name+"matched", fixedPower(t, h, g, (*optim.Beams).Matched), c.m, 10)
	}
}

// Orthogonal users do not disturb each other: P = sum g_k/||h_k||^2, for every
// kind of beam (derived).
func TestOrthogonalUsers(t *testing.T) {
	const m = 8
	var rows [][]complex128
	for _, column := range []float64{0, 3, 7} {
		rows = append(rows, lineOfSight(m, 180/math.Pi*math.Asin(math.Remainder(2*column/m, 2)))...)
	}
	h, g := normalized(rows, nil), []float64{1, 3, 10}
	near(t, "optimal", mustSolve(t, h, g).PowerW, 1.75, 1e-12)
	near(t, "zero forcing", fixedPower(t, h, g, (*optim.Beams).ZeroForcing), 1.75, 1e-12)
	near(t, "matched", fixedPower(t, h, g, (*optim.Beams).Matched), 1.75, 1e-12)
}

// Instances that need no random generator: power of optimal, zero-forcing and
// matched beams, interference-free power, duals, powers per user and per
// antenna (computed by fixed point and by a cone solver, which agree).
func TestInstances(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name                  string
		rows                  [][]complex128
		noise, sinr           []float64
		optimal               float64
		decimals              int
		zf, matched, free     float64
		lambda, user, antenna []float64
	}{
		{
			name: "A", rows: formulaChannel(2, 3), sinr: repeat(1, 2), optimal: 0.9019996446, decimals: 10,
			zf: 0.9230072572, matched: 0.9230072572, free: 0.8814701645,
			lambda:  []float64{0.526629166579, 0.375370477990},
			user:    []float64{0.524907845371, 0.377091799197},
			antenna: []float64{0.164840472452, 0.406650224935, 0.330508947182},
		},
		{
			name: "B", rows: formulaChannel(3, 4), sinr: []float64{1, 2, 3}, optimal: 2.4328147560, decimals: 10,
			zf: 2.6915439246, matched: 7.5645974591, free: 1.9312458294,
			lambda:  []float64{0.473326579109, 0.844211251309, 1.115276925533},
			user:    []float64{0.478691612108, 0.873006431230, 1.081116712613},
			antenna: []float64{0.460978934968, 0.445671211613, 0.473995074265, 1.052169535104},
		},
		{
			name: "C", rows: formulaChannel(4, 6), sinr: repeat(3, 4), optimal: 4.1293041261, decimals: 10,
			zf: 4.7753794593, matched: inf, free: 2.6421803427,
			lambda:  []float64{1.000094198040, 1.542150740007, 0.925625281317, 0.661433906726},
			user:    []float64{1.014144929446, 1.412404996181, 0.960451401497, 0.742302798966},
			antenna: []float64{0.378832018167, 0.610069072723, 0.734705539277, 1.043453792186, 1.028170497016, 0.334073206721},
		},
		{
			name: "D", rows: formulaChannel(6, 8), noise: []float64{0.5, 1, 1.5, 1, 0.5, 2}, sinr: []float64{1, 2, 3, 4, 5, 6},
			optimal: 9.2784817953, decimals: 10, zf: 15.4004781291, matched: inf, free: 4.2774415363,
			lambda: []float64{0.254075667394, 1.666627171552, 1.066690949872, 0.875154695332, 1.107857149079, 2.227848547705},
			user:   []float64{0.379749766116, 1.758628793399, 1.698604053183, 1.041215483458, 0.738599447877, 3.661684251306},
		},
		{
			name: "E", rows: formulaChannel(8, 16), sinr: repeat(10, 8), optimal: 12.5582760550, decimals: 10,
			zf: 13.7117802586, matched: inf, free: 7.0806625789,
			lambda: []float64{1.364696366589, 1.885237385461, 1.258969729319, 1.562707087184, 1.112253605904, 1.940455618051, 1.635116857861, 1.798839404643},
		},
		{
			name: "F, more users than antennas", rows: formulaChannel(3, 2), sinr: repeat(1, 3), optimal: 6.4690754644, decimals: 10,
			matched: inf, free: 1.9631066506,
			lambda: []float64{1.336878623482, 2.590189579339, 2.542007261549},
			user:   []float64{2.36400808577, 1.45833834659, 2.64672903201},
		},
		{
			name: "F2, near the limit g = 2", rows: formulaChannel(3, 2), sinr: repeat(1.9, 3), optimal: 185.013121, decimals: 6,
			matched: inf, free: 3.7299026362,
		},
		{
			name: "U1", rows: lineOfSight(16, -50, -20, 5, 12, 40), sinr: repeat(10, 5), optimal: 3.1825786994, decimals: 10,
			zf: 3.1885157370, matched: 3.8881120878, free: 3.125,
		},
		{
			name: "U2", rows: lineOfSight(16, -50, -20, 5, 8, 40), sinr: repeat(10, 5), optimal: 4.5813610762, decimals: 10,
			zf: 4.7408746657, matched: inf, free: 3.125,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := normalized(c.rows, c.noise)
			// Powers per user and antenna are of first order in the tolerance.
			o := optim.Optimal{Tolerance: 1e-12}
			var r optim.Result
			if s := o.Solve(&optim.Problem{Gram: gramOf(h), SINR: c.sinr}, new(optim.Workspace), &r); s != optim.Solved {
				t.Fatal(s)
			}
			digits(t, "optimal", r.PowerW, c.optimal, c.decimals)
			digits(t, "dual", r.DualW, c.optimal, c.decimals)
			if c.zf > 0 {
				digits(t, "zero forcing", fixedPower(t, h, c.sinr, (*optim.Beams).ZeroForcing), c.zf, 10)
			} else if s := new(optim.Beams).ZeroForcing(gramOf(h)); s != optim.Unservable {
				t.Errorf("zero forcing of more users than antennas: %v", s)
			}
			digits(t, "matched", fixedPower(t, h, c.sinr, (*optim.Beams).Matched), c.matched, 10)
			free := 0.0
			for k, g := range c.sinr {
				free += g / gramOf(h).Norm2(k)
			}
			digits(t, "interference-free", free, c.free, 10)
			for k, want := range c.lambda {
				noise := 1.0
				if c.noise != nil {
					noise = c.noise[k]
				}
				digits(t, fmt.Sprintf("lambda %d", k), r.Lambda[k]/noise, want, 11)
			}
			for k, want := range c.user {
				digits(t, fmt.Sprintf("power of user %d", k), r.UserW[k], want, 11)
			}
			if c.antenna != nil {
				for m, got := range antennaPowers(h, &r.Beams) {
					digits(t, fmt.Sprintf("power of antenna %d", m), got, c.antenna[m], 11)
				}
			}
		})
	}
}

// At and above the limit g = 2 of instance F no power serves all three users:
// 3 g/(1+g) >= 2 antennas (Hunger, Joham, IEEE Trans. SP 58(7), 2010, from
// memory; necessity derived).
func TestInstanceAtLimit(t *testing.T) {
	h := normalized(formulaChannel(3, 2), nil)
	for _, g := range []float64{2, 2.1, 10} {
		r := solve(optim.Problem{Gram: gramOf(h), SINR: repeat(g, 3)})
		slices.Sort(r.Violated)
		if r.Status != optim.Unservable || !slices.Equal(r.Violated, []int{0, 1, 2}) {
			t.Errorf("g=%g: %v, violated %v; want all three", g, r.Status, r.Violated)
		}
	}
}

// Least powers of every subset of the formula channel of 3 users and 2 antennas
// at equal whole rates (computed by full enumeration).
func TestSubsetPowers(t *testing.T) {
	h := normalized(formulaChannel(3, 2), nil)
	g := gramOf(h)
	for _, c := range []struct {
		users  []int
		powerW []float64 // at 1, 2, 3, 4 bit
	}{
		{[]int{0}, []float64{0.7243258348, 2.1729775045, 5.0702808439, 10.8648875227}},
		{[]int{1}, []float64{0.5344329897, 1.6032989691, 3.7410309278, 8.0164948454}},
		{[]int{2}, []float64{0.7043478261, 2.1130434783, 4.9304347826, 10.5652173913}},
		{[]int{0, 1}, []float64{1.7536230894, 6.3409860944, 16.0033367212, 35.5018240374}},
		{[]int{0, 2}, []float64{1.5249467918, 4.7302579181, 11.2174037499, 24.2276607332}},
		{[]int{1, 2}, []float64{3.0712479040, 16.9029162446, 47.0885642891, 107.9126376717}},
		{[]int{0, 1, 2}, []float64{6.4690754644}},
	} {
		var sub optim.Gram
		sub.Subset(g, c.users)
		for i, want := range c.powerW {
			sinr := repeat(math.Pow(2, float64(i+1))-1, len(c.users))
			r := solve(optim.Problem{Gram: &sub, SINR: sinr})
			digits(t, fmt.Sprintf("users %v at %d bit (%v)", c.users, i+1, r.Status), r.PowerW, want, 10)
		}
	}
}

// arrayFactor is |sin(N psi/2)/(N sin(psi/2))| (Balanis, Antenna Theory, ch. 6).
func arrayFactor(n int, psi float64) float64 {
	return math.Abs(math.Sin(float64(n)*psi/2) / (float64(n) * math.Sin(psi/2)))
}

// The correlation of two line-of-sight users is the array factor; numbers
// computed from it.
func TestLineOfSightCorrelation(t *testing.T) {
	for _, c := range []struct{ deg, want float64 }{
		{1, 0.96836276}, {2, 0.87705894}, {3, 0.73641481}, {5, 0.37280744}, {10, 0.21808286},
	} {
		got := gramOf(normalized(lineOfSight(16, 0, c.deg), nil)).Correlation(0, 1)
		digits(t, fmt.Sprintf("0 and %g degrees", c.deg), got, c.want, 8)
	}
	rng := rand.New(rand.NewPCG(1, 12))
	for range 50 {
		n, a, b := 2+rng.IntN(64), 120*rng.Float64()-60, 120*rng.Float64()-60
		psi := math.Pi * (math.Sin(b*math.Pi/180) - math.Sin(a*math.Pi/180))
		got := gramOf(normalized(lineOfSight(n, a, b), nil)).Correlation(0, 1)
		if want := arrayFactor(n, psi); math.Abs(got-want) > 1e-10 {
			t.Errorf("N=%d, %.3g and %.3g degrees: %.12g, want %.12g", n, a, b, got, want)
		}
	}
}

// Beam width, first null and first sidelobe of a broadside beam of N antennas
// half a wavelength apart (computed from the array factor).
func TestLineOfSightBeamShape(t *testing.T) {
	for _, c := range []struct {
		n                                  int
		widthDeg, nullDeg, sideDB, sideDeg float64
	}{
		{4, 26.322952, 30.000000, -11.30334, 47.07784},
		{8, 12.802526, 14.477512, -12.79735, 21.06934},
		{16, 6.358726, 7.180756, -13.14683, 10.31278},
		{32, 3.174114, 3.583322, -13.23289, 5.13040},
		{64, 1.586403, 1.790785, -13.25432, 2.56200},
		{128, 0.793120, 0.895283, -13.25967, 1.28060},
	} {
		at := func(deg float64) float64 {
			return gramOf(normalized(lineOfSight(c.n, 0, deg), nil)).Correlation(0, 1)
		}
		half := at(c.widthDeg / 2)
		near(t, fmt.Sprintf("N=%d half power", c.n), half*half, 0.5, 5e-6)
		digits(t, fmt.Sprintf("N=%d first null", c.n), at(c.nullDeg), 0, 6)
		digits(t, fmt.Sprintf("N=%d first sidelobe, dB", c.n), 20*math.Log10(at(c.sideDeg)), c.sideDB, 5)
	}
}

// A worked example of distributed power control: Chiang, Networked Life, 2012,
// ch. 1 (from its course notes). Powers in mW; the limit in rational
// arithmetic.
func TestPublishedPowerControl(t *testing.T) {
	gain := [][]float64{{1, 0.1, 0.2, 0.3}, {0.2, 1, 0.1, 0.1}, {0.2, 0.1, 1, 0.1}, {0.1, 0.1, 0.1, 1}}
	const noiseMilliwatt, radius = 0.1, 0.8346302228
	sinr := []float64{2, 2.5, 1.5, 2}
	limit := []float64{1010.0 / 693, 92.0 / 63, 20.0 / 21, 75.0 / 77}
	p := optim.FixedProblem{Users: 4, Gain: make([]float64, 16), SINR: sinr}
	for k := range 4 {
		for j := range 4 {
			p.Gain[k*4+j] = gain[k][j] / noiseMilliwatt
		}
	}
	for name, control := range map[string]optim.PowerControl{"direct": optim.Direct{}, "iterative": optim.Iterative{}} {
		var r optim.PowerResult
		if s := control.Solve(&p, &r); s != optim.Solved {
			t.Fatalf("%s: %v", name, s)
		}
		near(t, name+" total", r.PowerW, 373.0/77, 1e-8/(1-radius))
		for k := range 4 {
			near(t, fmt.Sprintf("%s user %d", name, k), r.UserW[k], limit[k], 1e-8/(1-radius))
		}
	}
	// From 1 mW each the distance to the limit shrinks by F at every step, so
	// that the published iterates follow from the limit found.
	var r optim.PowerResult
	optim.Direct{}.Solve(&p, &r)
	published := [][]float64{
		{1, 1, 1, 1},
		{1.4, 1.25, 0.75, 0.8},
		{1.23, 1.3375, 0.8775, 0.88},
		{1.3465, 1.304375, 0.851625, 0.889},
	}
	left := make([]float64, 4)
	for k := range left {
		left[k] = r.UserW[k] - 1
	}
	for step := range 11 {
		for k := range 4 {
			if step < len(published) {
				digits(t, fmt.Sprintf("step %d user %d", step, k), r.UserW[k]-left[k], published[step][k], 10)
			}
			if step == 10 {
				digits(t, fmt.Sprintf("step 10 user %d", k), r.UserW[k]-left[k], []float64{1.418999, 1.422543, 0.927412, 0.949776}[k], 6)
			}
		}
		next := make([]float64, 4)
		for k := range 4 {
			for j := range 4 {
				if j != k {
					next[k] += sinr[k] * gain[k][j] / gain[k][k] * left[j]
				}
			}
		}
		left = next
	}
	// Iterative control climbs from zero by the same F: its n-th bound is the
	// n-th sum of the recursion p <- F p + u.
	now := make([]float64, 4)
	for step := 1; step <= 5; step++ {
		next := make([]float64, 4)
		for k := range 4 {
			next[k] = noiseMilliwatt
			for j := range 4 {
				if j != k {
					next[k] += gain[k][j] * now[j]
				}
			}
			next[k] *= sinr[k] / gain[k][k]
		}
		now = next
		s := optim.Iterative{MaxSteps: step}.Solve(&p, &r)
		if s != optim.StepLimit {
			t.Errorf("%d steps: %v", step, s)
		}
		near(t, fmt.Sprintf("bound after %d steps", step), r.LowerBoundW, sum(now), 1e-12)
	}
	// All targets raised by 1/radius make the spectral radius one: unservable
	// just above, served just below.
	p.SINR = make([]float64, 4)
	for _, c := range []struct {
		by   float64
		want optim.Status
	}{{(1 - 1e-6) / radius, optim.Solved}, {(1 + 1e-6) / radius, optim.Unservable}} {
		for k := range sinr {
			p.SINR[k] = sinr[k] * c.by
		}
		if s := (optim.Direct{}).Solve(&p, &r); s != c.want {
			t.Errorf("targets times %.7f: %v, want %v", c.by, s, c.want)
		}
	}
}

// Users at one place, up to within 50 dB of the limit sum g/(1+g) < 1: from
// p_k (1 + g_k) = g_k (1/||h_k||^2 + P) the least power is P = sum g_k/((1+g_k)
// ||h_k||^2) / (1 - sum g_k/(1+g_k)) (derived). Digits are lost with the square of
// the largest l_k ||h_k||^2; the lower bound holds all the same.
func TestOnePlaceNearLimit(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 7))
	costly := 0
	for range 3000 {
		users := 2 + rng.IntN(7)
		h := rayleigh(rng, users, 4)
		spread := 6 * rng.Float64()
		part := make([]float64, users)
		for k := range users {
			copy(h.User(k), h.User(0))
			part[k] = rng.Float64()
		}
		load := 1 - math.Pow(10, -4.5*rng.Float64())
		by := load / sum(part)
		sinr := make([]float64, users)
		free, left := 0.0, 1.0
		for k := range users {
			scale(h.User(k), math.Pow(10, spread*(rng.Float64()-0.5)))
			x := part[k] * by
			sinr[k] = x / (1 - x)
			x = sinr[k] / (1 + sinr[k])
			left -= x
			free += x / gramOf(h).Norm2(k)
		}
		r := solve(optim.Problem{Gram: gramOf(h), SINR: sinr})
		want := free / left
		if r.LowerBoundW > want*(1+1e-14+1e-15*float64(users)/left) {
			t.Errorf("%v: lower bound %.15g, least power %.15g", r.Status, r.LowerBoundW, want)
		}
		if r.Status != optim.Solved {
			continue
		}
		most := 1.0
		for k, l := range r.Lambda {
			most = max(most, l*gramOf(h).Norm2(k))
		}
		near(t, "power", r.PowerW, want, 1e-12*most*most)
		if most > 100 {
			costly++
		}
	}
	if costly < 300 {
		t.Errorf("%d of them costly", costly)
	}
}
