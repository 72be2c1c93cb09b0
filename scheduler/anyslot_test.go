package scheduler

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"leastwatt/channel"
)

// slotKind bounds what anySlot draws.
type slotKind struct {
	users, antennas, subbands int
	eirp                      bool // limits on EIRP too
}

// anySlot draws a valid slot: a channel of a few paths or Rayleigh fading on a panel,
// and whatever options and limits go together.
func anySlot(rng *rand.Rand, kind slotKind) *Slot {
	for {
		s := drawSlot(rng, kind)
		if s.Validate() == nil && s.Exceeds(Bounds{}) == nil {
			return s
		}
	}
}

func pick[T any](rng *rand.Rand, of ...T) T { return of[rng.IntN(len(of))] }

// upTo draws from 1 to n, small numbers as often as large ones.
func upTo(rng *rand.Rand, n int) int {
	return min(n, int(math.Exp(rng.Float64()*math.Log(float64(n)+1))))
}

func drawSlot(rng *rand.Rand, kind slotKind) *Slot {
	rows, columns := upTo(rng, 8), upTo(rng, max(1, kind.antennas/8))
	s := planarSlot(rows, columns, 3.5e9)
	s.BandwidthHz = 1e7
	s.Channel.Subbands = upTo(rng, kind.subbands)
	if rng.IntN(3) == 0 {
		s.Array.ElementPattern = PatternSector65
	}
	users := upTo(rng, kind.users)
	load := pick(rng, 0.1, 0.5, 1, 3)
	for k := range users {
		s.Users = append(s.Users, User{ID: string(rune('a' + k)), RateBps: 1e7 * load * (0.2 + rng.Float64()), NoiseW: 1e-13})
		if rng.IntN(8) == 0 {
			s.Users[k].RateBps = 0
		}
		s.Users[k].Priority = pick(rng, 0, 0, 1, 2.5)
		paths := upTo(rng, 6)
		gain := math.Pow(10, -4-1.5*rng.Float64())
		for range s.Channel.Subbands {
			h := make([]complex128, s.Channel.Antennas)
			for range paths {
				d := channel.Direction{AzimuthDeg: -60 + 120*rng.Float64(), ElevationDeg: -20 + 25*rng.Float64()}
				z := complex(gain*rng.NormFloat64(), gain*rng.NormFloat64())
				for m, p := range s.Array.PositionsM {
					u := d.Unit()
					turns := (p[0]*u[0] + p[1]*u[1] + p[2]*u[2]) / channel.WavelengthM(s.CarrierHz)
					h[m] += z * cmplx.Rect(1, 2*math.Pi*turns)
				}
			}
			s.Channel.Samples = append(s.Channel.Samples, h...)
		}
		if rng.IntN(6) == 0 {
			s.Users[k].CSIErrorVariance = 1e-3 * gain * gain
		}
	}
	if rng.IntN(4) == 0 { // no array
		s.Array, s.CarrierHz = nil, 0
	}
	drawOptions(rng, s)
	drawLimits(rng, s, kind)
	if rng.IntN(8) == 0 {
		drawFixed(rng, s)
	}
	return s
}

func drawOptions(rng *rand.Rand, s *Slot) {
	o := &s.Options
	o.Grouping = Groupings()[rng.IntN(len(Groupings()))].Name
	if rng.IntN(3) == 0 {
		o.Grouping = GroupingLeastPower
	}
	if rng.IntN(2) == 0 {
		o.Beams = Beams()[rng.IntN(len(Beams()))].Name
		if o.Beams != BeamsOptimal {
			o.Power = pick(rng, PowerLP, PowerIterative)
		}
		if o.Beams == BeamsCodebook && rng.IntN(2) == 0 {
			o.Codebook = &Codebook{Oversampling: 1 + rng.IntN(4)}
		}
	}
	if rng.IntN(4) == 0 {
		o.Objective = ObjectiveConsumed
	}
	o.Weights = WeightFormat(rng.IntN(4))
	o.Floor = rng.IntN(4) == 0
	if rng.IntN(5) == 0 {
		o.RateTable = RateTables()[rng.IntN(len(RateTables()))].Name
	}
	o.ShareStep = pick(rng, 0, 0, 0, 1.0/14, 1e-4, 0.25)
	o.SINRGapDB = pick(rng, 0, 0, 3.0)
}

func drawLimits(rng *rand.Rand, s *Slot, kind slotKind) {
	l := &s.Limits
	watts := func() float64 { return math.Pow(10, -4+5*rng.Float64()) }
	if rng.IntN(3) == 0 {
		l.TotalPowerW = ptr(watts())
	}
	if rng.IntN(3) == 0 {
		l.AntennaPowerW = make([]float64, s.Channel.Antennas)
		each := watts() / float64(s.Channel.Antennas)
		for m := range l.AntennaPowerW {
			l.AntennaPowerW[m] = each * pick(rng, 0, 1, 1, 1, 2.0)
		}
		l.AntennaPowerW[0] = each
	}
	if kind.eirp && s.Array != nil {
		if rng.IntN(3) == 0 {
			l.EIRPW = ptr(10 * watts())
		}
		if rng.IntN(3) == 0 {
			for range 1 + rng.IntN(3) {
				l.ProtectedDirections = append(l.ProtectedDirections, ProtectedDirection{
					AzimuthDeg: -60 + 120*rng.Float64(), ElevationDeg: -20 + 30*rng.Float64(),
					WidthDeg: math.Pow(10, -0.3+2*rng.Float64()), EIRPW: watts(),
				})
			}
		}
	}
	if rng.IntN(5) == 0 {
		l.MaxGroupSize = 1 + rng.IntN(4)
	}
	if rng.IntN(5) == 0 {
		l.MaxGroups = 1 + rng.IntN(4)
	}
}

// drawFixed has the caller choose the groups: some of the users and then all.
func drawFixed(rng *rand.Rand, s *Slot) {
	some, all := FixedGroup{}, FixedGroup{}
	for k := range s.Users {
		all.UserIDs = append(all.UserIDs, s.Users[k].ID)
		if rng.IntN(2) == 0 {
			some.UserIDs = append(some.UserIDs, s.Users[k].ID)
		}
	}
	if s.Channel.Subbands > 1 && rng.IntN(2) == 0 {
		some.Subbands = []int{rng.IntN(s.Channel.Subbands)}
	}
	if rng.IntN(2) == 0 {
		some.Share = ptr(pick(rng, 0.25, 0.5))
	}
	if len(some.UserIDs) > 0 {
		s.Groups = append(s.Groups, some)
	}
	s.Groups = append(s.Groups, all)
}
