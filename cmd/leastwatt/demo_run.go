package main

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"leastwatt/campaign"
	"leastwatt/channel/quay"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// way is one way of scheduling the quay that the demo tries.
type way struct {
	name     string
	antennas int
	column   bool // of stacked elements in place of a panel
	far      bool // with the array's geometry, so that EIRP is told
	options  scheduler.Options
}

// work returns how long a slot takes, against one of a shift: about as many times
// where EIRP is found in every direction as there are antennas.
func (w way) work() int64 {
	if w.far {
		return int64(w.antennas)
	}
	return 1
}

// outcome is what a way did on the slots it was given: every rate and power
// re-computed by the audit from the weights that came back.
type outcome struct {
	way
	strategies map[scheduler.Strategy]int // slots by the strategy that was in force
	slots      []campaign.Slot            // numbered by the shift, each with one trial
	roundTrip  []time.Duration            // slot sent to plan received
}

// planner plans slots, one after the other.
type planner interface {
	Plan(context.Context, *scheduler.Slot) (*scheduler.Plan, error)
	Close()
}

// open opens a planner of its own for one way.
type open func(context.Context) (planner, error)

// try plans the slots with the way and audits every plan. It calls each after
// every slot. A plan that the audit disagrees with is an error.
func (w way) try(ctx context.Context, open open, seed int64, slots []int, each func(*outcome)) (*outcome, error) {
	p, err := open(ctx)
	if err != nil {
		return nil, err
	}
	defer p.Close()
	scene := w.scene(seed)
	o := &outcome{way: w, strategies: make(map[scheduler.Strategy]int)}
	for _, i := range slots {
		if err := context.Cause(ctx); err != nil {
			return nil, err
		}
		if err := o.plan(ctx, p, scene, i); err != nil {
			return nil, fmt.Errorf("%s, slot %d: %w", w.name, i, err)
		}
		each(o)
	}
	return o, nil
}

// scene returns the shift as the way's antennas see it.
func (w way) scene(seed int64) *quay.Scene {
	if w.column {
		return quay.NewColumn(seed, quay.DayShift)
	}
	rows, columns := quay.Grid(w.antennas)
	return quay.New(seed, quay.DayShift, rows, columns)
}

// plan plans slot i of the scene, audits the plan and notes what came of it.
func (o *outcome) plan(ctx context.Context, p planner, scene *quay.Scene, i int) error {
	slot := campaign.QuaySlot(scene, i)
	slot.Options = o.options
	if o.far {
		slot.Array = campaign.QuayArray(scene)
	}
	sent := time.Now()
	plan, err := p.Plan(ctx, slot)
	if err != nil {
		return err
	}
	roundTrip := time.Since(sent)
	trial, audited, err := judge(slot, plan)
	if err != nil {
		return err
	}
	o.slots = append(o.slots, campaign.Slot{
		Number: i, Sequence: plan.Sequence, Users: len(slot.Users), Antennas: o.antennas,
		FloorPowerW: audited.FloorPowerW, Trials: []campaign.Trial{trial},
	})
	o.roundTrip = append(o.roundTrip, roundTrip)
	o.strategies[plan.Strategy]++
	return nil
}

// judge audits a plan; one that is none, or that the audit disagrees with, is an
// error.
func judge(slot *scheduler.Slot, plan *scheduler.Plan) (campaign.Trial, *audit.Result, error) {
	trial, audited := campaign.Judge(slot, plan)
	switch {
	case audited == nil:
		return trial, nil, fmt.Errorf("%v: %s", trial.Status, trial.Reason)
	case trial.Disagreements > 0:
		return trial, nil, fmt.Errorf("the audit disagrees with the plan in %d places, first %s", trial.Disagreements, trial.Reason)
	}
	return trial, audited, nil
}

// each returns a number of every slot's trial.
func each[T any](o *outcome, value func(*campaign.Trial) T) []T {
	var out []T
	for i := range o.slots {
		out = append(out, value(&o.slots[i].Trials[0]))
	}
	return out
}

// powerW returns the radiated power in W of every slot, mean over the slot.
func (o *outcome) powerW() []float64 {
	return each(o, func(t *campaign.Trial) float64 { return t.RadiatedPowerW })
}

// meanPowerW returns the radiated power in W, mean over slots.
func (o *outcome) meanPowerW() float64 { return campaign.Mean(o.powerW()) }

// consumedW returns the power from the wall in W, mean over slots; nil where the way
// names no model of it.
func (o *outcome) consumedW() *float64 {
	var totals []float64
	for i := range o.slots {
		if c := o.slots[i].Trials[0].Consumed; c != nil {
			totals = append(totals, c.TotalW())
		}
	}
	if len(totals) == 0 {
		return nil
	}
	mean := campaign.Mean(totals)
	return &mean
}

// worstRatio returns the least rate over target of any user in any slot.
func (o *outcome) worstRatio() float64 {
	return slices.Min(each(o, func(t *campaign.Trial) float64 { return t.WorstRateRatio }))
}

// short returns the number of slots with a target that was not met.
func (o *outcome) short() int {
	n := 0
	for i := range o.slots {
		if !o.slots[i].Trials[0].Met() {
			n++
		}
	}
	return n
}

// groupsPerSlot returns the mean number of groups.
func (o *outcome) groupsPerSlot() float64 {
	return campaign.Mean(each(o, func(t *campaign.Trial) float64 { return float64(t.Groups) }))
}

// overFloorDB returns the mean power over the mean floor, nil without floors.
func (o *outcome) overFloorDB() *float64 {
	var floorW []float64
	for i := range o.slots {
		if w := o.slots[i].FloorPowerW; w != nil {
			floorW = append(floorW, *w)
		}
	}
	if len(floorW) == 0 {
		return nil
	}
	over := decibels(o.meanPowerW() / campaign.Mean(floorW))
	return &over
}

// strategy returns the strategy in force in most slots.
func (o *outcome) strategy() scheduler.Strategy {
	var most scheduler.Strategy
	for s, n := range o.strategies {
		if n > o.strategies[most] || n == o.strategies[most] && s.Grouping < most.Grouping {
			most = s
		}
	}
	return most
}

// tryAll tries the ways on the slots, as many at a time as workers, and returns
// their outcomes in the order of ways. each is called after every slot, from any
// worker. The first error stops the rest.
func tryAll(ctx context.Context, ways []way, open open, seed int64, slots []int, workers int, each func(*outcome)) ([]*outcome, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	outcomes := make([]*outcome, len(ways))
	next := make(chan int)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for i := range next {
				o, err := ways[i].try(ctx, open, seed, slots, each)
				if err != nil {
					cancel(err)
				}
				outcomes[i] = o
			}
		})
	}
	for i := range ways {
		next <- i
	}
	close(next)
	wg.Wait()
	if err := context.Cause(ctx); err != nil {
		return nil, err
	}
	return outcomes, nil
}
