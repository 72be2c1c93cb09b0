package optim_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"leastwatt/optim"
)

// floorReference is one case of testdata/reference/floor.json.
type floorReference struct {
	Name        string
	Users       int
	Channel     []complexRows // per subband, not noise-normalised
	NoiseW      []float64     `json:"noise_w"` // over the whole band
	RateNat     []float64     `json:"rate_nat"`
	PowerW      float64       `json:"power_w"`
	LowerBoundW float64       `json:"lower_bound_w"`
}

// problem normalises the channel by the noise of the whole band over noiseShare.
func (c floorReference) problem(noiseShare int) *optim.FloorProblem {
	p := &optim.FloorProblem{Rate: c.RateNat}
	noise := make([]float64, c.Users)
	for k := range noise {
		noise[k] = c.NoiseW[k] / float64(noiseShare)
	}
	for _, band := range c.Channel {
		p.Channels = append(p.Channels, normalized(band.rows(), noise))
	}
	return p
}

func floorReferences(t tester) []floorReference {
	return readReference[floorReference](t, "floor.json", 30)
}

// findFloor solves with a workspace of its own and checks the result.
func findFloor(t tester, fl optim.Floor, p *optim.FloorProblem) *optim.FloorResult {
	t.Helper()
	var ws optim.FloorWorkspace
	var r optim.FloorResult
	fl.Solve(context.Background(), p, nil, &ws, &r)
	soundFloor(t, p, &r)
	return &r
}

// soundFloor fails unless the bounds are in order and the certificate is worth
// the lower bound at least, as holds whatever the status.
func soundFloor(t tester, p *optim.FloorProblem, r *optim.FloorResult) {
	t.Helper()
	if !(r.LowerBoundW >= 0 && r.LowerBoundW <= r.UpperBoundW) {
		t.Errorf("%v: lower bound %g, upper bound %g", r.Status, r.LowerBoundW, r.UpperBoundW)
	}
	snr := 1.0
	for f, h := range p.Channels {
		for k := range p.Rate {
			snr = math.Max(snr, r.Certificate.PowersW[k*len(p.Channels)+f]*gramOf(h).Norm2(k))
		}
	}
	proved, err := optim.VerifyFloor(p, r.Certificate)
	if snr > 1e12 {
		return // the verifier has too few digits left
	}
	if err != nil {
		t.Errorf("%v: %v", r.Status, err)
	}
	if r.LowerBoundW > proved*(1+1e-12+1e-15*snr) {
		t.Errorf("%v: lower bound %.17g, its certificate is worth %.17g", r.Status, r.LowerBoundW, proved)
	}
}

// The references lie between lower_bound_w and power_w.
func TestFloorReference(t *testing.T) {
	for _, c := range floorReferences(t) {
		t.Run(c.Name, func(t *testing.T) {
			p := c.problem(len(c.Channel))
			for _, tolerance := range []float64{1e-4, 1e-7} {
				fl := optim.Floor{Tolerance: tolerance}
				if tolerance == 1e-4 {
					fl.Tolerance = 0 // the default
				}
				r := findFloor(t, fl, p)
				if r.Status != optim.Solved || r.UpperBoundW > r.LowerBoundW*(1+tolerance) {
					t.Errorf("%v in %d steps: %.9g to %.9g", r.Status, r.Steps, r.LowerBoundW, r.UpperBoundW)
				}
				if r.LowerBoundW > c.PowerW*(1+1e-12) || r.UpperBoundW < c.LowerBoundW*(1-1e-12) {
					t.Errorf("%.15g to %.15g, reference %.15g to %.15g", r.LowerBoundW, r.UpperBoundW, c.LowerBoundW, c.PowerW)
				}
				near(t, "lower bound", r.LowerBoundW, c.PowerW, tolerance+1e-7)
				proved, _ := optim.VerifyFloor(p, r.Certificate)
				near(t, "certificate", proved, r.LowerBoundW, 1e-9)
			}
		})
	}
}

