package quay

import (
	"math"
	"math/rand/v2"
)

// track is the way of a user over the ground, in m, at a time in s.
type track interface {
	at(timeS float64) (x, y float64)
	bounds() (low, high [2]float64)
}

// circuit is a round on two lanes along the quay: up one, down the other, at
// constant speed.
type circuit struct {
	upX, downX, fromY, toY float64
	speedMps, startM       float64
}

// carrierTrack puts straddle carriers on three circuits in turn: behind the
// quay cranes, between the two blocks of stacks and behind the second.
func carrierTrack(rng *rand.Rand, i int) track {
	lanesX := [...]float64{50, 104, 176}
	x := lanesX[i%len(lanesX)]
	c := circuit{upX: x, downX: x + 8, fromY: -150, toY: 150}
	c.speedMps = between(rng, 20, 30) / 3.6
	c.startM = between(rng, 0, c.lengthM())
	return c
}

func (c circuit) lengthM() float64 { return 2 * ((c.toY - c.fromY) + (c.downX - c.upX)) }

func (c circuit) at(timeS float64) (x, y float64) {
	long, short := c.toY-c.fromY, c.downX-c.upX
	s := math.Mod(c.startM+c.speedMps*timeS, c.lengthM())
	switch {
	case s < long:
		return c.upX, c.fromY + s
	case s < long+short:
		return c.upX + (s - long), c.toY
	case s < 2*long+short:
		return c.downX, c.toY - (s - long - short)
	default:
		return c.downX - (s - 2*long - short), c.fromY
	}
}

func (c circuit) bounds() (low, high [2]float64) {
	return [2]float64{c.upX, c.fromY}, [2]float64{c.downX, c.toY}
}

// swing is a run between two points and back, slow at the ends: sinusoidal.
type swing struct {
	fromX, fromY, toX, toY float64
	periodS, start         float64 // start in turns
}

// cabTrack puts the cabs of yard cranes over the second block of stacks: 40 m
// across it and back in 40 to 60 s, 2 to 3 m/s at the middle.
func cabTrack(rng *rand.Rand, i int) track {
	cranesY := [...]float64{-95, 5, 100}
	y := cranesY[i%len(cranesY)] + 25*float64(i/len(cranesY))
	return swing{fromX: 126, fromY: y, toX: 166, toY: y, periodS: between(rng, 40, 60), start: rng.Float64()}
}

// handHeldTrack lets people walk 40 m along the quay and back at 0.9 to 1.3 m/s
// on average: at the ship's side and behind the first block of stacks, in turn.
func handHeldTrack(rng *rand.Rand, i int) track {
	const walkM = 40
	lanesX := [...]float64{30, 120}
	x := lanesX[i%len(lanesX)]
	y := between(rng, -0.9, 0.9)*x - walkM/2
	return swing{fromX: x, fromY: y, toX: x, toY: y + walkM, periodS: 2 * walkM / between(rng, 0.9, 1.3), start: rng.Float64()}
}

func (w swing) at(timeS float64) (x, y float64) {
	t := (1 - math.Cos(2*math.Pi*(timeS/w.periodS+w.start))) / 2
	return w.fromX + t*(w.toX-w.fromX), w.fromY + t*(w.toY-w.fromY)
}

func (w swing) bounds() (low, high [2]float64) {
	return [2]float64{min(w.fromX, w.toX), min(w.fromY, w.toY)}, [2]float64{max(w.fromX, w.toX), max(w.fromY, w.toY)}
}
