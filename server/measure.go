package server

import (
	"errors"
	"reflect"
	"sync"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

const (
	sliceBytes   = 24
	stringBytes  = 16
	pointerBytes = 8
	// sparedBytes is what a message may take in memory beyond a multiple of its
	// length: short ones are nearly all overhead.
	sparedBytes = 128 << 10
	// expansion is the multiple. Samples take what they take on the wire; users and
	// allocations of a few antennas take four times as much.
	expansion = 4
)

// decodedMost is the most memory that a message of n bytes may take once decoded.
// Empty elements of a list would take sixty times their length.
func decodedMost(n int) int { return expansion*n + sparedBytes }

var (
	errMalformed = errors.New("no message of the contract")
	errExpands   = errors.New("more elements than its length allows")
)

// decodedBytes estimates, from above, the memory that a message takes once it is
// decoded, in one pass over its bytes and before anything is allocated for it. It
// returns errExpands once the estimate is above most. No message of the contract
// holds one of its own type, so that nesting is bounded too.
func decodedBytes(b []byte, message protoreflect.MessageDescriptor, most int) (int, error) {
	m := measure{left: most}
	if err := m.message(b, message); err != nil {
		return 0, err
	}
	return most - m.left, nil
}

// measure is an estimate in the making.
type measure struct{ left int }

// spend takes n bytes from what is left.
func (m *measure) spend(n int) error {
	if m.left -= n; m.left < 0 {
		return errExpands
	}
	return nil
}

func (m *measure) message(b []byte, message protoreflect.MessageDescriptor) error {
	if err := m.spend(structBytes(message)); err != nil {
		return err
	}
	fields := message.Fields()
	for len(b) > 0 {
		number, kind, n := protowire.ConsumeTag(b)
		if n < 0 {
			return errMalformed
		}
		size := protowire.ConsumeFieldValue(number, kind, b[n:])
		if size < 0 {
			return errMalformed
		}
		value := b[n : n+size]
		field := fields.ByNumber(number)
		var err error
		switch {
		case kind == protowire.StartGroupType:
			return errMalformed // the contract has none
		case field == nil: // kept as it is
			err = m.spend(2 * (n + size))
		case kind == protowire.BytesType:
			inner, _ := protowire.ConsumeBytes(value)
			err = m.bytes(inner, field)
		default: // a scalar; in a list it may take twice its size as the list grows
			err = m.spend(2 * 8)
		}
		if err != nil {
			return err
		}
		b = b[n+size:]
	}
	return nil
}

// bytes measures what has a length of its own: a message, text, or a packed list.
func (m *measure) bytes(b []byte, field protoreflect.FieldDescriptor) error {
	switch field.Kind() {
	case protoreflect.MessageKind:
		if err := m.spend(2 * pointerBytes); err != nil {
			return err
		}
		return m.message(b, field.Message())
	case protoreflect.StringKind, protoreflect.BytesKind:
		return m.spend(2*sliceBytes + len(b))
	case protoreflect.DoubleKind, protoreflect.FloatKind, protoreflect.Fixed64Kind, protoreflect.Fixed32Kind,
		protoreflect.Sfixed64Kind, protoreflect.Sfixed32Kind:
		return m.spend(len(b))
	}
	count := 0
	for _, v := range b {
		if v < 0x80 { // the last byte of a number
			count++
		}
	}
	switch field.Kind() {
	case protoreflect.Int32Kind, protoreflect.Uint32Kind, protoreflect.Sint32Kind, protoreflect.EnumKind:
		return m.spend(4 * count)
	}
	return m.spend(8 * count)
}

var structSizes sync.Map // [protoreflect.FullName] int

// structBytes returns the size of the Go struct of a message.
func structBytes(message protoreflect.MessageDescriptor) int {
	if size, ok := structSizes.Load(message.FullName()); ok {
		return size.(int)
	}
	size := 512 // of a message of another program's; there is none in the contract
	if t, err := protoregistry.GlobalTypes.FindMessageByName(message.FullName()); err == nil {
		size = int(reflect.TypeOf(t.Zero().Interface()).Elem().Size())
	}
	structSizes.Store(message.FullName(), size)
	return size
}
