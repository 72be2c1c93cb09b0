package scheduler

import (
	"math"
	"math/cmplx"
	"slices"

	"leastwatt/channel"
	"leastwatt/optim"
	"leastwatt/scheduler/eirp"
)

// peakLimits are the limits on power of a slot, for the antennas in use. They
// hold in every group.
type peakLimits struct {
	totalW   float64   // +Inf: none
	antennaW []float64 // nil: none
	antenna  []int     // their numbers in the slot
	far      *eirp.Field
	cones    []coneLimit
	versions int // of directions given out
	work     func() eirp.Work
}

// directions are those in which a group's beams were found to exceed a limit on
// EIRP.
type directions struct {
	rows  []complex128 // see eirp.Field.Row, [row][antenna]
	rowW  []float64    // limit, less rowSlack
	cone  []int        // of peakLimits, the limit that it is of
	at    []channel.Direction
	duals optim.Duals // where the last solve of the group under limits ended

	version int // other directions of the slot have another
}

// coneLimit is a limit on EIRP in a set of directions.
type coneLimit struct {
	region eirp.Region
	eirpW  float64
	limit  string // name and index in the contract
	index  int
}

const (
	rowSlack      = 2e-6 // of a limit on EIRP, kept for the proof between directions
	eirpTolerance = 1e-6 // relative excess over what is left at which a direction still counts as kept
	manyRows      = 48   // at which those without a price are dropped
	sameRow       = 1e-12
	leastLimitW   = 1e-150
	maxRowRounds  = 60 // of a search, each with the directions found in the last
)

// newPeakLimits returns the limits of a slot, nil where there are none.
func newPeakLimits(s *Slot, antennas []int, far *eirp.Field) *peakLimits {
	l := &peakLimits{totalW: math.Inf(1), antenna: antennas, far: far}
	any := false
	if s.Limits.TotalPowerW != nil {
		l.totalW, any = allowed(*s.Limits.TotalPowerW), true
	}
	if len(s.Limits.AntennaPowerW) > 0 {
		any = true
		for _, m := range antennas {
			l.antennaW = append(l.antennaW, allowed(s.Limits.AntennaPowerW[m]))
		}
	}
	if far == nil {
		return l.orNone(any) // nothing can be sent that a limit on EIRP would hold
	}
	if s.Limits.EIRPW != nil {
		any = true
		l.cones = append(l.cones, coneLimit{far.Sphere(), allowed(*s.Limits.EIRPW), limitEIRP, 0})
	}
	for i, p := range s.Limits.ProtectedDirections {
		any = true
		c := far.Cone(channel.Direction{AzimuthDeg: p.AzimuthDeg, ElevationDeg: p.ElevationDeg}, p.WidthDeg)
		l.cones = append(l.cones, coneLimit{c, allowed(p.EIRPW), limitProtected, i})
	}
	return l.orNone(any)
}

func (l *peakLimits) orNone(any bool) *peakLimits {
	if !any {
		return nil
	}
	return l
}

// allowed returns a limit as it is kept: one of less than leastLimitW, -0 among them,
// is 0, which takes out what it limits. Beside it products of powers underflow.
func allowed(limitW float64) float64 {
	if limitW < leastLimitW {
		return 0
	}
	return limitW
}

// group returns the limits of a group for the optimiser, each times by.
func (l *peakLimits) group(d *directions, by float64) optim.Limits {
	if by == 1 {
		return optim.Limits{TotalW: l.totalW, AntennaW: l.antennaW, Rows: d.rows, RowW: d.rowW}
	}
	scaled := func(s []float64) []float64 {
		var out []float64
		for _, v := range s {
			out = append(out, v*by)
		}
		return out
	}
	return optim.Limits{TotalW: l.totalW * by, AntennaW: scaled(l.antennaW), Rows: d.rows, RowW: scaled(d.rowW)}
}

