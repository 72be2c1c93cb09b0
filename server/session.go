package server

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"strconv"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// maxNameBytes bounds the names of cells and sessions.
const maxNameBytes = 256

// newestWindow is the window of a session where the newest slot wins: of all but
// two slots in it only the number is kept.
const newestWindow = 1024

type slotStream = grpc.BidiStreamingServer[pb.StreamSlotsRequest, pb.StreamSlotsResponse]

// session is one stream of slots: the answers come in the order of the slots, one
// for each. Its handler alone touches it; the queue is shared with its reader.
type session struct {
	server    *Server
	stream    slotStream
	call      *call // nil where gRPC has no part in it
	queue     *queue
	seat      seat
	id        string
	cell      string
	options   *pb.Options // of every slot, but for what it sets itself; nil for the defaults
	wantState bool

	started      bool
	lastSequence int64 // of the last slot whose number rose; valid once started
	answered     int64 // number of slots answered
}

// StreamSlots plans the slots of one session.
func (s *Server) StreamSlots(stream slotStream) error {
	peer := peerOf(stream.Context())
	if err := s.sessions.take(peer, 1); err != nil {
		return rpcError(err)
	}
	defer s.sessions.give(peer, 1)
	window := s.config.Limits.WindowSlots
	if err := s.slots.take(peer, window); err != nil {
		return rpcError(err)
	}
	defer s.slots.give(peer, window)

	ses := &session{server: s, stream: stream, call: callOf(stream.Context())}
	if err := ses.open(); err != nil {
		return rpcError(err)
	}
	log := s.config.Logger.With("session", ses.id, "cell", ses.cell)
	log.Info("session opened")
	err := ses.serve()
	log.Info("session closed", "slots", ses.answered, "error", err)
	return rpcError(err)
}

// open takes the first message of the stream and answers it.
func (ses *session) open() error {
	req, err := ses.stream.Recv()
	if errors.Is(err, io.EOF) {
		return sessionRejected("open", "nothing", "the first message of a stream")
	}
	if err != nil {
		return err
	}
	open := req.GetOpen()
	if open == nil {
		return sessionRejected("open", "absent", "the first message of a stream")
	}
	options, bad := checkOpen(open)
	restored := false
	if state := open.GetSessionState(); len(state) > 0 {
		var wrong []scheduler.Violation
		if restored, wrong, err = ses.restore(state, open.GetCellId()); err != nil {
			return err
		}
		bad = append(bad, wrong...)
	}
	if len(bad) > 0 {
		return &rejection{reasonSessionRejected, bad}
	}
	ses.set(open)
	if ses.call != nil {
		ses.call.give(ses.call.taken)
	}
	return ses.stream.Send(&pb.StreamSlotsResponse{Kind: &pb.StreamSlotsResponse_Opened{Opened: &pb.SessionOpened{
		SessionId:            ses.id,
		Options:              convert.EffectiveOptions(options.Resolve()),
		LateSlotPolicy:       ses.policy(),
		WindowSlots:          int32(ses.queue.window),
		ResumeAfterSequence:  open.ResumeAfterSequence,
		EngineVersion:        scheduler.Version,
		MaxMessageBytes:      int64(ses.server.config.Limits.MessageBytes),
		SessionStateRestored: restored,
	}}})
}

// set takes over what a client asks for, once it is checked.
func (ses *session) set(open *pb.OpenSession) {
	ses.id, ses.cell, ses.options = open.GetSessionId(), open.GetCellId(), open.GetOptions()
	if ses.id == "" {
		ses.id = rand.Text()
	}
	ses.wantState = open.GetWantSessionState()
	if open.ResumeAfterSequence != nil {
		ses.started, ses.lastSequence = true, open.GetResumeAfterSequence()
	}
	l := &ses.server.config.Limits
	window := l.WindowSlots
	newestWins := open.GetLateSlotPolicy() == pb.LateSlotPolicy_LATE_SLOT_POLICY_NEWEST_WINS
	if newestWins {
		window = newestWindow
	}
	ses.queue = newQueue(window, l.SessionBytes, newestWins, ses.call.give)
}

func (ses *session) policy() pb.LateSlotPolicy {
	if ses.queue.newestWins {
		return pb.LateSlotPolicy_LATE_SLOT_POLICY_NEWEST_WINS
	}
	return pb.LateSlotPolicy_LATE_SLOT_POLICY_KEEP_ALL
}

func sessionRejected(path, value, allowed string) error {
	return &rejection{reasonSessionRejected, []scheduler.Violation{{Path: path, Value: value, Allowed: allowed}}}
}

