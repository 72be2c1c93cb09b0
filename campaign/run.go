package campaign

import (
	"cmp"
	"context"
	"iter"
	"runtime"
	"slices"
	"sync"

	"leastwatt/scheduler"
)

// CallersGroups takes the place of a grouping in the strategies of a Run: the
// groups that each slot brings with it, by whoever made them. Under all other
// groupings the engine groups, whatever a slot brings.
const CallersGroups = "(caller's)"

// Run is a set of strategies to try on slots.
type Run struct {
	Set        string               // what the slots are called
	Strategies []scheduler.Strategy // powers may be left empty
	Workers    int                  // plans made at a time; 0: one for each processor that Go may use
	Floor      bool                 // prove the floor of every slot
	TruthPairs int                  // pairs of true channels drawn to judge rates where a slot's channel is an estimate; 0: rates by the estimate

	// Each, unless nil, is given every slot as it is done, one at a time, from any
	// worker. Its error ends the run.
	Each func(*Slot) error
}

// Result is what a Run found.
type Result struct {
	Set        string
	Strategies []scheduler.Strategy // as resolved
	Slots      []Slot               // in the order of the trace
}

// Slot is what the strategies did on one slot.
type Slot struct {
	Number      int      `json:"drop"` // place in the trace, from 0 on; of a sweep, the drop
	Sequence    int64    `json:"sequence"`
	Users       int      `json:"users"` // with a rate target
	Antennas    int      `json:"antennas"`
	FloorPowerW *float64 `json:"floorPowerW,omitempty"` // as the audit proves it; nil: not asked for, or no strategy met the targets
	Trials      []Trial  `json:"trials"`                // by strategy
}

// Do tries every strategy on every slot, each as the first slot of a session: no
// plan depends on another. A nil slot is counted and left out. The time budgets of
// slots are not honoured, so that plans do not depend on the machine; limits on work
// are. When the context ends, or slots or Each end in an error, it returns that error
// with the result of all slots that are done, each with every strategy.
func (r *Run) Do(ctx context.Context, slots iter.Seq2[*scheduler.Slot, error]) (*Result, error) {
	result := &Result{Set: r.Set}
	for _, s := range r.Strategies {
		result.Strategies = append(result.Strategies, resolve(s))
	}
	workers := r.Workers
	if workers < 1 {
		workers = runtime.GOMAXPROCS(0)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	jobs := make(chan job)
	var mu sync.Mutex
	keep := func(slot Slot) {
		mu.Lock()
		defer mu.Unlock()
		if ctx.Err() != nil {
			return // a plan may have stopped early
		}
		result.Slots = append(result.Slots, slot)
		if r.Each == nil {
			return
		}
		if err := r.Each(&slot); err != nil {
			cancel(err)
		}
	}
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for j := range jobs {
				slot := r.try(ctx, j.slot, result.Strategies)
				slot.Number = j.number
				keep(slot)
			}
		})
	}
	err := feed(ctx, jobs, slots)
	close(jobs)
	wg.Wait()
	if err == nil {
		err = context.Cause(ctx) // of the slots handed out last
	}
	slices.SortFunc(result.Slots, byNumber)
	return result, err
}

func byNumber(a, b Slot) int { return cmp.Compare(a.Number, b.Number) }

type job struct {
	number int
	slot   *scheduler.Slot
}

// feed hands out slots until there are no more or the context ends.
func feed(ctx context.Context, jobs chan<- job, slots iter.Seq2[*scheduler.Slot, error]) error {
	n := 0
	for slot, err := range slots {
		if err != nil {
			return err
		}
		if slot != nil {
			select {
			case jobs <- job{n, slot}:
			case <-ctx.Done():
				return context.Cause(ctx)
			}
		}
		n++
	}
	return context.Cause(ctx)
}

// resolve returns a strategy with defaults in place of empty names.
func resolve(s scheduler.Strategy) scheduler.Strategy {
	o := scheduler.Options{Grouping: s.Grouping, Beams: s.Beams, Power: s.Power}.Resolve()
	return scheduler.Strategy{Grouping: o.Grouping, Beams: o.Beams, Power: o.Power}
}

// Applies returns what is wrong with a strategy by itself, nothing where it can
// be tried.
func Applies(s scheduler.Strategy) []scheduler.Violation {
	o := options(scheduler.Options{}, s)
	return o.Validate()
}

// options returns the options of a slot with a strategy in place of its own and
// with weights, which the audit needs.
func options(o scheduler.Options, s scheduler.Strategy) scheduler.Options {
	o.Grouping, o.Beams, o.Power = s.Grouping, s.Beams, s.Power
	if s.Grouping == CallersGroups {
		o.Grouping = ""
	}
	if o.Weights == scheduler.WeightsNone {
		o.Weights = scheduler.WeightsF64
	}
	o.Floor = false
	return o
}
