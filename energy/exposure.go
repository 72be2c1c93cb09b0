package energy

import (
	"fmt"
	"math"
	"strings"
)

// Guideline is a set of reference levels for exposure to radio waves, as power
// density in W/m^2.
type Guideline int

// Guidelines. Levels are copied from transcriptions; the document in force where
// you transmit decides.
const (
	ICNIRP2020      Guideline = iota // whole body, mean over 30 min: Health Physics 118(5), 2020, table 5
	ICNIRP2020Local                  // a part of the body, mean over 6 min: table 6
	FCC1310                          // 47 CFR 1.1310 table 1, mean over 30 min, occupational 6 min
)

// String names the guideline.
func (g Guideline) String() string {
	switch g {
	case ICNIRP2020:
		return "ICNIRP 2020, whole body"
	case ICNIRP2020Local:
		return "ICNIRP 2020, local"
	case FCC1310:
		return "47 CFR 1.1310"
	}
	return "unknown guideline"
}

// Audience says who is exposed.
type Audience int

// Audiences.
const (
	GeneralPublic Audience = iota // everybody
	Occupational                  // people who know of the exposure and are trained for it
)

// String names the audience.
func (a Audience) String() string {
	if a == Occupational {
		return "occupational"
	}
	return "general public"
}

// ReferenceLevel returns the power density in W/m^2 that a guideline gives for a
// frequency. It reports false below 30 MHz, where levels are of fields and not of
// power density, and above where the guideline ends.
func (g Guideline) ReferenceLevel(a Audience, frequencyHz float64) (levelWPerM2 float64, ok bool) {
	mhz := frequencyHz / 1e6
	if !(mhz > 30) {
		return 0, false
	}
	switch {
	case g == ICNIRP2020 && mhz <= 300e3:
		return pick(a, ladder(mhz, 400, 2, 2000, mhz/200, 10), ladder(mhz, 400, 10, 2000, mhz/40, 50)), true
	case g == ICNIRP2020Local && mhz <= 300e3:
		high := math.Pow(mhz/1000, -0.177)
		if mhz <= 6000 {
			high = 40.0 / 55
		}
		return pick(a,
			ladder(mhz, 400, 10, 2000, 0.058*math.Pow(mhz, 0.86), 55*high),
			ladder(mhz, 400, 50, 2000, 0.29*math.Pow(mhz, 0.86), 275*high)), true
	case g == FCC1310 && mhz <= 100e3:
		return pick(a, ladder(mhz, 300, 2, 1500, mhz/150, 10), ladder(mhz, 300, 10, 1500, mhz/30, 50)), true
	}
	return 0, false
}

// ladder returns low up to the first edge, middle up to the second, then high.
func ladder(x, first, low, second, middle, high float64) float64 {
	switch {
	case x <= first:
		return low
	case x <= second:
		return middle
	}
	return high
}

func pick(a Audience, public, occupational float64) float64 {
	if a == Occupational {
		return occupational
	}
	return public
}

// DistanceM returns the distance in m beyond which EIRP gives less than a power
// density, sqrt(EIRP / (4 pi S)).
//
// It is an estimate for free space: within the near field of an array the formula
// does not hold, and reflections add, by up to a factor of 4 over ground, for which
// EIRP may be multiplied first. For means over time EIRP may be multiplied by the
// part of time on the air. Whether people may be where, the licence, local codes
// and a qualified person decide.
func DistanceM(eirpW, levelWPerM2 float64) float64 {
	return math.Sqrt(eirpW / (4 * math.Pi * levelWPerM2))
}

// Distance is where a reference level is met.
type Distance struct {
	Guideline   Guideline
	Audience    Audience
	LevelWPerM2 float64
	DistanceM   float64
}

// Distances returns where the levels of the guidelines for the whole body are met
// for an EIRP at a frequency, general public first; none where there is no level.
func Distances(eirpW, frequencyHz float64) []Distance {
	var out []Distance
	for _, g := range []Guideline{ICNIRP2020, FCC1310} {
		for _, a := range []Audience{GeneralPublic, Occupational} {
			if level, ok := g.ReferenceLevel(a, frequencyHz); ok {
				out = append(out, Distance{g, a, level, DistanceM(eirpW, level)})
			}
		}
	}
	return out
}

// Caution goes with every printed distance.
const Caution = "An estimate for the far field in free space: near field and reflections are left out.\n" +
	"The licence, local codes and a qualified person decide."

// ExposureText returns distances as lines of text, the cautions after them; empty
// where there are none.
func ExposureText(distances []Distance) string {
	if len(distances) == 0 {
		return ""
	}
	var b strings.Builder
	for _, d := range distances {
		fmt.Fprintf(&b, "%s, %s: %.4g W/m2 beyond %.2f m\n", d.Guideline, d.Audience, d.LevelWPerM2, d.DistanceM)
	}
	b.WriteString(Caution + "\n")
	return b.String()
}
