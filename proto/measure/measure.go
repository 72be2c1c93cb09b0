// Package measure tells how much memory a message takes before it is decoded.
package measure

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
)

var (
	// ErrMalformed is the error of bytes that are no message of the contract.
	ErrMalformed = errors.New("no message of the contract")
	// ErrExpands is the error of a message that would take more than it may.
	ErrExpands = errors.New("more elements than its length allows")
)

// DecodedBytes estimates, from above, the memory that a message takes once it is
// decoded, in one pass over its bytes and before anything is allocated for it. It
// returns ErrExpands once the estimate is above most. No message of the contract
// holds one of its own type, so that nesting is bounded too.
func DecodedBytes(b []byte, message protoreflect.MessageDescriptor, most int) (int, error) {
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
		return ErrExpands
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
			return ErrMalformed
		}
		size := protowire.ConsumeFieldValue(number, kind, b[n:])
		if size < 0 {
			return ErrMalformed
		}
		value := b[n : n+size]
		field := fields.ByNumber(number)
		var err error
		switch {
		case kind == protowire.StartGroupType:
			return ErrMalformed // the contract has none
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
		return m.spend(2*sliceBytes + len(b) + len(b)/8 + 8)
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

// structBytes returns what the Go struct of a message takes.
func structBytes(message protoreflect.MessageDescriptor) int {
	if size, ok := structSizes.Load(message.FullName()); ok {
		return size.(int)
	}
	size := 512 // of a message of another program's; there is none in the contract
	if t, err := protoregistry.GlobalTypes.FindMessageByName(message.FullName()); err == nil {
		size = int(reflect.TypeOf(t.Zero().Interface()).Elem().Size())
	}
	size += size / 8 // what the allocator's sizes add, at most
	structSizes.Store(message.FullName(), size)
	return size
}
