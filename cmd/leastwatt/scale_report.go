package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"leastwatt/campaign"
	"leastwatt/channel/quay"
	"leastwatt/energy"
	"leastwatt/report"
)

// scaleReport is everything scale found, as --json prints it.
type scaleReport struct {
	Version      string                `json:"version"`
	Command      string                `json:"command"` // that gives the same again
	Seed         int64                 `json:"seed"`    // of the first drop
	Scene        string                `json:"scene"`
	Quantity     string                `json:"quantity"`           // swept
	Antennas     int                   `json:"antennas,omitempty"` // where it is another quantity
	Drops        int                   `json:"drops"`              // asked for
	Stopped      bool                  `json:"stopped"`            // ended before all drops were done
	Consumption  string                `json:"consumption"`
	Floor        bool                  `json:"floor"`
	TrueChannels int                   `json:"trueChannels,omitempty"` // drawn for each plan, to judge the rates of estimates
	Points       []campaign.SweepPoint `json:"points"`
	Findings     []string              `json:"findings"` // in words
}

// newScaleReport sums up what a sweep found of its first strategy; antennas are
// those of the array where another quantity is swept.
func newScaleReport(h *campaign.Header, antennas int, result *campaign.SweepResult) *scaleReport {
	r := &scaleReport{
		Version: h.Engine, Command: h.Command, Seed: h.Seed, Scene: h.Scene,
		Quantity: result.Quantity, Drops: result.Drops, Consumption: h.Consumption, Floor: h.Floor, Points: result.Summaries(0),
	}
	if r.Quantity != sweptAntennas {
		r.Antennas = antennas
	}
	for _, text := range []string{r.saving(), r.leastConsumed(), r.uneven()} {
		if text != "" {
			r.Findings = append(r.Findings, text)
		}
	}
	return r
}

// planned tells whether targets were met anywhere.
func (r *scaleReport) planned() bool {
	for i := range r.Points {
		if r.Points[i].RadiatedPowerW != nil {
			return true
		}
	}
	return false
}

// good tells whether targets were met anywhere, no plan failed and the audit agrees
// with all.
func (r *scaleReport) good() bool {
	for i := range r.Points {
		if p := &r.Points[i]; p.Failed+p.Rejected+p.AuditDisagrees > 0 {
			return false
		}
	}
	return r.planned()
}

// at writes a value with what it is of.
func (r *scaleReport) at(i int) string { return sweptText(r.Quantity, r.Points[i].Value) }

// sweptText writes a value of a quantity that is swept.
func sweptText(quantity string, value float64) string {
	switch {
	case quantity == sweptBits:
		return fmt.Sprintf("weights of %g bits", value)
	case quantity == sweptErrors:
		return fmt.Sprintf("a channel error of %g", value)
	case value == 1:
		return "1 " + strings.TrimSuffix(quantity, "s")
	}
	return fmt.Sprintf("%g %s", value, quantity)
}

// saving says what the last value saves against the first.
func (r *scaleReport) saving() string {
	last := len(r.Points) - 1
	s := r.Points[last].SavingDb
	if s == nil {
		return ""
	}
	rates := "at the same rates"
	if r.Quantity == sweptUsers {
		rates = "each user at its rate"
	}
	text := fmt.Sprintf("%s against %s, %s: %s", r.at(last), r.at(0), rates, changeText(s, "radiated power"))
	if c := r.Points[last].ConsumedSavingDb; c != nil {
		text += ", for " + changeText(c, "power from the wall")
	}
	if s.Half != nil {
		text += fmt.Sprintf("; intervals of 95 %% confidence by Student's t over the dB of %d drops", s.Values)
	}
	return text + "."
}

// changeText writes a saving of a power, or by how much that is more.
func changeText(s *campaign.Interval, power string) string {
	if s.Mean < 0 {
		return fmt.Sprintf("%s more %s", intervalText(&campaign.Interval{Mean: -s.Mean, Half: s.Half, Values: s.Values}), power)
	}
	return fmt.Sprintf("%s less %s", intervalText(s), power)
}

