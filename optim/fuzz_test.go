package optim_test

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"leastwatt/optim"
)

// Fuzzing of the solvers that have no target beside their tests (FuzzLimited,
// FuzzCodebook and FuzzFloor do). Whatever a caller sends: a status, no panic, no
// NaN in a result; and what is called Solved is right.

// Oddities of a group, to be combined.
const (
	oddTwins     = 1 << iota // every second user is the first one
	oddLine                  // the others lie between the first two
	oddSilent                // the last user has no channel
	oddEntry                 // one entry of the channel is the odd number
	oddIdle                  // the first user has no target
	oddTarget                // the last user's target is the odd number
	oddError                 // errors
	oddHuge                  // of the odd number
	oddNearly                // all but parallel
	oddStart                 // the start is the odd number
	oddCap                   // a cap is the odd number
	oddGram                  // an entry of the Gram matrix is the odd number
	oddFlagCount = iota
)

// oddGroup is a group as a careless caller may send it.
type oddGroup struct {
	rng  *rand.Rand
	h    optim.Channel
	sinr []float64
	errs []float64
}

// makeOdd makes up to 8 users and 8 antennas with path gains spread over
// spreadDB.
func makeOdd(seed uint64, users, antennas uint8, flags uint16, spreadDB, odd float64) oddGroup {
	rng := rand.New(rand.NewPCG(seed, 7))
	k, m := int(users%9), int(antennas%9)
	g := oddGroup{rng: rng, h: rayleigh(rng, k, m), sinr: make([]float64, k)}
	for u := range k {
		h := g.h.User(u)
		switch {
		case flags&oddTwins != 0 && u%2 == 1:
			copy(h, g.h.User(0))
		case flags&oddLine != 0 && u > 1:
			for i := range h {
				h[i] = g.h.User(0)[i] + 0.5i*g.h.User(1)[i]
			}
		case flags&oddNearly != 0 && u > 0:
			for i := range h {
				h[i] = g.h.User(0)[i] + 1e-6*h[i]
			}
		}
	}
	for u := range k {
		scale(g.h.User(u), fromDB(math.Mod(spreadDB, 400)*(rng.Float64()-0.5)/2))
		g.sinr[u] = math.Exp(6*rng.Float64() - 3)
	}
	if flags&oddError != 0 {
		for u := range k {
			g.errs = append(g.errs, 0.05*rng.Float64()*gramOf(g.h).Norm2(u))
		}
		if flags&oddHuge != 0 && k > 0 {
			g.errs[rng.IntN(k)] = odd
		}
	}
	if k == 0 {
		return g
	}
	if flags&oddSilent != 0 {
		clear(g.h.User(k - 1))
	}
	if flags&oddEntry != 0 && m > 0 {
		g.h.Data[rng.IntN(k*m)] = complex(odd, rng.NormFloat64())
	}
	if flags&oddIdle != 0 {
		g.sinr[0] = 0
	}
	if flags&oddTarget != 0 {
		g.sinr[k-1] = odd
	}
	return g
}

// addOddGroups adds the seeds that every target shares: each oddity alone with
// each odd number, and what combines badly.
func addOddGroups(f *testing.F) {
	for bit := range oddFlagCount {
		for i, odd := range []float64{math.NaN(), math.Inf(1), -1, 1e300, 5e-324} {
			f.Add(uint64(bit), uint8(3+i), uint8(4), uint16(1<<bit|oddError*(i%2)), 20.0*float64(i), odd)
		}
	}
	f.Add(uint64(1), uint8(8), uint8(3), uint16(0), 0.0, 0.0)                   // K > M
	f.Add(uint64(2), uint8(4), uint8(8), uint16(0), 300.0, 0.0)                 // 300 dB
	f.Add(uint64(3), uint8(4), uint8(8), uint16(oddTwins|oddError), 300.0, 0.0) // and twins
	f.Add(uint64(4), uint8(0), uint8(0), uint16(0), 0.0, 0.0)                   // nothing
	f.Add(uint64(5), uint8(3), uint8(0), uint16(0), 0.0, 0.0)                   // no antennas
	f.Add(uint64(6), uint8(5), uint8(5), uint16(oddLine|oddIdle), 100.0, 0.0)
	f.Add(uint64(7), uint8(5), uint8(5), uint16(oddError|oddHuge), 0.0, 1e6)
}

