package main

import (
	"fmt"
	"io"
	"math"
	"slices"

	"leastwatt/campaign"
	"leastwatt/report"
	"leastwatt/scheduler"
)

// compareReport is everything compare found, as --json prints it.
type compareReport struct {
	Seed          int64       `json:"seed"`
	Workers       int         `json:"workers"` // plans made at a time
	Floor         bool        `json:"floor"`
	Stopped       bool        `json:"stopped"` // ended before all slots were done
	RejectedSlots int         `json:"rejectedSlots"`
	Skipped       []string    `json:"skipped,omitempty"` // combinations that do not go together
	Sets          []setReport `json:"sets"`

	results []*campaign.Result
}

// setReport is a set of slots, or a trace.
type setReport struct {
	Name       string             `json:"name"`
	Summary    string             `json:"summary,omitempty"`
	Slots      int                `json:"slots"`
	Users      sizes              `json:"users"` // with a rate target
	Antennas   sizes              `json:"antennas"`
	Strategies []campaign.Summary `json:"strategies"`
}

// sizes are the least and the most of a number over slots.
type sizes struct {
	Least int `json:"least"`
	Most  int `json:"most"`
}

func (s sizes) String() string {
	if s.Least == s.Most {
		return fmt.Sprint(s.Most)
	}
	return fmt.Sprintf("%d to %d", s.Least, s.Most)
}

// add adds the result of a source of slots.
func (r *compareReport) add(source *slotSource, result *campaign.Result) {
	set := setReport{Name: source.name, Summary: source.summary, Slots: len(result.Slots), Strategies: result.Summaries()}
	if len(result.Slots) > 0 {
		set.Users, set.Antennas = sizes{math.MaxInt, 0}, sizes{math.MaxInt, 0}
	}
	for _, s := range result.Slots {
		set.Users = sizes{min(set.Users.Least, s.Users), max(set.Users.Most, s.Users)}
		set.Antennas = sizes{min(set.Antennas.Least, s.Antennas), max(set.Antennas.Most, s.Antennas)}
	}
	r.Sets = append(r.Sets, set)
	r.results = append(r.results, result)
}

// slots returns how many slots are done.
func (r *compareReport) slots() int {
	n := 0
	for _, set := range r.Sets {
		n += set.Slots
	}
	return n
}

// good tells whether there is a plan, no slot of a trace was rejected, no strategy
// failed and the audit agrees with every plan.
func (r *compareReport) good() bool {
	planned := 0
	for _, set := range r.Sets {
		for _, s := range set.Strategies {
			planned += s.Met + s.Short
			if s.Failed+s.AuditDisagrees > 0 {
				return false
			}
		}
	}
	return planned > 0 && r.RejectedSlots == 0
}

// print writes a table for each set, and how to read them.
func (r *compareReport) print(w io.Writer) error {
	p := &printer{w: w}
	for _, set := range r.Sets {
		set.print(p)
	}
	if r.RejectedSlots > 0 {
		p.f("%s of the trace rejected, left out.\n\n", slotCount(r.RejectedSlots))
	}
	p.f("%s\n", wrap(r.method(), 100))
	return p.err
}

// plot draws the distributions of power.
func (r *compareReport) plot(w io.Writer, format string) error {
	figure, err := report.Comparison(r.results)
	if err != nil {
		return err
	}
	return report.Draw(w, format, figure)
}

// method says what the tables hold.
func (r *compareReport) method() string {
	text := "Every strategy had the same slots, each as the first of a session. Powers and rates are those that the audit re-computed from the weights. " +
		"Means are over the slots on which a strategy met every target, each slot counting the same: of W, of the slots' dB " +
		"and of groups; worst is the slot of most dB. The best is the strategy of this run with the least power on each slot. "
	if r.Floor {
		text += "The floor is the power that no scheme of transmission can go below at these rates over the channel as given; " +
			"the audit checked its proof. "
	}
	if slices.ContainsFunc(r.Sets, func(s setReport) bool { return s.modelled() }) {
		text += "The power from the wall is a model's, mean over the slot. "
	}
	return text + fmt.Sprintf("Times are for information: a plan at a time on each of %d workers.", r.Workers)
}

