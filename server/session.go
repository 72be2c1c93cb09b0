package server

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"strconv"

	"google.golang.org/grpc"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// maxNameBytes bounds the names of cells and sessions.
const maxNameBytes = 256

type slotStream = grpc.BidiStreamingServer[pb.StreamSlotsRequest, pb.StreamSlotsResponse]

// session is one stream of slots: the plans come in the order of the slots, one
// for each.
type session struct {
	server  *Server
	stream  slotStream
	id      string
	cell    string
	options *pb.Options // of slots that bring none; nil for the defaults

	started      bool
	lastSequence int64 // of the last slot whose number rose; valid once started
	answered     int64 // number of slots answered
}

// StreamSlots plans the slots of one session.
func (s *Server) StreamSlots(stream slotStream) error {
	ses := &session{server: s, stream: stream}
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
	if len(bad) > 0 {
		return &rejection{reasonSessionRejected, bad}
	}
	ses.id, ses.cell, ses.options = open.GetSessionId(), open.GetCellId(), open.GetOptions()
	if ses.id == "" {
		ses.id = rand.Text()
	}
	return ses.stream.Send(&pb.StreamSlotsResponse{Kind: &pb.StreamSlotsResponse_Opened{Opened: &pb.SessionOpened{
		SessionId:      ses.id,
		Options:        convert.OptionsToProto(options.Resolve()),
		LateSlotPolicy: pb.LateSlotPolicy_LATE_SLOT_POLICY_KEEP_ALL,
		WindowSlots:    int32(ses.server.config.Limits.WindowSlots),
		EngineVersion:  scheduler.Version,
	}}})
}

func sessionRejected(path, value, allowed string) error {
	return &rejection{reasonSessionRejected, []scheduler.Violation{{Path: path, Value: value, Allowed: allowed}}}
}

// checkOpen reports everything wrong with the first message of a stream,
// including what this version does not honour.
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
	const later = "absent: not supported by this version"
	switch p := open.GetLateSlotPolicy(); p {
	case pb.LateSlotPolicy_LATE_SLOT_POLICY_UNSPECIFIED, pb.LateSlotPolicy_LATE_SLOT_POLICY_KEEP_ALL:
	case pb.LateSlotPolicy_LATE_SLOT_POLICY_NEWEST_WINS:
		no(true, "lateSlotPolicy", p.String(), later)
	default:
		no(true, "lateSlotPolicy", strconv.Itoa(int(p)), pb.LateSlotPolicy_LATE_SLOT_POLICY_KEEP_ALL.String())
	}
	no(open.ResumeAfterSequence != nil, "resumeAfterSequence", fmt.Sprint(open.GetResumeAfterSequence()), later)
	no(len(open.GetSessionState()) > 0, "sessionState", fmt.Sprintf("%d bytes", len(open.GetSessionState())), later)
	no(open.GetWantSessionState(), "wantSessionState", "true", later)
	no(len(open.ProtoReflect().GetUnknown()) > 0, "open", "unknown fields", "fields of the contract of this version")
	return options, bad
}

// serve answers messages until the client has no more, the stream breaks or the
// server stops.
func (ses *session) serve() error {
	requests := make(chan *pb.StreamSlotsRequest, ses.server.config.Limits.WindowSlots)
	broken := make(chan error, 1)
	ctx, cancel := context.WithCancel(ses.stream.Context())
	defer cancel()
	ses.server.readers.Go(func() {
		broken <- ses.read(ctx, requests)
		close(requests)
	})
	for {
		select {
		case req, more := <-requests:
			if !more {
				return <-broken
			}
			if err := ses.handle(req); err != nil {
				return err
			}
		case <-ses.server.draining:
			return ses.close(requests)
		}
	}
}

// read passes messages on until there are no more; the window is what requests
// holds. It ends at the latest when the stream does, which is when its handler
// returns.
func (ses *session) read(ctx context.Context, requests chan<- *pb.StreamSlotsRequest) error {
	for {
		req, err := ses.stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		select {
		case requests <- req:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// close answers the slots already received and says goodbye.
func (ses *session) close(requests <-chan *pb.StreamSlotsRequest) error {
	for range len(requests) {
		if err := ses.handle(<-requests); err != nil {
			return err
		}
	}
	return ses.stream.Send(&pb.StreamSlotsResponse{Kind: &pb.StreamSlotsResponse_Closing{Closing: &pb.SessionClosing{
		Reason:       "the server is stopping",
		LastSequence: ses.lastSequence,
	}}})
}

// handle answers one message after the first.
func (ses *session) handle(req *pb.StreamSlotsRequest) error {
	switch kind := req.GetKind().(type) {
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
	if slot.GetOptions() == nil && ses.options != nil {
		slot.Options = ses.options
	}
	var bad []scheduler.Violation
	if n := slot.GetSequence(); ses.started && n <= ses.lastSequence {
		bad = append(bad, scheduler.Violation{
			Path: "sequence", Value: fmt.Sprint(n), Allowed: fmt.Sprintf("> %d, the last one", ses.lastSequence),
		})
	} else {
		ses.started, ses.lastSequence = true, n
	}
	plan, err := ses.server.answer(ses.stream.Context(), slot, bad)
	if err != nil {
		return err
	}
	ses.answered++
	return ses.stream.Send(&pb.StreamSlotsResponse{Kind: &pb.StreamSlotsResponse_Plan{Plan: plan}})
}

// acknowledge checks that what a client says it has received was sent.
func (ses *session) acknowledge(ack *pb.AckPlans) error {
	if n := ack.GetSequence(); !ses.started || n > ses.lastSequence {
		return sessionRejected("ack.sequence", fmt.Sprint(n), "the number of a slot that was answered")
	}
	return nil
}
