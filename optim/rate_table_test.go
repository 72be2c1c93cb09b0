package optim

import (
	"math"
	"testing"
)

// standardRow is a row as printed in the standard: index, Qm, 1024 R, spectral
// efficiency to four places.
type standardRow struct {
	index, qm        int
	rate, efficiency float64
}

// 3GPP TS 38.214 tables 5.2.2.1-2, 5.2.2.1-3, 5.1.3.1-1 and 5.1.3.1-2, all rows
// that carry data (several independent transcriptions of the standard agree).
var standardTables = map[string][]standardRow{
	"cqi-64qam": {
		{1, 2, 78, 0.1523},
		{2, 2, 120, 0.2344},
		{3, 2, 193, 0.3770},
		{4, 2, 308, 0.6016},
		{5, 2, 449, 0.8770},
		{6, 2, 602, 1.1758},
		{7, 4, 378, 1.4766},
		{8, 4, 490, 1.9141},
		{9, 4, 616, 2.4063},
		{10, 6, 466, 2.7305},
		{11, 6, 567, 3.3223},
		{12, 6, 666, 3.9023},
		{13, 6, 772, 4.5234},
		{14, 6, 873, 5.1152},
		{15, 6, 948, 5.5547},
	},
	"cqi-256qam": {
		{1, 2, 78, 0.1523},
		{2, 2, 193, 0.3770},
		{3, 2, 449, 0.8770},
		{4, 4, 378, 1.4766},
		{5, 4, 490, 1.9141},
		{6, 4, 616, 2.4063},
		{7, 6, 466, 2.7305},
		{8, 6, 567, 3.3223},
		{9, 6, 666, 3.9023},
		{10, 6, 772, 4.5234},
		{11, 6, 873, 5.1152},
		{12, 8, 711, 5.5547},
		{13, 8, 797, 6.2266},
		{14, 8, 885, 6.9141},
		{15, 8, 948, 7.4063},
	},
	"mcs-64qam": {
		{0, 2, 120, 0.2344},
		{1, 2, 157, 0.3066},
		{2, 2, 193, 0.3770},
		{3, 2, 251, 0.4902},
		{4, 2, 308, 0.6016},
		{5, 2, 379, 0.7402},
		{6, 2, 449, 0.8770},
		{7, 2, 526, 1.0273},
		{8, 2, 602, 1.1758},
		{9, 2, 679, 1.3262},
		{10, 4, 340, 1.3281},
		{11, 4, 378, 1.4766},
		{12, 4, 434, 1.6953},
		{13, 4, 490, 1.9141},
		{14, 4, 553, 2.1602},
		{15, 4, 616, 2.4063},
		{16, 4, 658, 2.5703},
		{17, 6, 438, 2.5664},
		{18, 6, 466, 2.7305},
		{19, 6, 517, 3.0293},
		{20, 6, 567, 3.3223},
		{21, 6, 616, 3.6094},
		{22, 6, 666, 3.9023},
		{23, 6, 719, 4.2129},
		{24, 6, 772, 4.5234},
		{25, 6, 822, 4.8164},
		{26, 6, 873, 5.1152},
		{27, 6, 910, 5.3320},
		{28, 6, 948, 5.5547},
	},
	"mcs-256qam": {
		{0, 2, 120, 0.2344},
		{1, 2, 193, 0.3770},
		{2, 2, 308, 0.6016},
		{3, 2, 449, 0.8770},
		{4, 2, 602, 1.1758},
		{5, 4, 378, 1.4766},
		{6, 4, 434, 1.6953},
		{7, 4, 490, 1.9141},
		{8, 4, 553, 2.1602},
		{9, 4, 616, 2.4063},
		{10, 4, 658, 2.5703},
		{11, 6, 466, 2.7305},
		{12, 6, 517, 3.0293},
		{13, 6, 567, 3.3223},
		{14, 6, 616, 3.6094},
		{15, 6, 666, 3.9023},
		{16, 6, 719, 4.2129},
		{17, 6, 772, 4.5234},
		{18, 6, 822, 4.8164},
		{19, 6, 873, 5.1152},
		{20, 8, 682.5, 5.3320},
		{21, 8, 711, 5.5547},
		{22, 8, 754, 5.8906},
		{23, 8, 797, 6.2266},
		{24, 8, 841, 6.5703},
		{25, 8, 885, 6.9141},
		{26, 8, 916.5, 7.1602},
		{27, 8, 948, 7.4063},
	},
}

func TestRateTablesAgainstStandard(t *testing.T) {
	for _, table := range RateTables() {
		want := standardTables[table.Name]
		if len(want) != len(table.Steps) {
			t.Fatalf("%s has %d rows, want %d", table.Name, len(table.Steps), len(want))
		}
		byIndex := map[int]RateStep{}
		for i, s := range table.Steps {
			byIndex[s.Index] = s
			if i > 0 && s.EfficiencyBitHz < table.Steps[i-1].EfficiencyBitHz {
				t.Errorf("%s: step %d out of order", table.Name, i)
			}
		}
		for _, w := range want {
			s := byIndex[w.index]
			if s.BitsPerSymbol != w.qm || s.CodeRateBy1024 != w.rate || math.Abs(s.EfficiencyBitHz-w.efficiency) > 5.1e-5 {
				t.Errorf("%s row %d: %+v, want %+v", table.Name, w.index, s, w)
			}
		}
	}
}

// A target is met by the least step that carries it, and the SINR of a step
// carries that step: rows 16 and 17 of table 5.1.3.1-1 stand the other way round.
func TestRateStep(t *testing.T) {
	table := RateTableByName("mcs-64qam")
	for _, c := range []struct {
		bits  float64
		index int
	}{{0.1, 0}, {0.2343, 0}, {0.2344, 1}, {2.5664, 17}, {2.5665, 16}, {2.57, 16}, {2.5704, 18}, {5.5546, 28}} {
		i := table.StepFor(c.bits * math.Ln2)
		if i < 0 || table.Steps[i].Index != c.index {
			t.Errorf("%g bit: step at %d, want row %d", c.bits, i, c.index)
		}
	}
	if i := table.StepFor(5.56 * math.Ln2); i != -1 {
		t.Errorf("5.56 bit: step at %d, want none", i)
	}
	const gap = 1.5
	for i := range table.Steps {
		sinr := gap * math.Expm1(table.Nats(i))
		if got := table.StepAt(sinr*(1+1e-9), gap); got != i {
			t.Errorf("step %d: its SINR carries step %d", i, got)
		}
		if got := table.StepAt(sinr*(1-1e-9), gap); got != i-1 {
			t.Errorf("step %d: just below its SINR carries step %d", i, got)
		}
	}
}
