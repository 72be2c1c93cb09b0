package audit_test

import (
	"bufio"
	"cmp"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	"leastwatt/channel"
	"leastwatt/proto/convert"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

var (
	limitSlots   = flag.Int("limits-slots", 0, "how many random slots with limits on EIRP TestLimitsCampaign plans")
	limitFirst   = flag.Int("limits-first", 0, "number of the first of its slots and ladders: one alone with -limits-slots 1")
	limitLadders = flag.Int("limits-ladders", 0, "how many ladders of caps it plans")
	limitSeed    = flag.Int64("limits-seed", 1, "seed of its slots")
	limitTime    = flag.Duration("limits-time", time.Minute, "when it stops the engine in a slot")
	limitOut     = flag.String("limits-out", "", "file for its slots and plans, to be judged by testdata/reference/far_field.py")
)

// TestLimitsCampaign plans random slots whose limits on EIRP bind, audits them, and
// writes them for an outside judge of the far field. On ladders of caps, a looser
// one may cost no more than a tighter one. It does nothing without its flags.
func TestLimitsCampaign(t *testing.T) {
	if *limitSlots+*limitLadders == 0 {
		t.Skip("takes minutes to hours: make limits-campaign asks for it with -limits-slots and -limits-ladders")
	}
	var out io.Writer = io.Discard
	if *limitOut != "" {
		f, err := os.Create(*limitOut)
		if err != nil {
			t.Fatal(err)
		}
		buffered := bufio.NewWriterSize(f, 1<<20)
		out = buffered
		defer func() {
			if err := cmp.Or(buffered.Flush(), f.Close()); err != nil {
				t.Error(err)
			}
		}()
	}
	c := &limitsCampaign{t: t, out: out}
	c.each(*limitSlots, func(i int) {
		s, _ := limitedSlot(*limitSeed, i)
		s.Sequence = int64(i)
		c.plan(s)
	})
	c.report()
	c.each(*limitLadders, func(i int) {
		c.ladder(i)
	})
	t.Logf("%d ladders: %d pairs of rungs compared, %d where the looser cap costs more", *limitLadders, c.compared, c.uphill)
}

// limitsCampaign is what TestLimitsCampaign has seen.
type limitsCampaign struct {
	t                *testing.T
	mutex            sync.Mutex
	out              io.Writer
	times, audits    []time.Duration
	status           [scheduler.StatusFailed + 1]int
	lost             int
	findings         int
	compared, uphill int
}

// each calls do for n numbers from the first on, on all processors.
func (c *limitsCampaign) each(n int, do func(i int)) {
	var all sync.WaitGroup
	numbers := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for i := range numbers {
				do(i)
			}
		})
	}
	for i := range n {
		numbers <- *limitFirst + i
	}
	close(numbers)
	all.Wait()
}

// plan plans and audits a slot and writes both; nil where the engine does not come
// back in twice its time.
func (c *limitsCampaign) plan(s *scheduler.Slot) *scheduler.Plan {
	ctx, cancel := context.WithTimeout(c.t.Context(), *limitTime)
	defer cancel()
	answer := make(chan *scheduler.Plan, 1)
	start := time.Now()
	go func() { answer <- scheduler.NewEngine().Schedule(ctx, s) }()
	var plan *scheduler.Plan
	select {
	case plan = <-answer:
	case <-time.After(2 * *limitTime):
		c.mutex.Lock()
		defer c.mutex.Unlock()
		c.lost++
		c.t.Errorf("slot %d: not back in %v", s.Sequence, 2**limitTime)
		return nil
	}
	took := time.Since(start)
	start = time.Now()
	result, err := audit.Run(c.t.Context(), s, plan, nil)
	audited := time.Since(start)
	line, fault := record(s, plan)
	c.mutex.Lock()
	defer c.mutex.Unlock()
	c.times, c.audits = append(c.times, took), append(c.audits, audited)
	c.status[plan.Status]++
	if err = cmp.Or(err, fault); err != nil {
		c.t.Errorf("slot %d: %v %v", s.Sequence, err, plan.Violations)
		return plan
	}
	for _, f := range result.Findings {
		c.findings++
		c.t.Errorf("slot %d %v: %v", s.Sequence, plan.Status, f)
	}
	if _, err := fmt.Fprintln(c.out, line); err != nil {
		c.t.Error(err)
	}
	return plan
}

