package scheduler

import (
	"math"
	"math/rand/v2"

	"leastwatt/optim"
)

// View is a slot made ready for scheduling: what a grouping may ask about it.
// Users keep the numbers they have in the slot.
type View struct {
	slot    *Slot
	options Options // resolved
	active  []int
	rate    []float64       // [user] target in nats per use at share 1, mean over subbands
	channel []optim.Channel // [subband], noise-normalised
	gram    []optim.Gram    // [subband]
	errVar  [][]float64     // [subband][user] e_k; nil when every channel is exact
	solver  groupSolver
}

// newView prepares a validated slot. O(F K^2 M).
func newView(slot *Slot, options Options) *View {
	k, f, m := len(slot.Users), slot.Channel.Subbands, slot.Channel.Antennas
	v := &View{
		slot:    slot,
		options: options,
		rate:    make([]float64, k),
		channel: make([]optim.Channel, f),
		gram:    make([]optim.Gram, f),
	}
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
	for s := range f {
		h := optim.NewChannel(k, m)
		for i := range slot.Users {
			scale := complex(1/math.Sqrt(slot.Users[i].SubbandNoise(s, f)), 0)
			out := h.User(i)
			for a, z := range slot.Channel.At(i, s) {
				out[a] = z * scale
			}
		}
		v.channel[s] = h
		v.gram[s].Compute(h)
		if imperfect {
			v.errVar[s] = make([]float64, k)
			for i := range slot.Users {
				v.errVar[s][i] = slot.Users[i].CSIErrorVariance / slot.Users[i].SubbandNoise(s, f)
			}
		}
	}
	v.solver.init(v)
	return v
}

// Active returns the users with a rate target, rising. Callers must not change
// it.
func (v *View) Active() []int { return v.active }

// Antennas returns the number of transmit antennas.
func (v *View) Antennas() int { return v.slot.Channel.Antennas }

// Subbands returns the number of subbands.
func (v *View) Subbands() int { return len(v.gram) }

// Gram returns the Gram matrix over all users of the noise-normalised channel
// on subband f. Callers must not change it.
func (v *View) Gram(f int) *optim.Gram { return &v.gram[f] }

// Options returns the options in force.
func (v *View) Options() Options { return v.options }

// MaxGroupSize returns the largest group allowed, at least 1.
func (v *View) MaxGroupSize() int {
	if v.slot.Limits.MaxGroupSize > 0 {
		return v.slot.Limits.MaxGroupSize
	}
	return len(v.slot.Users)
}

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
	power, _ := v.solver.power(users, share)
	return power
}
