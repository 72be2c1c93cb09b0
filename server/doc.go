// Package server is the gRPC service: it turns messages into slots, checks them,
// has an engine schedule them and sends the plans back. Goroutines, clocks and
// deadlines live here; what a plan holds is decided in package scheduler.
package server
