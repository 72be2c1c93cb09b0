package scheduler

import (
	"fmt"
	"slices"
)

// Version of the engine, carried by every plan.
const Version = "0.1.0"

// RateTolerance is the relative shortfall of a rate that still counts as met.
const RateTolerance = 1e-6

// Status says what became of a slot.
type Status int

// Statuses of a plan.
const (
	StatusNone     Status = iota // not scheduled
	StatusMet                    // every rate >= target * (1 - RateTolerance)
	StatusShort                  // something binds; the plan that falls short least
	StatusRejected               // bad input, see Violations; no plan
	StatusDropped                // stale in a session where the newest wins; no plan
	StatusFailed                 // a contained fault of the engine or of a grouping, see Violations; no plan
)

var statusNames = [...]string{"NONE", "MET", "SHORT", "REJECTED", "DROPPED", "FAILED"}

// String returns the contract's word for s.
func (s Status) String() string {
	if s < 0 || int(s) >= len(statusNames) {
		return "UNKNOWN"
	}
	return statusNames[s]
}

// MarshalText implements encoding.TextMarshaler.
func (s Status) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText implements encoding.TextUnmarshaler.
func (s *Status) UnmarshalText(text []byte) error {
	i := slices.Index(statusNames[:], string(text))
	if i < 0 {
		return fmt.Errorf("scheduler: status %q, allowed: one of %v", text, statusNames)
	}
	*s = Status(i)
	return nil
}

// Plan is the answer to one slot. Names, units and meaning are those of the
// contract (proto/leastwatt/v1/plan.proto): every rate, power and limit in it
// is computed anew from the weights as encoded.
type Plan struct {
	Sequence          int64
	Status            Status
	StoppedEarly      bool
	Violations        []Violation
	LimitsBinding     []BindingLimit
	UnservableUserIDs []string
	CommonFraction    *float64 // of every target, weighted by priority, that is delivered; nil unless StatusShort
	FractionProved    bool     // no other partition carries more than 0.1 % more
	Strategy          Strategy
	Options           Options  // of the slot, defaults filled in; without a codebook's own beams
	RadiatedPowerW    float64  // mean over the slot
	ConsumedPowerW    *float64 // mean over the slot; nil: not known
	FloorPowerW       *float64 // nil: not asked for
	FloorCertificate  *FloorCertificate
	Groups            []Group
	Users             []UserRate // every user of the slot, in its order
	AntennaPowerW     []float64  // maximum over groups
	PeakEIRPW         *float64   // nil: no geometry
	ComputeMicros     int64      // set by the caller, who has the clock
	Solves            int64
	EngineVersion     string
	SessionState      []byte
}

// BindingLimit is a limit that keeps a target from being met.
type BindingLimit struct {
	Limit   string // JSON name, such as antennaPowerW
	Index   int
	NeededW float64
}

// Strategy names the parts that made a plan.
type Strategy struct {
	Grouping string `json:"grouping"`
	Beams    string `json:"beams"`
	Power    string `json:"power"`
}

// FloorCertificate proves a lower bound on radiated power.
type FloorCertificate struct {
	Prices  []float64 // W per nat and use, per user
	PowersW []float64 // [user][subband]
}

// Group is a set of users served at once by space division.
type Group struct {
	Share          float64
	Subbands       []int // empty: all
	RadiatedPowerW float64
	Allocations    []Allocation
	WeightScale    float64 // of WeightsI16: weight = count * WeightScale
}

// Allocation is one user's part of a group.
type Allocation struct {
	UserID    string
	BeamIndex int          // of the codebook; -1: none
	SINR      []float64    // per subband in use
	RateBps   float64      // share included
	PowerW    float64      // while on the air
	Weights   []complex128 // [subband][antenna] as encoded; nil when not asked for
	RateStep  []int        // row of the rate table per subband; nil without a table
}

// UserRate is what a user asked for and gets.
type UserRate struct {
	ID         string
	TargetBps  float64 // asked, and what is repaid of earlier slots
	RateBps    float64
	BacklogBps float64 // owed after the slot, as a rate over one slot
}
