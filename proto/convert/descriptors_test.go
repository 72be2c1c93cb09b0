package convert

import (
	"flag"
	"os"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"

	pb "leastwatt/proto/leastwatt/v1"
)

var update = flag.Bool("update", false, "write the descriptor set anew")

// TestDescriptorSet holds that the descriptor set, from which clients without a
// code generator make their messages, is that of the contract.
func TestDescriptorSet(t *testing.T) {
	const file = "../leastwatt.binpb"
	want := &descriptorpb.FileDescriptorSet{}
	seen := map[string]bool{}
	var add func(protoreflect.FileDescriptor)
	add = func(f protoreflect.FileDescriptor) {
		if seen[f.Path()] {
			return
		}
		seen[f.Path()] = true
		for i := range f.Imports().Len() {
			add(f.Imports().Get(i).FileDescriptor)
		}
		want.File = append(want.File, protodesc.ToFileDescriptorProto(f))
	}
	add(pb.File_leastwatt_v1_slot_scheduler_service_proto)
	if *update {
		data, err := proto.MarshalOptions{Deterministic: true}.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	got := &descriptorpb.FileDescriptorSet{}
	if err := proto.Unmarshal(data, got); err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(got, want) {
		t.Errorf("%s is not that of the contract: go test ./proto/convert -run DescriptorSet -update", file)
	}
}
