package client

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// Open describes a session.
type Open struct {
	CellID    string            // for the server's logs
	SessionID string            // empty: the server makes one
	Options   scheduler.Options // of slots, but for what is not zero in their own
	// NewestWins drops a slot that waits when a newer one arrives: its plan is one
	// of StatusDropped.
	NewestWins bool
	// ResumeAfter goes on where another session ended: after this slot, with the
	// State of the last plan that carried one. Nil starts afresh.
	ResumeAfter *int64
	State       []byte
	// NoState has plans carry no SessionState. A session that is resumed then
	// starts without memory.
	NoState bool
	// Backlog is how many slots may be sent and not answered before Send waits; 0
	// means 64, or 1024 where the newest wins. The session keeps those slots, to
	// send them again; where the newest wins, only the newest of them.
	Backlog int
}

const (
	defaultBacklog    = 64
	defaultNewestWins = 1024 // backlog where the newest wins
)

// Opened is what the server makes of an Open.
type Opened struct {
	SessionID     string
	Options       scheduler.Options // with defaults filled in
	WindowSlots   int               // slots the server takes before it answers the first
	EngineVersion string
	StateRestored bool // the server took up the session's memory
}

// Session is a stream of slots and of their plans, one for each and in the same
// order. One goroutine may send while another receives.
//
// A session outlives its connection: Recv opens the stream anew, where need be on
// another server, and sends again what has no plan yet, with the memory of the
// last plan. Every slot has one plan all the same.
type Session struct {
	rpc       pb.SlotSchedulerServiceClient
	ctx       context.Context
	cancel    context.CancelFunc
	samples   convert.SampleFormat
	reconnect Reconnect
	open      *pb.OpenSession // what opens the session as it stands
	backlog   int
	newest    bool

	sending sync.Mutex    // held while slots go to the stream
	left    chan struct{} // holds a token when pending has shrunk

	mu         sync.Mutex
	stream     slotStream // nil while there is none
	hangUp     context.CancelFunc
	pending    []pending // slots not answered
	sent       int       // how many of them are with the stream
	closed     bool      // by CloseSend
	halfClosed bool      // the stream knows
	opened     Opened
	maxBytes   int64
	lost       time.Time // when the stream was lost; zero once something is answered
	failures   int       // since then
	opens      int       // how many times a stream was opened
	err        error     // why the session has ended
}

type slotStream = grpc.BidiStreamingClient[pb.StreamSlotsRequest, pb.StreamSlotsResponse]

// pending is a slot that has no answer yet.
type pending struct {
	sequence int64
	slot     *pb.Slot // nil: not kept, as a newer one wins
	dropped  bool     // the answer: it will not be sent again
}

// forget drops a slot for which a newer one stands.
func (p *pending) forget() { p.slot, p.dropped = nil, true }

// envelopeBytes is room for what a slot travels in.
const envelopeBytes = 64

// Stream opens a session; it ends with the context, or with Close. Options that
// the server refuses give a *RejectedError.
func (c *Client) Stream(ctx context.Context, open Open) (*Session, error) {
	ctx, cancel := context.WithCancel(ctx)
	s := &Session{
		rpc: c.rpc, ctx: ctx, cancel: cancel, samples: c.samples, reconnect: c.reconnect,
		backlog: open.Backlog, newest: open.NewestWins,
		left: make(chan struct{}, 1),
		open: &pb.OpenSession{
			CellId:              open.CellID,
			SessionId:           open.SessionID,
			Options:             convert.OptionsToProto(open.Options),
			ResumeAfterSequence: open.ResumeAfter,
			SessionState:        open.State,
			WantSessionState:    !open.NoState,
		},
	}
	if s.newest {
		s.open.LateSlotPolicy = pb.LateSlotPolicy_LATE_SLOT_POLICY_NEWEST_WINS
	}
	switch {
	case s.backlog > 0:
	case s.newest:
		s.backlog = defaultNewestWins
	default:
		s.backlog = defaultBacklog
	}
	if err := s.connect(); err != nil {
		cancel()
		return nil, callError(err)
	}
	return s, nil
}

