package client

import (
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// TestPassing holds which errors a session outlives.
func TestPassing(t *testing.T) {
	with := func(code codes.Code, reason string) error {
		s, err := status.New(code, "text").WithDetails(&errdetails.ErrorInfo{Domain: errorDomain, Reason: reason})
		if err != nil {
			t.Fatal(err)
		}
		return s.Err()
	}
	for _, c := range []struct {
		err     error
		passing bool
	}{
		{io.EOF, true},
		{&ClosingError{}, true},
		{fmt.Errorf("more: %w", &ClosingError{}), true},
		{status.Error(codes.Unavailable, "connection lost"), true},
		{with(codes.Canceled, "CANCELLED"), true},
		{with(codes.ResourceExhausted, "LIMIT_REACHED"), true},
		{status.Error(codes.ResourceExhausted, "message too large"), false},
		{status.Error(codes.Internal, "stream cut off"), true},
		{with(codes.Internal, "ENGINE_FAULT"), false},
		{with(codes.InvalidArgument, "SESSION_REJECTED"), false},
		{status.Error(codes.Unauthenticated, "who?"), false},
		{status.Error(codes.DeadlineExceeded, "late"), false},
		{errors.New("out of turn"), false},
	} {
		if got := passing(c.err); got != c.passing {
			t.Errorf("%v: %v", c.err, got)
		}
	}
}

// TestDelay: delays double up to the most.
func TestDelay(t *testing.T) {
	r := Reconnect{FirstDelay: 3 * time.Millisecond, MaxDelay: 20 * time.Millisecond}.resolve()
	for failures, want := range []time.Duration{3, 6, 12, 20, 20} {
		if got := r.delay(failures); got != want*time.Millisecond {
			t.Errorf("after %d failures: %v", failures, got)
		}
	}
	if got := (Reconnect{}).resolve().delay(1 << 20); got != 2*time.Second {
		t.Errorf("without end: %v", got)
	}
}
