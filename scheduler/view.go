package scheduler

import (
	"math"
	"math/rand/v2"

	"leastwatt/energy"
	"leastwatt/optim"
	"leastwatt/scheduler/eirp"
)

// View is a slot made ready for scheduling: what a grouping may ask about it.
// Users keep the numbers they have in the slot.
type View struct {
	slot     *Slot
	clock    *clock           // when to stop; nil: never
	stopped  bool             // a search was ended early
	memory   *memory          // of the session; nil: none
	antennas []int            // in use
	far      *eirp.Field      // nil: geometry unknown
	peak     *peakLimits      // nil: none
	options  Options          // resolved
	station  *energy.Station  // what it draws from the wall; nil: not known
	table    *optim.RateTable // nil: any rate
	gap      float64          // SINR gap to capacity, linear
	active   []int
	rate     []float64       // [user] target in nats per use at share 1, mean over subbands
	channel  []optim.Channel // [subband], noise-normalised
	gram     []optim.Gram    // [subband]
	errVar   [][]float64     // [subband][user] e_k; nil when every channel is exact
	book     *beamBook       // nil: beams of no codebook
	solver   groupSolver
	allBands []int
	quick    bool // shares are the nearest least of costs, not searched for globally
	crude    bool // weights are found without limits on power and scaled into those in scaleTo
	scaleTo  *peakLimits
	hurried  bool // shares are those to start from, or none once time is up
}

// newView prepares a validated slot. O(F K^2 M).
func newView(slot *Slot, options Options) *View { return newViewOn(nil, slot, options) }

// newViewOn is newView on a clock.
func newViewOn(c *clock, slot *Slot, options Options) *View {
	var antennas []int
	for m := range slot.Channel.Antennas {
		if len(slot.Limits.AntennaPowerW) == 0 || allowed(slot.Limits.AntennaPowerW[m]) > 0 {
			antennas = append(antennas, m)
		}
	}
	return newViewFrom(c, slot, options, antennas)
}

// newViewFrom is newView with the antennas given in use, rising.
func newViewFrom(c *clock, slot *Slot, options Options, antennas []int) *View {
	k, f := len(slot.Users), slot.Channel.Subbands
	v := &View{
		slot:     slot,
		clock:    c,
		antennas: antennas,
		options:  options,
		station:  options.Consumption.station(),
		table:    optim.RateTableByName(options.RateTable),
		gap:      math.Pow(10, options.SINRGapDB/10),
		rate:     make([]float64, k),
		channel:  make([]optim.Channel, f),
		gram:     make([]optim.Gram, f),
	}
	v.setFarField()
	imperfect := false
	for i := range slot.Users {
		v.rate[i] = math.Ln2 * slot.Users[i].RateBps / slot.BandwidthHz
		if v.rate[i] > 0 {
			v.active = append(v.active, i)
		}
		imperfect = imperfect || slot.Users[i].CSIErrorVariance > 0
	}
	if imperfect {
		v.errVar = make([][]float64, f)
	}
	for b := range f {
		v.allBands = append(v.allBands, b)
		v.channel[b] = v.normalized(b)
		v.gram[b].ComputePolled(v.channel[b], c.poll())
		if imperfect {
			v.errVar[b] = make([]float64, k)
			for i := range slot.Users {
				v.errVar[b][i] = slot.Users[i].CSIErrorVariance / slot.Users[i].SubbandNoise(b, f)
			}
		}
	}
	v.book = newBeamBook(v)
	v.solver.init(v)
	return v
}

// setFarField gives the view a far field, and limits in it, of its own.
func (v *View) setFarField() {
	v.far = newFarField(v.slot, v.antennas)
	v.peak = newPeakLimits(v.slot, v.antennas, v.far)
	if v.peak != nil {
		v.peak.work = v.eirpWork
	}
}

// normalized returns the channel of subband b from the antennas in use, over
// the square root of the noise.
func (v *View) normalized(b int) optim.Channel {
	slot := v.slot
	h := optim.NewChannel(len(slot.Users), len(v.antennas))
	for i := range slot.Users {
		v.clock.check()
		scale := 1 / math.Sqrt(slot.Users[i].SubbandNoise(b, slot.Channel.Subbands))
		samples, out := slot.Channel.At(i, b), h.User(i)
		for a, m := range v.antennas {
			z := samples[m]
			out[a] = complex(real(z)*scale, imag(z)*scale)
		}
	}
	return h
}

// Active returns the users with a rate target, rising. Callers must not change
// it.
func (v *View) Active() []int { return v.active }

// Antennas returns the number of transmit antennas in use.
func (v *View) Antennas() int { return len(v.antennas) }

// Subbands returns the number of subbands.
func (v *View) Subbands() int { return len(v.gram) }

// Gram returns the Gram matrix over all users of the noise-normalised channel
// on subband f. Callers must not change it.
func (v *View) Gram(f int) *optim.Gram { return &v.gram[f] }

// Options returns the options in force.
func (v *View) Options() Options { return v.options }

// MaxGroupSize returns the largest group allowed, and with a codebook no more
// than it has beams; at least 1.
func (v *View) MaxGroupSize() int {
	size := len(v.slot.Users)
	if v.slot.Limits.MaxGroupSize > 0 {
		size = v.slot.Limits.MaxGroupSize
	}
	if v.book != nil {
		size = min(size, max(1, v.book.beams.Beams))
	}
	return size
}

// MaxGroups returns the largest number of groups allowed, at least 1.
func (v *View) MaxGroups() int {
	if v.slot.Limits.MaxGroups > 0 {
		return v.slot.Limits.MaxGroups
	}
	return len(v.slot.Users)
}

// fits reports whether groups keep to the limits on their size and number.
func (v *View) fits(groups [][]int) bool {
	most := 0
	for _, users := range groups {
		most = max(most, len(users))
	}
	return most <= v.MaxGroupSize() && len(groups) <= v.MaxGroups()
}

// Stopped reports whether a search must end with the best it has: the context is
// done, its deadline is near or the work limit is reached. The plan says so then.
func (v *View) Stopped() bool {
	if v.stopped {
		v.clock.check()
	} else {
		v.stopped = v.late() || v.options.WorkLimit > 0 && v.solver.solves >= v.options.WorkLimit
	}
	return v.stopped
}

// late reports whether the time for searches is up.
func (v *View) late() bool { return v.clock.stopped() }

// Rate returns the target of user k in nats per use were it on the air for the
// whole slot.
func (v *View) Rate(k int) float64 { return v.rate[k] }

// Correlation returns the root mean square over subbands of
// |h_k^H h_j| / (||h_k|| ||h_j||).
func (v *View) Correlation(k, j int) float64 {
	sum := 0.0
	for f := range v.gram {
		c := v.gram[f].Correlation(k, j)
		sum += c * c
	}
	return math.Sqrt(sum / float64(len(v.gram)))
}

// Rand returns a fresh source of random numbers from the slot's seed.
func (v *View) Rand() *rand.Rand {
	return rand.New(rand.NewPCG(uint64(v.options.Seed), 0x9e3779b97f4a7c15))
}

// GroupPower returns the least power, in W while on the air, with which the
// group meets its targets in the share of the slot given; +Inf when it cannot.
func (v *View) GroupPower(users []int, share float64) float64 {
	power, _ := v.solver.power(&onAir{users: users, bands: v.allBands}, share)
	return power
}