// Gram matrices alone give the same as channels, bit for bit, and a workspace
// used for other sizes changes nothing.
func TestFloorRepeats(t *testing.T) {
	var ws optim.FloorWorkspace
	var r optim.FloorResult
	var fl optim.Floor
	for _, c := range floorReferences(t) {
		p := c.problem(len(c.Channel))
		want := findFloor(t, fl, p)
		grams := make([]optim.Gram, len(p.Channels))
		for f := range grams {
			grams[f].Compute(p.Channels[f])
		}
		for _, q := range []*optim.FloorProblem{
			{Channels: p.Channels, Rate: p.Rate},
			{Channels: p.Channels, Grams: grams, Rate: p.Rate},
			{Grams: grams, Rate: p.Rate},
		} {
			fl.Solve(context.Background(), q, nil, &ws, &r)
			if r.LowerBoundW != want.LowerBoundW || r.UpperBoundW != want.UpperBoundW || r.Steps != want.Steps ||
				!slices.Equal(r.Certificate.Prices, want.Certificate.Prices) ||
				!slices.Equal(r.Certificate.PowersW, want.Certificate.PowersW) {
				t.Errorf("%s: %v in %d steps, %.17g; want %d steps, %.17g", c.Name, r.Status, r.Steps, r.LowerBoundW, want.Steps, want.LowerBoundW)
			}
		}
	}
}

// One user on one subband needs (e^R - 1)/||h||^2, and its price is the
// derivative e^R/||h||^2. Derived: the capacity of a vector channel.
func TestFloorOneUser(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		h := rayleigh(rng, 1, 1+rng.IntN(9))
		rate := 5 * rng.Float64()
		norm2 := gramOf(h).Norm2(0)
		r := findFloor(t, optim.Floor{}, &optim.FloorProblem{Channels: []optim.Channel{h}, Rate: []float64{rate}})
		near(t, "lower bound", r.LowerBoundW, math.Expm1(rate)/norm2, 1e-12)
		near(t, "upper bound", r.UpperBoundW, math.Expm1(rate)/norm2, 1e-12)
		near(t, "price", r.Certificate.Prices[0], math.Exp(rate)/norm2, 1e-12)
	}
}

// Users of orthogonal channels do not feel each other: the floor is the sum of
// the powers alone. Derived.
func TestFloorOrthogonal(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 20 {
		m := 2 + rng.IntN(7)
		users := 1 + rng.IntN(m)
		h := normalized(unitary(rng, m)[:users], nil)
		rate := make([]float64, users)
		want := 0.0
		for k := range rate {
			gain := fromDB(60 * (rng.Float64() - 0.5))
			scale(h.User(k), math.Sqrt(gain))
			rate[k] = 3 * rng.Float64()
			want += math.Expm1(rate[k]) / gain
		}
		r := findFloor(t, optim.Floor{Tolerance: 1e-9}, &optim.FloorProblem{Channels: []optim.Channel{h}, Rate: rate})
		near(t, "lower bound", r.LowerBoundW, want, 1e-9)
	}
}

// Least power over parallel subbands of gains 4, 2, 1 and 0.25 for 6 bits in all
// is water-filling of level 2: 1.75, 1.5, 1 and 0 W, 4.25 W in all (Cover,
// Thomas, Elements of Information Theory, ch. 9, number from memory; checked by
// hand). Six bits over four subbands are 1.5 bits a use on the mean, and the
// price of a nat on the mean is four levels.
func TestFloorWaterFilling(t *testing.T) {
	p := &optim.FloorProblem{Rate: []float64{1.5 * math.Ln2}}
	for _, gain := range []float64{4, 2, 1, 0.25} {
		p.Channels = append(p.Channels, optim.Channel{Users: 1, Antennas: 1, Data: []complex128{complex(math.Sqrt(gain), 0)}})
	}
	r := findFloor(t, optim.Floor{Tolerance: 1e-9}, p)
	near(t, "lower bound", r.LowerBoundW, 4.25, 1e-9)
	near(t, "price", r.Certificate.Prices[0], 8, 1e-9)
	for f, want := range []float64{1.75, 1.5, 1, 0} {
		digits(t, fmt.Sprintf("power of subband %d", f), r.Certificate.PowersW[f], want, 6)
	}
}

