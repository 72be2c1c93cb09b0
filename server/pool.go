package server

import (
	"context"
	"slices"
	"sync"
	"time"
)

// turn says who waits for a worker. Peers take turns, and at the turn of a peer
// its lines: each session is one, all single calls together are another.
type turn struct {
	peer string
	line any
}

// singleCalls is the line of a peer's single calls.
type singleCalls struct{}

// spares is how many workers there are beyond the pool's own for peers that have
// none while others have them all: such a peer need not wait for a slot of somebody
// else's to end, however long that takes. It has its share of the processors instead.
const spares = 1

// pool lets a bounded number of slots be computed at once. Those that wait stand
// in rows: of their line, of their peer.
type pool struct {
	workers int

	mu      sync.Mutex
	busy    int            // workers at work, spare ones included
	holds   map[string]int // [peer] of them
	peers   []*peerRow     // with somebody who waits; the first is next
	waiters int
	since   time.Time // when a worker last came free, or the last one was taken
	stuck   int       // given up and not back
	givenUp int64     // since the start
}

// peerRow is those of one peer who wait.
type peerRow struct {
	peer  string
	lines []*lineRow // the first is next
}

// lineRow is those of one line who wait, in their order.
type lineRow struct {
	line any
	row  []chan struct{} // one for each, closed when its turn comes
}

func newPool(workers int) *pool {
	return &pool{workers: workers, holds: map[string]int{}}
}

// enter waits for a worker. The error is the context's.
func (p *pool) enter(ctx context.Context, who turn) error {
	granted := make(chan struct{})
	p.mu.Lock()
	p.queue(who, granted)
	p.deal()
	p.mu.Unlock()
	select {
	case <-granted:
		return nil
	case <-ctx.Done():
		p.quit(who, granted)
		return ctx.Err()
	}
}

// queue adds one to the row of its line.
func (p *pool) queue(who turn, granted chan struct{}) {
	p.waiters++
	i := slices.IndexFunc(p.peers, func(r *peerRow) bool { return r.peer == who.peer })
	if i < 0 {
		i = len(p.peers)
		p.peers = append(p.peers, &peerRow{peer: who.peer})
	}
	r := p.peers[i]
	j := slices.IndexFunc(r.lines, func(l *lineRow) bool { return l.line == who.line })
	if j < 0 {
		j = len(r.lines)
		r.lines = append(r.lines, &lineRow{line: who.line})
	}
	r.lines[j].row = append(r.lines[j].row, granted)
}

// deal gives workers to those whose turn it is.
func (p *pool) deal() {
	for {
		i := p.next()
		if i < 0 {
			return
		}
		p.grant(i)
	}
}

// next returns whose turn it is among the peers that wait; -1 while there is no
// worker for any.
func (p *pool) next() int {
	switch {
	case len(p.peers) == 0:
		return -1
	case p.busy < p.workers:
		return 0
	case p.busy < p.workers+spares:
		return slices.IndexFunc(p.peers, func(r *peerRow) bool { return p.holds[r.peer] == 0 })
	}
	return -1
}

// grant gives a worker to the first of the first line of a peer; line and peer
// then stand behind the others.
func (p *pool) grant(i int) {
	r := p.peers[i]
	l := r.lines[0]
	close(l.row[0])
	l.row = l.row[1:]
	r.lines = r.lines[1:]
	if len(l.row) > 0 {
		r.lines = append(r.lines, l)
	}
	p.peers = slices.Delete(p.peers, i, i+1)
	if len(r.lines) > 0 {
		p.peers = append(p.peers, r)
	}
	p.waiters--
	p.holds[r.peer]++
	if p.busy++; p.busy == p.workers {
		p.since = time.Now()
	}
}

// quit takes one who no longer waits out of its row, or gives back the worker it
// was given meanwhile.
func (p *pool) quit(who turn, granted chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i, r := range p.peers {
		for j, l := range r.lines {
			k := slices.Index(l.row, granted)
			if k < 0 {
				continue
			}
			p.waiters--
			if l.row = slices.Delete(l.row, k, k+1); len(l.row) > 0 {
				return
			}
			if r.lines = slices.Delete(r.lines, j, j+1); len(r.lines) == 0 {
				p.peers = slices.Delete(p.peers, i, i+1)
			}
			return
		}
	}
	p.free(who.peer)
}

// leave gives a worker back.
func (p *pool) leave(who turn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.free(who.peer)
}

func (p *pool) free(peer string) {
	p.busy--
	if p.holds[peer]--; p.holds[peer] == 0 {
		delete(p.holds, peer)
	}
	p.since = time.Now()
	p.deal()
}

// giveUp puts a new worker in the place of one that does not stop. The old one
// says back should it stop after all.
func (p *pool) giveUp(who turn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stuck++
	p.givenUp++
	p.free(who.peer)
}

// back says that a worker given up has stopped after all.
func (p *pool) back() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stuck--
}

// waiting returns how many wait.
func (p *pool) waiting() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.waiters
}

// lost returns how many workers were given up and are not back, and how many were
// given up since the start.
func (p *pool) lost() (stuck int, ever int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.stuck, p.givenUp
}

// stalled returns for how long every worker has been at work without one coming
// free.
func (p *pool) stalled() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.busy < p.workers {
		return 0
	}
	return time.Since(p.since)
}
