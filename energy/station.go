package energy

import "math"

// Station is a model of what a station draws from the wall. Waking up costs
// neither time nor energy.
type Station struct {
	Amplifier     Amplifier // one at each antenna
	BaseW         float64   // what depends on neither antennas nor users
	BaseSleepW    float64   // the same while nothing is on the air
	AntennaW      float64   // circuits of one antenna that is on
	AntennaSleepW float64   // the same of one asleep
	UserW         float64   // circuits for one user of the group on the air
	JoulesPerBit  float64   // coding and backhaul, of bits delivered

	// OperationsPerJoule is the efficiency of the processor that applies the
	// weights, with 2 m K operations for each of B samples a second; 0: free.
	OperationsPerJoule float64
}

// AwakeW returns what a station with m antennas on draws more than asleep while
// any group is on the air, before amplifiers and users.
func (s *Station) AwakeW(on int) float64 {
	return s.BaseW - s.BaseSleepW + float64(on)*(s.AntennaW-s.AntennaSleepW)
}

// UsersW returns what the users of a group draw while it is on the air, with m
// antennas on.
func (s *Station) UsersW(on, users int, bandwidthHz float64) float64 {
	return float64(users)*s.UserW + s.processingW(2*float64(on)*float64(users)*bandwidthHz)
}

// processingW returns the power that operations per second take.
func (s *Station) processingW(operations float64) float64 {
	if s.OperationsPerJoule == 0 {
		return 0
	}
	return operations / s.OperationsPerJoule
}

// Load is what a station does in a slot.
type Load struct {
	Antennas  int // M
	BusyShare float64
	RateBps   float64 // sum delivered, mean over the slot
	Groups    []GroupLoad
}

// GroupLoad is what a station does while one group is on the air.
type GroupLoad struct {
	Share         float64
	Users         int
	BandwidthHz   float64
	AntennaPowerW []float64 // radiated by each of the M antennas
}

// Parts is consumed power split by cause, in W, means over the slot.
type Parts struct {
	AmplifierW  float64 `json:"amplifierW"`
	BaseW       float64 `json:"baseW"`
	AntennaW    float64 `json:"antennaW"` // circuits of antennas that are on
	UserW       float64 `json:"userW"`
	ProcessingW float64 `json:"processingW"`
	BitW        float64 `json:"bitW"`   // coding and backhaul
	SleepW      float64 `json:"sleepW"` // of all that sleeps, while it sleeps
}

// Cause is one part of consumed power.
type Cause struct {
	Name   string
	PowerW float64
}

// Causes returns the parts by name, always in the same order.
func (p Parts) Causes() []Cause {
	return []Cause{
		{"amplifiers", p.AmplifierW}, {"antennas", p.AntennaW}, {"processing", p.ProcessingW}, {"users", p.UserW},
		{"coding and backhaul", p.BitW}, {"base", p.BaseW}, {"sleep", p.SleepW},
	}
}

// TotalW returns the sum of all parts.
func (p Parts) TotalW() float64 {
	return p.AmplifierW + p.BaseW + p.AntennaW + p.UserW + p.ProcessingW + p.BitW + p.SleepW
}

// Plus returns the sums of parts.
func (p Parts) Plus(q Parts) Parts {
	return Parts{
		p.AmplifierW + q.AmplifierW, p.BaseW + q.BaseW, p.AntennaW + q.AntennaW, p.UserW + q.UserW,
		p.ProcessingW + q.ProcessingW, p.BitW + q.BitW, p.SleepW + q.SleepW,
	}
}

// Times returns the parts times a factor.
func (p Parts) Times(x float64) Parts {
	return Parts{x * p.AmplifierW, x * p.BaseW, x * p.AntennaW, x * p.UserW, x * p.ProcessingW, x * p.BitW, x * p.SleepW}
}

// Consumed returns what a load draws from the wall, split by cause. An antenna is
// on, all the time that a group is on the air, if it radiates in any group.
// O(groups * antennas).
func (s *Station) Consumed(l *Load) Parts {
	on := make([]bool, l.Antennas)
	m := 0
	for _, g := range l.Groups {
		for i, w := range g.AntennaPowerW {
			if w > 0 && !on[i] {
				on[i] = true
				m++
			}
		}
	}
	asleep := float64(l.Antennas-m) * s.AntennaSleepW
	p := Parts{
		BaseW:    l.BusyShare * s.BaseW,
		AntennaW: l.BusyShare * float64(m) * s.AntennaW,
		BitW:     l.RateBps * s.JoulesPerBit,
		SleepW:   l.BusyShare*asleep + (1-l.BusyShare)*(s.BaseSleepW+float64(l.Antennas)*s.AntennaSleepW),
	}
	for _, g := range l.Groups {
		for i, w := range g.AntennaPowerW {
			if on[i] {
				p.AmplifierW += g.Share * s.Amplifier.SupplyW(w)
			}
		}
		p.UserW += g.Share * float64(g.Users) * s.UserW
		p.ProcessingW += g.Share * s.processingW(2*float64(m)*float64(g.Users)*g.BandwidthHz)
	}
	return p
}

// JoulesPerBit returns the energy that one delivered bit takes, in J; +Inf where
// no bit is delivered. Say beside it whether power is radiated or consumed.
func JoulesPerBit(powerW, rateBps float64) float64 {
	if !(rateBps > 0) {
		return math.Inf(1)
	}
	return powerW / rateBps
}