// connect opens a stream and the session on it, and makes ready what is to be
// sent again.
func (s *Session) connect() error {
	ctx, hangUp := context.WithCancel(s.ctx)
	stream, opened, err := s.openStream(ctx)
	if err != nil {
		hangUp()
		return err
	}
	options, _ := convert.OptionsFromProto(opened.GetOptions())
	s.mu.Lock()
	defer s.mu.Unlock()
	s.opens++
	s.stream, s.hangUp, s.sent, s.halfClosed = stream, hangUp, 0, false
	if s.newest {
		for i := range len(s.pending) - 1 {
			s.pending[i].forget()
		}
	}
	s.maxBytes = opened.GetMaxMessageBytes()
	s.open.SessionId = opened.GetSessionId()
	s.opened = Opened{
		SessionID:     opened.GetSessionId(),
		Options:       options,
		WindowSlots:   int(opened.GetWindowSlots()),
		EngineVersion: opened.GetEngineVersion(),
		StateRestored: opened.GetSessionStateRestored(),
	}
	return nil
}

func (s *Session) openStream(ctx context.Context) (slotStream, *pb.SessionOpened, error) {
	stream, err := s.rpc.StreamSlots(ctx)
	if err != nil {
		return nil, nil, err
	}
	err = stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: s.open}})
	if err != nil && !errors.Is(err, io.EOF) { // on EOF, Recv knows the reason
		return nil, nil, err
	}
	res, err := stream.Recv()
	if err != nil {
		return nil, nil, err
	}
	if res.GetOpened() == nil {
		return nil, nil, fmt.Errorf("client: the server answers open with %T", res.GetKind())
	}
	return stream, res.GetOpened(), nil
}

// Opened returns what the server made of the Open, the last time.
func (s *Session) Opened() Opened {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.opened
}

// Reconnects returns how many times the session was opened anew.
func (s *Session) Reconnects() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.opens - 1
}

// Send sends a slot. Beyond the backlog it waits until a plan is received. A slot
// larger than the server takes is not sent and gives a *RejectedError. An io.EOF
// means that the session has ended; Recv tells why.
func (s *Session) Send(slot *scheduler.Slot) error {
	return s.SendMessage(convert.SlotToProto(slot, s.samples))
}

// SendMessage sends a slot as it is, for the server to judge. The session keeps
// the message until it is answered.
func (s *Session) SendMessage(slot *pb.Slot) error {
	if err := s.keep(slot); err != nil {
		return err
	}
	s.push()
	return nil
}

// keep adds a slot to those to be answered.
func (s *Session) keep(slot *pb.Slot) error {
	n := proto.Size(slot)
	for {
		s.mu.Lock()
		switch {
		case s.err != nil || s.ctx.Err() != nil:
			s.mu.Unlock()
			return io.EOF
		case s.closed:
			s.mu.Unlock()
			return errors.New("client: a slot after CloseSend")
		case s.maxBytes > 0 && int64(n) > s.maxBytes-envelopeBytes:
			s.mu.Unlock()
			return tooLarge(n, s.maxBytes)
		}
		if len(s.pending) < s.backlog {
			for i := range s.pending {
				if s.newest && s.stream == nil { // it will never be sent
					s.pending[i].forget()
				}
			}
			s.pending = append(s.pending, pending{sequence: slot.GetSequence(), slot: slot})
			s.mu.Unlock()
			return nil
		}
		s.mu.Unlock()
		select {
		case <-s.left:
		case <-s.ctx.Done():
			return io.EOF
		}
	}
}

// push gives the stream what it does not have. What fails is seen by Recv.
func (s *Session) push() {
	s.sending.Lock()
	defer s.sending.Unlock()
	for {
		stream, slot := s.nextUnsent()
		if slot == nil {
			return
		}
		if stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}}) != nil {
			return
		}
	}
}

// nextUnsent counts the next slot as sent and returns it; nil when there is none.
func (s *Session) nextUnsent() (slotStream, *pb.Slot) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stream == nil || s.err != nil {
		return nil, nil
	}
	for s.sent < len(s.pending) {
		p := &s.pending[s.sent]
		s.sent++
		if p.dropped {
			continue
		}
		slot := p.slot
		if s.newest {
			for i := range s.sent - 1 { // a newer one has gone: these need not go again
				s.pending[i].slot = nil
			}
		}
		return s.stream, slot
	}
	if s.closed && !s.halfClosed {
		s.halfClosed = true
		s.stream.CloseSend()
	}
	return nil, nil
}

// Recv returns the plan of the next slot. A bad slot gives a plan of
// StatusRejected, a dropped one of StatusDropped, and the session goes on. The
// error is io.EOF after the last plan. When the connection is lost, Recv opens
// another; when it may not, or for too long cannot, the error is the last one
// seen: a *ClosingError when the server was stopping.
func (s *Session) Recv() (*scheduler.Plan, error) {
	plan, err := s.RecvMessage()
	if err != nil {
		return nil, err
	}
	return convert.PlanFromProto(plan)
}

