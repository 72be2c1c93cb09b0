package server

import (
	"context"
	"fmt"
	"net"
	"sync"

	"google.golang.org/grpc/peer"
)

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
