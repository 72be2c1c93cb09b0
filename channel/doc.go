// Package channel makes snapshots of radio channels from geometry: arrays and
// their elements, paths between an array and a user, fading and thermal noise.
//
// The convention is that of the contract: a user receives y = h^H x + n, so the
// sample h of an antenna is the complex conjugate of its physical gain, and the
// beam that matches a channel is w ~ h. The squared magnitude of a sample is a
// power gain, from watts into the antenna to watts at the receiver.
//
// Everything is a function of its arguments; what is random takes a source of
// random numbers and is the same for the same seed on any machine.
package channel
