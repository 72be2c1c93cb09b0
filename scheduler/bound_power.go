package scheduler

import "math"

// shortPenaltyDB is what a plan that misses targets may take over the
// interference-free power, where no limit bounds power: not more is spent on
// targets that are missed (common practice, no source).
const shortPenaltyDB = 10

// boundPower limits the total power where nothing else does: what users in as many
// groups as allowed, each for as long, would take on the air without interference,
// shortPenaltyDB more. As the time of many groups costs power exponentially, it is
// largestPenalty over the interference-free power of all of them at once, at most.
func (v *View) boundPower() {
	if v.peak != nil && (!math.IsInf(v.peak.totalW, 1) || v.peak.antennaW != nil) {
		return
	}
	groups := min(v.MaxGroups(), len(v.active))
	if n := len(v.slot.Groups); n > 0 {
		groups = n
	}
	w := math.Min(v.interferenceFreeW(float64(groups))/float64(groups)*math.Pow(10, shortPenaltyDB/10), v.interferenceFreeW(1)*largestPenalty)
	if !(w > 0) {
		return // nobody has a channel
	}
	if v.peak == nil {
		v.peak = &peakLimits{antenna: v.antennas, far: v.far}
	} else {
		limits := *v.peak
		v.peak = &limits
	}
	v.peak.totalW = w
	if v.book != nil {
		v.book.count(v.peak)
	}
}

// interferenceFreeW returns the power of all users with rates so many times their
// targets, each on its best subband's gain.
func (v *View) interferenceFreeW(times float64) float64 {
	sum := 0.0
	for _, k := range v.active {
		gain := 0.0
		for f := range v.gram {
			gain = math.Max(gain, v.gram[f].Norm2(k))
		}
		if gain > 0 {
			sum += float64(len(v.gram)) * v.gap * math.Expm1(math.Min(times*v.rate[k], maxNats)) / gain
		}
	}
	return sum
}
