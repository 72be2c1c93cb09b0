package scheduler

import (
	"fmt"
	"math"
	"slices"
)

// checkGroups checks the groups fixed by the caller. Shares are added up only
// where the channel's dimensions are right.
func (s *Slot) checkGroups(v *violations, sc *scratch, channelFits bool) {
	if len(s.Groups) == 0 {
		return
	}
	sc.seen = slices.Grow(sc.seen[:0], len(s.Users))[:len(s.Users)]
	for k := range sc.seen {
		sc.seen[k] = -1
	}
	for g := range s.Groups {
		s.checkMembers(v, sc, g)
		s.checkShare(v, g)
		s.checkSubbands(v, g)
	}
	for k := range s.Users {
		u := &s.Users[k]
		if u.RateBps > 0 && sc.seen[k] < 0 && sc.index[u.ID] == k {
			v.add(itemPath("users", k, "id"), text(u.ID), "in at least one of groups, having a rate")
		}
	}
	if channelFits {
		s.checkShares(v, sc)
		s.checkInTurn(v, sc)
	}
}

// checkInTurn refuses groups that may be on the air at the same time, on different
// subbands, where that changes more than shares: limits on power would then hold
// for the sum of what is on the air, and objective consumed depends on how long
// anything is. Groups that all use one subband take turns.
func (s *Slot) checkInTurn(v *violations, sc *scratch) {
	with := ""
	switch l := &s.Limits; {
	case l.TotalPowerW != nil:
		with = "limits.totalPowerW"
	case len(l.AntennaPowerW) > 0:
		with = "limits.antennaPowerW"
	case l.EIRPW != nil:
		with = "limits.eirpW"
	case len(l.ProtectedDirections) > 0:
		with = "limits.protectedDirections"
	case s.Options.Objective == ObjectiveConsumed:
		with = "options.objective " + ObjectiveConsumed
	default:
		return
	}
	clear(sc.load) // by subband, groups that use it
	for g := range s.Groups {
		group := &s.Groups[g]
		for i := range s.subbandCount(group) {
			if f := subband(group, i); f >= 0 && f < len(sc.load) {
				sc.load[f]++
			}
		}
		if slices.Max(sc.load) < float64(g+1) {
			v.add(itemPath("groups", g, "subbands"), fmt.Sprint(group.Subbands),
				"with "+with+" one subband that all groups use, so that they take turns")
			return
		}
	}
}

func (s *Slot) checkMembers(v *violations, sc *scratch, g int) {
	group := &s.Groups[g]
	served := 0
	for i, id := range group.UserIDs {
		k, known := sc.index[id]
		switch {
		case !known:
			v.add(memberPath(g, i), text(id), "the id of one of users")
			continue
		case sc.seen[k] == g:
			v.add(memberPath(g, i), text(id), "each user once in a group")
			continue
		}
		sc.seen[k] = g
		if s.Users[k].RateBps > 0 {
			served++
		}
	}
	if len(group.UserIDs) == 0 {
		v.add(itemPath("groups", g, "userIds"), "0 users", "at least one user")
	}
	if most := s.Limits.MaxGroupSize; most > 0 && served > most {
		v.add(itemPath("groups", g, "userIds"), fmt.Sprintf("%d users with a rate", served),
			fmt.Sprintf("at most limits.maxGroupSize = %d", most))
	}
}

func memberPath(g, i int) string { return itemPath(itemPath("groups", g, "userIds"), i, "") }

func (s *Slot) checkShare(v *violations, g int) {
	if s.Groups[g].Share == nil {
		return
	}
	share := *s.Groups[g].Share
	if !(share > 0 && share <= 1) {
		v.item(false, share, "groups", g, "share", "in (0, 1], or absent")
		return
	}
	if step := s.Options.ShareStep; step > 0 {
		if n := math.Round(share / step); n < 1 || math.Abs(share-n*step) > shareSlack {
			v.item(false, share, "groups", g, "share", fmt.Sprintf("a multiple of options.shareStep = %g", step))
		}
	}
}

