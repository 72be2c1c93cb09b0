package audit

import "leastwatt/scheduler"

// rateTable is one of the standard's tables of modulation and coding: the row
// numbers start at first, an efficiency in bit/s/Hz is order * codeRate / 1024.
type rateTable struct {
	first int
	rows  []rateRow
}

type rateRow struct{ order, codeRate float64 }

func (r rateRow) bits() float64 { return r.order * r.codeRate / 1024 }

// carried returns the row of the highest efficiency within bits, give or take the
// tolerance of rates, and that efficiency; -1 and 0 if there is none.
func (t *rateTable) carried(bits float64) (row int, efficiency float64) {
	row = -1
	for i, r := range t.rows {
		if e := r.bits(); e*(1-scheduler.RateTolerance) <= bits && e > efficiency {
			row, efficiency = t.first+i, e
		}
	}
	return row, efficiency
}

// sent returns the efficiency of a row when bits carry it, else 0.
func (t *rateTable) sent(row int, bits float64) float64 {
	if i := row - t.first; i >= 0 && i < len(t.rows) && t.rows[i].bits()*(1-scheduler.RateTolerance) <= bits {
		return t.rows[i].bits()
	}
	return 0
}

// 3GPP TS 38.214, typed in for this audit alone (from transcriptions of the
// standard).
var rateTables = map[string]*rateTable{
	// Table 5.2.2.1-2.
	"cqi-64qam": {1, []rateRow{
		{2, 78}, {2, 120}, {2, 193}, {2, 308}, {2, 449}, {2, 602}, {4, 378}, {4, 490},
		{4, 616}, {6, 466}, {6, 567}, {6, 666}, {6, 772}, {6, 873}, {6, 948},
	}},
	// Table 5.2.2.1-3.
	"cqi-256qam": {1, []rateRow{
		{2, 78}, {2, 193}, {2, 449}, {4, 378}, {4, 490}, {4, 616}, {6, 466}, {6, 567},
		{6, 666}, {6, 772}, {6, 873}, {8, 711}, {8, 797}, {8, 885}, {8, 948},
	}},
	// Table 5.1.3.1-1.
	"mcs-64qam": {0, []rateRow{
		{2, 120}, {2, 157}, {2, 193}, {2, 251}, {2, 308}, {2, 379}, {2, 449}, {2, 526},
		{2, 602}, {2, 679}, {4, 340}, {4, 378}, {4, 434}, {4, 490}, {4, 553}, {4, 616},
		{4, 658}, {6, 438}, {6, 466}, {6, 517}, {6, 567}, {6, 616}, {6, 666}, {6, 719},
		{6, 772}, {6, 822}, {6, 873}, {6, 910}, {6, 948},
	}},
	// Table 5.1.3.1-2.
	"mcs-256qam": {0, []rateRow{
		{2, 120}, {2, 193}, {2, 308}, {2, 449}, {2, 602}, {4, 378}, {4, 434}, {4, 490},
		{4, 553}, {4, 616}, {4, 658}, {6, 466}, {6, 517}, {6, 567}, {6, 616}, {6, 666},
		{6, 719}, {6, 772}, {6, 822}, {6, 873}, {8, 682.5}, {8, 711}, {8, 754}, {8, 797},
		{8, 841}, {8, 885}, {8, 916.5}, {8, 948},
	}},
}
