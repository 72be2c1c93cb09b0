package main

import (
	"fmt"
	"math"
	"strings"

	"leastwatt/campaign"
	"leastwatt/report"
)

// headline says in a line what the sweep found.
func (r *scaleReport) headline(users []int) string {
	last := len(r.Points) - 1
	s := r.Points[last].SavingDb
	if s == nil || r.Quantity != sweptAntennas {
		return fmt.Sprintf("Radiated power against %s", r.Quantity)
	}
	return headline(users[0], s.Mean, r.Points[last].ConsumedPowerW, r.Points[0].ConsumedPowerW)
}

// headline says what is saved on the air and what is drawn from the wall for it, where
// that is known.
func headline(users int, savedDB float64, consumedW, beforeW *float64) string {
	word := "users"
	if users == 1 {
		word = "user"
	}
	text := fmt.Sprintf("%d %s at the same rates, for %s radiated power", users, word, moreOrLess(savedDB))
	if consumedW != nil && beforeW != nil {
		text += fmt.Sprintf(", with %s from the wall in place of %s", watts(*consumedW), watts(*beforeW))
	}
	return text
}

// answer says in a paragraph what the sweep found.
func (r *scaleReport) answer() string { return strings.Join(r.Findings, " ") }

// keyFacts are the few numbers that matter.
func (r *scaleReport) keyFacts(samples []report.Sample) []report.Fact {
	last := len(r.Points) - 1
	p := &r.Points[last]
	var out []report.Fact
	if s := p.SavingDb; s != nil {
		f := report.Fact{Name: "Saved against " + r.at(0), Value: fmt.Sprintf("%.1f dB", s.Mean)}
		if s.Half != nil {
			f.Note = fmt.Sprintf("%.1f to %.1f dB with 95 %% confidence, %d drops", s.Mean-*s.Half, s.Mean+*s.Half, s.Values)
		}
		out = append(out, f)
	}
	if s := p.OverFloorDb; s != nil {
		out = append(out, report.Fact{
			Name: "Over the floor of any scheme", Value: fmt.Sprintf("%.1f dB", s.Mean), Note: "with " + r.at(last) + ": what is left to be had, at most",
		})
	}
	out = append(out, leastRate(samples)...)
	if least := r.leastConsumedAt(); least >= 0 {
		out = append(out, report.Fact{
			Name: "Least power from the wall", Value: fmt.Sprintf("%.3g W", *r.Points[least].ConsumedPowerW), Note: "with " + r.at(least) + ", by the model " + r.Consumption,
		})
	}
	return out
}

// leastRate is the least rate delivered over that asked for; nothing where no user
// asks for any.
func leastRate(samples []report.Sample) []report.Fact {
	rates, worst := 0, math.Inf(1)
	for _, s := range samples {
		for _, u := range s.Rates {
			if u.TargetBps > 0 {
				rates++
				worst = math.Min(worst, u.RateBps/u.TargetBps)
			}
		}
	}
	if rates == 0 {
		return nil
	}
	return []report.Fact{{Name: "Least rate, of what was asked for", Value: fmt.Sprintf("%.6f", worst), Note: fmt.Sprintf("of %d rates, each re-computed", rates)}}
}

// setup says what was done on what.
func (r *scaleReport) setup(h *campaign.Header) []report.Fact {
	var values, strategies []string
	for i := range r.Points {
		values = append(values, fmt.Sprintf("%g", r.Points[i].Value))
	}
	for _, s := range h.Strategies {
		strategies = append(strategies, report.StrategyName(s))
	}
	out := []report.Fact{
		{Name: "Scene", Value: r.Scene + "; made up, as all scenes of this program are"},
		{Name: "Swept", Value: fmt.Sprintf("%s: %s", r.Quantity, strings.Join(values, ", "))},
	}
	if r.Antennas > 0 {
		out = append(out, report.Fact{Name: "Antennas", Value: fmt.Sprint(r.Antennas)})
	}
	return append(out,
		report.Fact{Name: "Drops", Value: fmt.Sprintf("%d at every value, each a scene of another seed", r.Drops)},
		report.Fact{Name: "Strategies", Value: strings.Join(strategies, "; ")},
	)
}