// numbers fails unless all are finite and none is negative.
func numbers(t tester, what string, all ...[]float64) {
	t.Helper()
	for i, v := range all {
		for j, x := range v {
			if !(x >= 0 && x <= math.MaxFloat64) {
				t.Fatalf("%s: %g at %d of slice %d", what, x, j, i)
			}
		}
	}
}

// serves fails unless the beams, powers included, give every user its target,
// but for what float64 loses where parts of a beam cancel: some 1e-15 of the sum
// of their sizes.
func (g *oddGroup) serves(t tester, b *optim.Beams) {
	t.Helper()
	k, m := g.h.Users, g.h.Antennas
	w := make([]complex128, k*m)
	b.Weights(w, g.h)
	total := 0.0
	for _, z := range w {
		total += real(z * cmplx.Conj(z))
	}
	norm := make([]float64, k)
	for u := range norm {
		norm[u] = math.Sqrt(gramOf(g.h).Norm2(u))
	}
	for u, target := range g.sinr {
		noise, signal := 1.0, 0.0
		if g.errs != nil {
			noise += g.errs[u] * total
		}
		for j := range k {
			lost := 0.0
			for i := range k {
				lost += 1e-14 * norm[u] * norm[i] * cmplx.Abs(b.Coefficients[i*k+j])
			}
			z := cmplx.Abs(optim.Received(g.h.User(u), w[j*m:(j+1)*m]))
			if j == u {
				signal = math.Pow(z+lost, 2)
			} else {
				noise += math.Pow(math.Max(z-lost, 0), 2)
			}
		}
		if !(signal >= target*noise*(1-1e-6)) {
			t.Errorf("user %d: SINR %.9g, want %.9g", u, signal/noise, target)
		}
	}
}

func FuzzOptimal(f *testing.F) {
	addOddGroups(f)
	f.Fuzz(func(t *testing.T, seed uint64, users, antennas uint8, flags uint16, spreadDB, odd float64) {
		g := makeOdd(seed, users, antennas, flags, spreadDB, odd)
		p := optim.Problem{Gram: gramOf(g.h), SINR: g.sinr, ErrorVariance: g.errs}
		k := len(g.sinr)
		if flags&oddStart != 0 {
			p.Start = repeat(odd, k)
		}
		if flags&oddGram != 0 && k > 0 {
			p.Gram.Data[g.rng.IntN(k*k)] = complex(odd, g.rng.NormFloat64())
		}
		var o optim.Optimal
		if flags&oddCap != 0 {
			o.MaxPowerW = odd
		}
		var ws optim.Workspace
		var r optim.Result
		if s := o.Solve(&p, &ws, &r); s != r.Status || s == optim.NotRun {
			t.Fatalf("%v, in the result %v", s, r.Status)
		}
		numbers(t, r.Status.String(), r.Lambda, r.UserW, r.SlopeSINR, r.SlopeRate, []float64{r.PowerW, r.DualW, r.LowerBoundW, r.Residual})
		for _, z := range r.Beams.Coefficients {
			if cmplx.IsNaN(z) || cmplx.IsInf(z) {
				t.Fatalf("%v: %v in a beam", r.Status, z)
			}
		}
		switch r.Status {
		case optim.Solved:
			if flags&oddGram != 0 {
				break // numbers, of no meaning
			}
			g.serves(t, &r.Beams)
			near(t, "sum of users", sum(r.UserW), r.PowerW, 1e-6)
			near(t, "dual", r.DualW, r.PowerW, 1e-4)
			if r.LowerBoundW > r.PowerW*(1+1e-9) {
				t.Errorf("lower bound %g of %g W", r.LowerBoundW, r.PowerW)
			}
		case optim.AbovePowerCap:
			if !(r.LowerBoundW > o.MaxPowerW) {
				t.Errorf("above the cap of %g W with a bound of %g W", o.MaxPowerW, r.LowerBoundW)
			}
		case optim.Unservable:
			load := 0.0
			var heard []int // zero channels add no rank
			for _, u := range r.Violated {
				load += g.sinr[u] / (1 + g.sinr[u])
				if gramOf(g.h).Norm2(u) > 0 {
					heard = append(heard, u)
				}
			}
			if len(heard) > 0 && flags&(oddGram|oddNearly) == 0 && load < float64(rank(g.h, heard)) {
				t.Errorf("subset %v carries %g of rank %d: no proof", r.Violated, load, rank(g.h, heard))
			}
			if len(r.Violated) == 0 && g.errs == nil {
				t.Error("unservable without a subset that proves it")
			}
		case optim.BadInput:
			if r.LowerBoundW != 0 {
				t.Errorf("%g W proved of bad input", r.LowerBoundW)
			}
		}
		if r.Status != optim.Solved && r.PowerW+r.DualW+sum(r.UserW) != 0 {
			t.Errorf("%v with power", r.Status)
		}
	})
}

