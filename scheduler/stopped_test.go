package scheduler

import (
	"context"
	"math/rand/v2"
	"testing"

	"leastwatt/channel"
	"leastwatt/channel/quay"
)

// TestStoppedAtOnce: where there is no time at all, a plan takes few solves all
// the same, whatever is asked for, and says so: a few for each group and subband.
func TestStoppedAtOnce(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	watts := 0.01
	for name, change := range map[string]func(*Slot){
		"plain":         func(*Slot) {},
		"alone":         func(s *Slot) { s.Options.Grouping = "alone" },
		"together":      func(s *Slot) { s.Options.Grouping = "together" },
		"exact":         func(s *Slot) { s.Options.Grouping = "exact" },
		"mixed":         func(s *Slot) { s.Options.Grouping = "mixed" },
		"zero forcing":  func(s *Slot) { s.Options.Beams = BeamsZeroForcing },
		"rate table":    func(s *Slot) { s.Options.RateTable = "mcs-64qam" },
		"share step":    func(s *Slot) { s.Options.ShareStep = 1.0 / 14 },
		"total power":   func(s *Slot) { s.Limits.TotalPowerW = &watts },
		"antenna power": func(s *Slot) { s.Limits.AntennaPowerW = constant(s.Channel.Antennas, 0.1) },
		"user in two groups": func(s *Slot) {
			s.Groups = []FixedGroup{{UserIDs: []string{s.Users[0].ID}}, {}}
			for k := range s.Users {
				s.Groups[1].UserIDs = append(s.Groups[1].UserIDs, s.Users[k].ID)
			}
		},
	} {
		for _, c := range []struct{ users, subbands, antennas int }{{9, 1, 16}, {8, 8, 16}} {
			slot := randomWideSlot(rand.New(rand.NewPCG(3, 4)), c.users, c.subbands, c.antennas, 1)
			change(slot)
			plan := NewEngine().Schedule(ctx, slot)
			if most := int64(4 * c.users * c.subbands); plan.Status != StatusMet || !plan.StoppedEarly || plan.Solves > most {
				t.Errorf("%s, %v: %v after %d solves, stopped early %v; want at most %d", name, c, plan.Status, plan.Solves, plan.StoppedEarly, most)
			}
		}
	}
}

// Once time is up limits on EIRP cost some solves, not a search for shares: a slot
// that one group can serve is served at once, and is never SHORT.
func TestStoppedUnderEIRP(t *testing.T) {
	eirpW := 0.25
	d := channel.DirectionOf(quay.Mast.Local(quay.ControlRoom))
	for _, i := range []int{1, 3} {
		slot := shiftSlot(1, i, 8, 8)
		slot.Limits.EIRPW = &eirpW
		slot.Limits.ProtectedDirections = []ProtectedDirection{{d.AzimuthDeg, d.ElevationDeg, 6, eirpW / 90}}
		slot.Options.WorkLimit = 100
		plan := NewEngine().Schedule(t.Context(), slot)
		if plan.Status != StatusMet || plan.Solves > 500 {
			t.Errorf("slot %d: %v after %d solves, %g W", i, plan.Status, plan.Solves, plan.RadiatedPowerW)
		}
	}
}
