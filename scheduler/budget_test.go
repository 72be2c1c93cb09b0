package scheduler

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
	"time"
)

var (
	budgetSlots = flag.Int("budget-slots", 0, "slots that TestOverrun and TestGaps draw; 0: they are skipped, as what they tell are times")
	budgetSeed  = flag.Uint64("budget-seed", 1, "of the slots that TestOverrun and TestGaps draw")
	budgetEIRP  = flag.Bool("budget-eirp", true, "draw limits on EIRP too")
)

// ownTime is a clock that stands still while other processes have the core, so that
// a busy machine can be measured on.
func ownTime() time.Time { return time.Unix(1, 0).Add(threadTime()) }

// onBudget plans a slot by a clock.
func onBudget(slot *Slot, now func() time.Time, budget time.Duration) (plan *Plan, over time.Duration) {
	c := newClock(context.Background(), now)
	c.begun = now()
	c.end, c.asideAt = c.begun.Add(budget), c.begun.Add(budget/asidePart)
	plan = scheduleBy(c, slot, &memory{})
	return plan, now().Sub(c.end)
}

// TestOverrun measures by how much plans of drawn slots overrun budgets of 0.3
// to 20 ms, beside a bare loop that watches the same clock.
func TestOverrun(t *testing.T) {
	if *budgetSlots == 0 {
		t.Skip("measures times, which say nothing on a busy machine: ask for it with -budget-slots 1000")
	}
	defer debug.SetGCPercent(debug.SetGCPercent(400)) // as the server has it
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	rng := rand.New(rand.NewPCG(*budgetSeed, 1))
	kind := slotKind{users: 24, antennas: 64, subbands: 12, eirp: *budgetEIRP}
	type run struct {
		over, budget time.Duration
		text         string
	}
	var engine []run
	var bare []time.Duration
	silent, beyond := 0, 0
	for range *budgetSlots {
		slot := anySlot(rng, kind)
		budget := time.Duration(float64(300*time.Microsecond) * float64(1+rng.IntN(67)))
		plan, over := onBudget(slot, ownTime, budget)
		engine = append(engine, run{over, budget, describe(slot)})
		if plan.StoppedEarly && len(plan.Groups) == 0 {
			silent++
		}
		if over > max(budget/10, 200*time.Microsecond) {
			beyond++
		}
		end := ownTime().Add(budget)
		for ownTime().Before(end) {
		}
		bare = append(bare, ownTime().Sub(end))
	}
	slices.SortFunc(engine, func(a, b run) int { return int(b.over - a.over) })
	slices.Sort(bare)
	for i, r := range engine[:min(12, len(engine))] {
		t.Logf("%d: %v over %v: %s", i, r.over, r.budget, r.text)
	}
	at := func(part float64) int { return min(*budgetSlots-1, int(float64(*budgetSlots)*part)) }
	t.Logf("%d slots: overrun p99 %v, p99.9 %v, of a bare loop %v; %.2f %% beyond 10 %% and 0.2 ms, %.1f %% with nothing on the air",
		*budgetSlots, engine[*budgetSlots-1-at(0.99)].over, engine[*budgetSlots-1-at(0.999)].over, bare[at(0.99)],
		100*float64(beyond)/float64(*budgetSlots), 100*float64(silent)/float64(*budgetSlots))
}

// TestGaps finds the longest times between two looks at the clock, and where
// they are.
func TestGaps(t *testing.T) {
	if *budgetSlots == 0 {
		t.Skip("measures times, which say nothing on a busy machine: ask for it with -budget-slots 1000")
	}
	defer debug.SetGCPercent(debug.SetGCPercent(400)) // as the server has it
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	rng := rand.New(rand.NewPCG(*budgetSeed, 1))
	kind := slotKind{users: 24, antennas: 64, subbands: 12, eirp: *budgetEIRP}
	type gap struct {
		took     time.Duration
		from, to []uintptr
		text     string
	}
	worst := map[string]gap{}
	for range *budgetSlots {
		slot := anySlot(rng, kind)
		var pcs [40]uintptr
		var before []uintptr
		var last time.Time
		most := gap{}
		look := func() {
			now := ownTime()
			here := pcs[:runtime.Callers(3, pcs[:])]
			if !last.IsZero() && now.Sub(last) > most.took {
				most = gap{now.Sub(last), slices.Clone(before), slices.Clone(here), describe(slot)}
			}
			before = append(before[:0], here...)
			last = ownTime()
		}
		onBudget(slot, func() time.Time { look(); return ownTime() }, 300*time.Millisecond)
		look()
		key := where(most.from) + " -> " + where(most.to)
		if most.took > worst[key].took {
			worst[key] = most
		}
	}
	var all []gap
	for _, g := range worst {
		all = append(all, g)
	}
	slices.SortFunc(all, func(a, b gap) int { return int(b.took - a.took) })
	for _, g := range all[:min(15, len(all))] {
		t.Logf("%v: %s\n  from %s\n  to   %s", g.took, g.text, where(g.from), where(g.to))
	}
}

// where names the functions of a stack, innermost first.
func where(stack []uintptr) string {
	var names []string
	frames := runtime.CallersFrames(stack)
	for more := len(stack) > 0; more && len(names) < 9; {
		var f runtime.Frame
		f, more = frames.Next()
		name := f.Function[strings.LastIndex(f.Function, "/")+1:]
		if strings.Contains(name, "clock)") || strings.Contains(name, "Poll.") {
			continue
		}
		names = append(names, fmt.Sprintf("%s:%d", name, f.Line))
	}
	return strings.Join(names, " < ")
}

func describe(s *Slot) string {
	o := s.Options.Resolve()
	l := &s.Limits
	text := fmt.Sprintf("K=%d F=%d M=%d %s %s %s %s", len(s.Users), s.Channel.Subbands, s.Channel.Antennas, o.Grouping, o.Beams, o.Power, o.Objective)
	if o.RateTable != "" {
		text += " table"
	}
	if o.ShareStep > 0 {
		text += fmt.Sprintf(" step=%.2g", o.ShareStep)
	}
	if o.Floor {
		text += " floor"
	}
	if l.TotalPowerW != nil {
		text += " total"
	}
	if l.AntennaPowerW != nil {
		text += " antenna"
	}
	if l.EIRPW != nil {
		text += " eirp"
	}
	if n := len(l.ProtectedDirections); n > 0 {
		text += fmt.Sprintf(" %d cones", n)
	}
	if s.Array != nil {
		text += " array"
	}
	if s.Groups != nil {
		text += " fixed"
	}
	return text
}