// record returns a slot and its plan as a line of JSON.
func record(s *scheduler.Slot, plan *scheduler.Plan) (string, error) {
	answer, err := convert.PlanToProto(plan, s.Options.Weights)
	if err != nil {
		return "", err
	}
	slotJSON, err := protojson.Marshal(convert.SlotToProto(s, convert.SamplesF32))
	if err != nil {
		return "", err
	}
	planJSON, err := protojson.Marshal(answer)
	return fmt.Sprintf(`{"slot":%s,"plan":%s}`, slotJSON, planJSON), err
}

func (c *limitsCampaign) report() {
	if len(c.times) == 0 {
		return
	}
	c.t.Logf("%d slots: %d met, %d short, %d not back, %d findings of the audit", len(c.times)+c.lost,
		c.status[scheduler.StatusMet], c.status[scheduler.StatusShort], c.lost, c.findings)
	for name, times := range map[string][]time.Duration{"slot": c.times, "audit": c.audits} {
		slices.Sort(times)
		at := func(part float64) time.Duration { return times[int(part*float64(len(times)-1))] }
		c.t.Logf("time per %s: p50 %v, p90 %v, p99 %v, most %v", name, at(0.5), at(0.9), at(0.99), at(1))
	}
}

// ladder plans slot i with the caps of its cones from 3 dB over to 45 dB under what
// is radiated there without caps, and compares what they cost.
func (c *limitsCampaign) ladder(i int) {
	s, freeW := limitedSlot(*limitSeed+1_000_000, i)
	s.Limits.EIRPW = nil
	s.Options.Weights = scheduler.WeightsF64
	const tolerance = 1e-3
	type rung struct {
		downDB float64
		plan   *scheduler.Plan
	}
	var rungs []rung
	for n, downDB := range []float64{-3, 1, 3, 6, 10, 15, 20, 25, 30, 37, 45} {
		r := *s
		r.Sequence = int64(1_000_000 + 100*i + n)
		r.Limits.ProtectedDirections = slices.Clone(s.Limits.ProtectedDirections)
		for d := range freeW {
			r.Limits.ProtectedDirections[d].EIRPW = freeW[d] * math.Pow(10, -downDB/10)
		}
		if plan := c.plan(&r); plan != nil {
			rungs = append(rungs, rung{downDB, plan})
		}
	}
	c.mutex.Lock()
	defer c.mutex.Unlock()
	for n := 1; n < len(rungs); n++ {
		tight := rungs[n]
		if tight.plan.Status != scheduler.StatusMet {
			continue
		}
		for _, loose := range rungs[:n] {
			c.compared++
			if met := loose.plan.Status == scheduler.StatusMet; !met || !(loose.plan.RadiatedPowerW <= tight.plan.RadiatedPowerW*(1+tolerance)) {
				c.uphill++
				c.t.Errorf("ladder %d: %v and %.6g W at -%g dB, met with %.6g W at -%g dB", i,
					loose.plan.Status, loose.plan.RadiatedPowerW, loose.downDB, tight.plan.RadiatedPowerW, tight.downDB)
			}
		}
	}
}

// limitedSlot is slot i of a seed: 4 to 8 users in front of an array, by a straight
// path and some reflections, one to four protected cones and often a limit on EIRP,
// down to 50 dB under what would be radiated there without limits: freeW in the
// cones. Most cones hold no user.
func limitedSlot(seed int64, i int) (s *scheduler.Slot, freeW []float64) {
	const carrierHz = 3.5e9
	rng := channel.NewRand(seed, uint64(i))
	lambda := channel.WavelengthM(carrierHz)
	shape := [][2]int{{1, 16}, {2, 8}, {4, 4}, {4, 8}, {8, 4}, {8, 8}}[rng.IntN(6)]
	array := channel.Array{PositionsM: channel.Planar(shape[0], shape[1], lambda/2)}
	s = &scheduler.Slot{
		CarrierHz: carrierHz, BandwidthHz: 20e6,
		Array:   &scheduler.Array{PositionsM: array.PositionsM},
		Channel: scheduler.Channel{Antennas: len(array.PositionsM), Subbands: []int{1, 3}[rng.IntN(2)]},
		Options: scheduler.Options{Weights: scheduler.WeightsF64 + scheduler.WeightFormat(rng.IntN(3))},
	}
	if rng.IntN(2) == 0 {
		array.Pattern = channel.Sector65
		s.Array.ElementGainDBi, s.Array.ElementPattern = 8, scheduler.PatternSector65
	}
	if rng.IntN(4) == 0 {
		s.Options.Grouping = []string{"together", "alone", "semi-orthogonal"}[rng.IntN(3)]
		s.Options.Beams = []string{scheduler.BeamsOptimal, scheduler.BeamsZeroForcing, "regularized", scheduler.BeamsMatched}[rng.IntN(4)]
	}
	var users []channel.Direction
	for k := range 4 + rng.IntN(5) {
		d := channel.Direction{AzimuthDeg: 120*rng.Float64() - 60, ElevationDeg: 5 - 25*rng.Float64()}
		users = append(users, d)
		s.Users = append(s.Users, scheduler.User{
			ID: fmt.Sprintf("user-%d", k), RateBps: s.BandwidthHz * (0.2 + 0.8*rng.Float64()), NoiseW: channel.ThermalNoiseW(s.BandwidthHz, 7),
		})
		s.Channel.Samples = append(s.Channel.Samples, multipath(rng, &array, d, lambda, s.Channel.Subbands)...)
	}
	free := *s
	free.Options.Weights = scheduler.WeightsF64
	plan := scheduler.NewEngine().Schedule(context.Background(), &free)
	for range 1 + rng.IntN(4) {
		cone := aCone(rng, users)
		most := peakIn(s, plan, cone)
		freeW = append(freeW, most)
		cone.EIRPW = most * math.Pow(10, -5*rng.Float64()*rng.Float64()*2)
		s.Limits.ProtectedDirections = append(s.Limits.ProtectedDirections, cone)
	}
	if rng.IntN(2) == 0 {
		limitW := *plan.PeakEIRPW * math.Pow(10, -0.6*rng.Float64())
		s.Limits.EIRPW = &limitW
	}
	return s, freeW
}

