// Package energy counts what a station draws from the wall, and says how far from
// it exposure limits are met.
//
// Symbols of its formulas:
//
//	M      antennas of the station
//	m      antennas on: those that radiate in any group; the others sleep
//	K      users of a group
//	P      power radiated while a group is on the air, in W
//	B      bandwidth of a group, in Hz
//	share  part of the slot that a group is on the air
//	busy   part of the slot with any group on the air
//
// Parameter sets are named by where they were published. Published.Source says what
// their values were held against, which was never the paper itself: check them against
// it before you rely on them.
package energy
