package scheduler

import (
	"fmt"
	"sort"

	"leastwatt/energy"
	"leastwatt/optim"
)

// Info describes a strategy by name.
type Info struct {
	Name    string
	Summary string
	Default bool
}

// Names of beams and powers. Groupings register themselves (RegisterGrouping).
const (
	BeamsMatched     = "matched"      // along the user's channel
	BeamsZeroForcing = "zero-forcing" // null at the others
	BeamsRegularized = "regularized"  // between the two
	BeamsOptimal     = "optimal"      // of least power, and their powers
	BeamsCodebook    = "codebook"     // one of a codebook each

	PowerLP        = "lp"        // by linear program
	PowerIterative = "iterative" // by distributed power control
	PowerJoint     = "joint"     // with optimal beams
)

// Beams lists the ways to form beams.
func Beams() []Info {
	return []Info{
		{BeamsMatched, "each beam along its user's own channel", false},
		{BeamsZeroForcing, "each beam null at every other user of the group", false},
		{BeamsRegularized, "zero forcing with one common regularisation, chosen for least power", false},
		{BeamsCodebook, "each user a beam of its own out of options.codebook, assigned for least power", false},
		{BeamsOptimal, "the beams of least total power, by uplink-downlink duality", true},
	}
}

// Powers lists the ways to find powers.
func Powers() []Info {
	return []Info{
		{PowerLP, "linear program over the powers of fixed beams", false},
		{PowerIterative, "iterative power control of fixed beams", false},
		{PowerJoint, "powers found together with optimal beams", true},
	}
}

// Objectives lists what can be minimised.
func Objectives() []Info {
	return []Info{
		{ObjectiveRadiated, "radiated power, mean over the slot", true},
		{ObjectiveConsumed, "power from the wall, mean over the slot, by options.consumption: groups may leave time to sleep, and antennas may stay off", false},
	}
}

// ConsumptionModels lists the published sets of what a station draws from the wall.
func ConsumptionModels() []Info {
	var out []Info
	for _, s := range energy.Sets() {
		out = append(out, Info{s.Name, s.Summary, s.Name == energy.DefaultName})
	}
	return out
}

// RateTables lists the tables of modulation and coding.
func RateTables() []Info {
	var out []Info
	for _, t := range optim.RateTables() {
		out = append(out, Info{t.Name, t.Summary, false})
	}
	return out
}

// Groupings lists the registered groupings, by name.
func Groupings() []Info {
	out := make([]Info, 0, len(groupings))
	for name, g := range groupings {
		out = append(out, Info{name, g.summary, name == DefaultGrouping})
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out
}

type groupingEntry struct {
	summary  string
	grouping Grouping
}

var groupings = map[string]groupingEntry{}

// RegisterGrouping makes a grouping known under a name. It is meant for init
// functions and panics when the name is taken.
func RegisterGrouping(name, summary string, g Grouping) {
	if _, taken := groupings[name]; taken {
		panic(fmt.Sprintf("scheduler: grouping %q registered twice", name))
	}
	groupings[name] = groupingEntry{summary, g}
}

// Grouping decides who shares the air. Its answer is checked: one that is not as
// told here makes a plan of StatusFailed.
type Grouping interface {
	// Group returns groups of user numbers: each user of v.Active in exactly
	// one, nobody else in any. Empty groups do not count; where limits on the size
	// and number of groups are broken users are dealt anew. It may keep nothing
	// between calls.
	Group(v *View) [][]int
}

// TimedGrouping is a Grouping that decides for how long each group is on the air
// too. Its groups keep to View.MaxGroupSize and View.MaxGroups, its shares to
// Options.ShareStep.
type TimedGrouping interface {
	Grouping
	// Timed takes the place of Group.
	Timed(v *View) []TimedGroup
}

// TimedGroup is a group with its share of the slot. Where it has rates, users may
// be in other groups too: those of all their groups must add up to the targets.
// On each subband shares add up to 1 at most, and leave something to groups whose
// share is open. Groups that have no subband in common may be on the air at the same
// time: with limits on power, which are looked at group by group, and with objective
// consumed there is one subband that all groups use.
type TimedGroup struct {
	Users    []int
	Subbands []int     // in use, rising; nil: all
	Share    float64   // 0: the engine chooses
	Rates    []float64 // of users while on the air, in nats per use, mean over the subbands in use, with a share; nil: what the targets need

	split []float64  // [user][subband] of Rates to start from; nil: not known
	found directions // in which EIRP has been seen to matter
}

// Names of groupings that others refer to.
const (
	GroupingLeastPower = "least-power" // by search
	GroupingExact      = "exact"       // proved
	GroupingMixed      = "mixed"       // users in several groups

	// DefaultGrouping is used where options name none.
	DefaultGrouping = GroupingLeastPower
)

// Resolve returns o with defaults in place of empty names.
func (o Options) Resolve() Options {
	if o.Grouping == "" {
		o.Grouping = DefaultGrouping
	}
	if o.Beams == "" {
		o.Beams = BeamsOptimal
	}
	if o.Power == "" {
		o.Power = PowerLP
		if o.Beams == BeamsOptimal {
			o.Power = PowerJoint
		}
	}
	if o.Beams == BeamsCodebook && o.Codebook == nil {
		o.Codebook = &Codebook{Oversampling: 1}
	}
	if o.Objective == "" {
		o.Objective = ObjectiveRadiated
	}
	if o.Objective == ObjectiveConsumed && o.Consumption == nil {
		o.Consumption = &Consumption{Model: energy.DefaultName}
	}
	return o
}

// asTold returns the options as a plan tells them: defaults filled in, and without
// the own beams of a codebook, which would outweigh the plan.
func (o Options) asTold() Options {
	o = o.Resolve()
	if o.Codebook != nil && len(o.Codebook.Beams) > 0 {
		book := *o.Codebook
		book.Beams = nil
		o.Codebook = &book
	}
	return o
}
