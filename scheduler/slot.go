package scheduler

import "time"

// Slot is one scheduling interval: the channel, the users, their rates and the
// limits that hold in it. Names, units and meaning are those of the contract
// (proto/leastwatt/v1/slot.proto). A slot is read only while it is scheduled.
type Slot struct {
	Sequence           int64
	CaptureTime        time.Time // zero: not stated; never changes a plan
	SlotDurationMicros int64     // 0: not stated; never changes a plan
	CarrierHz          float64   // 0: not stated; needed with Array
	BandwidthHz        float64
	Channel            Channel
	Users              []User
	Array              *Array // nil: geometry unknown
	Limits             Limits
	Options            Options
	Groups             []FixedGroup // empty: the engine groups
}

// Channel is a snapshot: samples h of y_k = h_k^H x + n_k.
type Channel struct {
	Antennas int          // M >= 1
	Subbands int          // F >= 1, equally wide
	Samples  []complex128 // [user][subband][antenna]
}

// At returns the M samples of user k on subband f.
func (c *Channel) At(k, f int) []complex128 {
	i := (k*c.Subbands + f) * c.Antennas
	return c.Samples[i : i+c.Antennas : i+c.Antennas]
}

// User is one receiver with one antenna.
type User struct {
	ID               string
	RateBps          float64   // target, mean over the slot; 0 gets no power
	NoiseW           float64   // over the whole bandwidth
	SubbandNoiseW    []float64 // per subband; takes the place of NoiseW
	CSIErrorVariance float64   // of an MMSE estimate, per antenna and subband, in units of |h|^2
	Priority         float64   // weight when not every target can be met; 0 means 1
}

// SubbandNoise returns the noise power of user u on subband f of F, in W.
func (u *User) SubbandNoise(f, subbands int) float64 {
	if len(u.SubbandNoiseW) > 0 {
		return u.SubbandNoiseW[f]
	}
	return u.NoiseW / float64(subbands)
}

// Element patterns of Array.
const (
	PatternIsotropic = "isotropic" // the same gain everywhere
	PatternSector65  = "sector65"  // a sector of 65 degrees, 3GPP TR 38.901
)

// Array is the geometry of the transmit antennas, looking along +x.
type Array struct {
	PositionsM     [][3]float64 // x, y, z of each antenna
	ElementGainDBi float64
	ElementPattern string // empty means isotropic
}

// Limits are peak limits: they hold while any group is on the air. Nil and
// empty mean no limit.
type Limits struct {
	TotalPowerW         *float64
	AntennaPowerW       []float64 // per antenna; 0 takes the antenna out
	EIRPW               *float64  // needs Slot.Array
	ProtectedDirections []ProtectedDirection
	MaxGroupSize        int // 0: no limit
	MaxGroups           int // 0: no limit
}

// ProtectedDirection is a cone with its own limit on EIRP.
type ProtectedDirection struct {
	AzimuthDeg   float64
	ElevationDeg float64
	WidthDeg     float64 // full width
	EIRPW        float64
}

// WeightFormat says how beam weights are returned.
type WeightFormat int

// Weight formats. Rates and limits are evaluated on weights as encoded.
const (
	WeightsNone WeightFormat = iota // computed in float64, not returned
	WeightsF64                      // as computed
	WeightsF32                      // rounded to float32
	WeightsI16                      // int16 pairs with one scale per group
)

// Objectives of Options.
const (
	ObjectiveRadiated = "radiated" // least radiated power
	ObjectiveConsumed = "consumed" // least power from the wall
)

// Options choose strategies and bounds on work. Zero values take defaults (see
// Resolve).
type Options struct {
	Grouping             string
	Beams                string
	Power                string
	Objective            string
	Floor                bool
	Weights              WeightFormat
	Seed                 int64
	WorkLimit            int64   // inner solves; 0: no bound
	ComputeBudgetMicros  int64   // 0: no bound; the caller's clock, see Engine.Schedule
	CorrelationThreshold float64 // in (0, 1]; 0: the grouping's own
	HysteresisDB         float64
	SINRGapDB            float64
	RateTable            string
	Codebook             *Codebook    // nil: the DFT grid of a line with a beam for each antenna
	ShareStep            float64      // 0: any share
	Consumption          *Consumption // nil: not known
	BacklogSlots         float64      // bound on what a session owes a user, in slots of its target; 0: nothing
}

// Codebook is a set of beams to choose from.
type Codebook struct {
	Oversampling int          // of a DFT grid; used where Beams is empty
	Columns      int          // of a planar array; 0: a line
	Beams        []complex128 // [beam][antenna]; scaled to unit power
}

// Consumption is what the station draws from the wall; the formula is that of the
// contract. Each number given takes the place of the model's.
type Consumption struct {
	Model               string // of energy.Sets; empty: efficiency 1, all else 0
	AmplifierEfficiency *float64
	BaseW               *float64
	BaseSleepW          *float64
	AntennaW            *float64
	AntennaSleepW       *float64
	UserW               *float64
	JoulesPerBit        *float64
	OperationsPerJoule  *float64 // 0: the processor's work is free
}

// FixedGroup is a group chosen by the caller. Users may be in several.
type FixedGroup struct {
	UserIDs  []string
	Share    *float64 // nil: the engine chooses
	Subbands []int    // empty: all
}

// Violation is one thing wrong with a slot.
type Violation struct {
	Path    string // in the contract's JSON names, such as users[3].rateBps
	Value   string // what was found
	Allowed string // what is allowed
}
