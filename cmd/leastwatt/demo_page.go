package main

import (
	"context"
	"fmt"

	"leastwatt/campaign"
	"leastwatt/channel"
	"leastwatt/channel/quay"
	"leastwatt/energy"
	"leastwatt/report"
	"leastwatt/scheduler"
)

// The cone about the control room in which EIRP is kept low, and by how much under
// the largest.
const (
	roomWidthDeg = 6
	roomBelowDB  = 20
)

// heldSlot is a slot with a protected direction, and what that costs.
type heldSlot struct {
	*report.SlotView
	costDB float64 // of radiated power, against the slot without
}

// protectedSlot plans the first slot of the shift with the most antennas of the
// shift's ways: as it is, then with EIRP towards the control room held to so many dB
// under what is the largest without.
func protectedSlot(ctx context.Context, open open, seed int64) (*heldSlot, error) {
	p, err := open(ctx)
	if err != nil {
		return nil, err
	}
	defer p.Close()
	rows, columns := quay.Grid(shiftWays[0].antennas)
	scene := quay.New(seed, quay.DayShift, rows, columns)
	slot := campaign.QuaySlot(scene, 0)
	slot.Array, slot.Options = campaign.QuayArray(scene), shiftWays[0].options
	plan, err := p.Plan(ctx, slot)
	if err != nil {
		return nil, err
	}
	free, _, err := judge(slot, plan)
	if err != nil {
		return nil, fmt.Errorf("the first slot: %w", err)
	}
	held := *slot
	held.Sequence++
	held.Limits.ProtectedDirections = []scheduler.ProtectedDirection{towards(quay.ControlRoom, *free.PeakEIRPW)}
	if plan, err = p.Plan(ctx, &held); err != nil {
		return nil, err
	}
	with, _, err := judge(&held, plan)
	if err != nil {
		return nil, fmt.Errorf("the first slot, the control room protected: %w", err)
	}
	return &heldSlot{&report.SlotView{Slot: &held, Plan: plan}, decibels(with.RadiatedPowerW / free.RadiatedPowerW)}, nil
}

// towards is the protected direction of a place, so far under a peak.
func towards(placeM [3]float64, peakW float64) scheduler.ProtectedDirection {
	d := channel.DirectionOf(quay.Mast.Local(placeM))
	return scheduler.ProtectedDirection{
		AzimuthDeg: d.AzimuthDeg, ElevationDeg: d.ElevationDeg, WidthDeg: roomWidthDeg,
		EIRPW: below(peakW, roomBelowDB),
	}
}

