package audit

import (
	"errors"
	"fmt"
	"math"

	"leastwatt/energy"
	"leastwatt/scheduler"
)

// What keeps a plan from being audited.
var (
	ErrNoPlan    = errors.New("audit: there is no plan in an answer of this status")
	ErrNoWeights = errors.New("audit: the plan carries no weights")
	ErrMismatch  = errors.New("audit: slot and plan do not fit together")
)

// check returns an error unless everything that Recompute reads has the right
// size and is finite.
func check(slot *scheduler.Slot, plan *scheduler.Plan) error {
	if plan.Status != scheduler.StatusMet && plan.Status != scheduler.StatusShort {
		return fmt.Errorf("%w: %v", ErrNoPlan, plan.Status)
	}
	if err := checkSlot(slot); err != nil {
		return err
	}
	users := usersByID(slot)
	for g := range plan.Groups {
		if err := checkGroup(slot, users, &plan.Groups[g]); err != nil {
			return fmt.Errorf("%w: groups[%d].%w", ErrMismatch, g, err)
		}
	}
	return nil
}

func checkSlot(slot *scheduler.Slot) error {
	c := &slot.Channel
	switch {
	case slot.Options.RateTable != "" && rateTables[slot.Options.RateTable] == nil:
		return fmt.Errorf("%w: options.rateTable %q is not known here", ErrMismatch, slot.Options.RateTable)
	case slot.Options.Consumption != nil && slot.Options.Consumption.Model != "" && energy.ByName(slot.Options.Consumption.Model) == nil:
		return fmt.Errorf("%w: options.consumption.model %q is not known here", ErrMismatch, slot.Options.Consumption.Model)
	case c.Antennas < 1 || c.Subbands < 1 || len(c.Samples) != len(slot.Users)*c.Subbands*c.Antennas:
		return fmt.Errorf("%w: channel has %d samples for %d users, %d subbands, %d antennas",
			ErrMismatch, len(c.Samples), len(slot.Users), c.Subbands, c.Antennas)
	case !finite(squares(c.Samples)) || !finite(slot.BandwidthHz, slot.Options.SINRGapDB):
		return fmt.Errorf("%w: channel, bandwidth or gap is not finite", ErrMismatch)
	case len(usersByID(slot)) != len(slot.Users):
		return fmt.Errorf("%w: a user's id is there twice", ErrMismatch)
	case len(slot.Limits.AntennaPowerW) != 0 && len(slot.Limits.AntennaPowerW) != c.Antennas:
		return fmt.Errorf("%w: limits.antennaPowerW is not one value per antenna", ErrMismatch)
	}
	if err := checkArray(slot); err != nil {
		return fmt.Errorf("%w: %w", ErrMismatch, err)
	}
	for k := range slot.Users {
		if err := checkUser(&slot.Users[k], c.Subbands); err != nil {
			return fmt.Errorf("%w: users[%d].%w", ErrMismatch, k, err)
		}
	}
	return nil
}

// mostWavelengths is how far antennas may be from the origin: phases are long no more
// than rounding there, and nothing overflows yet.
const mostWavelengths = 1e60

// checkArray returns an error unless the far field of a slot is defined.
func checkArray(slot *scheduler.Slot) error {
	array := slot.Array
	if array == nil {
		if slot.Limits.EIRPW != nil || len(slot.Limits.ProtectedDirections) > 0 {
			return errors.New("limits on EIRP need an array")
		}
		return nil
	}
	switch array.ElementPattern {
	case "", scheduler.PatternIsotropic, scheduler.PatternSector65:
	default:
		return fmt.Errorf("array.elementPattern %q is not known here", array.ElementPattern)
	}
	if len(array.PositionsM) != slot.Channel.Antennas {
		return errors.New("array.positionsM is not one position per antenna")
	}
	for _, p := range array.PositionsM {
		if x := (vector{}).plus(slot.CarrierHz/speedOfLightMps, p); !(x.norm() < mostWavelengths) {
			return fmt.Errorf("array.positionsM: %v is not within %g wavelengths", p, mostWavelengths)
		}
	}
	if !(slot.CarrierHz > 0) || !finite(slot.CarrierHz, array.ElementGainDBi) {
		return errors.New("carrierHz is not positive or the gain of an antenna not finite")
	}
	for i, d := range slot.Limits.ProtectedDirections {
		if !finite(d.AzimuthDeg, d.ElevationDeg, d.WidthDeg) || !(d.WidthDeg > 0) {
			return fmt.Errorf("limits.protectedDirections[%d] is no cone", i)
		}
	}
	return nil
}

func checkUser(u *scheduler.User, subbands int) error {
	if n := len(u.SubbandNoiseW); n != 0 && n != subbands {
		return fmt.Errorf("subbandNoiseW has %d values for %d subbands", n, subbands)
	}
	for f := range subbands {
		if n := noiseW(u, f, subbands); !(n > 0) || !finite(n) {
			return fmt.Errorf("noiseW %v is not positive and finite", n)
		}
	}
	if !finite(u.RateBps, u.CSIErrorVariance) || u.RateBps < 0 || u.CSIErrorVariance < 0 {
		return errors.New("rateBps or csiErrorVariance is negative or not finite")
	}
	return nil
}

func checkGroup(slot *scheduler.Slot, users map[string]int, group *scheduler.Group) error {
	seenSubband := make(map[int]bool)
	for _, f := range group.Subbands {
		if f < 0 || f >= slot.Channel.Subbands || seenSubband[f] {
			return fmt.Errorf("subbands: %d is outside the channel or there twice", f)
		}
		seenSubband[f] = true
	}
	if !finite(group.Share) {
		return fmt.Errorf("share %v is not finite", group.Share)
	}
	want := len(inUse(group, slot.Channel.Subbands)) * slot.Channel.Antennas
	seenUser := make(map[string]bool)
	for i := range group.Allocations {
		al := &group.Allocations[i]
		if _, known := users[al.UserID]; !known || seenUser[al.UserID] {
			return fmt.Errorf("allocations[%d].userId: %q is unknown or there twice", i, al.UserID)
		}
		seenUser[al.UserID] = true
		switch {
		case len(al.Weights) == 0:
			return fmt.Errorf("allocations[%d]: %w", i, ErrNoWeights)
		case len(al.Weights) != want:
			return fmt.Errorf("allocations[%d]: %d weights, want %d", i, len(al.Weights), want)
		case !finite(squares(al.Weights)):
			return fmt.Errorf("allocations[%d]: weights are not finite", i)
		}
	}
	return nil
}

func usersByID(slot *scheduler.Slot) map[string]int {
	users := make(map[string]int, len(slot.Users))
	for k := range slot.Users {
		users[slot.Users[k].ID] = k
	}
	return users
}

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
