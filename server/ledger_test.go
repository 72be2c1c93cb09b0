package server

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
)

// TestLedger: a peer at its limit holds up itself alone, a large claim is not
// overtaken by small ones for ever, and those who claim nothing wait only until
// nobody holds too much.
func TestLedger(t *testing.T) {
	l := newLedger(10, 6)
	var mu sync.Mutex
	var order []string
	var all sync.WaitGroup
	claims := 0
	claim := func(peer string, n int, name string) {
		claims++
		all.Go(func() {
			if got, err := l.take(t.Context(), peer, n); got != n || err != nil {
				t.Errorf("%s: took %d, %v", name, got, err)
			}
			mu.Lock()
			order = append(order, name)
			mu.Unlock()
		})
		waitFor(t, func() bool { // until it is in the row or has been granted
			l.mu.Lock()
			defer l.mu.Unlock()
			mu.Lock()
			defer mu.Unlock()
			return len(l.row)+len(order) == claims
		})
	}
	claim("a", 5, "a5")
	claim("a", 4, "a4")
	claim("b", 4, "b4")
	claim("c", 5, "c5")
	claim("d", 1, "d1")
	claim("b", 0, "b0") // 9 of 10 are held
	if want := []string{"a5", "b4", "b0"}; !slices.Equal(order, want) {
		t.Fatalf("granted %v, want %v", order, want)
	}
	l.charge("e", 3) // an answer that is there, room or not
	claim("b", 0, "over")
	if len(order) != 3 {
		t.Fatalf("granted %v with 12 of 10 held", order)
	}
	l.give("e", 3)
	waitFor(t, func() bool { mu.Lock(); defer mu.Unlock(); return len(order) == 4 })
	l.give("a", 5) // a4 comes before c5, for which there is no room then: and d1 waits behind it
	waitFor(t, func() bool { mu.Lock(); defer mu.Unlock(); return len(order) == 5 })
	if order[4] != "a4" || l.held() != 8 || len(l.row) != 2 {
		t.Fatalf("granted %v, %d held, %d wait", order, l.held(), len(l.row))
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := l.take(ctx, "f", 5); !errors.Is(err, context.Canceled) {
		t.Errorf("one who gave up: %v", err)
	}
	if n, err := newLedger(10, 6).take(ctx, "f", 100); n != 6 || err != nil {
		t.Errorf("more than there ever is: %d, %v", n, err)
	}
	l.give("b", 4)
	all.Wait()
	for peer, n := range map[string]int{"a": 4, "c": 5, "d": 1} {
		l.give(peer, n)
	}
	if l.held() != 0 || len(l.by) > 0 || len(l.row) > 0 {
		t.Errorf("%d held, by %v, %d wait", l.held(), l.by, len(l.row))
	}
}

// TestAccount: what a call holds is given back when it ends, and what it is
// granted after its end too.
func TestAccount(t *testing.T) {
	l := newLedger(10, 10)
	a := &account{ledger: l, peer: "a"}
	if _, err := a.take(t.Context(), 7); err != nil {
		t.Fatal(err)
	}
	a.give(3)
	if l.held() != 4 {
		t.Errorf("%d held", l.held())
	}
	a.close()
	if _, err := a.take(t.Context(), 2); err == nil || l.held() != 0 {
		t.Errorf("after the end: %v, %d held", err, l.held())
	}
	a.give(5)
	if l.held() != 0 {
		t.Errorf("%d held", l.held())
	}
}
