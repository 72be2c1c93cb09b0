package convert

import (
	"testing"

	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// Every field of the contract's audit carries what was found.
func TestAuditToProto(t *testing.T) {
	eirp, floor, over, consumed := 3.0, 4.0, 5.0, 8.0
	r := &audit.Result{
		Findings:       []audit.Finding{{Path: "p", Claimed: 1, Recomputed: 2, Text: "t"}},
		RadiatedPowerW: 1, Users: []scheduler.UserRate{{ID: "u", TargetBps: 6, RateBps: 7}}, AntennaPowerW: []float64{2},
		PeakEIRPW: &eirp, FloorPowerW: &floor, OverFloorDB: &over, WorstRateRatio: 0.5, ConsumedPowerW: &consumed,
	}
	m := AuditToProto(r)
	f, u := m.GetFindings()[0], m.GetUsers()[0]
	if m.GetAgrees() || f.GetPath() != "p" || f.GetClaimed() != 1 || f.GetRecomputed() != 2 || f.GetText() != "t" ||
		m.GetRadiatedPowerW() != 1 || u.GetId() != "u" || u.GetTargetBps() != 6 || u.GetRateBps() != 7 ||
		m.GetAntennaPowerW()[0] != 2 || m.GetPeakEirpW() != 3 || m.GetFloorPowerW() != 4 || m.GetOverFloorDb() != 5 ||
		m.GetWorstRateRatio() != 0.5 || m.GetConsumedPowerW() != 8 {
		t.Errorf("%v", m)
	}
	if m := AuditToProto(&audit.Result{}); !m.GetAgrees() || m.PeakEirpW != nil || m.FloorPowerW != nil || m.OverFloorDb != nil || m.ConsumedPowerW != nil {
		t.Errorf("%v", m)
	}
}