// silent reports whether nothing at all may be sent.
func (l *peakLimits) silent() bool {
	none := l.totalW == 0 || len(l.antenna) == 0
	for i := range l.cones {
		// No EIRP over a cone of any width leaves no weights but zero.
		none = none || l.cones[i].eirpW == 0
	}
	return none
}

// antennaPower adds up the power of each antenna over beams, [beam][antenna].
func antennaPower(w []complex128, antennas int) []float64 {
	out := make([]float64, antennas)
	for t, z := range w {
		out[t%antennas] += real(z)*real(z) + imag(z)*imag(z)
	}
	return out
}

// excess returns the largest power over its limit of beams, [beam][antenna],
// over all limits but those on EIRP.
func (l *peakLimits) excess(w []complex128) float64 {
	worst := ratio(powerOf(w), l.totalW)
	if l.antennaW != nil {
		for i, p := range antennaPower(w, len(l.antenna)) {
			worst = math.Max(worst, ratio(p, l.antennaW[i]))
		}
	}
	return worst
}

// excess returns the largest EIRP over its limit in the directions found.
func (d *directions) excess(w []complex128) float64 {
	worst := 0.0
	for i, limit := range d.rowW {
		worst = math.Max(worst, ratio(eirp.Received(d.row(i), w), limit))
	}
	return worst
}

func (d *directions) row(i int) []complex128 {
	m := len(d.rows) / len(d.rowW)
	return d.rows[i*m : (i+1)*m]
}

// over is excess over all limits, EIRP in every direction; 0 for no limits.
func (l *peakLimits) over(w []complex128) float64 {
	if l == nil {
		return 0
	}
	worst := l.excess(w)
	for i := range l.cones {
		worst = math.Max(worst, ratio(l.eirp(w, i, l.cones[i].eirpW), l.cones[i].eirpW))
	}
	return worst
}

// eirp returns what the EIRP of beams, [beam][antenna], is proved not to exceed in
// cone i: no more than enoughW where that can be proved, close to its maximum
// otherwise.
func (l *peakLimits) eirp(w []complex128, i int, enoughW float64) float64 {
	boundW, _ := l.far.Beams(w, l.work()).Most(l.cones[i].region, enoughW)
	return boundW
}

func ratio(power, limit float64) float64 {
	if power == 0 {
		return 0
	}
	return power / limit
}

// addPeaks adds the directions in which beams exceed a limit on EIRP: peaks near the
// directions there are, which move when beams are found anew, and only where these
// keep the limits all others. It reports whether there were any.
func (l *peakLimits) addPeaks(d *directions, w []complex128) bool {
	before := len(d.rowW)
	beams := l.far.Beams(w, l.work())
	for i := range before {
		c := &l.cones[d.cone[i]]
		if p := beams.ClimbedFrom(c.region, d.at[i]); p.EIRPW > c.mostW() {
			l.add(d, d.cone[i], p)
		}
	}
	if len(d.rowW) == before {
		for i := range l.cones {
			peaks, _ := beams.Above(l.cones[i].region, l.cones[i].mostW())
			for _, p := range peaks {
				l.add(d, i, p)
			}
		}
	}
	if len(d.rowW) == before {
		return false
	}
	l.versions++
	d.version = l.versions
	return true
}

// mostW is the EIRP above which a direction is added.
func (c *coneLimit) mostW() float64 { return c.eirpW * (1 - rowSlack) * (1 + eirpTolerance) }

// add adds a direction of cone i unless it is there.
func (l *peakLimits) add(d *directions, i int, p eirp.Peak) {
	row := make([]complex128, len(l.antenna))
	l.far.Row(row, p.Direction)
	if limit := l.cones[i].eirpW * (1 - rowSlack); !d.has(row, limit) {
		d.rows = append(slices.Clip(d.rows), row...)
		d.rowW = append(slices.Clip(d.rowW), limit)
		d.cone = append(slices.Clip(d.cone), i)
		d.at = append(slices.Clip(d.at), p.Direction)
	}
}