// With the noise of the whole band on each of two subbands solver and verifier
// agree on a number above the floor: a proof of nothing. Not so with the noise of
// the subband, with which a carrier cut into two equal halves is the carrier.
func TestFloorSubbandNoise(t *testing.T) {
	seen := 0
	for _, c := range floorReferences(t) {
		if len(c.Channel) != 2 {
			continue
		}
		seen++
		wrong := findFloor(t, optim.Floor{Tolerance: 1e-6}, c.problem(1))
		near(t, c.Name+": whole-band noise", wrong.LowerBoundW, 2*c.PowerW, 1e-5)
		right := findFloor(t, optim.Floor{Tolerance: 1e-6}, c.problem(2))
		if right.LowerBoundW > c.PowerW {
			t.Errorf("%s: %g, reference %g", c.Name, right.LowerBoundW, c.PowerW)
		}
		whole := floorReference{Users: c.Users, Channel: c.Channel[:1], NoiseW: c.NoiseW, RateNat: c.RateNat}
		halves := whole
		halves.Channel = []complexRows{c.Channel[0], c.Channel[0]}
		one := findFloor(t, optim.Floor{Tolerance: 1e-8}, whole.problem(1))
		two := findFloor(t, optim.Floor{Tolerance: 1e-8}, halves.problem(2))
		near(t, c.Name+": two halves", two.LowerBoundW, one.LowerBoundW, 3e-8)
	}
	if seen < 2 {
		t.Errorf("%d cases of two subbands", seen)
	}
}

// Every certificate is a lower bound, however far its prices and powers are from
// the best.
func TestFloorCertificatePerturbed(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, c := range floorReferences(t) {
		p := c.problem(len(c.Channel))
		r := findFloor(t, optim.Floor{Tolerance: 1e-6}, p)
		best := 0.0
		for i := range 200 {
			spread := math.Pow10(i%8 - 6)
			w := optim.Certificate{Prices: slices.Clone(r.Certificate.Prices), PowersW: slices.Clone(r.Certificate.PowersW)}
			for k := range w.Prices {
				w.Prices[k] *= math.Exp(spread * rng.NormFloat64())
			}
			for k := range w.PowersW {
				w.PowersW[k] *= math.Exp(spread * rng.NormFloat64())
			}
			proved, err := optim.VerifyFloor(p, w)
			if err != nil || !(proved >= 0 && proved <= c.PowerW*(1+1e-12)) {
				t.Errorf("%s, spread %g: %.15g (%v), reference %.15g", c.Name, spread, proved, err, c.PowerW)
			}
			best = math.Max(best, proved)
		}
		if best < 0.99*c.PowerW {
			t.Errorf("%s: none of the perturbed certificates proves more than %g of %g", c.Name, best, c.PowerW)
		}
	}
}

// Cut short, the certificate stands, and more steps never prove less.
func TestFloorAnytime(t *testing.T) {
	for _, c := range floorReferences(t) {
		p := c.problem(len(c.Channel))
		before := 0.0
		for steps := 1; steps <= 6; steps++ {
			r := findFloor(t, optim.Floor{MaxSteps: steps, Tolerance: 1e-9}, p)
			if r.Steps > steps || r.Status != optim.Solved && r.Status != optim.StepLimit {
				t.Errorf("%s: %v after %d steps of %d", c.Name, r.Status, r.Steps, steps)
			}
			if !(r.LowerBoundW > 0 && r.LowerBoundW >= before && r.LowerBoundW <= c.PowerW*(1+1e-12)) {
				t.Errorf("%s: %d steps prove %g, fewer %g, reference %g", c.Name, steps, r.LowerBoundW, before, c.PowerW)
			}
			before = r.LowerBoundW
		}
	}
}

func TestFloorContext(t *testing.T) {
	cancelled, cancel := context.WithCancel(context.Background())
	cancel()
	expired, cancel := context.WithDeadline(context.Background(), time.Unix(0, 0))
	defer cancel()
	for _, c := range floorReferences(t) {
		p := c.problem(len(c.Channel))
		for _, test := range []struct {
			ctx  context.Context
			want optim.Status
		}{{cancelled, optim.Cancelled}, {expired, optim.TimeLimit}} {
			var fl optim.Floor
			var ws optim.FloorWorkspace
			var r optim.FloorResult
			// Solved where the first order of decoding is proved optimal.
			if got := fl.Solve(test.ctx, p, nil, &ws, &r); got != test.want && got != optim.Solved || r.Steps != 0 {
				t.Errorf("%s: %v after %d steps, want %v", c.Name, got, r.Steps, test.want)
			}
			soundFloor(t, p, &r)
			if !(r.LowerBoundW > 0) {
				t.Errorf("%s: nothing proved without a step", c.Name)
			}
		}
	}
}

