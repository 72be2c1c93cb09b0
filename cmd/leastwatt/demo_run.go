package main

import (
	"context"
	"fmt"
	"math"
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
	options  scheduler.Options
}

// outcome is what a way did on the slots it was given: every rate and power
// re-computed by the audit from the weights that came back.
type outcome struct {
	way
	strategies map[scheduler.Strategy]int // slots by the strategy that was in force
	slots      []int                      // numbers of the slots
	powerW     []float64                  // radiated, mean over each slot
	floorW     []float64                  // proved for each slot; empty when not asked for
	roundTrip  []time.Duration            // slot sent to plan received
	compute    []time.Duration            // the engine's part of it
	worstRatio float64                    // least rate over target, any user, any slot
	short      int                        // slots with a rate that was not met
	groups     int                        // of all slots together
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
	rows, columns := quay.Grid(w.antennas)
	scene := quay.New(seed, quay.DayShift, rows, columns)
	o := &outcome{way: w, strategies: make(map[scheduler.Strategy]int), worstRatio: math.Inf(1)}
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

// plan plans slot i of the scene, audits the plan and notes what came of it.
func (o *outcome) plan(ctx context.Context, p planner, scene *quay.Scene, i int) error {
	slot := campaign.QuaySlot(scene, i)
	slot.Options = o.options
	sent := time.Now()
	plan, err := p.Plan(ctx, slot)
	if err != nil {
		return err
	}
	roundTrip := time.Since(sent)
	result, err := audit.Recompute(slot, plan)
	if err != nil {
		return fmt.Errorf("%w %v", err, plan.Violations)
	}
	if !result.Agrees() {
		return fmt.Errorf("the audit disagrees with the plan in %d places, first %v", len(result.Findings), result.Findings[0])
	}
	o.slots = append(o.slots, i)
	o.powerW = append(o.powerW, result.RadiatedPowerW)
	if result.FloorPowerW != nil {
		o.floorW = append(o.floorW, *result.FloorPowerW)
	}
	o.roundTrip = append(o.roundTrip, roundTrip)
	o.compute = append(o.compute, time.Duration(plan.ComputeMicros)*time.Microsecond)
	o.worstRatio = min(o.worstRatio, result.WorstRateRatio)
	if plan.Status != scheduler.StatusMet {
		o.short++
	}
	o.groups += len(plan.Groups)
	o.strategies[plan.Strategy]++
	return nil
}

// meanPowerW returns the radiated power in W, mean over slots.
func (o *outcome) meanPowerW() float64 { return campaign.Mean(o.powerW) }

// overFloorDB returns the mean power over the mean floor, nil without floors.
func (o *outcome) overFloorDB() *float64 {
	if len(o.floorW) == 0 {
		return nil
	}
	over := decibels(o.meanPowerW() / campaign.Mean(o.floorW))
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
