package client_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"

	"leastwatt/client"
	"leastwatt/scheduler"
	"leastwatt/server"
)

// A session plans slot after slot: one goroutine sends, another receives.
func Example() {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		log.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	stopped := make(chan error, 1)
	go func() { stopped <- server.New(server.Config{}).Serve(ctx, lis) }()

	c, err := client.Dial(lis.Addr().String(), client.Config{})
	if err != nil {
		log.Fatal(err)
	}
	session, err := c.Stream(ctx, client.Open{Options: scheduler.Options{Weights: scheduler.WeightsF32}})
	if err != nil {
		log.Fatal(err)
	}
	go func() {
		for i, rate := range []float64{1e6, 2e6, -1} {
			slot := &scheduler.Slot{
				Sequence:    int64(i),
				BandwidthHz: 1e6,
				Channel:     scheduler.Channel{Antennas: 2, Subbands: 1, Samples: []complex128{3e-6, 4e-6i}},
				Users:       []scheduler.User{{ID: "crane", RateBps: rate, NoiseW: 1e-13}},
			}
			if session.Send(slot) != nil {
				return // Recv tells why
			}
		}
		session.CloseSend()
	}()
	for {
		plan, err := session.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("slot %d: %v, %.3f W\n", plan.Sequence, plan.Status, plan.RadiatedPowerW)
		for _, v := range plan.Violations {
			fmt.Printf("  %s: %s, allowed: %s\n", v.Path, v.Value, v.Allowed)
		}
	}
	session.Close()
	c.Close()
	stop()
	if err := <-stopped; err != nil {
		log.Fatal(err)
	}
	// Output:
	// slot 0: MET, 0.004 W
	// slot 1: MET, 0.012 W
	// slot 2: REJECTED, 0.000 W
	//   users[0].rateBps: -1, allowed: a finite number >= 0
}
