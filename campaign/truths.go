package campaign

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"

	"leastwatt/channel"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// truthSigmas is by how many standard errors the mean rate over true channels may be
// below the rate planned before that is a finding.
const truthSigmas = 6

// overTruths puts the mean rates over true channels, drawn by the error variances of
// the slot, in place of those by the estimate. Noise that is Gaussian and not
// correlated with the signal is the worst of its power (Hassibi, Hochwald, IEEE Trans.
// Information Theory 49(4), 2003, from memory): the mean over the truths is no less
// than the rate planned, and where it is the plan is wrong. A row of a rate table
// carries all or nothing, so there it may be less. Errors are drawn in pairs e and -e, so that
// what is odd in them cancels. Two audits of rates for a pair.
func (t *Trial) overTruths(ctx context.Context, slot *scheduler.Slot, plan *scheduler.Plan, pairs int) error {
	bare, claims := *slot, *plan
	bare.Array, bare.Limits = nil, scheduler.Limits{} // rates depend on neither
	claims.FloorPowerW, claims.FloorCertificate = nil, nil
	mean, square, pairBps := make([]float64, len(slot.Users)), make([]float64, len(slot.Users)), make([]float64, len(slot.Users))
	rng := channel.NewRand(slot.Options.Seed, uint64(slot.Sequence))
	for range pairs {
		truth, mirrored := drawTruths(rng, slot)
		clear(pairBps)
		for _, c := range []*scheduler.Channel{truth, mirrored} {
			audited, err := audit.Run(ctx, &bare, &claims, c)
			if err != nil {
				return fmt.Errorf("over a true channel: %w", err)
			}
			for k, u := range audited.Users {
				pairBps[k] += u.RateBps / 2
			}
		}
		for k, bps := range pairBps {
			mean[k] += bps / float64(pairs)
			square[k] += bps * bps / float64(pairs)
		}
	}
	t.RateBps, t.WorstRateRatio = 0, 1
	worst := math.Inf(1)
	for k := range t.Users {
		u := &t.Users[k]
		planned := u.RateBps
		u.RateBps = mean[k]
		t.RateBps += mean[k]
		if u.TargetBps == 0 {
			continue
		}
		worst = math.Min(worst, mean[k]/u.TargetBps)
		t.WorstRateRatio = worst
		spread := math.Sqrt(math.Max(0, square[k]-mean[k]*mean[k]) / float64(pairs))
		if slot.Options.RateTable == "" && !(mean[k]+truthSigmas*spread >= planned*(1-scheduler.RateTolerance)) {
			t.Disagreements++
			t.Reason = fmt.Sprintf("users[%d].rateBps: %g planned, %g in the mean over %d true channels", k, planned, mean[k], 2*pairs)
		}
	}
	return nil
}

// drawTruths draws two true channels that the slot's channel may be an estimate of, with
// the same error, once added and once taken away.
func drawTruths(rng *rand.Rand, slot *scheduler.Slot) (truth, mirrored *scheduler.Channel) {
	known := slot.Channel.Samples
	a, b := slot.Channel, slot.Channel
	a.Samples, b.Samples = make([]complex128, len(known)), make([]complex128, len(known))
	perUser := a.Subbands * a.Antennas
	for k := range slot.Users {
		from, to := k*perUser, (k+1)*perUser
		channel.DrawTruth(rng, a.Samples[from:to], known[from:to], slot.Users[k].CSIErrorVariance)
	}
	for i, h := range a.Samples {
		b.Samples[i] = 2*known[i] - h
	}
	return &a, &b
}

// estimated tells whether the channel of any user is known with an error.
func estimated(slot *scheduler.Slot) bool {
	for k := range slot.Users {
		if slot.Users[k].CSIErrorVariance > 0 {
			return true
		}
	}
	return false
}
