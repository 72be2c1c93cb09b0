package server

import (
	"context"
	"slices"
	"sync"
)

// ledger counts bytes held for clients against two limits: in all, and for one
// peer. Those for whom there is no room wait in a row. A peer at its own limit
// holds up nobody else.
type ledger struct {
	most        int
	mostPerPeer int

	mu   sync.Mutex
	used int
	by   map[string]int
	row  []*claim
}

// claim is one who waits for room.
type claim struct {
	peer    string
	bytes   int
	granted chan struct{} // closed once there is room
}

func newLedger(most, mostPerPeer int) *ledger {
	return &ledger{most: most, mostPerPeer: mostPerPeer, by: map[string]int{}}
}

// take waits for room for n bytes. What is more than one peer may ever hold takes
// all that it may. It returns what was taken, or the context's error. For 0 bytes
// it waits until the peer, and all together, hold no more than they may.
func (l *ledger) take(ctx context.Context, peer string, n int) (int, error) {
	n = min(n, l.most, l.mostPerPeer)
	l.mu.Lock()
	if (len(l.row) == 0 || n == 0) && l.fits(peer, n) {
		l.add(peer, n)
		l.mu.Unlock()
		return n, nil
	}
	c := &claim{peer, n, make(chan struct{})}
	l.row = append(l.row, c)
	l.deal()
	l.mu.Unlock()
	select {
	case <-c.granted:
		return n, nil
	case <-ctx.Done():
		l.quit(c)
		return 0, ctx.Err()
	}
}

// charge counts n bytes whether there is room or not: they are held already.
func (l *ledger) charge(peer string, n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.add(peer, n)
}

// give takes back what take or charge counted.
func (l *ledger) give(peer string, n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.add(peer, -n)
	l.deal()
}

// quit takes one who no longer waits out of the row, or gives back what it was
// granted meanwhile.
func (l *ledger) quit(c *claim) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if i := slices.Index(l.row, c); i >= 0 {
		l.row = slices.Delete(l.row, i, i+1)
	} else {
		l.add(c.peer, -c.bytes)
	}
	l.deal()
}

// deal grants what there is room for, in the order of the row. Nobody overtakes
// one for whom there is no room in all, so that large claims come to their turn;
// but those who claim nothing do, as it is they who make room.
func (l *ledger) deal() {
	full := false
	for i := 0; i < len(l.row); {
		c := l.row[i]
		switch {
		case l.by[c.peer]+c.bytes > l.mostPerPeer:
			i++
		case l.used+c.bytes > l.most:
			full = true
			i++
		case full && c.bytes > 0:
			i++
		default:
			l.add(c.peer, c.bytes)
			close(c.granted)
			l.row = slices.Delete(l.row, i, i+1)
		}
	}
}

// allows reports whether a peer, and all together, hold no more than they may.
func (l *ledger) allows(peer string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.fits(peer, 0)
}

func (l *ledger) fits(peer string, n int) bool {
	return l.by[peer]+n <= l.mostPerPeer && l.used+n <= l.most
}

func (l *ledger) add(peer string, n int) {
	l.used += n
	if l.by[peer] += n; l.by[peer] == 0 {
		delete(l.by, peer)
	}
}

// held returns the bytes counted in all.
func (l *ledger) held() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.used
}

// account is what one call holds of a ledger.
type account struct {
	ledger *ledger
	peer   string

	mu     sync.Mutex
	held   int
	closed bool
}

// take waits for room for n bytes and returns how many it took.
func (a *account) take(ctx context.Context, n int) (int, error) {
	n, err := a.ledger.take(ctx, a.peer, n)
	if err != nil {
		return 0, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.closed { // its call has ended meanwhile
		a.ledger.give(a.peer, n)
		return 0, context.Canceled
	}
	a.held += n
	return n, nil
}

// give takes back n bytes.
func (a *account) give(n int) {
	a.mu.Lock()
	n = min(n, a.held)
	a.held -= n
	a.mu.Unlock()
	a.ledger.give(a.peer, n)
}

// close gives back all that is left. What is taken later is refused.
func (a *account) close() {
	a.mu.Lock()
	n := a.held
	a.held, a.closed = 0, true
	a.mu.Unlock()
	a.ledger.give(a.peer, n)
}
