package server

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"

	"leastwatt/scheduler"
)

// errorDomain is the domain of every ErrorInfo.
const errorDomain = "leastwatt"

// Reasons of ErrorInfo.
const (
	reasonSlotRejected    = "SLOT_REJECTED"
	reasonSessionRejected = "SESSION_REJECTED"
	reasonAuditRejected   = "AUDIT_REJECTED"
	reasonEngineFault     = "ENGINE_FAULT"
	reasonLimitReached    = "LIMIT_REACHED"
	reasonCancelled       = "CANCELLED"
	reasonDeadline        = "DEADLINE_EXCEEDED"
	reasonTokenRefused    = "TOKEN_REFUSED"
	reasonStopping        = "STOPPING"
	reasonMessageRejected = "MESSAGE_REJECTED"
	reasonMessageTooLarge = "MESSAGE_TOO_LARGE"
	reasonMessageLate     = "MESSAGE_LATE"
	reasonCompressed      = "COMPRESSION_REFUSED"
)

// maxDetailBytes bounds the violations of one error: they travel in a trailer,
// in base64, and stock clients take 8 KiB of it.
const maxDetailBytes = 3000

// moreBytes is room for the count of those left out.
const moreBytes = 64

// errFault stands for a fault inside the engine that was contained.
var errFault = errors.New("server: fault inside the engine, contained")

// errToken stands for a call without a token that is known.
var errToken = errors.New("server: a known bearer token is needed")

// rejection is bad input.
type rejection struct {
	reason     string
	violations []scheduler.Violation // at least one
}

func (r *rejection) Error() string {
	text := "server: " + violationText(r.violations[0])
	if n := len(r.violations) - 1; n > 0 {
		text += fmt.Sprintf(" (and %d more)", n)
	}
	return text
}

func violationText(v scheduler.Violation) string {
	return fmt.Sprintf("%s: %s", v.Path, description(v))
}

// description is how a violation reads in a BadRequest.
func description(v scheduler.Violation) string {
	return fmt.Sprintf("%s; allowed: %s", v.Value, v.Allowed)
}

// rpcError maps any error of this package to a gRPC status. It is the only place
// that does.
func rpcError(err error) error {
	var bad *rejection
	var full *exhausted
	var large *tooLarge
	switch {
	case err == nil:
		return nil
	case errors.As(err, &large):
		return withDetails(codes.ResourceExhausted, err.Error(), reasonMessageTooLarge)
	case errors.Is(err, errLate):
		return withDetails(codes.DeadlineExceeded, err.Error(), reasonMessageLate)
	case errors.Is(err, errStopping):
		return withDetails(codes.Unavailable, err.Error(), reasonStopping)
	case errors.Is(err, errCompressed):
		return withDetails(codes.Unimplemented, err.Error(), reasonCompressed)
	case errors.As(err, &full):
		return withDetails(codes.ResourceExhausted, err.Error(), reasonLimitReached)
	case errors.As(err, &bad):
		return withDetails(codes.InvalidArgument, bad.Error(), bad.reason, badRequest(bad.violations))
	case errors.Is(err, context.DeadlineExceeded):
		return withDetails(codes.DeadlineExceeded, err.Error(), reasonDeadline)
	case errors.Is(err, context.Canceled):
		return withDetails(codes.Canceled, err.Error(), reasonCancelled)
	case errors.Is(err, errToken):
		return withDetails(codes.Unauthenticated, err.Error(), reasonTokenRefused)
	case errors.Is(err, errFault):
		return withDetails(codes.Internal, err.Error(), reasonEngineFault)
	}
	if _, ok := status.FromError(err); ok {
		return err // the transport's own
	}
	return withDetails(codes.Internal, "server: unexpected error", reasonEngineFault)
}

func withDetails(code codes.Code, message, reason string, more ...protoadapt.MessageV1) error {
	details := append([]protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: reason, Domain: errorDomain}}, more...)
	s, err := status.New(code, message).WithDetails(details...)
	if err != nil {
		return status.Error(code, message)
	}
	return s.Err()
}

// badRequest lists violations as far as they fit.
func badRequest(list []scheduler.Violation) *errdetails.BadRequest {
	out := &errdetails.BadRequest{}
	for i, v := range list {
		out.FieldViolations = append(out.FieldViolations,
			&errdetails.BadRequest_FieldViolation{Field: v.Path, Description: description(v)})
		if i > 0 && proto.Size(out) > maxDetailBytes-moreBytes {
			more := scheduler.Violation{
				Path: "...", Value: fmt.Sprintf("%d more violations", len(list)-i), Allowed: "none",
			}
			out.FieldViolations[i] = &errdetails.BadRequest_FieldViolation{
				Field: more.Path, Description: description(more),
			}
			break
		}
	}
	return out
}
