// Package scheduler turns a slot into a plan: which users share the air, for
// what share of the slot, with which beams and how little power.
//
// It is a deterministic function of the slot, with no clock, goroutine, logger
// or unseeded randomness in it. It knows nothing of gRPC or of files.
package scheduler
