// Package quay is a scene of our own: one shift on the quay of a container
// port. A panel on the mast of a quay crane looks inland over the yard. Straddle
// carriers go round on their lanes, the cabs of yard cranes run across the
// stacks and back, people on foot carry hand-helds. Every user has a straight
// path and a few scattered ones; those on foot in the yard stand behind a stack,
// over whose edge the straight path is bent.
//
// The world's axes are in m: x inland from the water's edge, y along the quay, z
// up. A snapshot is taken every SlotIntervalS; path lengths are exact, so phases
// are right from one snapshot to the next. The channel is that at the carrier,
// taken as flat over the bandwidth.
//
// What is made up, as the whole scene is: positions, speeds, rates, what
// scatters and how much, NoiseRiseDB and ReserveDB.
package quay

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"leastwatt/channel"
)

// The radio's settings and the scene's allowances.
const (
	CarrierHz     = 3.5e9
	BandwidthHz   = 20e6
	SlotIntervalS = 0.5 // from one snapshot to the next
	NoiseRiseDB   = 10  // what the port's other panels add to the noise
	ReserveDB     = 10  // kept on every path for fades that the geometry leaves out
)

// Mast is where the panel hangs: 32 m up, tilted 10 degrees down.
var Mast = channel.Pose{PositionM: [3]float64{0, 0, 32}, DowntiltDeg: 10}

// ControlRoom is a place where people stand all day: a window of the port's tower.
var ControlRoom = [3]float64{95, 115, 18}

// Class is a kind of user.
type Class struct {
	Name          string
	RateBps       float64
	NoiseFigureDB float64
	LossDB        float64 // cables and mounting, or the body that carries it
	HeightM       float64 // of the antenna above ground
}

// Classes of users.
var (
	StraddleCarrier = Class{Name: "straddle", RateBps: 6e6, NoiseFigureDB: 7, LossDB: 6, HeightM: 12}
	CraneCab        = Class{Name: "cab", RateBps: 20e6, NoiseFigureDB: 7, LossDB: 6, HeightM: 22}
	HandHeld        = Class{Name: "handheld", RateBps: 2e6, NoiseFigureDB: 9, LossDB: 8, HeightM: 1.5}
)

// Crew is how many users of each class there are.
type Crew struct {
	StraddleCarriers int
	CraneCabs        int
	HandHelds        int
}

// DayShift is the usual crew of 16.
var DayShift = Crew{StraddleCarriers: 9, CraneCabs: 3, HandHelds: 4}

// User is one user of the scene.
type User struct {
	ID    string
	Class Class

	track      track
	scatterers []scatterer
}

type scatterer struct {
	positionM  [3]float64
	reflection complex128
}

// Scene is one shift, seen by one panel.
type Scene struct {
	Users []User
	Array channel.Array
}

// New returns the shift of seed with crew, seen by a panel of rows x columns
// sector elements half a wavelength apart. The people and the machines do the
// same whatever the panel, and a larger crew has the smaller one in it.
func New(seed int64, crew Crew, rows, columns int) *Scene {
	s := &Scene{Array: channel.Array{
		PositionsM: channel.Planar(rows, columns, channel.WavelengthM(CarrierHz)/2),
		Pattern:    channel.Sector65,
	}}
	for c, part := range []struct {
		class  Class
		number int
		track  func(*rand.Rand, int) track
	}{
		{StraddleCarrier, crew.StraddleCarriers, carrierTrack},
		{CraneCab, crew.CraneCabs, cabTrack},
		{HandHeld, crew.HandHelds, handHeldTrack},
	} {
		for i := range part.number {
			rng := channel.NewRand(seed, uint64(c)<<32|uint64(i))
			u := User{ID: fmt.Sprintf("%s-%d", part.class.Name, i+1), Class: part.class, track: part.track(rng, i)}
			u.scatterers = newScatterers(rng, u.track)
			s.Users = append(s.Users, u)
		}
	}
	return s
}

// A column is the one antenna of a usual mast: so many sector elements over one
// another, fed as one (common practice, no source). Its electrical tilt, on top of the
// mast's own, is the one of least power for users in turn: of half degrees, over shifts
// of two seeds.
const (
	ColumnElements = 6
	ColumnSpacing  = 0.7 // wavelengths
	columnTiltDeg  = -0.5
)

// column is the pattern of a column.
var column = channel.Stack(channel.Sector65, ColumnElements, ColumnSpacing, columnTiltDeg)

// ColumnGainDBi returns the largest gain of a column: that of an element times their
// number, as the power fed in is shared and amplitudes add up.
func ColumnGainDBi() float64 { return column(channel.Direction{ElevationDeg: -columnTiltDeg}) }

// NewColumn returns the shift that New does, served by one column in place of a panel.
func NewColumn(seed int64, crew Crew) *Scene {
	s := New(seed, crew, 1, 1)
	s.Array.Pattern = column
	return s
}