// FuzzFixedBeams forms beams of every kind and gives them powers under caps by
// every power control. Where statuses stay the same when targets and caps change
// by 1e-6, all controls agree, but for those that say that they gave up.
func FuzzFixedBeams(f *testing.F) {
	addOddGroups(f)
	f.Fuzz(func(t *testing.T, seed uint64, users, antennas uint8, flags uint16, spreadDB, odd float64) {
		g := makeOdd(seed, users, antennas, flags, spreadDB, odd)
		gram := gramOf(g.h)
		var b optim.Beams
		var s optim.Status
		kind := seed % 4
		switch kind {
		case 0:
			s = b.Matched(gram)
		case 1:
			s = b.ZeroForcing(gram)
		case 2:
			alpha := math.Exp(8*g.rng.Float64() - 6)
			if flags&oddStart != 0 {
				alpha = odd
			}
			s = b.Regularized(gram, alpha)
		case 3:
			var alpha float64
			alpha, s = b.BestRegularized(gram, g.sinr, g.errs)
			if !(alpha >= 0) || math.IsInf(alpha, 1) || (s == optim.Solved) != (alpha > 0) {
				t.Fatalf("%v, regularisation %g", s, alpha)
			}
		}
		if s == optim.NotRun {
			t.Fatal(s)
		}
		if s != optim.Solved {
			return
		}
		k, m := g.h.Users, g.h.Antennas
		w := make([]complex128, k*m)
		b.Weights(w, g.h)
		for u := range k {
			near(t, fmt.Sprintf("kind %d: power of beam %d", kind, u), real(inner(w[u*m:(u+1)*m], w[u*m:(u+1)*m])), 1, 1e-6)
		}
		p := optim.FixedProblem{Users: k, Gain: gains(&b, gram), SINR: g.sinr, ErrorVariance: g.errs}
		numbers(t, "gains", p.Gain)
		l := optim.Limits{AntennaW: make([]float64, m), Rows: rayleigh(g.rng, 2, m).Data, RowW: []float64{100 * g.rng.ExpFloat64(), 10}}
		for i := range l.AntennaW {
			l.AntennaW[i] = 10 * g.rng.ExpFloat64()
		}
		if flags&oddCap != 0 {
			l.RowW[1] = odd
			p.TotalW = odd
		}
		p.RowGain, p.RowW = l.FixedRows(nil, nil, w, m)
		agree(t, &p)
	})
}

// agree solves p by every control.
func agree(t tester, p *optim.FixedProblem) {
	t.Helper()
	at := func(by float64) optim.Status {
		q := *p
		q.SINR = scaled(p.SINR, by)
		q.RowW = scaled(p.RowW, 1/by)
		q.TotalW /= by
		var r optim.PowerResult
		return optim.Direct{}.Solve(&q, &r)
	}
	want := at(1)
	sharp := at(1+1e-6) == want && at(1-1e-6) == want
	var direct optim.PowerResult
	optim.Direct{}.Solve(p, &direct)
	for name, control := range powerControls {
		var r optim.PowerResult
		s := control.Solve(p, &r)
		if s != r.Status || s == optim.NotRun {
			t.Fatalf("%s: %v, in the result %v", name, s, r.Status)
		}
		numbers(t, name+": "+s.String(), r.UserW, r.SlopeSINR, r.RowW, []float64{r.PowerW, r.LowerBoundW})
		switch {
		case s == optim.IllConditioned || s == optim.StepLimit:
			continue
		case sharp && s != want:
			t.Errorf("%s: %v, want %v", name, s, want)
		case s == optim.Solved:
			meets(t, name, p, r.UserW)
			if sharp {
				near(t, name, r.PowerW, direct.PowerW, 1e-5)
			}
		case s == optim.AboveLimits && len(r.Exceeded) == 0 && !(p.TotalW > 0 && sum(r.UserW) > p.TotalW):
			t.Errorf("%s: above limits, and no cap is exceeded", name)
		}
		if s != optim.Solved && r.PowerW != 0 {
			t.Errorf("%s: %v with %g W", name, s, r.PowerW)
		}
	}
}

