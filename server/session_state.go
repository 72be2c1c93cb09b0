package server

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"runtime/debug"

	"leastwatt/scheduler"
)

// A session's memory travels with its client: one byte with the version of this
// layout, four with the CRC-32 (IEEE, big-endian) of what follows, the first eight
// of the SHA-256 of the cell's name, and what the engine remembers, whose layout is
// the engine's.
const (
	stateVersion = 2
	cellBytes    = 8
	stateHeader  = 5 + cellBytes
	// stateExpansion is what memory takes of an engine over what it takes on its way,
	// at most.
	stateExpansion = 8
)

// memory is an engine that remembers from slot to slot. Restore refuses what it
// does not understand, and is then as new.
type memory interface {
	State() []byte
	Restore(state []byte) error
}

// cellDigest stands for the name of a cell.
func cellDigest(cell string) []byte {
	sum := sha256.Sum256([]byte(cell))
	return sum[:cellBytes]
}

// sealState returns what an engine remembers of a cell, ready to travel.
func sealState(e engine, cell string) []byte {
	var state []byte
	if m, ok := e.(memory); ok {
		state = m.State()
	}
	body := append(append(make([]byte, 5, stateHeader+len(state)), cellDigest(cell)...), state...)
	body[0] = stateVersion
	binary.BigEndian.PutUint32(body[1:], crc32.ChecksumIEEE(body[5:]))
	return body
}

// openState gives an engine what another remembered of the same cell. It reports
// false for memory of another version, and a violation for that of another cell and
// for what no engine can have sent.
func openState(e engine, sealed []byte, cell string) (restored bool, bad []scheduler.Violation) {
	refuse := func(value, allowed string) (bool, []scheduler.Violation) {
		return false, []scheduler.Violation{{Path: "sessionState", Value: value, Allowed: allowed}}
	}
	if len(sealed) > 0 && sealed[0] != stateVersion {
		return false, nil
	}
	if len(sealed) < stateHeader || binary.BigEndian.Uint32(sealed[1:]) != crc32.ChecksumIEEE(sealed[5:]) {
		return refuse(fmt.Sprintf("%d damaged bytes", len(sealed)), "what a plan carried, unchanged")
	}
	if string(sealed[5:stateHeader]) != string(cellDigest(cell)) {
		return refuse("the memory of another cell", fmt.Sprintf("that of a session of cell %q", cell))
	}
	state := sealed[stateHeader:]
	m, ok := e.(memory)
	if !ok {
		return len(state) == 0, nil
	}
	return m.Restore(state) == nil, nil
}

// restore takes up the memory that a client brings. Reading it is work, and takes a
// worker's turn; what it takes counts for as long as the session lasts.
func (ses *session) restore(sealed []byte, cell string) (restored bool, bad []scheduler.Violation, err error) {
	if most := ses.server.config.Limits.SessionStateBytes; len(sealed) > most {
		return false, []scheduler.Violation{{
			Path: "sessionState", Value: fmt.Sprintf("%d bytes", len(sealed)), Allowed: fmt.Sprintf("at most %d: this server's limit", most),
		}}, nil
	}
	ctx := ses.stream.Context()
	if ses.call != nil {
		if _, err := ses.call.account.take(ctx, stateExpansion*len(sealed)); err != nil {
			return false, nil, err
		}
	}
	e := ses.server.newEngine()
	var fault error
	err = ses.server.work(ctx, ses, func(context.Context) {
		defer func() {
			if cause := recover(); cause != nil {
				ses.server.fault(fmt.Sprint(cause), debug.Stack())
				fault = errFault
			}
		}()
		restored, bad = openState(e, sealed, cell)
	})
	if err == nil {
		err = fault
	}
	if err != nil {
		return false, nil, err
	}
	ses.seat.engine = e
	return restored, bad, nil
}

// state returns the session's memory as it travels, where it was asked for. What
// would be too large for a server to take up is not sent.
func (ses *session) state() []byte {
	if !ses.wantState {
		return nil
	}
	if ses.seat.engine == nil {
		ses.seat.engine = ses.server.newEngine()
	}
	state := sealState(ses.seat.engine, ses.cell)
	if len(state) > ses.server.config.Limits.SessionStateBytes {
		return nil
	}
	return state
}
