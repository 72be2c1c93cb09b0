// Package trace reads and writes traces: files of slots.
//
// A trace is a row of zstd frames (RFC 8878). Each message of the contract, a
// TraceHeader, then every Slot, then a TraceIndex, is a frame of its own, with a
// checksum, of the message preceded by its length as a varint. Before each stands
// a marker, which is a skippable frame, so that zstd -d turns a trace into a
// length-delimited protobuf stream. A marker has 32 bytes, numbers little-endian:
//
//	 0  magic of a skippable frame, 0x184D2A5D
//	 4  bytes that follow: 24
//	 8  "lwt" and the kind of message: H header, S slot, X index, E end
//	12  S: the slot's sequence; E: where the marker of the index stands
//	20  bytes of the frame that follows; E: none
//	24  bytes of it decompressed
//	28  CRC-32C of the above
//
// A trace that is complete ends with the index and a marker of kind E, which leads
// to it. While it is being written, or when it was cut off, a reader goes from
// marker to marker. Damage costs the slot that it hits: after it a reader looks
// for the next marker. What a message takes in memory is bounded by the reader, before
// it is taken: frames and messages may be small and what they stand for large.
package trace