func (s *Slot) checkSubbands(v *violations, g int) {
	if n := len(s.Groups[g].Subbands); n > s.Channel.Subbands {
		v.add(itemPath("groups", g, "subbands"), fmt.Sprintf("%d subbands", n),
			fmt.Sprintf("at most %d, each once", s.Channel.Subbands))
		return
	}
	for i, f := range s.Groups[g].Subbands {
		if f < 0 || f >= s.Channel.Subbands || slices.Contains(s.Groups[g].Subbands[:i], f) {
			v.add(itemPath(itemPath("groups", g, "subbands"), i, ""), fmt.Sprint(f),
				fmt.Sprintf("from 0 to %d, each once", s.Channel.Subbands-1))
		}
	}
}

// checkShares adds up the shares on every subband and checks that what groups
// leave to each user can carry its rate.
func (s *Slot) checkShares(v *violations, sc *scratch) {
	sc.load = slices.Grow(sc.load[:0], s.Channel.Subbands)[:s.Channel.Subbands]
	clear(sc.load)
	open := 0
	for g := range s.Groups {
		group := &s.Groups[g]
		if group.Share == nil {
			open++
			continue
		}
		for i := range s.subbandCount(group) {
			if f := subband(group, i); f >= 0 && f < len(sc.load) {
				sc.load[f] += *group.Share
			}
		}
	}
	if most := slices.Max(sc.load); !(most <= 1+shareSlack) {
		v.add("groups", fmt.Sprintf("shares with a sum of %g", most), "at most 1 on each subband")
		return
	}
	sc.share = slices.Grow(sc.share[:0], len(s.Users))[:len(s.Users)]
	clear(sc.share)
	for g := range s.Groups {
		s.checkRoom(v, sc, g)
	}
	for k := range s.Users {
		s.checkReach(v, sc, k)
	}
}

// checkRoom adds what group g can give to its users.
func (s *Slot) checkRoom(v *violations, sc *scratch, g int) {
	group := &s.Groups[g]
	room := s.room(group, sc.load)
	if need := s.Options.ShareStep; group.Share == nil && (room <= shareSlack || room+shareSlack < need) {
		v.add(itemPath("groups", g, "share"), "absent",
			fmt.Sprintf("a share left over by the others; they leave %g", math.Max(room, 0)))
		return
	}
	part := float64(s.subbandCount(group)) / float64(s.Channel.Subbands)
	for _, id := range group.UserIDs {
		if k, known := sc.index[id]; known {
			sc.share[k] += room * part
		}
	}
}

// room returns the share of a group, or the most an open group can be given.
func (s *Slot) room(group *FixedGroup, load []float64) float64 {
	if group.Share != nil {
		return *group.Share
	}
	var most float64
	for i := range s.subbandCount(group) {
		if f := subband(group, i); f >= 0 && f < len(load) {
			most = math.Max(most, load[f])
		}
	}
	return 1 - most
}

// subbandCount returns how many subbands a group uses; subband names them.
func (s *Slot) subbandCount(group *FixedGroup) int {
	if len(group.Subbands) == 0 {
		return s.Channel.Subbands
	}
	return len(group.Subbands)
}

func subband(group *FixedGroup, i int) int {
	if len(group.Subbands) == 0 {
		return i
	}
	return group.Subbands[i]
}

// checkReach bounds the efficiency that fixed shares ask of a user.
func (s *Slot) checkReach(v *violations, sc *scratch, k int) {
	u := &s.Users[k]
	most := MaxEfficiency * s.BandwidthHz
	if sc.share[k] > 0 && u.RateBps <= most && u.RateBps > most*sc.share[k]*(1+shareSlack) {
		v.item(false, u.RateBps, "users", k, "rateBps", fmt.Sprintf(
			"at most %g bit/s per Hz of bandwidthHz in a share of %g", MaxEfficiency, sc.share[k]))
	}
}
