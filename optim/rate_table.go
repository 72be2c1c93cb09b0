package optim

import (
	"math"
	"sort"
)

// RateStep is one row of a table of modulation and coding, as 3GPP TS 38.214 prints
// it.
type RateStep struct {
	Index           int     // row number in the standard
	BitsPerSymbol   int     // modulation order Qm
	CodeRateBy1024  float64 // target code rate R times 1024
	EfficiencyBitHz float64 // Qm R, bit/s/Hz
}

// RateTable is a table of modulation and coding: a rate is met by the least step
// that carries it. Steps are by rising efficiency, which the standard's rows are not
// everywhere.
type RateTable struct {
	Name    string     // for RateTableByName
	Summary string     // one line, names the standard's table
	Steps   []RateStep // by rising EfficiencyBitHz
}

// StepFor returns the place in t.Steps of the least step that carries the rate, in
// nats per use, up to 1e-12 relative, or -1 when none does or the rate is NaN. O(log
// n).
func (t *RateTable) StepFor(nats float64) int {
	bits := nats / math.Ln2 * (1 - 1e-12)
	i := sort.Search(len(t.Steps), func(i int) bool { return t.Steps[i].EfficiencyBitHz >= bits })
	if i == len(t.Steps) {
		return -1
	}
	return i
}

// StepAt returns the place in t.Steps of the largest step that an SINR carries at
// a gap to capacity, both linear: log(1 + SINR/gap) nats per use. It returns -1
// when none does, and where the SINR is negative or NaN or the gap is not
// positive. O(log n).
func (t *RateTable) StepAt(sinr, gap float64) int {
	bits := math.Log1p(sinr/gap) / math.Ln2
	if !(sinr >= 0 && gap > 0 && bits >= 0) {
		return -1
	}
	return sort.Search(len(t.Steps), func(i int) bool { return t.Steps[i].EfficiencyBitHz > bits }) - 1
}

// Nats returns the rate of the step at place i of t.Steps in nats per use, ln 2
// times its efficiency. It panics for a place that there is not.
func (t *RateTable) Nats(i int) float64 { return t.Steps[i].EfficiencyBitHz * math.Ln2 }

// Rows of 3GPP TS 38.214 as (Qm, 1024 R).
type row struct {
	qm   int
	rate float64
}

// Table 5.2.2.1-2, CQI up to 64QAM, from index 1.
var cqi64 = []row{{2, 78}, {2, 120}, {2, 193}, {2, 308}, {2, 449}, {2, 602}, {4, 378}, {4, 490}, {4, 616}, {6, 466},
	{6, 567}, {6, 666}, {6, 772}, {6, 873}, {6, 948}}

// Table 5.2.2.1-3, CQI up to 256QAM, from index 1.
var cqi256 = []row{{2, 78}, {2, 193}, {2, 449}, {4, 378}, {4, 490}, {4, 616}, {6, 466}, {6, 567}, {6, 666}, {6, 772},
	{6, 873}, {8, 711}, {8, 797}, {8, 885}, {8, 948}}

// Table 5.1.3.1-1, MCS of PDSCH up to 64QAM, from index 0. Its row 16 carries
// more than its row 17.
var mcs64 = []row{{2, 120}, {2, 157}, {2, 193}, {2, 251}, {2, 308}, {2, 379}, {2, 449}, {2, 526}, {2, 602}, {2, 679},
	{4, 340}, {4, 378}, {4, 434}, {4, 490}, {4, 553}, {4, 616}, {4, 658}, {6, 438}, {6, 466}, {6, 517},
	{6, 567}, {6, 616}, {6, 666}, {6, 719}, {6, 772}, {6, 822}, {6, 873}, {6, 910}, {6, 948}}

// Table 5.1.3.1-2, MCS of PDSCH up to 256QAM, from index 0.
var mcs256 = []row{{2, 120}, {2, 193}, {2, 308}, {2, 449}, {2, 602}, {4, 378}, {4, 434}, {4, 490}, {4, 553}, {4, 616},
	{4, 658}, {6, 466}, {6, 517}, {6, 567}, {6, 616}, {6, 666}, {6, 719}, {6, 772}, {6, 822}, {6, 873},
	{8, 682.5}, {8, 711}, {8, 754}, {8, 797}, {8, 841}, {8, 885}, {8, 916.5}, {8, 948}}

var rateTables = []*RateTable{
	newTable("cqi-64qam", "channel quality steps up to 64QAM, 3GPP TS 38.214 table 5.2.2.1-2", 1, cqi64),
	newTable("cqi-256qam", "channel quality steps up to 256QAM, 3GPP TS 38.214 table 5.2.2.1-3", 1, cqi256),
	newTable("mcs-64qam", "modulation and coding up to 64QAM, 3GPP TS 38.214 table 5.1.3.1-1", 0, mcs64),
	newTable("mcs-256qam", "modulation and coding up to 256QAM, 3GPP TS 38.214 table 5.1.3.1-2", 0, mcs256),
}

func newTable(name, summary string, first int, rows []row) *RateTable {
	t := &RateTable{Name: name, Summary: summary}
	for i, r := range rows {
		t.Steps = append(t.Steps, RateStep{first + i, r.qm, r.rate, float64(r.qm) * r.rate / 1024})
	}
	sort.SliceStable(t.Steps, func(i, j int) bool { return t.Steps[i].EfficiencyBitHz < t.Steps[j].EfficiencyBitHz })
	return t
}

// RateTables returns the tables known: CQI and MCS of 3GPP TS 38.214, each up to
// 64QAM and up to 256QAM. Callers must not change them.
func RateTables() []*RateTable { return rateTables }

// RateTableByName returns the table of that name, cqi-64qam, cqi-256qam, mcs-64qam or
// mcs-256qam, or nil.
func RateTableByName(name string) *RateTable {
	for _, t := range rateTables {
		if t.Name == name {
			return t
		}
	}
	return nil
}