// meets fails unless the powers meet every target and cap.
func meets(t tester, name string, p *optim.FixedProblem, powerW []float64) {
	t.Helper()
	total := sum(powerW)
	for k, target := range p.SINR {
		noise := 1.0
		for j, w := range powerW {
			if j != k {
				noise += w * p.Gain[k*p.Users+j]
			}
		}
		if p.ErrorVariance != nil {
			noise += p.ErrorVariance[k] * total
		}
		if noise > 1e300 || powerW[k] < 1e-300 {
			continue // float64 has no digits for it
		}
		if got := powerW[k] * p.Gain[k*p.Users+k] / noise; !(got >= target*(1-1e-6)) {
			t.Errorf("%s: user %d: SINR %.9g, want %.9g", name, k, got, target)
		}
	}
	for i, c := range p.RowW {
		v := 0.0
		for k, w := range powerW {
			v += w * p.RowGain[i*p.Users+k]
		}
		if v > c*(1+1e-12) {
			t.Errorf("%s: row %d: %.17g W, cap %.17g W", name, i, v, c)
		}
	}
	if p.TotalW > 0 && total > p.TotalW*(1+1e-12) {
		t.Errorf("%s: %.17g W, cap %.17g W", name, total, p.TotalW)
	}
}

// FuzzRateSplit splits over the powers of optimal beams, of users alone, or over
// ones that no group has.
func FuzzRateSplit(f *testing.F) {
	addOddGroups(f)
	for kind := range uint64(8) {
		f.Add(kind, uint8(3), uint8(4), uint16(oddStart), 0.0, float64(kind))
	}
	f.Fuzz(func(t *testing.T, seed uint64, users, antennas uint8, flags uint16, spreadDB, odd float64) {
		users %= 5
		bands := 1 + int(seed/8%4)
		var grams []*optim.Gram
		var g oddGroup
		for i := range bands {
			g = makeOdd(seed+uint64(i), users, antennas, flags, spreadDB, odd)
			grams = append(grams, gramOf(g.h))
		}
		k := int(users)
		p := optim.SplitProblem{Users: k, Subbands: bands}
		for _, x := range g.sinr {
			p.Rate = append(p.Rate, math.Log1p(x))
		}
		if flags&oddStart != 0 {
			p.Start = repeat(odd, k*bands)
		}
		var o optim.Optimal
		var ws optim.Workspace
		var r optim.Result
		sinr := make([]float64, k)
		beams := func(rate, slope []float64) float64 {
			total := 0.0
			for i, gram := range grams {
				for u := range sinr {
					sinr[u] = math.Expm1(rate[u*bands+i])
				}
				if o.Solve(&optim.Problem{Gram: gram, SINR: sinr}, &ws, &r) != optim.Solved {
					return math.Inf(1)
				}
				total += r.PowerW
				for u, v := range r.SlopeRate {
					slope[u*bands+i] = v
				}
			}
			return total
		}
		calls := 0
		p.Power = func(rate, slope []float64) float64 {
			calls++
			numbers(t, "rate asked for", rate)
			switch seed % 8 {
			case 0: // no power has this shape: rising slopes, in the wrong place
				for i := range slope {
					slope[i] = 1 + float64((i*7+calls)%5)
				}
				return 1 / float64(calls)
			case 1:
				for i := range slope {
					slope[i] = odd
				}
				return 1
			case 2:
				clear(slope)
				return odd
			}
			return beams(rate, slope)
		}
		var split optim.SplitResult
		if s := (optim.RateSplit{}).Solve(&p, &split); s != split.Status || s == optim.NotRun {
			t.Fatalf("%v, in the result %v", s, split.Status)
		}
		numbers(t, split.Status.String(), split.Rate, split.SlopeRate, []float64{split.PowerW})
		if split.Steps != calls || calls > 7*101 {
			t.Errorf("%d calls, %d steps", calls, split.Steps)
		}
		if split.Status != optim.Solved {
			if split.PowerW+sum(split.Rate)+sum(split.SlopeRate) != 0 {
				t.Errorf("%v: %+v", split.Status, split)
			}
			if split.Status == optim.Unservable && seed%8 > 2 {
				even := make([]float64, k*bands)
				for i := range even {
					even[i] = p.Rate[i/bands]
				}
				if power := beams(even, make([]float64, k*bands)); power <= math.MaxFloat64 {
					t.Errorf("unservable, and the even split takes %g W", power)
				}
			}
			return
		}
		for u, want := range p.Rate {
			if want > 0 && want < 1e-300 {
				continue // no digits
			}
			near(t, "mean rate", sum(split.Rate[u*bands:(u+1)*bands])/float64(bands), want, 1e-9)
		}
		if seed%8 > 2 {
			near(t, "power", split.PowerW, beams(split.Rate, make([]float64, k*bands)), 1e-6)
		}
	})
}