// A certificate handed in is worth itself at once, and the duals of the optimal
// beams of one group are a start like any other.
func TestFloorStart(t *testing.T) {
	stop, cancel := context.WithCancel(context.Background())
	cancel()
	var fl optim.Floor
	var ws optim.FloorWorkspace
	var r optim.FloorResult
	for _, c := range floorReferences(t) {
		p := c.problem(len(c.Channel))
		cold := findFloor(t, fl, p)
		fl.Solve(stop, p, &cold.Certificate, &ws, &r)
		soundFloor(t, p, &r)
		if r.LowerBoundW < cold.LowerBoundW*(1-1e-12) {
			t.Errorf("%s: starts from a certificate of %.15g at %.15g", c.Name, cold.LowerBoundW, r.LowerBoundW)
		}
		starts := []*optim.Certificate{
			&cold.Certificate,
			{Prices: make([]float64, c.Users), PowersW: make([]float64, c.Users*len(c.Channel))},
			{Prices: repeat(1e30, c.Users), PowersW: repeat(1e-30, c.Users*len(c.Channel))},
			{Prices: repeat(1e-30, c.Users), PowersW: repeat(1e6*c.PowerW, c.Users*len(c.Channel))},
		}
		if len(c.Channel) == 1 {
			sinr := make([]float64, c.Users)
			for k, rate := range c.RateNat {
				sinr[k] = math.Expm1(rate)
			}
			if plan := solve(optim.Problem{Gram: gramOf(p.Channels[0]), SINR: sinr}); plan.Status == optim.Solved {
				starts = append(starts, &optim.Certificate{Prices: plan.SlopeRate, PowersW: plan.Lambda})
			}
		}
		for i, start := range starts {
			fl.Solve(context.Background(), p, start, &ws, &r)
			soundFloor(t, p, &r)
			if r.Status != optim.Solved {
				t.Errorf("%s, start %d: %v after %d steps, %g to %g", c.Name, i, r.Status, r.Steps, r.LowerBoundW, r.UpperBoundW)
			}
			near(t, c.Name, r.LowerBoundW, c.PowerW, 1.1e-4)
		}
	}
}

// Where the optimum is unique the prices are the derivatives of the floor in the
// rates. Checked by differences.
func TestFloorPrices(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, antennas := range []int{3, 6} {
		h := []optim.Channel{rayleigh(rng, 4, antennas), rayleigh(rng, 4, antennas)}
		rate := []float64{0.7, 1.2, 0.4, 1.6}
		fl := optim.Floor{Tolerance: 1e-10}
		r := findFloor(t, fl, &optim.FloorProblem{Channels: h, Rate: rate})
		for k := range rate {
			var power [2]float64
			const step = 1e-3
			for i, by := range []float64{-step, step} {
				moved := slices.Clone(rate)
				moved[k] += by
				power[i] = findFloor(t, fl, &optim.FloorProblem{Channels: h, Rate: moved}).LowerBoundW
			}
			near(t, fmt.Sprintf("price %d", k), r.Certificate.Prices[k], (power[1]-power[0])/(2*step), 1e-4)
		}
	}
}