// has reports whether a row of the same limit is there already, as directions
// around the axis of a line of antennas are.
func (d *directions) has(row []complex128, limitW float64) bool {
	for i, w := range d.rowW {
		z := optim.Received(d.row(i), row)
		if w == limitW && cmplx.Abs(z) > (1-sameRow)*math.Sqrt(powerOf(row)*powerOf(d.row(i))) {
			return true
		}
	}
	return false
}

// prune drops directions without a price, where there are many.
func (d *directions) prune() {
	if len(d.rowW) <= manyRows || len(d.duals.RowPrice) < len(d.rowW) {
		return
	}
	var kept directions
	for i, q := range d.duals.RowPrice {
		if q > 0 {
			kept.rows = append(kept.rows, d.row(i)...)
			kept.rowW = append(kept.rowW, d.rowW[i])
			kept.cone = append(kept.cone, d.cone[i])
			kept.at = append(kept.at, d.at[i])
			kept.duals.RowPrice = append(kept.duals.RowPrice, q)
		}
	}
	d.rows, d.rowW, d.cone, d.at, d.duals.RowPrice = kept.rows, kept.rowW, kept.cone, kept.at, kept.duals.RowPrice
}

// addDirections adds the directions in which a group exceeds a limit on EIRP at
// its share. It reports whether there were any.
func (v *View) addDirections(g *onAir) bool {
	if v.peak == nil || len(v.peak.cones) == 0 || v.late() {
		return false // once time is up the last proof scales weights within the limits
	}
	w := v.groupWeights(g)
	if w == nil {
		return false
	}
	g.found.prune()
	return v.peak.addPeaks(&g.found, w)
}

// binding returns the limits that keep the targets of a slot from being met, and what
// they would have to be raised to, all of them: that is enough, to 1 % the least with
// the first of the partitions that could meet the targets if no limit held, and less
// may do with others. Where time is up it is what that partition takes without limits.
// free is the view without limits. It is empty where no partition meets the targets
// at any power.
func (v *View) binding(free *View, tried []*partition) []BindingLimit {
	for _, p := range tried {
		q := p.anew()
		if free.divide(q); math.IsInf(q.powerW, 1) {
			continue
		}
		var weights [][]complex128
		for i := range q.groups {
			weights = append(weights, free.groupWeights(&q.groups[i]))
		}
		return v.leastRaised(p, v.peak.exceeded(weights))
	}
	return nil
}

// anew returns a copy of a partition that knows nothing of the limits it was solved
// under.
func (p *partition) anew() *partition {
	q := p.clone()
	for i := range q.groups {
		q.groups[i].found, q.groups[i].solved = directions{}, solved{}
	}
	return q
}

const (
	raisedTo     = 1.01 // accuracy of what limits must be raised to
	raisedFrom   = 1e-3 // of what is needed: the first part tried of a limit of 0
	raisedShare  = 1e-4 // accuracy of the shares that groups need then
	edgeHeadroom = 2e-3 // of limits, for the rounding of weights
)

// leastRaised bisects the powers between the limits in force and those given, with
// which a partition meets its targets.
func (v *View) leastRaised(p *partition, needed []BindingLimit) []BindingLimit {
	at := func(part float64) []BindingLimit {
		out := slices.Clone(needed)
		for i := range out {
			b := &out[i]
			from := math.Max(*v.peak.limit(b), raisedFrom*b.NeededW)
			b.NeededW = from * math.Pow(b.NeededW/from, part)
		}
		return out
	}
	widest := 1.0
	for i := range needed {
		from := math.Max(*v.peak.limit(&needed[i]), raisedFrom*needed[i].NeededW)
		widest = math.Max(widest, needed[i].NeededW/from)
	}
	lo, hi := 0.0, 1.0
	for math.Pow(widest, hi-lo) > raisedTo && !v.Stopped() {
		if mid := (lo + hi) / 2; v.servedWithin(v.peak.raised(at(mid)), p) {
			hi = mid
		} else {
			lo = mid
		}
	}
	out := at(hi)
	for i := range out {
		out[i].NeededW *= 1 + edgeHeadroom
	}
	return out
}

