package optim

import (
	"math"
	"math/rand/v2"
	"testing"
)

// splitOf makes the split problem of optimal beams over one channel per subband.
func splitOf(channels []Channel, rate []float64) *SplitProblem {
	grams := make([]Gram, len(channels))
	for f := range channels {
		grams[f].Compute(channels[f])
	}
	var o Optimal
	var ws Workspace
	var r Result
	sinr := make([]float64, len(rate))
	return &SplitProblem{
		Users: len(rate), Subbands: len(channels), Rate: rate,
		Power: func(rate, slope []float64) float64 {
			total := 0.0
			for f := range grams {
				for u := range sinr {
					sinr[u] = math.Expm1(rate[u*len(grams)+f])
				}
				if o.Solve(&Problem{Gram: &grams[f], SINR: sinr}, &ws, &r) != Solved {
					return math.Inf(1)
				}
				total += r.PowerW
				for u, v := range r.SlopeRate {
					slope[u*len(grams)+f] = v
				}
			}
			return total
		},
	}
}

// Water-filling over four parallel subbands for 6 bit: water level 2, powers
// 1.75, 1.5, 1, 0 (margin-adaptive water-filling, Cover, Thomas, Elements of
// Information Theory, ch. 9; worked out by hand: log2(2*4)+log2(2*2)+log2(2)=6).
func TestSplitWaterFilling(t *testing.T) {
	var channels []Channel
	for _, g := range []float64{4, 2, 1, 0.25} {
		h := NewChannel(1, 1)
		h.Data[0] = complex(math.Sqrt(g), 0)
		channels = append(channels, h)
	}
	p := splitOf(channels, []float64{6 * math.Ln2 / 4})
	var r SplitResult
	if s := (RateSplit{}).Solve(p, &r); s != Solved {
		t.Fatal(s)
	}
	if math.Abs(r.PowerW-4.25) > 1e-9 {
		t.Errorf("power %.12g, want 4.25", r.PowerW)
	}
	for f, want := range []float64{3, 2, 1, 0} {
		if got := r.Rate[f] / math.Ln2; math.Abs(got-want) > 1e-6 {
			t.Errorf("subband %d: %g bit, want %g", f, got, want)
		}
	}
	// dP/dr of the mean rate: 4 subbands at water level 2.
	if math.Abs(r.SlopeRate[0]-8) > 1e-5 {
		t.Errorf("slope %g, want 8", r.SlopeRate[0])
	}
}

// Marginal powers agree, and the power's slope over a target is their common
// value: central differences.
func TestSplitMarginals(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 20 {
		bands, users, antennas := 2+rng.IntN(3), 2+rng.IntN(3), 4
		var channels []Channel
		for range bands {
			channels = append(channels, rayleigh(rng, users, antennas))
		}
		rate := make([]float64, users)
		for u := range rate {
			rate[u] = 0.2 + 2*rng.Float64()
		}
		var r, up, down SplitResult
		if s := (RateSplit{}).Solve(splitOf(channels, rate), &r); s != Solved {
			t.Fatal(s)
		}
		for u := range rate {
			const h = 1e-4
			at := func(d float64, out *SplitResult) {
				moved := append([]float64(nil), rate...)
				moved[u] += d
				p := splitOf(channels, moved)
				p.Start = r.Rate
				(RateSplit{Tolerance: 1e-12}).Solve(p, out)
			}
			at(h, &up)
			at(-h, &down)
			numeric := (up.PowerW - down.PowerW) / (2 * h)
			if math.Abs(numeric/r.SlopeRate[u]-1) > 1e-3 {
				t.Errorf("F=%d K=%d user %d: slope %g, numeric %g (steps %d)", bands, users, u, r.SlopeRate[u], numeric, r.Steps)
			}
		}
	}
}