func TestFloorStatuses(t *testing.T) {
	one := optim.Channel{Users: 1, Antennas: 1, Data: []complex128{1}}
	off := optim.Channel{Users: 1, Antennas: 1, Data: []complex128{0}}
	bad := optim.Channel{Users: 1, Antennas: 1, Data: []complex128{complex(math.NaN(), 0)}}
	two := normalized([][]complex128{{1, 0}, {0, 1}}, nil)
	dead := normalized([][]complex128{{1, 0}, {0, 0}}, nil)
	on := func(h ...optim.Channel) []optim.Channel { return h }
	long := &optim.Certificate{Prices: make([]float64, 2), PowersW: make([]float64, 2)}
	nan := &optim.Certificate{Prices: []float64{math.NaN()}, PowersW: []float64{1}}
	for _, test := range []struct {
		name  string
		p     optim.FloorProblem
		start *optim.Certificate
		want  optim.Status
		power float64
	}{
		{"one user", optim.FloorProblem{Channels: on(one), Rate: []float64{math.Ln2}}, nil, optim.Solved, 1},
		{"no rates", optim.FloorProblem{Channels: on(two), Rate: []float64{0, 0}}, nil, optim.Solved, 0},
		{"no users", optim.FloorProblem{Channels: on(optim.Channel{})}, nil, optim.Solved, 0},
		{"a rate of zero", optim.FloorProblem{Channels: on(two), Rate: []float64{0, math.Ln2}}, nil, optim.Solved, 1},
		{"a zero channel without a rate", optim.FloorProblem{Channels: on(dead), Rate: []float64{math.Ln2, 0}}, nil, optim.Solved, 1},
		{"a zero channel with a rate", optim.FloorProblem{Channels: on(dead), Rate: []float64{1, 1}}, nil, optim.Unservable, 0},
		{"a subband of zero", optim.FloorProblem{Channels: on(off, one), Rate: []float64{math.Ln2 / 2}}, nil, optim.Solved, 1},
		{"a tiny rate", optim.FloorProblem{Channels: on(one, one), Rate: []float64{1e-200}}, nil, optim.Solved, 2e-200},
		{"a huge rate", optim.FloorProblem{Channels: on(one), Rate: []float64{1e9}}, nil, optim.IllConditioned, 0},
		{"no subbands", optim.FloorProblem{Rate: []float64{1}}, nil, optim.BadInput, 0},
		{"lengths", optim.FloorProblem{Channels: on(one), Rate: []float64{1, 1}}, nil, optim.BadInput, 0},
		{"lengths of Gram matrices", optim.FloorProblem{Channels: on(one), Grams: make([]optim.Gram, 2), Rate: []float64{1}}, nil, optim.BadInput, 0},
		{"a negative Gram matrix", optim.FloorProblem{Grams: []optim.Gram{{Users: 1, Data: []complex128{-1}}}, Rate: []float64{1}}, nil, optim.BadInput, 0},
		{"a negative rate", optim.FloorProblem{Channels: on(one), Rate: []float64{-1}}, nil, optim.BadInput, 0},
		{"an infinite rate", optim.FloorProblem{Channels: on(one), Rate: []float64{math.Inf(1)}}, nil, optim.BadInput, 0},
		{"NaN", optim.FloorProblem{Channels: on(bad), Rate: []float64{1}}, nil, optim.BadInput, 0},
		{"a start of other lengths", optim.FloorProblem{Channels: on(one), Rate: []float64{1}}, long, optim.BadInput, 0},
		{"a start of NaN", optim.FloorProblem{Channels: on(one), Rate: []float64{1}}, nan, optim.BadInput, 0},
	} {
		var fl optim.Floor
		var ws optim.FloorWorkspace
		var r optim.FloorResult
		got := fl.Solve(context.Background(), &test.p, test.start, &ws, &r)
		if got != test.want || got != r.Status {
			t.Errorf("%s: %v, want %v", test.name, got, test.want)
		}
		if !(math.Abs(r.LowerBoundW-test.power) <= 1e-9*test.power) {
			t.Errorf("%s: %g, want %g", test.name, r.LowerBoundW, test.power)
		}
	}
}

func TestVerifyFloorMalformed(t *testing.T) {
	two := normalized([][]complex128{{1, 0}, {0.5, 1}}, nil)
	good := optim.FloorProblem{Channels: []optim.Channel{two, two}, Rate: []float64{1, 1}}
	fine := func() optim.Certificate {
		return optim.Certificate{Prices: []float64{4, 3}, PowersW: []float64{1, 1, 1, 1}}
	}
	if v, err := optim.VerifyFloor(&good, fine()); err != nil || !(v > 0) {
		t.Errorf("%g, %v", v, err)
	}
	// Worthless, and well formed: no prices, powers far too large.
	for _, c := range []optim.Certificate{
		{Prices: []float64{0, 0}, PowersW: []float64{1, 1, 1, 1}},
		{Prices: []float64{1, 1}, PowersW: []float64{1e6, 1e6, 1e6, 1e6}},
	} {
		if v, err := optim.VerifyFloor(&good, c); err != nil || v != 0 {
			t.Errorf("%v: %g, %v", c, v, err)
		}
	}
	for name, spoil := range map[string]func(p *optim.FloorProblem, c *optim.Certificate){
		"prices":            func(_ *optim.FloorProblem, c *optim.Certificate) { c.Prices = c.Prices[:1] },
		"powers":            func(_ *optim.FloorProblem, c *optim.Certificate) { c.PowersW = c.PowersW[:3] },
		"a negative price":  func(_ *optim.FloorProblem, c *optim.Certificate) { c.Prices[1] = -1 },
		"a price of NaN":    func(_ *optim.FloorProblem, c *optim.Certificate) { c.Prices[0] = math.NaN() },
		"an infinite price": func(_ *optim.FloorProblem, c *optim.Certificate) { c.Prices[0] = math.Inf(1) },
		"a negative power":  func(_ *optim.FloorProblem, c *optim.Certificate) { c.PowersW[2] = -1e-9 },
		"a power of NaN":    func(_ *optim.FloorProblem, c *optim.Certificate) { c.PowersW[2] = math.NaN() },
		"overflow":          func(_ *optim.FloorProblem, c *optim.Certificate) { c.PowersW = repeat(math.MaxFloat64, 4) },
		"a negative rate":   func(p *optim.FloorProblem, _ *optim.Certificate) { p.Rate = []float64{1, -1} },
		"rates":             func(p *optim.FloorProblem, _ *optim.Certificate) { p.Rate = []float64{1} },
		"no channels":       func(p *optim.FloorProblem, _ *optim.Certificate) { p.Channels = nil },
		"a channel": func(p *optim.FloorProblem, _ *optim.Certificate) {
			p.Channels = []optim.Channel{two, {Users: 2, Antennas: 3, Data: two.Data}}
		},
		"a channel of NaN": func(p *optim.FloorProblem, _ *optim.Certificate) {
			h := copyOf(two)
			h.Data[0] = complex(0, math.NaN())
			p.Channels = []optim.Channel{two, h}
		},
	} {
		p, c := good, fine()
		spoil(&p, &c)
		if v, err := optim.VerifyFloor(&p, c); err == nil || v != 0 {
			t.Errorf("%s: %g, no error", name, v)
		}
	}
}

