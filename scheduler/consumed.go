package scheduler

import (
	"math"
	"slices"

	"leastwatt/energy"
)

// Power from the wall. With objective consumed, shares minimise
//
//	sum over groups of share (P(share) + t),  t = efficiency * (awake + users)
//
// which is the efficiency of amplifiers times all of what is consumed that depends
// on shares and on the number of antennas: awake is what the station draws more
// than asleep, users what the users of the group draw (energy.Station).

const (
	mostConsumption = 1e12 // of every power of a consumption model, in W
	leastEfficiency = 1e-6 // of its amplifiers
)

// station returns the model with the numbers given in it; nil for none. The name
// is one that is known.
func (c *Consumption) station() *energy.Station {
	if c == nil {
		return nil
	}
	s := energy.Station{Amplifier: energy.Amplifier{Efficiency: 1}}
	if set := energy.ByName(c.Model); set != nil {
		s = set.Station
	}
	for _, f := range []struct {
		given *float64
		to    *float64
	}{
		{c.AmplifierEfficiency, &s.Amplifier.Efficiency},
		{c.BaseW, &s.BaseW},
		{c.BaseSleepW, &s.BaseSleepW},
		{c.AntennaW, &s.AntennaW},
		{c.AntennaSleepW, &s.AntennaSleepW},
		{c.UserW, &s.UserW},
		{c.JoulesPerBit, &s.JoulesPerBit},
		{c.OperationsPerJoule, &s.OperationsPerJoule},
	} {
		if f.given != nil {
			*f.to = *f.given
		}
	}
	return &s
}

// Station returns the consumption model that options ask for, nil when they ask
// for none. They have passed Validate.
func (o Options) Station() *energy.Station { return o.Resolve().Consumption.station() }

func (c *Consumption) check(v *violations) {
	if c == nil {
		return
	}
	if c.Model != "" {
		checkName(v, "options.consumption.model", c.Model, ConsumptionModels())
	}
	const path = "options.consumption."
	if e := c.AmplifierEfficiency; e != nil {
		v.number(*e >= leastEfficiency && *e <= 1, *e, path+"amplifierEfficiency", "from "+number(leastEfficiency)+" to 1")
	}
	for _, f := range []struct {
		given *float64
		name  string
		most  float64
	}{
		{c.BaseW, "baseW", mostConsumption},
		{c.BaseSleepW, "baseSleepW", mostConsumption},
		{c.AntennaW, "antennaW", mostConsumption},
		{c.AntennaSleepW, "antennaSleepW", mostConsumption},
		{c.UserW, "userW", mostConsumption},
		{c.JoulesPerBit, "joulesPerBit", 1},
	} {
		if f.given != nil {
			v.number(*f.given >= 0 && *f.given <= f.most, *f.given, path+f.name, "from 0 to "+number(f.most))
		}
	}
	if o := c.OperationsPerJoule; o != nil {
		v.number(*o == 0 || *o >= 1, *o, path+"operationsPerJoule", "0, or at least 1")
	}
	s := c.station()
	if s.BaseSleepW > s.BaseW {
		v.add(path+"baseSleepW", number(s.BaseSleepW), "at most baseW, "+number(s.BaseW))
	}
	if s.AntennaSleepW > s.AntennaW {
		v.add(path+"antennaSleepW", number(s.AntennaSleepW), "at most antennaW, "+number(s.AntennaW))
	}
}

// timeW returns what the objective adds for a group to the power radiated while
// it is on the air, in W; 0 with objective radiated.
func (v *View) timeW(g *onAir) float64 {
	if v.options.Objective != ObjectiveConsumed {
		return 0
	}
	m := len(v.antennas)
	return v.station.Amplifier.Efficiency * (v.station.AwakeW(m) + v.station.UsersW(m, len(g.users), v.bandwidth(len(g.bands))))
}

// bandwidth returns the bandwidth of some subbands in Hz.
func (v *View) bandwidth(bands int) float64 {
	return v.slot.BandwidthHz * float64(bands) / float64(v.Subbands())
}

// load returns what a group of a plan asks of the station.
func (v *View) load(g *Group, antennaW []float64) energy.GroupLoad {
	bands := len(g.Subbands)
	if bands == 0 {
		bands = v.Subbands()
	}
	return energy.GroupLoad{Share: g.Share, Users: len(g.Allocations), BandwidthHz: v.bandwidth(bands), AntennaPowerW: antennaW}
}

// consume puts what the station consumes into the plan, where a model is known.
func (p *Plan) consume(v *View, loads []energy.GroupLoad) {
	if v.station == nil {
		return
	}
	load := energy.Load{Antennas: v.slot.Channel.Antennas, Groups: loads}
	busy := make([]float64, v.Subbands())
	for i := range p.Groups {
		bands := p.Groups[i].Subbands
		if len(bands) == 0 {
			bands = v.allBands
		}
		for _, f := range bands {
			busy[f] += p.Groups[i].Share
		}
	}
	load.BusyShare = math.Min(1, slices.Max(busy))
	for i := range p.Users {
		load.RateBps += p.Users[i].RateBps
	}
	w := v.station.Consumed(&load).TotalW()
	p.ConsumedPowerW = &w
}