// print writes the table of one set.
func (s *setReport) print(p *printer) {
	p.f("%s: %s, %v users, %v antennas", s.Name, slotCount(s.Slots), s.Users, s.Antennas)
	if s.Summary != "" {
		p.f("; %s", s.Summary)
	}
	var strategies []scheduler.Strategy
	for _, t := range s.Strategies {
		strategies = append(strategies, scheduler.Strategy{Grouping: t.Grouping, Beams: t.Beams, Power: t.Power})
	}
	names := strategyColumns(strategies)
	wall := func(string) string { return "" }
	if s.modelled() {
		wall = func(text string) string { return fmt.Sprintf("  %9s", text) }
	}
	p.f("\n\n"+names+"  %7s  %10s  %17s%s  %14s  %14s  %8s  %15s  %9s\n", "", "", "",
		"slots", "worst rate", "radiated, mean", wall("from the"), "over floor, dB", "over best, dB", "groups", "time, ms", "audit")
	p.f(names+"  %7s  %10s  %9s %7s%s  %6s %7s  %6s %7s  %8s  %7s %7s  %9s\n", "grouping", "beams", "power",
		"met", "/ target", "W", "dBm", wall("wall, W"), "mean", "worst", "mean", "worst", "per slot", "p50", "p99", "disagrees")
	for _, t := range s.Strategies {
		overFloor, overBest := spreadCells(t.OverFloorDb, 2), spreadCells(t.OverBestDb, 3)
		p.f(names+"  %7s  %10s  %9s %7s%s  %6s %7s  %6s %7s  %8s  %7s %7s  %9d\n", t.Grouping, t.Beams, t.Power,
			fmt.Sprintf("%d/%d", t.Met, t.Slots), cell("%.6f", t.WorstRateRatio, 1),
			cell("%.4g", t.RadiatedPowerW, 1), cell("%.2f", t.RadiatedPowerDbm, 1),
			wall(cell("%.4g", t.ConsumedPowerW, 1)), overFloor[0], overFloor[1], overBest[0], overBest[1], cell("%.1f", t.GroupsPerSlot, 1),
			cell("%.2f", t.ComputeP50Micros, 1e-3), cell("%.2f", t.ComputeP99Micros, 1e-3), t.AuditDisagrees)
	}
	p.f("\n")
	for _, t := range s.Strategies {
		if note := strategyNote(&t); note != "" {
			p.f("%s\n\n", wrap(note, 100))
		}
	}
}

// modelled tells whether power from the wall is known.
func (s *setReport) modelled() bool {
	return slices.ContainsFunc(s.Strategies, func(t campaign.Summary) bool { return t.ConsumedPowerW != nil })
}

// cell writes a number times a factor, "-" where there is none.
func cell[T int64 | float64](format string, value *T, factor float64) string {
	if value == nil {
		return "-"
	}
	return fmt.Sprintf(format, float64(*value)*factor)
}

func spreadCells(s *campaign.Spread, decimals int) [2]string {
	if s == nil {
		return [2]string{"-", "-"}
	}
	return [2]string{fmt.Sprintf("%.*f", decimals, s.Mean), fmt.Sprintf("%.*f", decimals, s.Worst)}
}

// strategyNote says what went otherwise than asked for; nothing where all went
// well.
func strategyNote(s *campaign.Summary) string {
	var text string
	if s.Short > 0 {
		text += fmt.Sprintf(" Targets were missed on %s.", slotCount(s.Short))
	}
	if s.OtherGrouping > 0 {
		text += fmt.Sprintf(" %s by another grouping, as its own groups cannot meet the targets.", slotCount(s.OtherGrouping))
	}
	if s.Rejected > 0 {
		text += fmt.Sprintf(" Not tried on %s.", slotCount(s.Rejected))
	}
	if s.Failed > 0 {
		text += fmt.Sprintf(" FAILED on %s.", slotCount(s.Failed))
	}
	if s.AuditDisagrees > 0 {
		text += fmt.Sprintf(" THE AUDIT DISAGREES on %s.", slotCount(s.AuditDisagrees))
	}
	if text == "" {
		return ""
	}
	if s.Reason != "" {
		text += " First reason: " + s.Reason + "."
	}
	return fmt.Sprintf("%s, %s, %s:%s", s.Grouping, s.Beams, s.Power, text)
}