// drawFloor draws a problem of up to nine users on up to three subbands.
func drawFloor(t *rapid.T) *optim.FloorProblem {
	return makeFloor(
		rapid.Uint64().Draw(t, "seed"),
		rapid.IntRange(1, 9).Draw(t, "users"),
		rapid.IntRange(1, 8).Draw(t, "antennas"),
		rapid.IntRange(1, 3).Draw(t, "subbands"),
		rapid.SampledFrom([]string{"rayleigh", "line of sight", "clustered"}).Draw(t, "kind"),
		rapid.SampledFrom([]float64{0, 40, 80}).Draw(t, "spread"),
		rapid.SampledFrom([]float64{1e-9, 0.1, 2, 4}).Draw(t, "most"),
	)
}

// makeFloor makes a problem of rates up to most nats; of less where there are
// more than twice as many users as antennas.
func makeFloor(seed uint64, users, antennas, bands int, kind string, spreadDB, most float64) *optim.FloorProblem {
	p := &optim.FloorProblem{}
	for f := range bands {
		p.Channels = append(p.Channels, makeGroup(seed+uint64(f), users, antennas, kind, spreadDB).h)
	}
	rng := rand.New(rand.NewPCG(seed, 1))
	most *= math.Min(1, 2*float64(antennas)/float64(users))
	for range users {
		p.Rate = append(p.Rate, most*rng.Float64())
	}
	return p
}

// Whatever is drawn the gap closes, and units, order of users and phases do not
// matter.
func TestFloorInvariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawFloor(t)
		fl := optim.Floor{Tolerance: 1e-5}
		r := findFloor(t, fl, p)
		if r.Status != optim.Solved {
			t.Fatalf("%v after %d steps: %g to %g", r.Status, r.Steps, r.LowerBoundW, r.UpperBoundW)
		}
		rng := rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "change")))
		order := rng.Perm(len(p.Rate))
		by := fromDB(100 * (rng.Float64() - 0.5)) // in amplitude
		q := &optim.FloorProblem{Rate: make([]float64, len(p.Rate))}
		for f := range p.Channels {
			h := copyOf(p.Channels[f])
			for k, from := range order {
				copy(h.User(k), p.Channels[f].User(from))
				sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
				for m := range h.User(k) {
					h.User(k)[m] *= complex(by*cos, by*sin)
				}
				q.Rate[k] = p.Rate[from]
			}
			q.Channels = append(q.Channels, h)
		}
		s := findFloor(t, fl, q)
		near(t, "lower bound", s.LowerBoundW*by*by, r.LowerBoundW, 1.1e-5)
	})
}

