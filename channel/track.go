package channel

import (
	"math"
	"math/rand/v2"
	"sort"
)

// Track is a way over the ground: straight legs, and turns that are quarters of
// a circle.
type Track struct {
	legs []leg
}

// leg is a part of a track with one curvature.
type leg struct {
	startM  float64 // of the way from the track's start
	x, y    float64 // where it starts
	heading float64 // at its start, rad from +x to +y
	perM    float64 // curvature in rad/m, to +y from +x; 0 is straight
}

const (
	turnRadiusM = 8.0
	shortestM   = 40.0 // straight leg
	longestM    = 120.0
)

// NewTrack draws a track of at least lengthM that starts at x, y. Users turn to
// either side after each straight leg of 40 to 120 m; those outside of
// radiusM around centreX, centreY turn to the side on which it lies. A longer
// track from the same source has the shorter one in it.
func NewTrack(rng *rand.Rand, x, y, centreX, centreY, radiusM, lengthM float64) *Track {
	t := &Track{}
	at := leg{x: x, y: y, heading: 2 * math.Pi * rng.Float64()}
	for {
		t.legs = append(t.legs, at)
		if at.startM > lengthM {
			return t
		}
		at = at.end(shortestM + (longestM-shortestM)*rng.Float64())
		at.perM = 1 / turnRadiusM
		if rng.Uint64()&1 == 0 {
			at.perM = -at.perM
		}
		if dx, dy := centreX-at.x, centreY-at.y; math.Hypot(dx, dy) > radiusM {
			sin, cos := math.Sincos(at.heading)
			at.perM = math.Copysign(at.perM, cos*dy-sin*dx)
		}
		t.legs = append(t.legs, at)
		at = at.end(turnRadiusM * math.Pi / 2)
		at.perM = 0
	}
}

// end returns the place after distanceM of l, with the curvature of l.
func (l leg) end(distanceM float64) leg {
	turn := l.perM * distanceM
	// The chord of an arc: sinc of half the turn, along the mean heading.
	chordM := distanceM
	if turn != 0 {
		chordM *= math.Sin(turn/2) / (turn / 2)
	}
	sin, cos := math.Sincos(l.heading + turn/2)
	return leg{
		startM: l.startM + distanceM,
		x:      l.x + chordM*cos, y: l.y + chordM*sin,
		heading: l.heading + turn, perM: l.perM,
	}
}

// At returns where the track is after distanceM; beyond its end it goes straight
// on.
func (t *Track) At(distanceM float64) (x, y float64) {
	i := sort.Search(len(t.legs), func(i int) bool { return t.legs[i].startM > distanceM })
	l := t.legs[max(i-1, 0)]
	at := l.end(distanceM - l.startM)
	return at.x, at.y
}
