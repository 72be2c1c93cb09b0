package audit

import "slices"

// What the station draws from the wall, mean over the slot, with M antennas, m of
// them on, the part busy of the slot with a group on the air, and for each group
// its share s, power P, k users and bandwidth B. The numbers of the model are those
// that the slot's options ask for:
//
//	sleep of base + M sleep of antenna
//	+ busy (base - sleep of base + m (antenna - sleep of antenna))
//	+ sum over groups of s (P / efficiency + k user + 2 m k B / operations per J)
//	+ J per bit * sum of rates

// consumed audits the power from the wall, where the slot names a model of it.
func (a *auditor) consumed() {
	model := a.slot.Options.Station()
	if model == nil {
		if claimed := a.plan.ConsumedPowerW; claimed != nil {
			a.find("consumedPowerW", "options.consumption names no model of it", *claimed, 0)
		}
		return
	}
	total := float64(a.slot.Channel.Antennas)
	on := 0.0
	for _, w := range a.result.AntennaPowerW {
		if w > 0 {
			on++
		}
	}
	powerW := model.BaseSleepW + total*model.AntennaSleepW
	powerW += min(1, slices.Max(a.shares)) * (model.BaseW - model.BaseSleepW + on*(model.AntennaW-model.AntennaSleepW))
	powerW += a.result.RadiatedPowerW / model.Amplifier.Efficiency
	for g := range a.plan.Groups {
		group := &a.plan.Groups[g]
		users := group.Share * float64(len(group.Allocations))
		powerW += users * model.UserW
		if perJ := model.OperationsPerJoule; perJ > 0 {
			bands := float64(len(inUse(group, a.slot.Channel.Subbands))) / float64(a.slot.Channel.Subbands)
			powerW += users * 2 * on * a.slot.BandwidthHz * bands / perJ
		}
	}
	for k := range a.result.Users {
		powerW += a.result.Users[k].RateBps * model.JoulesPerBit
	}
	a.result.ConsumedPowerW = &powerW
	if claimed := a.plan.ConsumedPowerW; claimed != nil {
		a.compare("consumedPowerW", "mean power from the wall", *claimed, powerW)
	}
}