// No plan of ours lies below the floor: not the optimal beams of all users at
// once, nor two groups that share the time.
func TestFloorBelowPlans(t *testing.T) {
	compared, drawn := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		drawn++
		g := drawGroup(t, 30)
		rate := make([]float64, len(g.sinr))
		for k, x := range g.sinr {
			rate[k] = math.Log1p(x)
		}
		r := findFloor(t, optim.Floor{}, &optim.FloorProblem{Channels: []optim.Channel{g.h}, Rate: rate})
		if together := solve(optim.Problem{Gram: gramOf(g.h), SINR: g.sinr}); together.Status == optim.Solved {
			compared++
			if r.LowerBoundW > together.PowerW*(1+1e-9) {
				t.Errorf("floor %g, together %g", r.LowerBoundW, together.PowerW)
			}
		}
		share := 0.1 + 0.8*g.rng.Float64()
		power := 0.0
		for side, s := range []float64{share, 1 - share} {
			sinr := make([]float64, len(rate))
			for k := range rate {
				if k%2 == side {
					sinr[k] = math.Expm1(rate[k] / s)
				}
			}
			half := solve(optim.Problem{Gram: gramOf(g.h), SINR: sinr})
			if half.Status != optim.Solved {
				return
			}
			power += s * half.PowerW
		}
		compared++
		if r.LowerBoundW > power*(1+1e-9) {
			t.Errorf("floor %g, two groups %g", r.LowerBoundW, power)
		}
	})
	if 2*compared < drawn {
		t.Errorf("%d comparisons in %d draws", compared, drawn)
	}
}

// Sizes at which the sets of users cannot be written down.
func TestFloorLarge(t *testing.T) {
	for _, size := range []struct{ users, antennas, bands int }{
		{16, 16, 1}, {16, 64, 2}, {16, 8, 3}, {32, 24, 1}, {8, 8, 24},
	} {
		for _, kind := range []string{"rayleigh", "line of sight", "clustered"} {
			r := findFloor(t, optim.Floor{}, makeFloor(9, size.users, size.antennas, size.bands, kind, 30, 2))
			if r.Status != optim.Solved {
				t.Errorf("%v %s: %v after %d steps, %g to %g", size, kind, r.Status, r.Steps, r.LowerBoundW, r.UpperBoundW)
			}
		}
	}
}

// Users of 6 nats on half as many antennas, a problem on which the interior point
// once ran in circles. No source.
func TestFloorHighRates(t *testing.T) {
	p := makeFloor(1330, 8, 4, 2, "line of sight", 30, 6)
	p.Rate = repeat(6, 8)
	if r := findFloor(t, optim.Floor{}, p); r.Status != optim.Solved {
		t.Errorf("%v after %d steps, %g to %g", r.Status, r.Steps, r.LowerBoundW, r.UpperBoundW)
	}
}

func TestFloorAllocations(t *testing.T) {
	p := makeFloor(3, 8, 16, 2, "line of sight", 20, 2)
	var fl optim.Floor
	var ws optim.FloorWorkspace
	var r optim.FloorResult
	solve := func() { fl.Solve(context.Background(), p, nil, &ws, &r) }
	solve()
	if got := testing.AllocsPerRun(10, solve); got != 0 || r.Steps == 0 {
		t.Errorf("%g allocations in %d steps", got, r.Steps)
	}
}

