package server

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"

	"leastwatt/scheduler"
)

// A session's memory travels with its client: one byte with the version of this
// layout, four with the CRC-32 (IEEE, big-endian) of what follows, and what the
// engine remembers, whose layout is the engine's.
const (
	stateVersion = 1
	stateHeader  = 5
)

// memory is an engine that remembers from slot to slot. Restore refuses what it
// does not understand, and is then as new.
type memory interface {
	State() []byte
	Restore(state []byte) error
}

// sealState returns what an engine remembers, ready to travel.
func sealState(e engine) []byte {
	var state []byte
	if m, ok := e.(memory); ok {
		state = m.State()
	}
	out := append(make([]byte, 0, stateHeader+len(state)), stateVersion)
	out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(state))
	return append(out, state...)
}

// openState gives an engine what another remembered. It reports false for memory
// of another version, and a violation for what no engine can have sent.
func openState(e engine, sealed []byte) (restored bool, bad []scheduler.Violation) {
	if len(sealed) > 0 && sealed[0] != stateVersion {
		return false, nil
	}
	if len(sealed) < stateHeader || binary.BigEndian.Uint32(sealed[1:]) != crc32.ChecksumIEEE(sealed[stateHeader:]) {
		return false, []scheduler.Violation{{
			Path: "sessionState", Value: fmt.Sprintf("%d damaged bytes", len(sealed)), Allowed: "what a plan carried, unchanged",
		}}
	}
	state := sealed[stateHeader:]
	m, ok := e.(memory)
	if !ok {
		return len(state) == 0, nil
	}
	return m.Restore(state) == nil, nil
}