// switchOff seeks, with objective consumed, antennas that do better off for the
// whole slot. It returns the view of those left on and the partition with the
// shares for them.
//
// The groups stay those found for all antennas. Antennas go off in the order of
// the power they radiate, least first, ranked anew each time that their number is
// halved; of the sets in that order, halves are tried until targets are missed, and
// then numbers around the best half, in steps that are halved in their turn. Other
// sets of the same number are not tried, nor other numbers where consumed power has
// a second minimum. About 3 log2(M) divisions of the slot; M for one user, for whom on
// one subband those of the strongest channels are the best of their number.
func (v *View) switchOff(p *partition) (*View, *partition) {
	if v.options.Objective != ObjectiveConsumed || p.short || len(p.groups) == 0 || v.book != nil {
		return v, p // beams of a codebook are kept as they are named, on all their antennas
	}
	s := antennaSearch{all: v, from: p, order: slices.Clone(v.antennas), tried: map[int]*onAntennas{}}
	if v.station.AntennaW == v.station.AntennaSleepW && v.station.OperationsPerJoule == 0 {
		return v, p // antennas are free
	}
	best := &onAntennas{v, p}
	s.tried[len(s.order)] = best
	for n := len(s.order); n > 1; {
		s.rank(n)
		n /= 2
		if s.try(n); v.Stopped() || math.IsInf(s.tried[n].partition.powerW, 1) {
			break
		}
	}
	at := len(s.order)
	for n, t := range s.tried {
		if w := t.partition.powerW; w < best.partition.powerW || w == best.partition.powerW && n < at {
			best, at = t, n
		}
	}
	if len(v.active) == 1 { // quick, and of one user no other sets are better
		for n := 1; n <= len(s.order) && !v.Stopped(); n++ {
			if t := s.try(n); t.partition.powerW < best.partition.powerW {
				best, at = t, n
			}
		}
	}
	for step := at / 2; step > 0 && !v.Stopped(); step /= 2 {
		for _, n := range []int{at - step, at + step} {
			if n < 1 || n > len(s.order) {
				continue
			}
			if t := s.try(n); t.partition.powerW < best.partition.powerW {
				best, at = t, n
				break
			}
		}
	}
	best.view.solver.solves = v.solver.solves
	if best.view.quick {
		best.view.quick, best.partition.members = false, p.members
		best.view.divide(best.partition)
	}
	return best.view, best.partition
}

// onAntennas is a partition divided for some antennas.
type onAntennas struct {
	view      *View
	partition *partition
}

// antennaSearch is the search of switchOff.
type antennaSearch struct {
	all   *View
	from  *partition
	order []int               // antennas, last to go off first
	tried map[int]*onAntennas // by number on
}

// rank sorts the first n antennas by what they radiate when they are on alone,
// most first.
func (s *antennaSearch) rank(n int) {
	t := s.tried[n]
	use := make(map[int]float64, n)
	for i := range t.partition.groups {
		g := &t.partition.groups[i]
		if w := t.view.groupWeights(g); w != nil {
			for a, powerW := range antennaPower(w, n) {
				use[t.view.antennas[a]] += g.share * powerW
			}
		}
	}
	slices.SortStableFunc(s.order[:n], func(a, b int) int {
		switch {
		case use[a] > use[b]:
			return -1
		case use[a] < use[b]:
			return 1
		}
		return a - b
	})
}

// try divides the slot with the first n antennas on.
func (s *antennaSearch) try(n int) *onAntennas {
	if t := s.tried[n]; t != nil {
		return t
	}
	antennas := slices.Sorted(slices.Values(s.order[:n]))
	t := &onAntennas{newViewFrom(s.all.clock, s.all.slot, s.all.options, antennas), s.from.clone()}
	t.partition.members = nil // users keep their parts
	for i := range t.partition.groups {
		g := &t.partition.groups[i]
		g.found, g.solved = directions{}, solved{}
		g.fixed = g.fixed && (len(s.all.slot.Groups) > 0 || g.rates != nil) // by the caller or its rates
	}
	copy(t.view.solver.penalty, s.all.solver.penalty)
	copy(t.view.solver.fraction, s.all.solver.fraction)
	t.view.solver.limited.headroom = s.all.solver.limited.headroom
	t.view.quick = true
	t.view.solver.solves = s.all.solver.solves
	t.view.divide(t.partition)
	s.all.solver.solves = t.view.solver.solves
	s.tried[n] = t
	return t
}
