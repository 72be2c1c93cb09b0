// Package client speaks to a server: one slot at a time or a stream of them,
// with the engine's own types on either side.
package client
