package scheduler

import (
	"context"
	"time"
)

// clock says when the work on a slot ends. Searches end at the soft end, with the
// best they have (View.Stopped); what is left of the time is for the plan of that.
// Everything ends at the hard end, the context's deadline: it is looked at in the
// innermost loops (check), and work is given up where it stands, by a panic that
// planning catches.
//
// A context that is cancelled only ends searches, and one without a deadline has no
// hard end. A nil clock never ends.
type clock struct {
	ctx       context.Context
	now       func() time.Time
	begun     time.Time
	soft, end time.Time // zero: none

	// atEnd is done at the hard end, and only then; release lets go of it.
	atEnd   context.Context
	release func()

	// aside makes, once a part of the time is gone, a plan to fall back on. Nil: none,
	// or made.
	aside   func()
	asideAt time.Time
}

// outOfTime is what check panics with.
type outOfTime struct{}

const (
	asidePart  = 4    // of the time: from then on there is a plan to fall back on
	asideSlack = 1.25 // of the time it took, kept for the plan of what a search found
)

// newClock returns the clock of a context that reads the time off now.
func newClock(ctx context.Context, now func() time.Time) *clock {
	c := &clock{ctx: ctx, now: now, atEnd: context.Background(), release: func() {}}
	if end, ok := ctx.Deadline(); ok {
		c.begun, c.end = now(), end
		c.atEnd, c.release = context.WithDeadline(c.atEnd, end)
		c.asideAt = c.begun.Add(end.Sub(c.begun) / asidePart)
	}
	return c
}

// stopped reports whether searches are to end.
func (c *clock) stopped() bool {
	if c == nil {
		return false
	}
	now := c.look()
	return !c.soft.IsZero() && !now.Before(c.soft) || c.ctx.Err() != nil
}

// check gives up the work when its time is over. O(1): it is for loops of which a
// round takes a microsecond or more.
func (c *clock) check() { c.look() }

// look is check, and returns the time where there is a hard end.
func (c *clock) look() (now time.Time) {
	if c == nil || c.end.IsZero() {
		return now
	}
	now = c.now()
	if !now.Before(c.end) {
		panic(outOfTime{})
	}
	if c.aside != nil && !now.Before(c.asideAt) {
		make := c.aside
		c.aside = nil
		make()
		took := c.now().Sub(now)
		c.soft = c.end.Add(-time.Duration(asideSlack * float64(took)))
	}
	return now
}

// over reports whether the hard end has come.
func (c *clock) over() bool { return c != nil && !c.end.IsZero() && !c.now().Before(c.end) }

// poll returns check for what takes a function, nil where there is nothing to look
// at.
func (c *clock) poll() func() {
	if c == nil || c.end.IsZero() {
		return nil
	}
	return c.check
}

// context is for solves that take one: it is done at the hard end.
func (c *clock) context() context.Context {
	if c == nil {
		return context.Background()
	}
	return c.atEnd
}

// whole is the context of the slot.
func (c *clock) whole() context.Context {
	if c == nil {
		return context.Background()
	}
	return c.ctx
}
