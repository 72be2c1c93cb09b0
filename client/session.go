package client

import (
	"context"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// Open describes a session.
type Open struct {
	CellID    string            // for the server's logs
	SessionID string            // empty: the server makes one
	Options   scheduler.Options // of slots whose own are all zero
}

// Opened is what the server makes of an Open.
type Opened struct {
	SessionID     string
	Options       scheduler.Options // with defaults filled in
	WindowSlots   int               // slots the server takes before it answers the first
	EngineVersion string
}

// Session is a stream of slots and of their plans, one for each and in the same
// order. One goroutine may send while another receives. A caller that sends more
// than the window without receiving is held up.
type Session struct {
	stream  grpc.BidiStreamingClient[pb.StreamSlotsRequest, pb.StreamSlotsResponse]
	cancel  context.CancelFunc
	samples convert.SampleFormat
	opened  Opened
}

// Stream opens a session; it ends with the context, or with Close. Options that
// the server refuses give a *RejectedError.
func (c *Client) Stream(ctx context.Context, open Open) (*Session, error) {
	ctx, cancel := context.WithCancel(ctx)
	s := &Session{cancel: cancel, samples: c.samples}
	if err := s.open(ctx, c.rpc, open); err != nil {
		cancel()
		return nil, callError(err)
	}
	return s, nil
}

func (s *Session) open(ctx context.Context, rpc pb.SlotSchedulerServiceClient, open Open) error {
	var err error
	if s.stream, err = rpc.StreamSlots(ctx); err != nil {
		return err
	}
	err = s.stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{
		CellId:    open.CellID,
		SessionId: open.SessionID,
		Options:   convert.OptionsToProto(open.Options),
	}}})
	if err != nil && !errors.Is(err, io.EOF) { // on EOF, Recv knows the reason
		return err
	}
	res, err := s.stream.Recv()
	if err != nil {
		return err
	}
	o := res.GetOpened()
	if o == nil {
		return fmt.Errorf("client: the server answers open with %T", res.GetKind())
	}
	options, _ := convert.OptionsFromProto(o.GetOptions())
	s.opened = Opened{
		SessionID:     o.GetSessionId(),
		Options:       options,
		WindowSlots:   int(o.GetWindowSlots()),
		EngineVersion: o.GetEngineVersion(),
	}
	return nil
}

// Opened returns what the server made of the Open.
func (s *Session) Opened() Opened { return s.opened }

// Send sends a slot. An io.EOF means that the session has ended; Recv tells why.
func (s *Session) Send(slot *scheduler.Slot) error {
	return s.SendMessage(convert.SlotToProto(slot, s.samples))
}

// SendMessage sends a slot as it is, for the server to judge.
func (s *Session) SendMessage(slot *pb.Slot) error {
	return s.stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}})
}

// Recv returns the plan of the next slot. A bad slot gives a plan of
// StatusRejected and the session goes on. The error is io.EOF after the last
// plan, and a *ClosingError when the server is stopping.
func (s *Session) Recv() (*scheduler.Plan, error) {
	plan, err := s.RecvMessage()
	if err != nil {
		return nil, err
	}
	return convert.PlanFromProto(plan)
}

// RecvMessage is Recv for the plan as it came.
func (s *Session) RecvMessage() (*pb.Plan, error) {
	res, err := s.stream.Recv()
	if errors.Is(err, io.EOF) {
		return nil, io.EOF
	}
	if err != nil {
		return nil, callError(err)
	}
	switch kind := res.GetKind().(type) {
	case *pb.StreamSlotsResponse_Plan:
		return kind.Plan, nil
	case *pb.StreamSlotsResponse_Closing:
		return nil, &ClosingError{Reason: kind.Closing.GetReason(), LastSequence: kind.Closing.GetLastSequence()}
	}
	return nil, fmt.Errorf("client: the server sends %T", res.GetKind())
}

// CloseSend says that there are no more slots; Recv goes on to the last plan. The
// sending goroutine calls it.
func (s *Session) CloseSend() error { return s.stream.CloseSend() }

// Close abandons the session.
func (s *Session) Close() { s.cancel() }