// multipath is the channel of a user, [subband][antenna]: a straight path and three
// weaker ones near it, each with a delay; rounded to complex64, so that files hold it
// as it is.
func multipath(rng *rand.Rand, array *channel.Array, d channel.Direction, lambda float64, subbands int) []complex128 {
	gain := math.Pow(10, -10-2*rng.Float64()) // -100 to -120 dB
	h := make([]complex128, subbands*len(array.PositionsM))
	one := make([]complex128, len(array.PositionsM))
	for path := range 4 {
		from, amplitude, turns := d, math.Sqrt(gain), rng.Float64()
		if path > 0 {
			from.AzimuthDeg += 20 * rng.NormFloat64()
			from.ElevationDeg += 8 * rng.NormFloat64()
			amplitude *= 0.3 * rng.Float64()
		}
		array.Steering(one, from, lambda)
		delay := rng.Float64()
		for f := range subbands {
			sin, cos := math.Sincos(2 * math.Pi * (turns + delay*float64(f)))
			for m, z := range one {
				h[f*len(one)+m] += complex(amplitude*cos, amplitude*sin) * z
			}
		}
	}
	for i, z := range h {
		h[i] = complex128(complex64(z))
	}
	return h
}

// aCone draws a cone 2 to 60 degrees wide, three in four times one that no user is
// in.
func aCone(rng *rand.Rand, users []channel.Direction) scheduler.ProtectedDirection {
	inside := rng.IntN(4) == 0
	for {
		cone := scheduler.ProtectedDirection{
			AzimuthDeg: 180*rng.Float64() - 90, ElevationDeg: 60*rng.Float64() - 45, WidthDeg: 2 * math.Pow(30, rng.Float64()),
		}
		axis := channel.Direction{AzimuthDeg: cone.AzimuthDeg, ElevationDeg: cone.ElevationDeg}.Unit()
		holds := func(d channel.Direction) bool {
			u := d.Unit()
			return axis[0]*u[0]+axis[1]*u[1]+axis[2]*u[2] > math.Cos(cone.WidthDeg/2*math.Pi/180)
		}
		if inside || !slices.ContainsFunc(users, holds) {
			return cone
		}
	}
}

// peakIn returns about the largest EIRP of a plan in a cone.
func peakIn(s *scheduler.Slot, plan *scheduler.Plan, cone scheduler.ProtectedDirection) (most float64) {
	far := audit.NewFarField(s)
	half := cone.WidthDeg / 2
	for g := range plan.Groups {
		var weights []complex128
		for i := range plan.Groups[g].Allocations {
			weights = append(weights, plan.Groups[g].Allocations[i].Weights...)
		}
		const steps = 12
		for a := -steps; a <= steps; a++ {
			for e := -steps; e <= steps; e++ {
				if a*a+e*e <= steps*steps {
					up := max(-90, min(90, cone.ElevationDeg+half*float64(e)/steps))
					most = max(most, far.EIRPW(weights, cone.AzimuthDeg+half*float64(a)/steps/max(0.1, math.Cos(up*math.Pi/180)), up))
				}
			}
		}
	}
	return most
}
