package main

import (
	"context"
	"errors"
	"io"
	"net"

	"leastwatt/client"
	"leastwatt/scheduler"
	"leastwatt/server"
)

// loopback starts a server in this process on a free loopback port, and returns
// what opens sessions with it and what stops it.
func loopback(ctx context.Context) (open, func() error, error) {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	stopped := make(chan error, 1)
	go func() { stopped <- server.New(server.Config{}).Serve(ctx, lis) }()
	c, err := client.Dial(lis.Addr().String(), client.Config{})
	if err != nil {
		cancel()
		<-stopped
		return nil, nil, err
	}
	stop := func() error {
		c.Close()
		cancel()
		return <-stopped
	}
	return func(ctx context.Context) (planner, error) {
		session, err := c.Stream(ctx, client.Open{CellID: "quay"})
		if err != nil {
			return nil, err
		}
		return remote{session}, nil
	}, stop, nil
}

// remote plans over a session, one slot at a time: the next is sent when the
// plan of the last is there.
type remote struct{ session *client.Session }

// Plan implements planner.
func (r remote) Plan(_ context.Context, slot *scheduler.Slot) (*scheduler.Plan, error) {
	// A session that has ended fails to send; Recv tells why.
	if err := r.session.Send(slot); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return r.session.Recv()
}

// Close implements planner.
func (r remote) Close() { r.session.Close() }