// FuzzFloor feeds odd channels and rates: a status, bounds in order, a
// certificate that is worth what is claimed; never a panic or NaN.
func FuzzFloor(f *testing.F) {
	f.Add(uint64(1), uint8(3), uint8(2), uint8(1), uint8(0), 1.0, 0.0)
	f.Add(uint64(2), uint8(8), uint8(1), uint8(2), uint8(1), 3.0, 300.0)
	f.Add(uint64(3), uint8(5), uint8(4), uint8(1), uint8(2), 0.5, 0.0)
	f.Add(uint64(4), uint8(4), uint8(4), uint8(3), uint8(3), 20.0, 100.0)
	f.Add(uint64(5), uint8(6), uint8(3), uint8(1), uint8(4), 1.0, 50.0)
	f.Add(uint64(6), uint8(2), uint8(2), uint8(1), uint8(5), 1.0, 0.0)
	f.Add(uint64(7), uint8(3), uint8(3), uint8(1), uint8(6), 1e-300, 0.0)
	f.Add(uint64(8), uint8(3), uint8(3), uint8(1), uint8(0), math.NaN(), 0.0)
	// Found by fuzzing: rates beyond what float64 can tell users apart at.
	f.Add(uint64(1), uint8(3), uint8(37), uint8(0), uint8(0), 50.0, 0.0)
	f.Add(uint64(0), uint8(2), uint8(10), uint8(1), uint8(1), 94.0, 0.0)
	f.Add(uint64(1), uint8(2), uint8(35), uint8(79), uint8(0), 50.0, -88.0)
	f.Fuzz(func(t *testing.T, seed uint64, users, antennas, bands, odd uint8, rate, spreadDB float64) {
		k, m, n := int(users%9), int(antennas%9), 1+int(bands%3)
		rng := rand.New(rand.NewPCG(seed, 0))
		p := &optim.FloorProblem{}
		for range n {
			h := rayleigh(rng, k, m)
			for u := range k {
				scale(h.User(u), fromDB(math.Mod(spreadDB, 1000)*(rng.Float64()-0.5)/2))
			}
			p.Channels = append(p.Channels, h)
		}
		for u := range k {
			p.Rate = append(p.Rate, rate*rng.Float64())
			h := p.Channels[rng.IntN(n)]
			switch {
			case odd%8 == 1 && u%2 == 1: // one direction
				copy(h.User(u), h.User(0))
				scale(h.User(u), 1+rng.Float64())
			case odd%8 == 2 && u%3 == 1: // a twin
				copy(h.User(u), h.User(0))
				p.Rate[u] = p.Rate[0]
			case odd%8 == 3 && u == 0: // no channel
				clear(h.User(u))
			case odd%8 == 4 && u%2 == 0: // no rate
				p.Rate[u] = 0
			case odd%8 == 5 && u == 0 && m > 0:
				h.Data[rng.IntN(len(h.Data))] = complex(math.Inf(1), math.NaN())
			case odd%8 == 6: // all but parallel
				for i, z := range h.User(0) {
					h.User(u)[i] = z + h.User(u)[i]*1e-7
				}
			}
		}
		fl := optim.Floor{MaxSteps: 60}
		var ws optim.FloorWorkspace
		var r optim.FloorResult
		if s := fl.Solve(context.Background(), p, nil, &ws, &r); s != r.Status || s == optim.NotRun {
			t.Fatalf("%v, in the result %v", s, r.Status)
		}
		if r.Status == optim.BadInput {
			if r.LowerBoundW != 0 {
				t.Fatalf("%g proved of bad input", r.LowerBoundW)
			}
			return
		}
		soundFloor(t, p, &r)
	})
}

// BenchmarkFloor gives every problem 2 ms. median and worst are of the lower bound
// over the floor, for which the upper bound of a solve to the end stands in: the
// median of all tries, and the worst problem at the best of its tries, since another
// process may take the 2 ms of one. solved is the part of tries whose gap closed.
func BenchmarkFloor(b *testing.B) {
	for _, size := range []struct{ users, antennas, bands int }{
		{8, 8, 1}, {8, 64, 1}, {8, 4, 1}, {8, 8, 2}, {8, 8, 4}, {8, 64, 4}, {16, 16, 1}, {16, 64, 1},
	} {
		for _, kind := range []string{"rayleigh", "line of sight", "clustered"} {
			b.Run(fmt.Sprintf("users=%d/antennas=%d/subbands=%d/%s", size.users, size.antennas, size.bands, kind), func(b *testing.B) {
				const count = 50
				var ws optim.FloorWorkspace
				var r optim.FloorResult
				var problems [count]*optim.FloorProblem
				var floor [count]float64
				for i := range problems {
					problems[i] = makeFloor(uint64(100*i), size.users, size.antennas, size.bands, kind, 30, 3)
					fl := optim.Floor{MaxSteps: 1000}
					fl.Solve(context.Background(), problems[i], nil, &ws, &r)
					floor[i] = r.UpperBoundW
				}
				var fl optim.Floor
				var quality []float64
				var best [count]float64
				n, solved, steps := 0, 0, 0
				for b.Loop() {
					i := n % count
					ctx, cancel := context.WithTimeout(context.Background(), 2*time.Millisecond)
					fl.Solve(ctx, problems[i], nil, &ws, &r)
					cancel()
					quality = append(quality, r.LowerBoundW/floor[i])
					best[i] = math.Max(best[i], r.LowerBoundW/floor[i])
					n++
					steps += r.Steps
					if r.Status == optim.Solved {
						solved++
					}
				}
				slices.Sort(quality)
				b.ReportMetric(quality[n/2], "median")
				b.ReportMetric(slices.Min(best[:min(n, count)]), "worst")
				b.ReportMetric(float64(solved)/float64(n), "solved")
				b.ReportMetric(float64(steps)/float64(n), "steps")
			})
		}
	}
}
