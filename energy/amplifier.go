package energy

import "math"

// AmplifierClass says how the power that an amplifier draws follows the power it
// radiates.
type AmplifierClass int

// Classes of amplifiers. Those of A and B are ideal ones under a signal of
// constant envelope (S. Cripps, RF Power Amplifiers for Wireless Communications,
// from memory): at best 1/2 and pi/4 of what they draw is radiated, at PeakW.
const (
	Proportional AmplifierClass = iota // P / Efficiency
	ClassA                             // PeakW / Efficiency, whatever is radiated
	ClassB                             // sqrt(P PeakW) / Efficiency
)

// Amplifier is the power amplifier of one antenna.
type Amplifier struct {
	Class      AmplifierClass
	Efficiency float64 // radiated over drawn power, in (0, 1]; of ClassA and ClassB at PeakW
	PeakW      float64 // largest radiated power; Proportional does not use it
}

// SupplyW returns what the amplifier draws while its antenna is on and radiates
// the power given, in W.
func (a Amplifier) SupplyW(radiatedW float64) float64 {
	switch a.Class {
	case ClassA:
		return a.PeakW / a.Efficiency
	case ClassB:
		return math.Sqrt(radiatedW*a.PeakW) / a.Efficiency
	default:
		return radiatedW / a.Efficiency
	}
}