// A start that cannot be served, or that is all on one subband, gives way to the
// solver's own; lengths and numbers that are none are bad input.
func TestSplitStarts(t *testing.T) {
	// The second subband has no channel of user 0.
	first, second := NewChannel(2, 2), NewChannel(2, 2)
	copy(first.Data, []complex128{1, 0.5, 0.2i, 1})
	copy(second.Data, []complex128{0, 0, 1, 1})
	power := func(rate, slope []float64) float64 {
		q := splitOf([]Channel{first, second}, []float64{1, 1})
		return q.Power(rate, slope)
	}
	half := func(rate, slope []float64) float64 {
		// Above 1.5 nats on a subband nothing can be served.
		for _, r := range rate {
			if r > 1.5 {
				return math.Inf(1)
			}
		}
		return splitOf([]Channel{first, first}, []float64{1, 1}).Power(rate, slope)
	}
	for name, c := range map[string]struct {
		p    SplitProblem
		want Status
	}{
		"no start":               {SplitProblem{2, 2, []float64{1, 1}, half, nil, nil}, Solved},
		"start beyond":           {SplitProblem{2, 2, []float64{1, 1}, half, []float64{2, 0, 0, 2}, nil}, Solved},
		"start of zeros":         {SplitProblem{2, 2, []float64{1, 1}, half, make([]float64, 4), nil}, Solved},
		"no channel":             {SplitProblem{2, 2, []float64{1, 1}, power, nil, nil}, Unservable},
		"no users":               {SplitProblem{0, 3, nil, func(_, _ []float64) float64 { return 0 }, nil, nil}, Solved},
		"no subbands":            {SplitProblem{2, 0, []float64{1, 1}, half, nil, nil}, BadInput},
		"users below 0":          {SplitProblem{-1, 1, nil, half, nil, nil}, BadInput},
		"too large":              {SplitProblem{2, math.MaxInt, []float64{1, 1}, half, nil, nil}, BadInput},
		"rates":                  {SplitProblem{2, 2, []float64{1}, half, nil, nil}, BadInput},
		"a negative rate":        {SplitProblem{2, 2, []float64{1, -1}, half, nil, nil}, BadInput},
		"no power":               {SplitProblem{2, 2, []float64{1, 1}, nil, nil, nil}, BadInput},
		"a start of NaN":         {SplitProblem{2, 2, []float64{1, 1}, half, []float64{1, 1, math.NaN(), 1}, nil}, BadInput},
		"a start of other sizes": {SplitProblem{2, 2, []float64{1, 1}, half, []float64{1}, nil}, BadInput},
		"powers of NaN": {SplitProblem{1, 1, []float64{1}, func(_, slope []float64) float64 {
			slope[0] = 1
			return math.NaN()
		}, nil, nil}, Unservable},
		"powers below 0": {SplitProblem{1, 1, []float64{1}, func(_, slope []float64) float64 {
			slope[0] = 1
			return -1
		}, nil, nil}, Unservable},
		"a subband closed":      {SplitProblem{2, 2, []float64{1, 1}, power, nil, []bool{false, true, false, true}}, Solved},
		"every subband closed":  {SplitProblem{2, 2, []float64{1, 1}, half, nil, []bool{true, true, false, false}}, Unservable},
		"closed of other sizes": {SplitProblem{2, 2, []float64{1, 1}, half, nil, []bool{true}}, BadInput},
	} {
		r := SplitResult{PowerW: 7}
		if s := (RateSplit{}).Solve(&c.p, &r); s != c.want || r.Status != s || s != Solved && r.PowerW != 0 || !finite(r.PowerW) {
			t.Errorf("%s: %v with %g W, want %v", name, s, r.PowerW, c.want)
		}
	}
}

// Exchanges find what descents from many random starts find, or less, where there
// are about as many users as antennas or more, so that who is on which subband is a
// choice of many. A descent alone misses by more than 1 % now and then.
func TestSplitExchanges(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 18))
	missed, slots := 0, 0
	for i := range 40 {
		users, bands, antennas := 3+rng.IntN(3), 2+rng.IntN(3), 2+rng.IntN(2)
		var channels []Channel
		for range bands {
			channels = append(channels, rayleigh(rng, users, antennas))
		}
		rate := make([]float64, users)
		for u := range rate {
			rate[u] = 0.3 + rng.Float64()
		}
		p := splitOf(channels, rate)
		var r SplitResult
		if (RateSplit{}).Solve(p, &r) != Solved {
			continue
		}
		slots++
		descentW := r.PowerW
		if s := (RateSplit{Exchange: true}).Solve(p, &r); s != Solved {
			t.Fatalf("channel %d: %v", i, s)
		}
		exchangedW := r.PowerW
		again := make([]float64, len(r.Rate)) // of the slopes, not used
		if got := p.Power(r.Rate, again); math.Abs(got/exchangedW-1) > 1e-9 {
			t.Errorf("channel %d: the split takes %g W, said to take %g W", i, got, exchangedW)
		}
		for u, want := range rate {
			sum := 0.0
			for _, x := range r.Rate[u*bands : (u+1)*bands] {
				sum += x / float64(bands)
			}
			if !(math.Abs(sum/want-1) <= 1e-9) {
				t.Errorf("channel %d: user %d gets %g of %g nats", i, u, sum, want)
			}
		}
		least := math.Inf(1)
		for range 40 {
			p.Start = make([]float64, users*bands)
			for j := range p.Start {
				p.Start[j] = math.Pow(rng.Float64(), 4)
			}
			if (RateSplit{}).Solve(p, &r) == Solved {
				least = math.Min(least, r.PowerW)
			}
		}
		if exchangedW > least*(1+1e-3) {
			t.Errorf("channel %d: %d users, %d subbands, %d antennas: %g W, from random starts %g W", i, users, bands, antennas, exchangedW, least)
		}
		if descentW > least*1.01 {
			missed++
		}
	}
	t.Logf("descents alone were more than 1 %% above in %d of %d", missed, slots)
	if missed < 2 {
		t.Errorf("descents alone were more than 1 %% above in %d of %d: the channels test nothing", missed, slots)
	}
}

// Exchanges end when told to, and count calls the same way each time.
func TestSplitExchangesStop(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 20))
	channels := []Channel{rayleigh(rng, 4, 2), rayleigh(rng, 4, 2), rayleigh(rng, 4, 2)}
	p := splitOf(channels, []float64{0.5, 0.6, 0.7, 0.8})
	var full, r SplitResult
	if (RateSplit{Exchange: true}).Solve(p, &full) != Solved {
		t.Fatal("not solved")
	}
	last := math.Inf(1)
	for most := 1; most < full.Steps; most += 1 + full.Steps/20 {
		calls := 0
		counted := *p
		counted.Power = func(rate, slope []float64) float64 { calls++; return p.Power(rate, slope) }
		s := RateSplit{Exchange: true, Stop: func() bool { return calls >= most }}
		if s.Solve(&counted, &r) != Solved {
			t.Fatal("not solved")
		}
		if calls > most+100 || r.PowerW > last*(1+1e-12) || r.Steps != calls {
			t.Errorf("told to stop after %d calls: %d, %g W after %g W with fewer, %d steps", most, calls, r.PowerW, last, r.Steps)
		}
		last = r.PowerW
	}
	if !(last >= full.PowerW) {
		t.Errorf("%g W, to the end %g W", last, full.PowerW)
	}
}
