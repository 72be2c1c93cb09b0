package server

import (
	"fmt"
	"log/slog"
	"runtime"
	"time"

	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// DefaultAddress is where a server listens when it is told nothing else.
const DefaultAddress = "127.0.0.1:7171"

// GCPercent is what GOGC should be for plans in time: collections compete with
// workers for cores. With 100, Go's own, plans of a budget of 5 ms were 7.4 ms late
// at p99.9 on two cores under full load, with 400 they were 3.5 ms late, and a bare
// loop 2.9 ms (BenchmarkBudget).
const GCPercent = 400

// Config sets up a server. The zero value serves loopback addresses with
// default limits.
type Config struct {
	// Limits bound what a client may ask; a limit of 0 takes its default.
	Limits Limits
	// Workers is how many slots are scheduled at once; 0 means GOMAXPROCS.
	Workers int
	// DrainTimeout is how long a server that stops waits for its sessions;
	// 0 means 10 s.
	DrainTimeout time.Duration
	// Logger takes what happens to sessions and faults; nil means nowhere.
	Logger *slog.Logger
	// PlaintextAnywhere lets the server listen without TLS on addresses other
	// than loopback.
	PlaintextAnywhere bool
	// Credentials say who may speak to the server; nil means everybody, without
	// TLS.
	Credentials *Credentials
	// Telemetry shows this server to the outside; nil means not.
	Telemetry *Telemetry
}

// Limits bound what a client may ask. Larger messages to the server end the call
// with RESOURCE_EXHAUSTED; larger slots, and slots whose plan makes a larger
// message, are rejected with the limit's name.
//
// A session takes at most SessionBytes + MessageBytes for slots, the
// StreamWindowBytes for what the transport holds, one plan in the making and one
// on its way, and what its engine keeps.
type Limits struct {
	MessageBytes         int // in either direction
	Antennas             int
	Users                int
	Subbands             int
	Groups               int // fixed by the caller
	ProtectedDirections  int
	Slot                 scheduler.Bounds // what the engine may need for one
	StreamsPerConnection int              // sessions and other calls at once; more wait
	StreamWindowBytes    int              // that the transport holds of a stream, unread

	// What a session holds unanswered: at that, no more is read from its client.
	WindowSlots  int
	SessionBytes int // of slots; the last one read may exceed it

	// What is in use at a time; more is refused with RESOURCE_EXHAUSTED. A peer is
	// a host. A session counts its whole window as slots in flight, a call one.
	Sessions             int
	SessionsPerPeer      int
	SlotsInFlight        int
	SlotsInFlightPerPeer int
}

// DefaultLimits returns the limits in force where a Config gives none.
func DefaultLimits() Limits {
	return Limits{
		MessageBytes:         64 << 20,
		Antennas:             1024,
		Users:                512,
		Subbands:             512,
		Groups:               1024,
		ProtectedDirections:  256,
		Slot:                 scheduler.DefaultBounds(),
		StreamsPerConnection: 256,
		StreamWindowBytes:    256 << 10,
		WindowSlots:          8,
		SessionBytes:         16 << 20,
		Sessions:             1024,
		SessionsPerPeer:      512,
		SlotsInFlight:        16384,
		SlotsInFlightPerPeer: 8192,
	}
}

// resolve returns l with defaults in place of zeros.
func (l Limits) resolve() Limits {
	d := DefaultLimits()
	for _, f := range []struct{ have, otherwise *int }{
		{&l.MessageBytes, &d.MessageBytes},
		{&l.Antennas, &d.Antennas},
		{&l.Users, &d.Users},
		{&l.Subbands, &d.Subbands},
		{&l.Groups, &d.Groups},
		{&l.ProtectedDirections, &d.ProtectedDirections},
		{&l.StreamsPerConnection, &d.StreamsPerConnection},
		{&l.StreamWindowBytes, &d.StreamWindowBytes},
		{&l.WindowSlots, &d.WindowSlots},
		{&l.SessionBytes, &d.SessionBytes},
		{&l.Sessions, &d.Sessions},
		{&l.SessionsPerPeer, &d.SessionsPerPeer},
		{&l.SlotsInFlight, &d.SlotsInFlight},
		{&l.SlotsInFlightPerPeer, &d.SlotsInFlightPerPeer},
	} {
		if *f.have <= 0 {
			*f.have = *f.otherwise
		}
	}
	return l
}

// resolve returns c with defaults in place of zeros.
func (c Config) resolve() Config {
	c.Limits = c.Limits.resolve()
	if c.Workers <= 0 {
		c.Workers = runtime.GOMAXPROCS(0)
	}
	if c.DrainTimeout <= 0 {
		c.DrainTimeout = 10 * time.Second
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	return c
}

// check compares the sizes of a slot with the limits, before anything is
// allocated for it.
func (l *Limits) check(slot *pb.Slot) []scheduler.Violation {
	var list []scheduler.Violation
	for _, c := range []struct {
		path  string
		size  int
		most  int
		limit string
	}{
		{"channel.antennas", int(slot.GetChannel().GetAntennas()), l.Antennas, "antennas"},
		{"channel.subbands", int(slot.GetChannel().GetSubbands()), l.Subbands, "subbands"},
		{"users", len(slot.GetUsers()), l.Users, "users"},
		{"limits.protectedDirections", len(slot.GetLimits().GetProtectedDirections()), l.ProtectedDirections, "protected directions"},
		{"groups", len(slot.GetGroups()), l.Groups, "groups"},
	} {
		if c.size > c.most {
			list = append(list, scheduler.Violation{
				Path:    c.path,
				Value:   fmt.Sprint(c.size),
				Allowed: fmt.Sprintf("at most %d: this server's limit on %s", c.most, c.limit),
			})
		}
	}
	return list
}

// envelopeBytes is room for what a plan travels in.
const envelopeBytes = 64

// checkPlan refuses a plan too large to send, which would end the stream.
func (l *Limits) checkPlan(plan *pb.Plan) []scheduler.Violation {
	n := proto.Size(plan)
	if n <= l.MessageBytes-envelopeBytes {
		return nil
	}
	return []scheduler.Violation{{
		Path:    "options.weights",
		Value:   fmt.Sprintf("a plan of %d bytes", n),
		Allowed: fmt.Sprintf("a format with a plan of less than %d bytes: this server's limit on messages", l.MessageBytes),
	}}
}
