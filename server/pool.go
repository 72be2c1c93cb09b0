package server

import (
	"context"
	"fmt"
	"net"
	"slices"
	"sync"

	"google.golang.org/grpc/peer"
)

// pool lets a bounded number of slots be scheduled at once. Those that wait stand
// in a row; as every session has one slot there at a time, sessions take turns.
type pool struct {
	mu   sync.Mutex
	idle int             // workers; none while anyone waits
	row  []chan struct{} // one for each that waits, closed when its turn comes
}

func newPool(workers int) *pool { return &pool{idle: workers} }

// enter waits for a worker. The error is the context's.
func (p *pool) enter(ctx context.Context) error {
	p.mu.Lock()
	if p.idle > 0 {
		p.idle--
		p.mu.Unlock()
		return nil
	}
	turn := make(chan struct{})
	p.row = append(p.row, turn)
	p.mu.Unlock()
	select {
	case <-turn:
		return nil
	case <-ctx.Done():
		p.quit(turn)
		return ctx.Err()
	}
}

// quit takes one who no longer waits out of the row, or gives back the worker it
// was given meanwhile.
func (p *pool) quit(turn chan struct{}) {
	p.mu.Lock()
	i := slices.Index(p.row, turn)
	if i >= 0 {
		p.row = slices.Delete(p.row, i, i+1)
	}
	p.mu.Unlock()
	if i < 0 {
		p.leave()
	}
}

// leave gives the worker to the first in the row.
func (p *pool) leave() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.row) == 0 {
		p.idle++
		return
	}
	close(p.row[0])
	p.row = slices.Delete(p.row, 0, 1)
}

// waiting returns the length of the row.
func (p *pool) waiting() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.row)
}

// quota counts what is in use against two limits: in all, and by one peer.
type quota struct {
	what        string // in the words of the error
	most        int
	mostPerPeer int

	mu   sync.Mutex
	used int
	by   map[string]int
}

func newQuota(what string, most, mostPerPeer int) *quota {
	return &quota{what: what, most: most, mostPerPeer: mostPerPeer, by: map[string]int{}}
}

// take counts n more for a peer, or none and returns an *exhausted.
func (q *quota) take(peer string, n int) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	switch {
	case q.used+n > q.most:
		return &exhausted{q.what, "in all", q.most}
	case q.by[peer]+n > q.mostPerPeer:
		return &exhausted{q.what, "of one peer", q.mostPerPeer}
	}
	q.used += n
	q.by[peer] += n
	return nil
}

// give takes back what take counted.
func (q *quota) give(peer string, n int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.used -= n
	if q.by[peer] -= n; q.by[peer] == 0 {
		delete(q.by, peer)
	}
}

// inUse returns the count in all.
func (q *quota) inUse() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.used
}

// exhausted says that a limit of the server on what is in use is reached. It may
// pass.
type exhausted struct {
	what  string
	scope string
	most  int
}

func (e *exhausted) Error() string {
	return fmt.Sprintf("server: at most %d %s %s: this server's limit", e.most, e.what, e.scope)
}

// peerOf names who calls: the host, whatever its port.
func peerOf(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return ""
	}
	return hostOf(p.Addr)
}

// hostOf returns the host of an address; for those that have none, their network.
func hostOf(addr net.Addr) string {
	if host, _, err := net.SplitHostPort(addr.String()); err == nil {
		return host
	}
	return addr.Network()
}

// addressOf returns the whole address that a call comes from.
func addressOf(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return ""
	}
	return p.Addr.String()
}
