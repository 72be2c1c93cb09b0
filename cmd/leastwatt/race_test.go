//go:build race

package main

// withRace tells that the race detector is on, which takes memory of its own.
const withRace = true
