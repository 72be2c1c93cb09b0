package client

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"leastwatt/scheduler"
)

// RejectedError is bad input, refused by the server.
type RejectedError struct {
	// Violations is what the server finds wrong, as far as an error carries it.
	Violations []scheduler.Violation

	err error // the call's
}

func (e *RejectedError) Error() string { return fmt.Sprintf("client: rejected: %v", e.err) }

// Unwrap returns the error of the call, which status.FromError understands.
func (e *RejectedError) Unwrap() error { return e.err }

// ClosingError says that the server ended a session because it is stopping.
type ClosingError struct {
	Reason       string
	LastSequence int64 // of the last slot answered
}

func (e *ClosingError) Error() string {
	return fmt.Sprintf("client: session closed by the server after slot %d: %s", e.LastSequence, e.Reason)
}

// errorDomain is the domain of the server's ErrorInfo.
const errorDomain = "leastwatt"

// reason returns the server's own word for an error; empty where the error is not
// the server's but the transport's.
func reason(s *status.Status) string {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == errorDomain {
			return info.GetReason()
		}
	}
	return ""
}

// passing reports whether what ended a stream may be over when it is opened anew:
// a connection lost, a server that stops or is full.
func passing(err error) bool {
	var closing *ClosingError
	if errors.Is(err, io.EOF) || errors.As(err, &closing) {
		return true
	}
	s, ok := status.FromError(err)
	if !ok {
		return false
	}
	switch s.Code() {
	case codes.Unavailable, codes.Aborted, codes.Canceled:
		return true
	case codes.ResourceExhausted:
		return reason(s) == "LIMIT_REACHED"
	case codes.Internal:
		return reason(s) == "" // a stream cut off
	}
	return false
}

// tooLarge refuses a slot that would end the stream.
func tooLarge(bytes int, most int64) error {
	v := scheduler.Violation{
		Path:    "slot",
		Value:   fmt.Sprintf("%d bytes", bytes),
		Allowed: fmt.Sprintf("less than %d bytes: the server's limit on messages", most),
	}
	return &RejectedError{
		Violations: []scheduler.Violation{v},
		err:        status.Errorf(codes.InvalidArgument, "%s: %s; allowed: %s", v.Path, v.Value, v.Allowed),
	}
}

// callError turns the error of a call into a *RejectedError where the server
// refuses the input; other errors pass.
func callError(err error) error {
	s, ok := status.FromError(err)
	if !ok || s.Code() != codes.InvalidArgument {
		return err
	}
	rejected := &RejectedError{err: err}
	for _, d := range s.Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, f := range bad.GetFieldViolations() {
			rejected.Violations = append(rejected.Violations, violation(f))
		}
	}
	return rejected
}

// violation takes apart a description of the form "value; allowed: what".
func violation(f *errdetails.BadRequest_FieldViolation) scheduler.Violation {
	const sep = "; allowed: "
	v := scheduler.Violation{Path: f.GetField(), Value: f.GetDescription()}
	if i := strings.LastIndex(v.Value, sep); i >= 0 {
		v.Value, v.Allowed = v.Value[:i], v.Value[i+len(sep):]
	}
	return v
}