// intervalText writes a saving, with its interval where there is one.
func intervalText(s *campaign.Interval) string {
	if s.Half == nil {
		return fmt.Sprintf("%.2f dB (one drop)", s.Mean)
	}
	return fmt.Sprintf("%.2f dB (%.2f to %.2f)", s.Mean, s.Mean-*s.Half, s.Mean+*s.Half)
}

// leastConsumedAt returns the point of least power from the wall; -1 where it is
// known of none.
func (r *scaleReport) leastConsumedAt() int {
	least := -1
	for i := range r.Points {
		if w := r.Points[i].ConsumedPowerW; w != nil && (least < 0 || *w < *r.Points[least].ConsumedPowerW) {
			least = i
		}
	}
	return least
}

// leastConsumed says at how many antennas power from the wall is least, and why.
func (r *scaleReport) leastConsumed() string {
	least := r.leastConsumedAt()
	if least < 0 || r.Quantity != sweptAntennas || len(r.Points) < 2 {
		return ""
	}
	text := fmt.Sprintf("Power from the wall by %s is least at %s: %.4g W.", r.Consumption, r.at(least), *r.Points[least].ConsumedPowerW)
	if least == 0 {
		text += " Fewer were not tried."
	} else if more, less, ok := r.change(least-1, least); ok {
		text += fmt.Sprintf(" Up to there it is %s that fall: from %s to %s %.3g W less%s.", less.Name, r.at(least-1), r.at(least), -less.PowerW, butFor(more))
	}
	if least == len(r.Points)-1 {
		text += " It still falls there: more were not tried."
	} else if more, less, ok := r.change(least, least+1); ok {
		text += fmt.Sprintf(" Beyond it %s take over: from %s to %s %.3g W more%s.", more.Name, r.at(least), r.at(least+1), more.PowerW, butFor(less))
	}
	return text
}

const unevenMeans = "means of W are not of the same drops. Savings are, of drops met on both."

// uneven warns where means are not of the same drops.
func (r *scaleReport) uneven() string {
	for i := range r.Points {
		if r.Points[i].Met != r.Points[0].Met {
			return "Not every value has as many drops with all targets met: " + unevenMeans
		}
	}
	return ""
}

// butFor writes the change that goes the other way, where there is one.
func butFor(c energy.Cause) string {
	switch {
	case c.PowerW > 0:
		return fmt.Sprintf(", with %.3g W more for %s", c.PowerW, c.Name)
	case c.PowerW < 0:
		return fmt.Sprintf(", with %.3g W less for %s", -c.PowerW, c.Name)
	}
	return ""
}

// change returns the causes whose power rises most and falls most from one value to
// another; false where either is not known.
func (r *scaleReport) change(from, to int) (more, less energy.Cause, ok bool) {
	a, b := r.Points[from].Consumed, r.Points[to].Consumed
	if a == nil || b == nil {
		return more, less, false
	}
	before := a.Causes()
	for i, c := range b.Causes() {
		c.PowerW -= before[i].PowerW
		if c.PowerW > more.PowerW {
			more = c
		}
		if c.PowerW < less.PowerW {
			less = c
		}
	}
	return more, less, true
}

// plot draws radiated power and power from the wall, side by side, into a file.
func (r *scaleReport) plot(w io.Writer, format string) error {
	scale := report.Scale{Quantity: r.Quantity, Points: r.Points}
	radiated, err := scale.Power()
	if err != nil {
		return err
	}
	consumed, err := scale.Consumed(r.Consumption)
	if err != nil {
		return err
	}
	return report.Draw(w, format, radiated, consumed)
}

// print writes the tables and what they say.
func (r *scaleReport) print(w io.Writer) error {
	p := &printer{w: w}
	p.f("%s", r.Scene)
	if r.Antennas > 0 {
		p.f(", %d antennas", r.Antennas)
	}
	p.f("; %d drops\n\n", r.Drops)
	if r.Stopped {
		p.f("Ended before all drops were done.\n\n")
	}
	r.printRadiated(p)
	r.printConsumed(p)
	for i := range r.Points {
		if note := strategyNote(&r.Points[i].Summary); note != "" {
			p.f("%s\n\n", wrap(r.at(i)+": "+note, 100))
		}
	}
	for _, text := range r.Findings {
		p.f("%s\n\n", wrap(text, 100))
	}
	p.f("%s\n\n", wrap(r.method(), 100))
	p.f("Version %s, seed %d; the same again:\n  %s\n", r.Version, r.Seed, r.Command)
	return p.err
}