// RecvMessage is Recv for the plan as it came.
func (s *Session) RecvMessage() (*pb.Plan, error) {
	for {
		stream, plan, err := s.waiting()
		if plan != nil || err != nil {
			return plan, err
		}
		plan, err = s.receive(stream)
		if err == nil {
			return plan, nil
		}
		if err := s.recover(err); err != nil {
			return nil, err
		}
	}
}

// waiting returns the stream to receive from, the plan of a slot that was dropped
// on this side, or why there will be no more plans.
func (s *Session) waiting() (slotStream, *pb.Plan, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return nil, nil, s.err
	}
	if len(s.pending) > 0 && s.pending[0].dropped {
		plan := &pb.Plan{Sequence: s.pending[0].sequence, Status: pb.PlanStatus_PLAN_STATUS_DROPPED}
		s.pop()
		return nil, plan, nil
	}
	return s.stream, nil, nil
}

// receive returns the answer to the first pending slot.
func (s *Session) receive(stream slotStream) (*pb.Plan, error) {
	res, err := stream.Recv()
	if err != nil {
		return nil, err
	}
	var plan *pb.Plan
	switch kind := res.GetKind().(type) {
	case *pb.StreamSlotsResponse_Plan:
		plan = kind.Plan
	case *pb.StreamSlotsResponse_Dropped:
		plan = &pb.Plan{Sequence: kind.Dropped.GetSequence(), Status: pb.PlanStatus_PLAN_STATUS_DROPPED}
	case *pb.StreamSlotsResponse_Closing:
		return nil, &ClosingError{Reason: kind.Closing.GetReason(), LastSequence: kind.Closing.GetLastSequence()}
	default:
		return nil, fmt.Errorf("client: the server sends %T", res.GetKind())
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sent == 0 || s.pending[0].sequence != plan.GetSequence() {
		return nil, fmt.Errorf("client: the server answers slot %d out of turn", plan.GetSequence())
	}
	if n := plan.GetSequence(); s.open.ResumeAfterSequence == nil || n > s.open.GetResumeAfterSequence() {
		s.open.ResumeAfterSequence = &n
	}
	if state := plan.GetSessionState(); len(state) > 0 {
		s.open.SessionState = state
	}
	s.lost, s.failures = time.Time{}, 0
	s.pop()
	return plan, nil
}

// pop takes the first slot from those pending.
func (s *Session) pop() {
	s.pending[0] = pending{}
	s.pending = s.pending[1:]
	s.sent = max(0, s.sent-1)
	select {
	case s.left <- struct{}{}:
	default:
	}
}

// recover opens the session anew after an error, or ends it.
func (s *Session) recover(err error) error {
	if over := s.lose(err); over != nil {
		return over
	}
	for {
		if err := s.pause(err); err != nil {
			return s.end(err)
		}
		err = s.connect()
		if err == nil {
			break
		}
		if !passing(err) {
			return s.end(callError(err))
		}
	}
	go s.push() // a window may not hold it all before the first plan is received
	return nil
}

// lose lets go of the stream. It returns what ends the session, if the error
// does.
func (s *Session) lose(err error) error {
	s.mu.Lock()
	s.stream = nil
	s.hangUp()
	done := s.closed && len(s.pending) == 0
	s.mu.Unlock()
	switch {
	case done:
		return s.end(io.EOF)
	case s.ctx.Err() != nil || s.reconnect.GiveUpAfter < 0 || !passing(err):
		return s.end(callError(err))
	}
	return nil
}

// pause waits before the next attempt: at random between half and all of a delay
// that doubles. It fails when the attempts have gone on for too long.
func (s *Session) pause(last error) error {
	s.mu.Lock()
	if s.lost.IsZero() {
		s.lost = time.Now()
	}
	since := time.Since(s.lost)
	delay := s.reconnect.delay(s.failures)
	s.failures++
	s.mu.Unlock()
	if since > s.reconnect.GiveUpAfter {
		return fmt.Errorf("client: given up after %v: %w", since.Round(time.Millisecond), last)
	}
	select {
	case <-time.After(delay/2 + rand.N(delay/2+1)):
		return nil
	case <-s.ctx.Done():
		return s.ctx.Err()
	}
}

// end ends the session, for a reason.
func (s *Session) end(err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		s.err = err
	}
	s.cancel()
	return s.err
}

// CloseSend says that there are no more slots; Recv goes on to the last plan. The
// sending goroutine calls it.
func (s *Session) CloseSend() error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.push()
	return nil
}

// Close abandons the session.
func (s *Session) Close() { s.cancel() }
