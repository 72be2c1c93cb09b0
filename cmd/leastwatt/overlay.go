package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
)

// overlayFlag is the flag --with: a file of what goes in place of what slots have,
// such as limits and the array of slots that come as arrays of NumPy.
type overlayFlag struct {
	file string
	slot *pb.Slot
}

func (o *overlayFlag) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&o.file, "with", "", "file of a slot in JSON, whose limits, array, options and so on go in place of the slot's own")
}

// read reads the file, if there is one.
func (o *overlayFlag) read(stdin io.Reader) error {
	o.slot = &pb.Slot{}
	if o.file == "" {
		return nil
	}
	in, err := openInput(o.file, stdin)
	if err != nil {
		return err
	}
	defer in.Close()
	text, err := io.ReadAll(newLimitedReader(in, tracefile.DefaultMaxBytes))
	if err == nil {
		err = checkText(text, tracefile.DefaultMaxBytes)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	if err := protojson.Unmarshal(text, o.slot); err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	return nil
}

// apply puts what the file has in place of what the slot has, field by field; a list
// goes in place of the whole list.
func (o *overlayFlag) apply(slot *pb.Slot) {
	overlay(slot.ProtoReflect(), proto.CloneOf(o.slot).ProtoReflect())
}

func overlay(under, over protoreflect.Message) {
	over.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		if field.Message() != nil && !field.IsList() && under.Has(field) {
			overlay(under.Mutable(field).Message(), value.Message())
		} else {
			under.Set(field, value)
		}
		return true
	})
}