// checkOpen reports what is wrong with the first message of a stream, its
// sessionState apart.
func checkOpen(open *pb.OpenSession) (scheduler.Options, []scheduler.Violation) {
	options, bad := convert.OptionsFromProto(open.GetOptions())
	bad = append(bad, options.Validate()...)
	no := func(broken bool, path, value, allowed string) {
		if broken {
			bad = append(bad, scheduler.Violation{Path: path, Value: value, Allowed: allowed})
		}
	}
	name := fmt.Sprintf("at most %d bytes", maxNameBytes)
	no(len(open.GetCellId()) > maxNameBytes, "cellId", fmt.Sprintf("%d bytes", len(open.GetCellId())), name)
	no(len(open.GetSessionId()) > maxNameBytes, "sessionId", fmt.Sprintf("%d bytes", len(open.GetSessionId())), name)
	_, known := pb.LateSlotPolicy_name[int32(open.GetLateSlotPolicy())]
	no(!known, "lateSlotPolicy", strconv.Itoa(int(open.GetLateSlotPolicy())), "a LateSlotPolicy of the contract")
	no(len(open.ProtoReflect().GetUnknown()) > 0, "open", "unknown fields", "fields of the contract of this version")
	return options, bad
}

// serve answers messages until the client has no more, the stream breaks or the
// server stops.
func (ses *session) serve() error {
	ses.server.readers.Go(ses.read)
	err := ses.answerAll()
	ses.queue.end(err) // lets the reader go
	return err
}

// read fills the queue until there are no more messages. It ends at the latest
// when the stream does, which is when its handler returns.
func (ses *session) read() {
	for ses.queue.room() {
		req, err := ses.stream.Recv()
		if errors.Is(err, io.EOF) {
			err = nil
		}
		if req == nil {
			ses.queue.end(err)
			return
		}
		bytes := proto.Size(req)
		if ses.call != nil {
			bytes = ses.call.taken
		}
		ses.queue.put(req, bytes)
	}
}

// answerAll answers what the queue holds until it ends.
func (ses *session) answerAll() error {
	for {
		it, more, err := ses.queue.next(ses.server.stopping.Done())
		if errors.Is(err, errStopping) {
			return ses.close()
		}
		if !more {
			return err
		}
		if err := ses.handle(it); err != nil {
			return err
		}
		ses.queue.done(it)
	}
}

// close says goodbye; the slots received have their answers.
func (ses *session) close() error {
	return ses.stream.Send(&pb.StreamSlotsResponse{Kind: &pb.StreamSlotsResponse_Closing{Closing: &pb.SessionClosing{
		Reason:       "the server is stopping",
		LastSequence: ses.lastSequence,
		SessionState: ses.state(),
	}}})
}

// handle answers one message after the first.
func (ses *session) handle(it item) error {
	if it.dropped != nil {
		return ses.drop(it.dropped)
	}
	switch kind := it.req.GetKind().(type) {
	case *pb.StreamSlotsRequest_Slot:
		return ses.plan(kind.Slot)
	case *pb.StreamSlotsRequest_Ack:
		return ses.acknowledge(kind.Ack)
	case *pb.StreamSlotsRequest_Open:
		return sessionRejected("open", "a second one", "once, as the first message of a stream")
	}
	return sessionRejected("kind", "absent", "slot or ack")
}

// plan answers one slot.
func (ses *session) plan(slot *pb.Slot) error {
	slot.Options = convert.MergeOptions(ses.options, slot.GetOptions())
	var bad []scheduler.Violation
	if n := slot.GetSequence(); !ses.rises(n) {
		bad = append(bad, scheduler.Violation{
			Path: "sequence", Value: fmt.Sprint(n), Allowed: fmt.Sprintf("> %d, the last one", ses.lastSequence),
		})
	}
	plan, err := ses.server.answer(ses.stream.Context(), ses, &ses.seat, slot, bad)
	if err != nil {
		return err
	}
	state := ses.state()
	plan.SessionState = state
	plan = ses.server.fit(plan)
	plan.SessionState = state // of a rejection too
	ses.answered++
	return ses.stream.Send(&pb.StreamSlotsResponse{Kind: &pb.StreamSlotsResponse_Plan{Plan: plan}})
}

// drop tells that a slot has been dropped.
func (ses *session) drop(slot *pb.DroppedSlot) error {
	ses.rises(slot.GetSequence())
	ses.answered++
	return ses.stream.Send(&pb.StreamSlotsResponse{Kind: &pb.StreamSlotsResponse_Dropped{Dropped: slot}})
}

// rises notes a slot's number and reports whether it is above those before it.
func (ses *session) rises(n int64) bool {
	if ses.started && n <= ses.lastSequence {
		return false
	}
	ses.started, ses.lastSequence = true, n
	return true
}

// acknowledge checks that what a client says it has received was sent.
func (ses *session) acknowledge(ack *pb.AckPlans) error {
	if n := ack.GetSequence(); !ses.started || n > ses.lastSequence {
		return sessionRejected("ack.sequence", fmt.Sprint(n), "the number of a slot that was answered")
	}
	return nil
}
