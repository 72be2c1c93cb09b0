package server

import (
	"fmt"
	"log/slog"
	"runtime"
	"runtime/debug"
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

// Processors is what GOMAXPROCS should be for a number of workers: one more for the
// spare worker, and one for what comes and goes on the wire. With as many as
// workers, a message waits for the end of a time slice of 10 ms at every step on
// its way while all workers are busy.
func Processors(workers int) int { return workers + spares + 1 }

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
	// ReceiveTimeout is how long a client may take over a message, over opening a
	// session, and over the whole request of a single call; 0 means 30 s.
	ReceiveTimeout time.Duration
	// MaxCompute is how long the slot or audit of a call may take, whatever it asks
	// for: it is then told to stop. 0 means 10 s. Calls within this process have no
	// such bound.
	MaxCompute time.Duration
	// GiveUpAfter is how long after it was told to stop a worker is given up, and a
	// new one takes its place; 0 means 5 s.
	GiveUpAfter time.Duration
	// UnhealthyAfter is how long no worker may have come free before the health
	// service says NOT_SERVING; 0 means MaxCompute and half of GiveUpAfter.
	UnhealthyAfter time.Duration
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
// Memory is bounded as a whole: HeldBytes for all messages received and not yet
// answered and for answers on their way, StreamWindowBytes of each call for what
// the transport holds, and of each worker what a slot takes.
//
// A limit for one peer, which is a host, is half of that in all where it is 0: no
// host by itself can use up what there is.
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
	// What a session remembers, as it travels: more is neither taken nor sent.
	SessionStateBytes int

	// What is in use at a time; more is refused with RESOURCE_EXHAUSTED, and more
	// connections are closed. A session counts its whole window as slots in flight,
	// a call one. Calls are of every kind, sessions included.
	Connections          int
	ConnectionsPerPeer   int
	Calls                int
	CallsPerPeer         int
	Sessions             int
	SessionsPerPeer      int
	SlotsInFlight        int
	SlotsInFlightPerPeer int

	// Memory of messages as they are received and until they are answered, and of
	// answers on their way to clients. Who finds none waits; a single call is
	// refused after ReceiveTimeout. 0 means a quarter of GOMEMLIMIT where there is
	// one, otherwise 1 GiB.
	HeldBytes        int
	HeldBytesPerPeer int
}

// DefaultLimits returns the limits in force where a Config gives none; those for
// one peer and HeldBytes are 0, which means that they follow from others.
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
		StreamWindowBytes:    64 << 10,
		WindowSlots:          8,
		SessionBytes:         16 << 20,
		SessionStateBytes:    4 << 20,
		Connections:          2048,
		Calls:                4096,
		Sessions:             1024,
		SlotsInFlight:        16384,
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
		{&l.SessionStateBytes, &d.SessionStateBytes},
		{&l.Connections, &d.Connections},
		{&l.Calls, &d.Calls},
		{&l.Sessions, &d.Sessions},
		{&l.SlotsInFlight, &d.SlotsInFlight},
	} {
		if *f.have <= 0 {
			*f.have = *f.otherwise
		}
	}
	if l.HeldBytes <= 0 {
		l.HeldBytes = heldBytes()
	}
	for _, f := range []struct {
		perPeer, all *int
		least        int // what a peer needs at all
	}{
		{&l.ConnectionsPerPeer, &l.Connections, 1},
		{&l.CallsPerPeer, &l.Calls, 1},
		{&l.SessionsPerPeer, &l.Sessions, 1},
		{&l.SlotsInFlightPerPeer, &l.SlotsInFlight, l.WindowSlots},
		{&l.HeldBytesPerPeer, &l.HeldBytes, 1},
	} {
		if *f.perPeer <= 0 {
			*f.perPeer = min(max(*f.all/2, f.least), *f.all)
		}
	}
	return l
}

// heldBytes is a quarter of the memory that the process may take where it is
// told, otherwise 1 GiB.
func heldBytes() int {
	const without = 1 << 30
	if limit := debug.SetMemoryLimit(-1); limit < 4*without {
		return int(limit / 4)
	}
	return without
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
	for _, d := range []struct {
		have      *time.Duration
		otherwise time.Duration
	}{
		{&c.ReceiveTimeout, 30 * time.Second},
		{&c.MaxCompute, 10 * time.Second},
		{&c.GiveUpAfter, 5 * time.Second},
	} {
		if *d.have <= 0 {
			*d.have = d.otherwise
		}
	}
	if c.UnhealthyAfter <= 0 {
		c.UnhealthyAfter = c.MaxCompute + c.GiveUpAfter/2
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