// page returns the report of the demo.
func (r *demoReport) page(shift, sizes []*outcome, view *heldSlot) (*report.Page, error) {
	evidence := report.Evidence{
		Scale: report.Scale{Quantity: campaign.Antennas, Points: sweepOf(sizes).Summaries(0)},
		Model: energy.DefaultName, View: view.SlotView, CarrierHz: r.CarrierHz,
	}
	for _, o := range shift {
		s := report.Sample{Name: o.name, PowerW: o.powerW()}
		for i := range o.slots {
			s.Slots = append(s.Slots, o.slots[i].Number)
			s.Rates = append(s.Rates, o.slots[i].Trials[0].Users...)
		}
		evidence.Samples = append(evidence.Samples, s)
	}
	for i := range evidence.Scale.Points {
		if at := &evidence.Scale.Points[i]; at.PeakEIRPW != nil {
			evidence.EIRP = append(evidence.EIRP, report.EIRP{Antennas: int(at.Value), PeakW: *at.PeakEIRPW})
		}
	}
	figures, err := evidence.Figures()
	if err != nil {
		return nil, err
	}
	over, err := report.Timeline("Radiated power over the shift", r.SlotIntervalS, evidence.Samples)
	if err != nil {
		return nil, err
	}
	ours, one, textbook := r.Shift[0], r.Shift[1], r.Shift[2]
	page := &report.Page{
		Title:    headline(r.Users, one.SavedDb, ours.ConsumedPowerW, one.ConsumedPowerW),
		Question: "Does a large antenna array serve the same users at the same rates for a fraction of the radiated power, less again each time it doubles, and is the saving not paid for in service?",
		Answer:   r.Summary,
		Key: []report.Fact{
			{Name: "Saved against one column", Value: fmt.Sprintf("%.1f dB", one.SavedDb), Note: fmt.Sprintf("%s instead of %s, mean of %s", watts(ours.RadiatedPowerW), watts(one.RadiatedPowerW), slotCount(r.Slots))},
			{Name: "Saved against zero-forcing", Value: fmt.Sprintf("%.1f dB", textbook.SavedDb), Note: "on the same 64 antennas, by grouping and beams"},
		},
		Setup: []report.Fact{
			{Name: "Scene", Value: "one shift on a container quay, made up: a panel on a crane's mast, 32 m up, looks over the yard"},
			{Name: "Users", Value: fmt.Sprintf("%d on the move, who ask for %.0f Mbit/s together", r.Users, r.TargetBps/1e6)},
			{Name: "Radio", Value: fmt.Sprintf("%.4g GHz, %.4g MHz, antennas of 65 degrees and 8 dBi half a wavelength apart", r.CarrierHz/1e9, r.BandwidthHz/1e6)},
			{Name: "Slots", Value: fmt.Sprintf("%d, %g s apart; every size of array on %d of them", r.Slots, r.SlotIntervalS, r.ArraySlots)},
			{Name: "Protected", Value: fmt.Sprintf("in the slot of the pictures of groups and beams: %d degrees about the control room of the port, to %d dB under the largest EIRP without, which costs %.1f dB of that slot's radiated power", roomWidthDeg, roomBelowDB, view.costDB)},
		},
		Figures: append([]report.Figure{*over}, figures...),
		Method:  []string{method, report.ConsumedMethod, report.FloorMethod},
		Caution: r.Caution + "\n" + energy.Caution,
		Command: fmt.Sprintf("leastwatt demo --seed %d --slots %d", r.Seed, r.Slots),
		Seed:    r.Seed,
		Version: scheduler.Version,
	}
	if least := r.leastConsumed(); least != nil && ours.ConsumedPowerW != nil && one.ConsumedPowerW != nil {
		page.Key = append(page.Key, report.Fact{
			Name: "From the wall", Value: watts(*ours.ConsumedPowerW),
			Note: fmt.Sprintf("beside %s with one column; of the arrays %d antennas draw least, %s", watts(*one.ConsumedPowerW), least.Antennas, watts(*least.ConsumedPowerW)),
		})
	}
	page.Key = append(page.Key, leastRate(evidence.Samples)...)
	if over := r.overFloor(); over != nil {
		page.Key = append(page.Key, report.Fact{Name: "Over the floor of any scheme", Value: fmt.Sprintf("%.1f dB", *over), Note: fmt.Sprintf("at %d antennas: what is left to be had, at most", ours.Antennas)})
	}
	return page, nil
}

// overFloor returns the distance to the floor with as many antennas as ours has.
func (r *demoReport) overFloor() *float64 {
	for i := range r.Array {
		if r.Array[i].Antennas == r.Shift[0].Antennas {
			return r.Array[i].OverFloorDb
		}
	}
	return nil
}

// sweepOf returns outcomes of sizes of array as a sweep.
func sweepOf(sizes []*outcome) *campaign.SweepResult {
	r := &campaign.SweepResult{Quantity: campaign.Antennas, Drops: len(sizes[0].slots), Strategies: []scheduler.Strategy{sizes[0].strategy()}}
	for _, o := range sizes {
		r.Values = append(r.Values, float64(o.antennas))
		r.Points = append(r.Points, campaign.Result{Set: campaign.Antennas, Strategies: r.Strategies, Slots: o.slots})
	}
	return r
}