func (r *scaleReport) printRadiated(p *printer) {
	const row = "%11s  %7s  %10s  %9s %7s  %8s  %6s %6s  %6s  %9s  %8s %6s\n"
	p.f(row, "", "", "worst rate", "radiated,", "mean", "dB per", "over", "floor", "", "radiated", "saving", "")
	p.f(row, r.Quantity, "met", "/ target", "W", "dBm", "doubling", "mean", "worst", "groups", "nJ/bit", "dB", "+-")
	for i := range r.Points {
		s := &r.Points[i]
		floor := spreadCells(s.OverFloorDb, 2)
		saving := intervalCells(s.SavingDb)
		p.f(row, fmt.Sprintf("%g", s.Value), fmt.Sprintf("%d/%d", s.Met, s.Slots),
			cell("%.6f", s.WorstRateRatio, 1), cell("%.4g", s.RadiatedPowerW, 1), cell("%.2f", s.RadiatedPowerDbm, 1),
			cell("%.2f", s.DoublingDb, 1), floor[0], floor[1], cell("%.1f", s.GroupsPerSlot, 1), cell("%.4g", s.RadiatedJoulesPerBit, 1e9), saving[0], saving[1])
	}
	p.f("\n")
}

func (r *scaleReport) printConsumed(p *printer) {
	names := []any{r.Quantity, "total"}
	row := "%11s  %9s"
	for _, c := range (energy.Parts{}).Causes() {
		name, _, _ := strings.Cut(c.Name, " ")
		names = append(names, name)
		row += "  %10s"
	}
	row += "  %9s  %8s %6s\n"
	p.f("Power from the wall, mean over the slot, in W, by %s:\n", r.Consumption)
	p.f(row, append(names, "nJ/bit", "saving dB", "+-")...)
	for i := range r.Points {
		s := &r.Points[i]
		cells := []any{fmt.Sprintf("%g", s.Value), cell("%.4g", s.ConsumedPowerW, 1)}
		for c := range names[2:] {
			text := "-"
			if s.Consumed != nil {
				text = fmt.Sprintf("%.4g", math.Round(s.Consumed.Causes()[c].PowerW*1e9)/1e9) // less is rounding of shares
			}
			cells = append(cells, text)
		}
		saving := intervalCells(s.ConsumedSavingDb)
		p.f(row, append(cells, cell("%.4g", s.ConsumedJoulesPerBit, 1e9), saving[0], saving[1])...)
	}
	p.f("\n")
}

func intervalCells(i *campaign.Interval) [2]string {
	if i == nil {
		return [2]string{"-", "-"}
	}
	return [2]string{fmt.Sprintf("%.2f", math.Round(i.Mean*100)/100+0), cell("%.2f", i.Half, 1)} // no -0.00
}

// method says what the tables hold.
func (r *scaleReport) method() string {
	text := "Powers and rates are those that the audit re-computed from the weights. Means are over the drops on which every target was met: of W, and of the drops' dB. " +
		"A saving is the mean of the drops' dB against the first line, of drops met on both, with half its 95 % confidence interval. "
	if r.TrueChannels > 0 {
		text += fmt.Sprintf("Rates with a channel error are means over %d true channels drawn for each plan: where the worst is below its target, that is the chance of the draw. ", r.TrueChannels)
	}
	if r.Floor {
		text += "The floor is the power that no scheme of transmission can go below at these rates over the channel as given; the audit checked its proof. "
	}
	if r.Quantity == sweptAntennas && r.Points[0].Value == 1 {
		text += fmt.Sprintf("One antenna is one element here; that of a usual mast is a column of them, %d of which have %.1f dB more along their axis. ",
			quay.ColumnElements, 10*math.Log10(quay.ColumnElements))
	}
	if p := energy.ByName(r.Consumption); p != nil {
		text += fmt.Sprintf("The power from the wall is that of the model %s: %s.", p.Name, p.Source)
	}
	return text
}
