package client

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/keepalive"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// defaultMessageBytes is the largest message received, that of a server with
// default limits.
const defaultMessageBytes = 64 << 20

// Config sets up a client. The zero value sends samples in float64 and does
// without TLS.
type Config struct {
	// Samples is how slots carry the channel.
	Samples convert.SampleFormat
	// MessageBytes is the largest message received; 0 means 64 MiB.
	MessageBytes int
	// Security says how client and server know each other.
	Security Security
	// Reconnect says how sessions survive the loss of a connection.
	Reconnect Reconnect
	// DialOptions go to gRPC after the client's own.
	DialOptions []grpc.DialOption
}

// Client is a connection to a server. It may be shared between goroutines.
type Client struct {
	conn    *grpc.ClientConn
	rpc     pb.SlotSchedulerServiceClient
	samples convert.SampleFormat

	reconnect Reconnect // resolved
}

// Dial returns a client of the server at an address (host:port, or any target of
// gRPC). It does not wait for the connection: the first call does.
func Dial(address string, c Config) (*Client, error) {
	if c.MessageBytes <= 0 {
		c.MessageBytes = defaultMessageBytes
	}
	c.Reconnect = c.Reconnect.resolve()
	options, err := c.Security.dialOptions(address)
	if err != nil {
		return nil, err
	}
	options = append(options,
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(c.MessageBytes)),
		c.Reconnect.connectParams(),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: pingInterval, Timeout: pingTimeout}),
	)
	options = append(options, c.DialOptions...)
	conn, err := grpc.NewClient(address, options...)
	if err != nil {
		return nil, fmt.Errorf("client: %w", err)
	}
	return &Client{
		conn: conn, rpc: pb.NewSlotSchedulerServiceClient(conn), samples: c.Samples, reconnect: c.Reconnect,
	}, nil
}

// Close ends the connection and every session on it.
func (c *Client) Close() error { return c.conn.Close() }

// Schedule has the server plan one slot. Bad input gives a *RejectedError.
func (c *Client) Schedule(ctx context.Context, slot *scheduler.Slot) (*scheduler.Plan, error) {
	res, err := c.rpc.ScheduleSlot(ctx, &pb.ScheduleSlotRequest{Slot: convert.SlotToProto(slot, c.samples)})
	if err != nil {
		return nil, callError(err)
	}
	return convert.PlanFromProto(res.GetPlan())
}

// Strategies are the names that options may hold on a server.
type Strategies struct {
	Groupings  []scheduler.Info
	Beams      []scheduler.Info
	Powers     []scheduler.Info
	Objectives []scheduler.Info
	RateTables []scheduler.Info

	ConsumptionModels []scheduler.Info
}

// Strategies asks the server what options may hold.
func (c *Client) Strategies(ctx context.Context) (Strategies, error) {
	res, err := c.rpc.ListStrategies(ctx, &pb.ListStrategiesRequest{})
	if err != nil {
		return Strategies{}, callError(err)
	}
	return Strategies{
		Groupings:  infos(res.GetGroupings()),
		Beams:      infos(res.GetBeams()),
		Powers:     infos(res.GetPowers()),
		Objectives: infos(res.GetObjectives()),
		RateTables: infos(res.GetRateTables()),

		ConsumptionModels: infos(res.GetConsumptionModels()),
	}, nil
}

func infos(list []*pb.StrategyInfo) []scheduler.Info {
	var out []scheduler.Info
	for _, i := range list {
		out = append(out, scheduler.Info{Name: i.GetName(), Summary: i.GetSummary(), Default: i.GetIsDefault()})
	}
	return out
}
