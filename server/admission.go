package server

import (
	"context"
	"net"
	"sync"

	"google.golang.org/grpc/tap"
)

// call is what the server knows of a call from before its first byte is read.
type call struct {
	peer    string
	cancel  context.CancelFunc // ends its stream, whoever waits for it
	account *account           // of the memory that its messages take
	conn    *countedConn       // nil where the listener is not the server's own
	taken   int                // from the account for the message received last
}

type callKey struct{}

// callOf returns the call of a context, or nil for one that gRPC has no part in.
func callOf(ctx context.Context) *call {
	c, _ := ctx.Value(callKey{}).(*call)
	return c
}

// give takes back bytes that were taken for a message. A nil call has taken none.
func (c *call) give(bytes int) {
	if c != nil {
		c.account.give(bytes)
	}
}

// admit lets a call in or refuses it, by its headers alone: nothing of its body
// is read, and no goroutine started, for one without a token or one too many.
// A call counts until its stream ends.
func (s *Server) admit(ctx context.Context, info *tap.Info) (context.Context, error) {
	if err := s.config.Credentials.allow(info.Header, info.FullMethodName); err != nil {
		return nil, rpcError(err)
	}
	peer := peerOf(ctx)
	if err := s.calls.take(peer, 1); err != nil {
		return nil, rpcError(err)
	}
	ctx, cancel := context.WithCancel(ctx)
	c := &call{peer: peer, cancel: cancel, account: &account{ledger: s.memory, peer: peer}, conn: s.connOf(ctx)}
	context.AfterFunc(ctx, func() { s.calls.give(peer, 1) })
	return context.WithValue(ctx, callKey{}, c), nil
}

// door lets connections in as far as their number allows.
type door struct {
	net.Listener
	server *Server
}

// Accept returns the next connection within the limits; others are closed.
func (d *door) Accept() (net.Conn, error) {
	for {
		conn, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		peer := hostOf(conn.RemoteAddr())
		if err := d.server.connections.take(peer, 1); err != nil {
			d.server.config.Logger.Debug("connection refused", "peer", peer, "error", err)
			conn.Close()
			continue
		}
		c := &countedConn{Conn: conn, server: d.server, peer: peer}
		d.server.conns.Store(conn.RemoteAddr().String(), c)
		return c, nil
	}
}

// connOf returns the connection that a call came by.
func (s *Server) connOf(ctx context.Context) *countedConn {
	c, ok := s.conns.Load(addressOf(ctx))
	if !ok {
		return nil
	}
	return c.(*countedConn)
}

// countedConn is a connection that counts against the limits, with the bytes of
// answers that are on their way through it: a client that asks and does not read
// holds what its peer may hold and no more.
type countedConn struct {
	net.Conn
	server *Server
	peer   string

	mu     sync.Mutex
	queued int // bytes of answers handed to gRPC and not yet written
	closed bool
}

// queue counts an answer of n bytes that is about to be handed to gRPC.
func (c *countedConn) queue(n int) {
	if c == nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return
	}
	c.queued += n
	c.server.memory.charge(c.peer, n)
}

// Write implements net.Conn.
func (c *countedConn) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.mu.Lock()
	defer c.mu.Unlock()
	if done := min(n, c.queued); done > 0 {
		c.queued -= done
		c.server.memory.give(c.peer, done)
	}
	return n, err
}

// Close implements net.Conn.
func (c *countedConn) Close() error {
	err := c.Conn.Close()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return err
	}
	c.closed = true
	if c.queued > 0 {
		c.server.memory.give(c.peer, c.queued)
		c.queued = 0
	}
	c.server.conns.CompareAndDelete(c.RemoteAddr().String(), c)
	c.server.connections.give(c.peer, 1)
	return err
}