// servedWithin reports whether a partition meets its targets within other limits.
func (v *View) servedWithin(limits *peakLimits, p *partition) bool {
	kept := v.peak
	v.peak, v.solver.limited.last = limits, limitedKey{}
	defer func() { v.peak, v.solver.limited.last = kept, limitedKey{} }()
	q := p.anew()
	rooms := q.rooms(v.Subbands())
	if q.members != nil || v.options.ShareStep > 0 || len(rooms) != 1 || rooms[0].rows != nil || len(rooms[0].groups) < len(q.groups) {
		v.divide(q)
		return !math.IsInf(q.powerW, 1)
	}
	// What groups need at least says enough, and takes fewer solves than least power.
	sum := 0.0
	for i := range q.groups {
		if sum += v.leastShare(&q.groups[i], 0, raisedShare); sum > rooms[0].budget {
			return false
		}
	}
	return true
}

// limit returns the place of a limit.
func (l *peakLimits) limit(b *BindingLimit) *float64 {
	switch b.Limit {
	case limitTotal:
		return &l.totalW
	case limitAntenna:
		return &l.antennaW[slices.Index(l.antenna, b.Index)]
	}
	for i := range l.cones {
		if c := &l.cones[i]; c.limit == b.Limit && c.index == b.Index {
			return &c.eirpW
		}
	}
	panic("scheduler: no limit " + b.Limit)
}

// raised returns a copy with some limits raised.
func (l *peakLimits) raised(to []BindingLimit) *peakLimits {
	out := *l
	out.antennaW, out.cones = slices.Clone(l.antennaW), slices.Clone(l.cones)
	for i := range to {
		*out.limit(&to[i]) = to[i].NeededW
	}
	return &out
}

// Names of limits in the contract.
const (
	limitTotal     = "totalPowerW"
	limitAntenna   = "antennaPowerW"
	limitEIRP      = "eirpW"
	limitProtected = "protectedDirections"
)

// withoutLimits returns the view of the slot without limits on power. Antennas
// limited to 0 W stay out.
func (v *View) withoutLimits() *View {
	slot := *v.slot
	slot.Limits = Limits{MaxGroupSize: slot.Limits.MaxGroupSize, MaxGroups: slot.Limits.MaxGroups}
	return newViewFrom(v.clock, &slot, v.options, v.antennas)
}

// groupWeights returns the weights of a group at its share, nil where it does not
// meet its targets.
func (v *View) groupWeights(g *onAir) []complex128 {
	if math.IsInf(v.solver.planPower(g, g.share), 1) {
		return nil
	}
	w, _ := v.solver.weights(g, slices.Clone(v.solver.rates))
	return w
}

// exceeded returns the limits that the weights of some groups, each [beam][antenna],
// exceed, and the power that they take.
func (l *peakLimits) exceeded(groups [][]complex128) []BindingLimit {
	totalW := 0.0
	antennaW := make([]float64, len(l.antenna))
	coneW := make([]float64, len(l.cones))
	for _, w := range groups {
		totalW = math.Max(totalW, powerOf(w))
		for i, p := range antennaPower(w, len(l.antenna)) {
			antennaW[i] = math.Max(antennaW[i], p)
		}
		for i := range l.cones {
			coneW[i] = math.Max(coneW[i], l.eirp(w, i, 0))
		}
	}
	var out []BindingLimit
	if totalW > l.totalW {
		out = append(out, BindingLimit{Limit: limitTotal, NeededW: totalW})
	}
	if l.antennaW != nil {
		for i, p := range antennaW {
			if p > l.antennaW[i] {
				out = append(out, BindingLimit{Limit: limitAntenna, Index: l.antenna[i], NeededW: p})
			}
		}
	}
	for i, p := range coneW {
		if c := &l.cones[i]; p > c.eirpW {
			out = append(out, BindingLimit{Limit: c.limit, Index: c.index, NeededW: p})
		}
	}
	return out
}