// Grid returns the rows and columns of a panel of antennas, a power of two, with
// at most twice as many columns as rows.
func Grid(antennas int) (rows, columns int) {
	rows, columns = 1, 1
	for rows*columns < antennas {
		if columns > rows {
			rows *= 2
		} else {
			columns *= 2
		}
	}
	return rows, columns
}

// newScatterers places what scatters around a track: 6 points within 25 m of
// it, 4 to 20 m up, each reflecting 13 to 23 dB down.
func newScatterers(rng *rand.Rand, t track) []scatterer {
	const (
		number  = 6
		marginM = 25
	)
	low, high := t.bounds()
	scatterers := make([]scatterer, number)
	for i := range scatterers {
		scatterers[i].positionM = [3]float64{
			between(rng, low[0]-marginM, high[0]+marginM),
			between(rng, low[1]-marginM, high[1]+marginM),
			between(rng, 4, 20),
		}
		turn := cmplx.Rect(1, 2*math.Pi*rng.Float64())
		scatterers[i].reflection = turn * amplitude(-between(rng, 13, 23))
	}
	return scatterers
}

// Slot is one snapshot, users in the order of the scene.
type Slot struct {
	Channel [][]complex128 // [user][antenna], of y = h^H x + n
	RateBps []float64
	NoiseW  []float64 // over BandwidthHz
}

// Slot returns snapshot i, taken i*SlotIntervalS into the shift.
func (s *Scene) Slot(i int) Slot {
	slot := Slot{
		Channel: make([][]complex128, len(s.Users)),
		RateBps: make([]float64, len(s.Users)),
		NoiseW:  make([]float64, len(s.Users)),
	}
	for k := range s.Users {
		u := &s.Users[k]
		slot.Channel[k] = make([]complex128, len(s.Array.PositionsM))
		s.Array.Response(slot.Channel[k], u.Paths(float64(i)*SlotIntervalS), CarrierHz, 0)
		slot.RateBps[k] = u.Class.RateBps
		slot.NoiseW[k] = channel.ThermalNoiseW(BandwidthHz, u.Class.NoiseFigureDB+NoiseRiseDB)
	}
	return slot
}

// PositionM returns where the antenna of u is at timeS into the shift.
func (u *User) PositionM(timeS float64) [3]float64 {
	x, y := u.track.at(timeS)
	return [3]float64{x, y, u.Class.HeightM}
}

// Paths returns the paths from the mast to u at timeS: the straight one, then
// the scattered ones.
func (u *User) Paths(timeS float64) []channel.Path {
	to := u.PositionM(timeS)
	loss := amplitude(-u.Class.LossDB - ReserveDB)
	straight := channel.LineOfSight(Mast, to, CarrierHz)
	straight.Gain *= loss * amplitude(-stackLossDB(to))
	paths := []channel.Path{straight}
	for _, sc := range u.scatterers {
		paths = append(paths, channel.Scatter(Mast, sc.positionM, to, loss*sc.reflection, CarrierHz))
	}
	return paths
}

// stack is a wall of containers along the quay.
type stack struct{ x, fromY, toY, heightM float64 }

// The rear face of the first block of stacks, with a gap for the way through;
// containers are 2.6 m high and stacked three high.
var stacks = []stack{
	{x: 97, fromY: -145, toY: -10, heightM: 3 * 2.6},
	{x: 97, fromY: 10, toY: 145, heightM: 3 * 2.6},
}

// stackLossDB returns the loss of the straight path to toM over or round the
// stacks. A stack stands in the way by the least of what would clear it, over
// the top or round an end; the worst stack counts.
func stackLossDB(toM [3]float64) float64 {
	var lossDB float64
	from := Mast.PositionM
	distanceM := math.Hypot(math.Hypot(toM[0]-from[0], toM[1]-from[1]), toM[2]-from[2])
	for _, st := range stacks {
		t := (st.x - from[0]) / (toM[0] - from[0])
		if !(t > 0 && t < 1) {
			continue
		}
		y := from[1] + t*(toM[1]-from[1])
		z := from[2] + t*(toM[2]-from[2])
		inTheWayM := min(st.heightM-z, y-st.fromY, st.toY-y)
		edgeDB := channel.KnifeEdgeLossDB(inTheWayM, t*distanceM, (1-t)*distanceM, channel.WavelengthM(CarrierHz))
		lossDB = max(lossDB, edgeDB)
	}
	return lossDB
}

func between(rng *rand.Rand, low, high float64) float64 { return low + (high-low)*rng.Float64() }

// amplitude returns the factor of amplitude of a power gain in dB.
func amplitude(gainDB float64) complex128 { return complex(math.Pow(10, gainDB/20), 0) }
