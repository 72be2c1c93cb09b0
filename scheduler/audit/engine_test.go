package audit_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"leastwatt/channel"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// Plans of the engine stand up to the audit, whatever the slot asks for: every
// way to form beams, encode weights and carry rates, several subbands, erroneous
// estimates, targets that can be met and that cannot.
func TestEngine(t *testing.T) {
	for _, grouping := range []string{"together", "alone", "semi-orthogonal", scheduler.GroupingLeastPower, scheduler.GroupingMixed} {
		for _, beams := range scheduler.Beams() {
			for format := scheduler.WeightsF64; format <= scheduler.WeightsI16; format++ {
				for _, table := range []string{"", "mcs-256qam"} {
					search := grouping == scheduler.GroupingLeastPower || grouping == scheduler.GroupingMixed
					if search && format != scheduler.WeightsF32 {
						continue // long, and encoded as other groups are
					}
					name := fmt.Sprintf("%s/%s/%d/%s", grouping, beams.Name, format, table)
					t.Run(name, func(t *testing.T) {
						o := scheduler.Options{Grouping: grouping, Beams: beams.Name, Weights: format, RateTable: table, SINRGapDB: 1, Floor: true}
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

// Power from the wall, of plans that minimise it and of others: idle time, antennas
// off, limits that bind, every published model and one of odd numbers.
func TestEngineConsumed(t *testing.T) {
	odd := 0.7
	models := []*scheduler.Consumption{{AntennaW: &odd, UserW: &odd, JoulesPerBit: &odd}}
	for _, m := range scheduler.ConsumptionModels() {
		models = append(models, &scheduler.Consumption{Model: m.Name, BaseSleepW: new(float64)})
	}
	off, idle := 0, 0
	for seed, model := range models {
		for _, objective := range scheduler.Objectives() {
			s := slot(int64(seed), scheduler.Options{Grouping: []string{"together", "alone"}[seed%2], Objective: objective.Name, Consumption: model, Weights: scheduler.WeightsF32})
			for range 2 {
				plan := auditOne(t, s)
				if plan.ConsumedPowerW == nil {
					t.Fatal("nothing consumed")
				}
				busy := 0.0
				for _, g := range plan.Groups {
					busy += g.Share
				}
				if busy < 0.999 {
					idle++
				}
				if slices.Contains(plan.AntennaPowerW, 0) {
					off++
				}
				s.Limits.AntennaPowerW = slices.Repeat([]float64{2 * slices.Max(plan.AntennaPowerW)}, s.Channel.Antennas)
				for _, by := range []float64{0.999, 1.001} {
					wrong := *plan
					w := *plan.ConsumedPowerW * by
					wrong.ConsumedPowerW = &w
					if r, err := audit.Recompute(s, &wrong); err != nil || len(r.Findings) != 1 || r.Findings[0].Path != "consumedPowerW" {
						t.Errorf("%g times what is consumed: %v %v", by, r, err)
					}
				}
			}
		}
	}
	if off < 5 || idle < 5 {
		t.Errorf("%d plans with antennas off, %d with idle time", off, idle)
	}
	// Claims without a model, and a model that is not known.
	s := slot(1, scheduler.Options{Grouping: "together", Weights: scheduler.WeightsF64})
	plan := auditOne(t, s)
	plan.ConsumedPowerW = &odd
	if r, err := audit.Recompute(s, plan); err != nil || r.ConsumedPowerW != nil || len(r.Findings) != 1 {
		t.Errorf("a claim without a model: %v %v", r, err)
	}
	s.Options.Consumption = &scheduler.Consumption{Model: "x"}
	if _, err := audit.Recompute(s, plan); !errors.Is(err, audit.ErrMismatch) {
		t.Errorf("a model that is not known: %v", err)
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

// The engine's own certificates, broken by hand: prices of two users exchanged,
// the certificate of other rates, of another channel.
func TestBrokenCertificate(t *testing.T) {
	o := scheduler.Options{Weights: scheduler.WeightsF64, Floor: true}
	s := slot(1, o)
	plan := scheduler.NewEngine().Schedule(t.Context(), s)
	r, err := audit.Recompute(s, plan)
	if err != nil || !r.Agrees() || *r.FloorPowerW < *plan.FloorPowerW || !(*r.OverFloorDB >= 0) {
		t.Fatalf("%v %+v", err, r)
	}
	broken := map[string]func(*scheduler.Plan){
		"prices exchanged": func(p *scheduler.Plan) {
			m := p.FloorCertificate.Prices
			m[0], m[1] = m[1], m[0]
		},
		"other rates": func(p *scheduler.Plan) {
			more := slot(1, o)
			for k := range more.Users {
				more.Users[k].RateBps *= 1.001
			}
			q := scheduler.NewEngine().Schedule(t.Context(), more)
			p.FloorPowerW, p.FloorCertificate = q.FloorPowerW, q.FloorCertificate
		},
		"other channel": func(p *scheduler.Plan) {
			weaker := slot(1, o)
			for i := range weaker.Channel.Samples {
				weaker.Channel.Samples[i] *= 0.999
			}
			q := scheduler.NewEngine().Schedule(t.Context(), weaker)
			p.FloorPowerW, p.FloorCertificate = q.FloorPowerW, q.FloorCertificate
		},
	}
	for name, spoil := range broken {
		p := scheduler.NewEngine().Schedule(t.Context(), s)
		spoil(p)
		r, err := audit.Recompute(s, p)
		if err != nil || len(r.Findings) == 0 || r.Findings[0].Path != "floorPowerW" {
			t.Errorf("%s: %v, findings %v", name, err, r.Findings)
		}
	}
}

// Limits of every kind hold by the audit's own far field and sums, for arrays of
// several shapes, whether they bind or not, on weights as encoded.
func TestEngineLimits(t *testing.T) {
	const carrierHz = 3.5e9
	lambda := channel.WavelengthM(carrierHz)
	bent := channel.Linear(6, lambda/2)
	for m := range bent {
		bent[m][0] = float64(m*m) * lambda / 20
	}
	short := 0
	for name, positions := range map[string][][3]float64{
		"planar": channel.Planar(2, 4, lambda/2), "linear": channel.Linear(8, lambda/2), "wide": channel.Linear(5, 3*lambda), "bent": bent,
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range int64(2) {
				s := lineOfSight(seed, positions, lambda)
				free := auditOne(t, s)
				part := 0.5 + float64(seed)
				eirpW, totalW := part**free.PeakEIRPW, 3*part*free.RadiatedPowerW
				s.Limits = scheduler.Limits{
					EIRPW: &eirpW, TotalPowerW: &totalW, AntennaPowerW: slices.Clone(free.AntennaPowerW),
					ProtectedDirections: []scheduler.ProtectedDirection{{AzimuthDeg: 20, ElevationDeg: 10, WidthDeg: 6, EIRPW: 0.3 * eirpW}},
				}
				for m := range s.Limits.AntennaPowerW {
					s.Limits.AntennaPowerW[m] *= 2
				}
				s.Options.Weights = scheduler.WeightsF64 + scheduler.WeightFormat(seed)
				if auditOne(t, s).Status == scheduler.StatusShort {
					short++
				}
			}
		})
	}
	if short == 0 || short == 8 {
		t.Errorf("%d of 8 slots fall short: limits bind in none or in all", short)
	}
}

// The peaks of large arrays are found, whose lobes are many and narrow.
func TestEnginePeaks(t *testing.T) {
	lambda := channel.WavelengthM(3.5e9)
	for _, positions := range [][][3]float64{channel.Linear(24, lambda/2), channel.Planar(8, 8, lambda/2), channel.Planar(4, 4, 1.7*lambda)} {
		auditOne(t, lineOfSight(1, positions, lambda))
	}
}

// lineOfSight is a slot of three users in front of an array of sectors.
func lineOfSight(seed int64, positions [][3]float64, lambda float64) *scheduler.Slot {
	rng := channel.NewRand(seed, 1)
	array := channel.Array{PositionsM: positions, Pattern: channel.Sector65}
	s := &scheduler.Slot{
		CarrierHz: channel.SpeedOfLightMps / lambda, BandwidthHz: 1e6,
		Channel: scheduler.Channel{Antennas: len(positions), Subbands: 1},
		Array:   &scheduler.Array{PositionsM: positions, ElementGainDBi: 8, ElementPattern: scheduler.PatternSector65},
		Options: scheduler.Options{Weights: scheduler.WeightsF64, Floor: true},
	}
	for k := range 3 {
		h := make([]complex128, len(positions))
		array.Steering(h, channel.Direction{AzimuthDeg: 100*rng.Float64() - 50, ElevationDeg: -20 * rng.Float64()}, lambda)
		for m := range h {
			h[m] *= 1e-5
		}
		s.Users = append(s.Users, scheduler.User{ID: fmt.Sprint(k), RateBps: 1e6 * (1 + rng.Float64()), NoiseW: 1e-13})
		s.Channel.Samples = append(s.Channel.Samples, h...)
	}
	return s
}