// FuzzCodebookBeams makes grids and codebooks of any size: unit power, or a
// status.
func FuzzCodebookBeams(f *testing.F) {
	f.Add(8, 0, 2, 1.0, 0.0)
	f.Add(32, 8, 1, 1.0, 1.0)
	f.Add(-1, 8, 1, math.NaN(), 1.0)
	f.Add(7, 7, math.MaxInt, math.Inf(1), 1.0)
	f.Add(math.MaxInt, math.MaxInt, math.MaxInt, 5e-324, 5e-324)
	f.Add(math.MinInt, math.MinInt, math.MinInt, 1e308, -1e308)
	f.Add(3, 1, 5, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, antennas, columns, oversampling int, re, im float64) {
		unit := func(c optim.Codebook, s optim.Status) {
			switch {
			case s == optim.BadInput:
				if c.Beams != 0 || c.Data != nil {
					t.Fatalf("bad input with %d beams", c.Beams)
				}
				return
			case s != optim.Solved:
				t.Fatal(s)
			case len(c.Data) != c.Beams*c.Antennas || len(c.Data) > optim.MaxCodebookEntries:
				t.Fatalf("%d beams of %d antennas in %d entries", c.Beams, c.Antennas, len(c.Data))
			}
			for b := range c.Beams {
				near(t, fmt.Sprintf("beam %d", b), real(inner(c.Beam(b), c.Beam(b))), 1, 1e-12)
			}
			h := optim.Channel{Users: 1, Antennas: c.Antennas, Data: c.Data[:min(len(c.Data), c.Antennas)]}
			if c.Beams > 0 {
				gain := make([]float64, c.Beams)
				c.Gains(gain, h)
				near(t, "gain of the beam's own direction", gain[0], 1, 1e-12)
			}
		}
		if s := int64(min(max(antennas, -2), 1<<20)) * int64(min(max(oversampling, -2), 1<<20)); s < 1<<9 {
			unit(optim.DFTCodebook(antennas, columns, oversampling))
		} else {
			// Too large to make in a fuzz test; as large as refused in any case.
			unit(optim.DFTCodebook(antennas%64, columns%64, oversampling%8))
			unit(optim.DFTCodebook(antennas|1<<24, columns, oversampling|1<<24))
		}
		rng := rand.New(rand.NewPCG(uint64(columns), 3))
		values := make([]complex128, rng.IntN(12))
		for i := range values {
			values[i] = complex(re*rng.NormFloat64(), im*rng.Float64())
		}
		given := append([]complex128(nil), values...)
		unit(optim.NewCodebook(antennas%6, values))
		for i := range given {
			if given[i] != values[i] && !cmplx.IsNaN(given[i]) {
				t.Fatal("the values given were changed")
			}
		}
	})
}

