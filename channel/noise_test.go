package channel

import (
	"math"
	"testing"
)

// -174 dBm/Hz + 10 log10(B): derived; bandwidths are those of TS 38.211
// resource blocks.
func TestThermalNoise(t *testing.T) {
	for _, tc := range []struct{ bandwidthHz, noiseFigureDB, wantDBm float64 }{
		{30e3, 0, -129.2288},
		{180e3, 0, -121.4473},
		{360e3, 0, -118.4370},
		{98.28e6, 0, -94.0753},
		{100e6, 0, -94.0000},
		{100e6, 9, -85.0000},
	} {
		if got := DBm(ThermalNoiseW(tc.bandwidthHz, tc.noiseFigureDB)); math.Abs(got-tc.wantDBm) > 5e-5 {
			t.Errorf("noise of %v Hz, %v dB = %.4f dBm, want %.4f", tc.bandwidthHz, tc.noiseFigureDB, got, tc.wantDBm)
		}
	}
}

func TestDBm(t *testing.T) {
	for _, tc := range []struct{ w, dBm float64 }{{1e-3, 0}, {1, 30}, {20, 43.0103}} {
		if got := DBm(tc.w); math.Abs(got-tc.dBm) > 5e-5 {
			t.Errorf("DBm(%v) = %v, want %v", tc.w, got, tc.dBm)
		}
		if got := WattsOf(DBm(tc.w)); math.Abs(got-tc.w) > 1e-12*tc.w {
			t.Errorf("WattsOf(DBm(%v)) = %v", tc.w, got)
		}
	}
	if !math.IsInf(DBm(0), -1) {
		t.Errorf("DBm(0) = %v, want -Inf", DBm(0))
	}
}
