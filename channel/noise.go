package channel

import "math"

// ThermalDensityDBmPerHz is the usual round figure for kT at 290 K (exactly
// -173.975).
const ThermalDensityDBmPerHz = -174

// ThermalNoiseW returns the noise power in W of a receiver over bandwidthHz.
func ThermalNoiseW(bandwidthHz, noiseFigureDB float64) float64 {
	return WattsOf(ThermalDensityDBmPerHz + 10*math.Log10(bandwidthHz) + noiseFigureDB)
}

// DBm returns powerW in dBm; 0 W is -Inf.
func DBm(powerW float64) float64 { return 30 + 10*math.Log10(powerW) }

// WattsOf returns the power in W of dBm.
func WattsOf(dBm float64) float64 { return math.Pow(10, (dBm-30)/10) }
