package scheduler

import (
	"math"

	"leastwatt/optim"
)

// proveFloor adds to the plan the least power that any scheme of transmission
// needs for its rates: each user's target, or what it gets where that is less,
// less the tolerance of rates. So it is never above the plan's own power. It is
// for the antennas in use and at no gap to capacity, with other limits and the
// errors of channel estimates left out, all of which cost power; any of them
// taken in would need another proof. When the context ends it is what has been
// proved until then.
func (p *Plan) proveFloor(v *View) {
	rate := make([]float64, len(p.Users))
	for k, u := range p.Users {
		bps := math.Min(u.TargetBps, u.RateBps) * (1 - RateTolerance)
		rate[k] = math.Ln2 * bps / v.slot.BandwidthHz
	}
	problem := optim.FloorProblem{Grams: v.gram, Rate: rate}
	var ws optim.FloorWorkspace
	var r optim.FloorResult
	status := (&optim.Floor{Stop: v.clock.over}).Solve(v.clock.whole(), &problem, nil, &ws, &r)
	p.StoppedEarly = p.StoppedEarly || status == optim.TimeLimit || status == optim.Cancelled
	p.FloorPowerW = &r.LowerBoundW
	p.FloorCertificate = &FloorCertificate{Prices: r.Certificate.Prices, PowersW: r.Certificate.PowersW}
}

// noFloor says that no power is proved to be needed.
func (p *Plan) noFloor(s *Slot) {
	p.FloorPowerW = new(float64)
	p.FloorCertificate = &FloorCertificate{
		Prices: make([]float64, len(s.Users)), PowersW: make([]float64, len(s.Users)*s.Channel.Subbands),
	}
}
