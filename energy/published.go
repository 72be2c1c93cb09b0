package energy

import "strings"

// Published is a set of parameters with its source.
type Published struct {
	Name    string
	Summary string
	Source  string // of its values, and against what they were held; for those who read its numbers
	Station Station
}

// DefaultName is the set that is used where none is named.
const DefaultName = "per-antenna-2015"

// ByName returns the set of a name; nil when there is none.
func ByName(name string) *Published {
	for i := range published {
		if published[i].Name == name {
			return &published[i]
		}
	}
	return nil
}

// Sets returns all published sets. Callers must not change them.
func Sets() []Published { return published }

// Sources:
//
//	earth-2011-...       G. Auer et al., How much energy is needed to run a wireless
//	                     network?, IEEE Wireless Communications 18(5), 2011, table 2
//	per-antenna-2015     E. Bjornson, L. Sanguinetti, J. Hoydis, M. Debbah, Optimal
//	                     design of energy-efficient multi-user MIMO systems, IEEE
//	                     Trans. Wireless Communications 14(6), 2015, table II
//	per-antenna-2017-... E. Bjornson, J. Hoydis, L. Sanguinetti, Massive MIMO Networks,
//	                     2017, table 5.3
//
// What the values were held against stands in Source.
//
// Those of 2011 are linear models of a transceiver, N (P_0 + Delta P), N P_sleep
// when nothing is radiated. One antenna here is one transceiver there.
//
// Those of 2015 and 2017 know no sleep: an antenna that is off draws nothing, the
// fixed part stays on. They are those of the downlink's station: what the users'
// devices draw and decoding are left out, see Cell.
var published = []Published{
	transceiver("earth-2011-macro", "macro cell: 130 W and 4.7 W per radiated W at each antenna, 75 W asleep", 130, 4.7, 75),
	transceiver("earth-2011-remote-head", "macro cell with remote radio heads: 84 W and 2.8 W per radiated W at each antenna, 56 W asleep", 84, 2.8, 56),
	transceiver("earth-2011-micro", "micro cell: 56 W and 2.6 W per radiated W at each antenna, 39 W asleep", 56, 2.6, 39),
	transceiver("earth-2011-pico", "pico cell: 6.8 W and 4 W per radiated W at each antenna, 4.3 W asleep", 6.8, 4, 4.3),
	transceiver("earth-2011-femto", "femto cell: 4.8 W and 8 W per radiated W at each antenna, 2.9 W asleep", 4.8, 8, 2.9),
	perAntenna("per-antenna-2015", "large arrays: 20 W fixed, 1 W per antenna, amplifiers of 39 %, 12.8 Gflop/J", 18, 2, 1, 0.39, 0.1, 0.25, 12.8),
	perAntenna("per-antenna-2017-set1", "large arrays: 10.2 W fixed, 0.4 W per antenna, amplifiers of 40 % (from memory), 75 Gflop/J", 10, 0.2, 0.4, 0.4, 0.1, 0.25, 75),
	perAntenna("per-antenna-2017-set2", "large arrays, later: 5.1 W fixed, 0.2 W per antenna, amplifiers of 50 % (from memory), 750 Gflop/J", 5, 0.1, 0.2, 0.5, 0.01, 0.025, 750),
}

// transceiver returns a set of the linear model of a transceiver.
func transceiver(name, summary string, onW, slope, sleepW float64) Published {
	return Published{name, summary, "Auer et al. 2011, table 2, held against public transcriptions of it", Station{
		Amplifier: Amplifier{Efficiency: 1 / slope}, AntennaW: onW, AntennaSleepW: sleepW,
	}}
}

// perAntenna returns a set of the per-antenna model; coding and backhaul are in
// W per Gbit/s.
func perAntenna(name, summary string, fixedW, oscillatorW, antennaW, efficiency, coding, backhaul, gflopPerJ float64) Published {
	source := "Bjornson et al. 2015, table II, held against its authors' published program"
	if strings.HasPrefix(name, "per-antenna-2017") {
		source = "Bjornson et al. 2017, table 5.3, held against its authors' published program but for the amplifiers' efficiency, which is from memory"
	}
	return Published{name, summary, source, Station{
		Amplifier: Amplifier{Efficiency: efficiency},
		BaseW:     fixedW + oscillatorW, BaseSleepW: fixedW + oscillatorW,
		AntennaW:           antennaW,
		JoulesPerBit:       (coding + backhaul) * 1e-9,
		OperationsPerJoule: gflopPerJ * 1e9,
	}}
}
