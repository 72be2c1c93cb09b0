package scheduler

import (
	"encoding/binary"
	"math"
	"slices"
)

// Splits of rates over subbands. A descent finds the split nearest to where it
// starts. With about as many users as antennas, or more, there are many of them: who
// is on which subband is a choice. So of each group that a division ends with, a
// split is sought by exchanges too (optim.RateSplit), once; from there on it is where
// the group's solves start.

// splitKey returns what tells a group's splits from those of others.
func splitKey(g *onAir) string {
	key := make([]byte, 0, 4*(len(g.users)+len(g.bands)+1))
	for _, list := range [][]int{g.users, {-1}, g.bands} {
		for _, i := range list {
			key = binary.LittleEndian.AppendUint32(key, uint32(i))
		}
	}
	return string(key)
}

// improveSplits seeks better splits for the groups of a divided partition and divides
// the slot anew where there are any.
func (v *View) improveSplits(p *partition) {
	if v.Subbands() == 1 || v.quick || v.hurried || math.IsInf(p.powerW, 1) {
		return
	}
	improved := false
	for i := range p.groups {
		g := &p.groups[i]
		if len(g.users) > 1 && len(g.bands) > 1 && !g.elsewhere() && !v.Stopped() {
			improved = v.solver.improveSplit(g) || improved
		}
	}
	if !improved || v.Stopped() {
		return
	}
	kept, recall := p.clone(), v.solver.remember()
	v.divideSlot(p)
	if !(p.powerW <= kept.powerW) {
		*p = *kept
		recall()
	}
}

// improveSplit seeks a better split of the group at its share, without limits on
// power: under them the split found is but a start. It reports whether there was
// one, and keeps what it found.
func (s *groupSolver) improveSplit(g *onAir) bool {
	key := splitKey(g)
	if _, known := s.better[key]; known {
		return false
	}
	if !s.setMean(g, g.share) || !s.chooseBeams(g, s.mean) || !s.splitFrom(g, s.startSplit(g), s.freePower) {
		return false
	}
	powerW, start := s.split.PowerW, slices.Clone(s.split.Rate)
	s.exchanging = true
	defer func() { s.exchanging = false }()
	if !s.splitFrom(g, start, s.freePower) {
		return false
	}
	s.better[key] = slices.Clone(s.split.Rate)
	return s.split.PowerW < powerW*(1-splitGain)
}

// splitGain is the part of a group's power that a better split must save.
const splitGain = 1e-6

// betterSplit returns the split of the group found by exchanges, of which ratios
// count for each user; nil where none has been sought.
func (s *groupSolver) betterSplit(g *onAir) []float64 {
	if len(s.better) == 0 || g.elsewhere() {
		return nil
	}
	return s.better[splitKey(g)]
}
