package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
)

// stand puts one into the row and returns where it is told of its turn.
func stand(p *pool, who turn) chan struct{} {
	granted := make(chan struct{})
	p.mu.Lock()
	defer p.mu.Unlock()
	p.queue(who, granted)
	p.deal()
	return granted
}

func isGranted(c chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// TestTurnsOfPeers: peers take turns, whatever each has waiting, and at the turn
// of a peer its sessions do, with all its single calls as one of them.
func TestTurnsOfPeers(t *testing.T) {
	p := newPool(1)
	if !isGranted(stand(p, turn{"x", 0})) {
		t.Fatal("a worker that is free is not given")
	}
	if !isGranted(stand(p, turn{"y", 0})) {
		t.Fatal("there is no spare worker for a peer that has none")
	}
	rows := map[string]chan struct{}{}
	for i := range 3 { // the flood comes first
		rows[fmt.Sprint("a call ", i)] = stand(p, turn{"a", singleCalls{}})
	}
	for i := range 3 {
		rows[fmt.Sprint("a session ", i)] = stand(p, turn{"a", i})
	}
	rows["b session"] = stand(p, turn{"b", 0})
	rows["c call 0"] = stand(p, turn{"c", singleCalls{}})
	rows["c call 1"] = stand(p, turn{"c", singleCalls{}})
	if n := p.waiting(); n != 9 {
		t.Fatalf("%d wait", n)
	}
	var order []string
	note := func() (peer string) {
		for name, c := range rows {
			if isGranted(c) {
				order = append(order, name)
				delete(rows, name)
				peer = name[:1]
			}
		}
		return peer
	}
	p.leave(turn{"x", 0}) // y keeps its own: there is one worker for all others
	first := note()
	for len(rows) > 0 {
		if first == "" {
			t.Fatalf("nobody is served of %d, after %v", len(rows), order)
		}
		p.leave(turn{first, 0})
		first = note()
	}
	want := []string{"a call 0", "b session", "c call 0", "a session 0", "c call 1", "a session 1", "a session 2", "a call 1", "a call 2"}
	if !slices.Equal(order, want) {
		t.Errorf("turns %q, want %q", order, want)
	}
}

// TestSpareWorker: one peer has all workers but not the spare one; another is
// served at once, a third waits.
func TestSpareWorker(t *testing.T) {
	p := newPool(2)
	var long []chan struct{}
	for i := range 10 {
		long = append(long, stand(p, turn{"a", i}))
	}
	good := stand(p, turn{"b", 0})
	again := stand(p, turn{"b", 1})
	third := stand(p, turn{"c", 0})
	if !isGranted(long[0]) || !isGranted(long[1]) || isGranted(long[2]) || !isGranted(good) || isGranted(again) || isGranted(third) {
		t.Errorf("a has %v %v %v, b %v %v, c %v", isGranted(long[0]), isGranted(long[1]), isGranted(long[2]), isGranted(good), isGranted(again), isGranted(third))
	}
	p.leave(turn{"b", 0})
	if !isGranted(again) || isGranted(third) || isGranted(long[2]) {
		t.Error("the spare worker is not for who came first of those that have none")
	}
	p.leave(turn{"b", 1})
	if !isGranted(third) || isGranted(long[2]) {
		t.Error("the spare worker is not for the peer that has none")
	}
	p.leave(turn{"c", 0})
	if p.leave(turn{"a", 0}); !isGranted(long[2]) {
		t.Error("a worker that is free is not given")
	}
}

// TestQuit: one who no longer waits is in nobody's way, and one who was given a
// worker meanwhile gives it back.
func TestQuit(t *testing.T) {
	p := newPool(1)
	first := stand(p, turn{"a", 0})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := p.enter(ctx, turn{"a", 1}); !errors.Is(err, context.Canceled) || p.waiting() != 0 || len(p.peers) != 0 {
		t.Errorf("%v, %d wait, %d peers", err, p.waiting(), len(p.peers))
	}
	second := stand(p, turn{"a", 1})
	p.leave(turn{"a", 0})
	p.quit(turn{"a", 1}, second) // too late
	if !isGranted(first) || !isGranted(second) || p.busy != 0 || len(p.holds) != 0 {
		t.Errorf("%d busy, %v", p.busy, p.holds)
	}
}