// FuzzVerifyFloor hands in certificates that nothing made: an error, or a bound
// that is a bound.
func FuzzVerifyFloor(f *testing.F) {
	addOddGroups(f)
	f.Fuzz(func(t *testing.T, seed uint64, users, antennas uint8, flags uint16, spreadDB, odd float64) {
		bands := 1 + int(seed%3)
		p := &optim.FloorProblem{}
		var g oddGroup
		for i := range bands {
			g = makeOdd(seed+uint64(i), users%6, antennas, flags&^oddError, spreadDB, odd)
			p.Channels = append(p.Channels, g.h)
		}
		k := len(g.sinr)
		for _, x := range g.sinr {
			p.Rate = append(p.Rate, math.Log1p(x))
		}
		var fl optim.Floor
		var ws optim.FloorWorkspace
		var r optim.FloorResult
		fl.Solve(context.Background(), p, nil, &ws, &r)
		c := optim.Certificate{Prices: append([]float64(nil), r.Certificate.Prices...), PowersW: append([]float64(nil), r.Certificate.PowersW...)}
		spread := 10 * g.rng.Float64()
		for _, v := range [][]float64{c.Prices, c.PowersW} {
			for i := range v {
				switch g.rng.IntN(12) {
				case 0:
					v[i] = 0
				case 1:
					v[i] = g.rng.ExpFloat64()
				case 2:
					if flags&oddStart != 0 {
						v[i] = odd
					}
				default:
					v[i] *= math.Exp(spread * g.rng.NormFloat64())
				}
			}
		}
		if flags&oddCap != 0 && k > 0 {
			c.Prices = c.Prices[1:]
		}
		proved, err := optim.VerifyFloor(p, c)
		if !(proved >= 0 && proved <= math.MaxFloat64) || err != nil && proved != 0 {
			t.Fatalf("%g, %v", proved, err)
		}
		if err == nil && flags&oddCap != 0 && k > 0 {
			t.Error("no error with too few prices")
		}
		snr := 1.0
		for i, h := range p.Channels {
			for u := range k {
				if err == nil {
					snr = math.Max(snr, c.PowersW[u*bands+i]*gramOf(h).Norm2(u))
				}
			}
		}
		if r.Status != optim.BadInput && proved > r.UpperBoundW*(1+1e-9+1e-14*snr) {
			t.Errorf("%v: proved %.15g, and %.15g carries the rates", r.Status, proved, r.UpperBoundW)
		}
	})
}

// FuzzRateTable: the step of a rate carries it and the one below does not; the
// step at an SINR is the largest that it carries.
func FuzzRateTable(f *testing.F) {
	for _, v := range []float64{0, 1, -1, 5e-324, 1e300, math.NaN(), math.Inf(1), math.Inf(-1)} {
		f.Add(uint8(0), v, 1.0)
		f.Add(uint8(1), 0.5, v)
		f.Add(uint8(2), v, v)
		f.Add(uint8(3), 40.0, v)
	}
	f.Fuzz(func(t *testing.T, table uint8, value, gap float64) {
		tables := optim.RateTables()
		steps := tables[int(table)%len(tables)]
		nats := func(i int) float64 {
			if i < 0 {
				return math.Inf(-1)
			}
			return steps.Nats(i)
		}
		const margin = 1e-9
		switch i := steps.StepFor(value); {
		case i < -1 || i >= len(steps.Steps):
			t.Fatalf("step %d for %g nats", i, value)
		case i < 0 && value < nats(len(steps.Steps)-1)*(1-margin):
			t.Errorf("no step for %g nats", value)
		case i >= 0 && (!(nats(i) >= value*(1-margin)) || i > 0 && nats(i-1) > math.Abs(value)*(1+margin)):
			t.Errorf("step %d for %g nats", i, value)
		}
		rate := math.Log1p(value / gap)
		i := steps.StepAt(value, gap)
		switch valid := value >= 0 && gap > 0 && !math.IsNaN(rate); {
		case i < -1 || i >= len(steps.Steps):
			t.Fatalf("step %d at SINR %g, gap %g", i, value, gap)
		case !valid && i != -1:
			t.Errorf("step %d at SINR %g, gap %g", i, value, gap)
		case valid && i >= 0 && nats(i) > rate*(1+margin):
			t.Errorf("step %d at SINR %g, gap %g, which carries %g nats", i, value, gap, rate)
		case valid && i+1 < len(steps.Steps) && nats(i+1) < rate*(1-margin):
			t.Errorf("step %d at SINR %g, gap %g, and %g nats fit", i, value, gap, rate)
		}
	})
}
