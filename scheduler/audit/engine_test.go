package audit_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"leastwatt/channel"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// Plans of the engine stand up to the audit, whatever the slot asks for: every
// way to form beams, encode weights and carry rates, several subbands, erroneous
// estimates, targets that can be met and that cannot.
func TestEngine(t *testing.T) {
	for _, grouping := range []string{"together", "alone", "semi-orthogonal"} {
		for _, beams := range scheduler.Beams() {
			for format := scheduler.WeightsF64; format <= scheduler.WeightsI16; format++ {
				for _, table := range []string{"", "mcs-256qam"} {
					name := fmt.Sprintf("%s/%s/%d/%s", grouping, beams.Name, format, table)
					t.Run(name, func(t *testing.T) {
						o := scheduler.Options{Grouping: grouping, Beams: beams.Name, Weights: format, RateTable: table, SINRGapDB: 1}
						for seed := range int64(2) {
							auditOne(t, slot(seed, o))
						}
					})
				}
			}
		}
	}
}

// Codebooks of every kind: grids of lines and planes and the caller's own beams,
// with an antenna taken out and with limits that bind.
func TestEngineCodebook(t *testing.T) {
	for seed := range int64(3) {
		for format := scheduler.WeightsF64; format <= scheduler.WeightsI16; format++ {
			s := slot(seed, scheduler.Options{Grouping: "together", Beams: scheduler.BeamsCodebook, Weights: format})
			m := s.Channel.Antennas
			for _, c := range []*scheduler.Codebook{
				{Oversampling: 3}, {Oversampling: 2, Columns: m}, {Oversampling: 2, Columns: 1}, {Oversampling: 1, Columns: m / (2 - m%2)},
				{Beams: s.Channel.Samples},
			} {
				s.Options.Codebook, s.Limits = c, scheduler.Limits{}
				free := auditOne(t, s)
				s.Limits.AntennaPowerW = make([]float64, m)
				for i := range m {
					s.Limits.AntennaPowerW[i] = float64(i) * 1e3
				}
				auditOne(t, s)
				s.Limits.AntennaPowerW[m-1] = free.AntennaPowerW[m-1] / 2
				auditOne(t, s)
			}
		}
	}
}

func auditOne(t *testing.T, s *scheduler.Slot) *scheduler.Plan {
	t.Helper()
	plan := scheduler.NewEngine().Schedule(t.Context(), s)
	r, err := audit.Recompute(s, plan)
	if err != nil {
		t.Fatalf("%v: %v", err, plan.Violations)
	}
	for _, f := range r.Findings {
		t.Error(f)
	}
	return plan
}

// slot returns a slot of random size: 1 to 2 subbands, users often more than can
// be served together, now and then estimates with errors.
func slot(seed int64, o scheduler.Options) *scheduler.Slot {
	rng := channel.NewRand(seed, 0)
	users, antennas, subbands := 2+rng.IntN(4), 4+rng.IntN(4), 1+int(seed)%2
	s := &scheduler.Slot{
		BandwidthHz: 1e6,
		Channel:     scheduler.Channel{Antennas: antennas, Subbands: subbands, Samples: make([]complex128, users*subbands*antennas)},
		Options:     o,
	}
	channel.Rayleigh(rng, s.Channel.Samples, 1e-9)
	for k := range users {
		s.Users = append(s.Users, scheduler.User{
			ID: fmt.Sprint(k), RateBps: 1e5 + 4e5*rng.Float64(), NoiseW: 1e-13, CSIErrorVariance: errorVariance(rng),
		})
	}
	return s
}

func errorVariance(rng *rand.Rand) float64 {
	if rng.IntN(2) == 0 {
		return 0
	}
	return 1e-12 * rng.Float64()
}
