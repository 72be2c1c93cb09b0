package client

import (
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
)

const (
	pingInterval = 20 * time.Second // of a silent connection with a call on it
	pingTimeout  = 10 * time.Second
)

// Reconnect says how a session that loses its connection finds another. Zero
// values take defaults.
type Reconnect struct {
	// FirstDelay is the longest wait before the first attempt; it doubles from one
	// to the next, up to MaxDelay. 0 means 20 ms and 2 s.
	FirstDelay time.Duration
	MaxDelay   time.Duration
	// GiveUpAfter is how long attempts go on without a plan received; 0 means a
	// minute. Negative: the session ends with its connection.
	GiveUpAfter time.Duration
}

// resolve returns r with defaults in place of zeros.
func (r Reconnect) resolve() Reconnect {
	if r.FirstDelay <= 0 {
		r.FirstDelay = 20 * time.Millisecond
	}
	if r.MaxDelay <= 0 {
		r.MaxDelay = 2 * time.Second
	}
	if r.GiveUpAfter == 0 {
		r.GiveUpAfter = time.Minute
	}
	return r
}

// delay returns the longest wait after a number of failures.
func (r Reconnect) delay(failures int) time.Duration {
	d := r.FirstDelay
	for range failures {
		if d *= 2; d >= r.MaxDelay {
			return r.MaxDelay
		}
	}
	return min(d, r.MaxDelay)
}

// connectParams has gRPC's own attempts keep the same pace.
func (r Reconnect) connectParams() grpc.DialOption {
	return grpc.WithConnectParams(grpc.ConnectParams{
		Backoff:           backoff.Config{BaseDelay: r.FirstDelay, Multiplier: 2, Jitter: 0.2, MaxDelay: r.MaxDelay},
		MinConnectTimeout: 5 * time.Second,
	})
}
