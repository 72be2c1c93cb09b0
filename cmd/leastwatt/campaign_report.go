package main

import (
	"fmt"
	"io"
	"slices"

	"leastwatt/campaign"
	"leastwatt/scheduler"
)

// campaignReport is everything campaign found, as --json prints it.
type campaignReport struct {
	File    string `json:"file"`
	Slots   int    `json:"slots"`   // in the file: drops times values
	Stopped bool   `json:"stopped"` // ended before all drops were done
	*campaign.Header
	Points []campaignPoint `json:"points"` // by value, then by strategy
}

// campaignPoint is what one strategy did at one value.
type campaignPoint struct {
	campaign.SweepPoint
	SavingOverLastDb *campaign.Interval `json:"savingOverLastDb,omitempty"` // of radiated power, against the last strategy at the same value
}

func newCampaignReport(file string, header *campaign.Header, result *campaign.SweepResult) *campaignReport {
	full := *header
	full.Format, full.Strategies = campaign.FileFormat, result.Strategies
	r := &campaignReport{File: file, Header: &full}
	last := len(result.Strategies) - 1
	byStrategy := make([][]campaign.SweepPoint, last+1)
	for k := range byStrategy {
		byStrategy[k] = result.Summaries(k)
	}
	for i := range result.Points {
		r.Slots += len(result.Points[i].Slots)
		for k := range byStrategy {
			p := campaignPoint{SweepPoint: byStrategy[k][i]}
			if k != last {
				p.SavingOverLastDb = result.Saving(i, k, last)
			}
			r.Points = append(r.Points, p)
		}
	}
	return r
}

// good tells whether targets were met anywhere, no plan failed and the audit agrees
// with all.
func (r *campaignReport) good() bool {
	met := 0
	for i := range r.Points {
		p := &r.Points[i]
		met += p.Met
		if p.Failed+p.Rejected+p.AuditDisagrees > 0 {
			return false
		}
	}
	return met > 0
}

// print writes the table and how to read it.
func (r *campaignReport) print(w io.Writer) error {
	p := &printer{w: w}
	p.f("%s; %d drops\n\n", r.Scene, r.Drops)
	if r.Stopped {
		p.f("Ended before all drops were done.\n\n")
	}
	names := strategyColumns(r.Strategies)
	row := "%11s  " + names + "  %9s  %10s  %9s %7s  %6s %6s  %9s  %8s %6s  %8s %6s%s\n"
	eirp := func(string) string { return "" }
	for i := range r.Points {
		if r.Points[i].PeakEIRPW != nil {
			eirp = func(text string) string { return fmt.Sprintf("  %9s", text) }
		}
	}
	p.f(row, "", "", "", "", "", "worst rate", "radiated,", "mean", "over", "floor", "from the", "saved dB", "", "saved dB", "", eirp("peak"))
	p.f(row, r.Quantity, "grouping", "beams", "power", "met", "/ target", "W", "dBm", "mean", "worst", "wall, W", "on first", "+-", "on last", "+-", eirp("EIRP, dBm"))
	for i := range r.Points {
		s := &r.Points[i]
		floor, first, last := spreadCells(s.OverFloorDb, 2), intervalCells(s.SavingDb), intervalCells(s.SavingOverLastDb)
		p.f(row, fmt.Sprintf("%g", s.Value), s.Grouping, s.Beams, s.Power, fmt.Sprintf("%d/%d", s.Met, s.Slots), cell("%.6f", s.WorstRateRatio, 1),
			cell("%.4g", s.RadiatedPowerW, 1), cell("%.2f", s.RadiatedPowerDbm, 1), floor[0], floor[1], cell("%.4g", s.ConsumedPowerW, 1),
			first[0], first[1], last[0], last[1], eirp(dBmCell(s.PeakEIRPW)))
		if len(r.Strategies) > 1 && (i+1)%len(r.Strategies) == 0 && i+1 < len(r.Points) {
			p.f("\n")
		}
	}
	p.f("\n")
	for i := range r.Points {
		if note := strategyNote(&r.Points[i].Summary); note != "" {
			p.f("%s\n\n", wrap(sweptText(r.Quantity, r.Points[i].Value)+": "+note, 100))
		}
	}
	if uneven := slices.ContainsFunc(r.Points, func(p campaignPoint) bool { return p.Met != r.Points[0].Met }); uneven {
		p.f("%s\n\n", wrap("Not every line has as many drops with all targets met: "+unevenMeans, 100))
	}
	p.f("%s\n\n", wrap(r.method(), 100))
	p.f("Version %s, seed %d. %d slots of results are in %s, made by\n  %s\n", r.Engine, r.Seed, r.Slots, r.File, r.Command)
	return p.err
}

// dBmCell writes a power in dBm, "-" where there is none.
func dBmCell(powerW *float64) string {
	if powerW == nil || !(*powerW > 0) {
		return "-"
	}
	return fmt.Sprintf("%.2f", dBm(*powerW))
}

// strategyColumns returns a format of three columns as wide as the names of
// strategies.
func strategyColumns(list []scheduler.Strategy) string {
	wide := [3]int{len("grouping"), len("beams"), len("power")}
	for _, s := range list {
		wide = [3]int{max(wide[0], len(s.Grouping)), max(wide[1], len(s.Beams)), max(wide[2], len(s.Power))}
	}
	return fmt.Sprintf("%%-%ds  %%-%ds  %%-%ds", wide[0], wide[1], wide[2])
}

// method says what the table holds.
func (r *campaignReport) method() string {
	text := "Powers and rates are those that the audit re-computed from the weights. Means are over the drops on which every target was met: of W, and of the drops' dB. " +
		"What is saved is the mean of the drops' dB of radiated power, of drops met on both, with half its 95 % confidence interval by Student's t: " +
		"on the first value by the same strategy, and on the last strategy at the same value. "
	if r.Floor {
		text += "The floor is the power that no scheme of transmission can go below at these rates over the channel as given; the audit checked its proof. "
	}
	return text + "The power from the wall is a model's, " + r.Consumption + ", mean over the slot."
}
