package energy

import "math"

// Cell is a single cell of uplink and downlink with zero-forcing beams, as in the
// paper of per-antenna-2015: K users spread evenly over it, the same rate for all,
// channels of independent Rayleigh fading, known.
type Cell struct {
	Station          Station // per-user power and decoding of the devices among it
	BandwidthHz      float64
	NoiseW           float64 // over BandwidthHz
	MeanInverseGain  float64 // of the channel from one antenna, over the places of users
	CoherenceSamples float64 // U, for which a channel stays as it is
	UplinkPilots     float64 // samples of pilots per user
	DownlinkPilots   float64
	UplinkShare      float64 // of the time

	DeviceEfficiency         float64 // of the users' amplifiers
	DeviceOperationsPerJoule float64
}

// Cell2015 returns the cell of per-antenna-2015, values of its table II,
// held against its authors' published program: 20 MHz, 250 m, users no nearer than 35 m.
func Cell2015() *Cell {
	c := &Cell{
		Station:          ByName("per-antenna-2015").Station,
		BandwidthHz:      20e6,
		NoiseW:           math.Pow(10, (-96-30)/10.0),
		MeanInverseGain:  MeanInverseGain(math.Pow(10, -3.53), 3.76, 35, 250),
		CoherenceSamples: 1800,
		UplinkPilots:     1,
		DownlinkPilots:   1,
		UplinkShare:      0.4,

		DeviceEfficiency:         0.3,
		DeviceOperationsPerJoule: 5e9,
	}
	c.Station.UserW = 0.1
	c.Station.JoulesPerBit += 0.8e-9 // decoding
	return c
}

// MeanInverseGain returns the mean of 1 / (gain d^-exponent) over users spread
// evenly over the ring of distances d from near to far, in m; exponent > -2.
func MeanInverseGain(gain, exponent, nearM, farM float64) float64 {
	e := exponent + 2
	return 2 * (math.Pow(farM, e) - math.Pow(nearM, e)) / (e * gain * (farM*farM - nearM*nearM))
}

// dataShare returns the part of samples that pilots leave.
func (c *Cell) dataShare(users int) float64 {
	return 1 - (c.UplinkPilots+c.DownlinkPilots)*float64(users)/c.CoherenceSamples
}

// RateBps returns the sum of rates of K users for a power that gives each the SINR
// rho (M - K), both ways. 0 where K >= M or pilots leave nothing.
func (c *Cell) RateBps(antennas, users int, rho float64) float64 {
	if users >= antennas || c.dataShare(users) <= 0 {
		return 0
	}
	return float64(users) * c.BandwidthHz * c.dataShare(users) * math.Log2(1+rho*float64(antennas-users))
}

// Consumed returns what the cell draws, devices among it.
func (c *Cell) Consumed(antennas, users int, rho float64) Parts {
	m, k := float64(antennas), float64(users)
	radiatedW := c.NoiseW * rho * c.MeanInverseGain * k
	each := make([]float64, antennas)
	for i := range each {
		each[i] = (1 - c.UplinkShare) * radiatedW / m
	}
	p := c.Station.Consumed(&Load{
		Antennas: antennas, BusyShare: 1, RateBps: c.RateBps(antennas, users, rho),
		Groups: []GroupLoad{{Share: 1, Users: users, BandwidthHz: c.BandwidthHz * c.dataShare(users), AntennaPowerW: each}},
	})
	p.AmplifierW += c.UplinkShare * radiatedW / c.DeviceEfficiency
	// Once for each time that the channel changes: estimation here and at the
	// users, and the beams.
	changes := c.BandwidthHz / c.CoherenceSamples
	p.ProcessingW += c.Station.processingW(changes * (2*c.UplinkPilots*m*k*k + k*k*k/3 + 3*m*k*k + m*k))
	p.ProcessingW += changes * 4 * c.DownlinkPilots * k * k / c.DeviceOperationsPerJoule
	return p
}

// Optimum is the most efficient way to run a cell.
type Optimum struct {
	Antennas    int
	Users       int
	Rho         float64 // SINR over antennas more than users
	RateBps     float64
	Consumed    Parts
	BitPerJoule float64
}

// Optimum returns the most bits per joule that up to maxAntennas antennas and one
// user less give. The best power for given numbers has a closed form, the numbers
// are tried one by one: O(maxAntennas^3).
func (c *Cell) Optimum(maxAntennas int) Optimum {
	var best Optimum
	for antennas := 2; antennas <= maxAntennas; antennas++ {
		for users := 1; users < antennas && c.dataShare(users) > 0; users++ {
			rho := c.bestRho(antennas, users)
			o := Optimum{Antennas: antennas, Users: users, Rho: rho, RateBps: c.RateBps(antennas, users, rho)}
			o.Consumed = c.Consumed(antennas, users, rho)
			if o.BitPerJoule = 1 / JoulesPerBit(o.Consumed.TotalW(), o.RateBps); o.BitPerJoule > best.BitPerJoule {
				best = o
			}
		}
	}
	return best
}

// bestRho returns the rho of most bits per joule: the largest ratio of
// log(1 + rho (M - K)) to circuits + rho times the amplifiers' power at rho = 1,
// power per bit being the same everywhere.
func (c *Cell) bestRho(antennas, users int) float64 {
	p := c.Consumed(antennas, users, 1)
	circuits := p.TotalW() - p.AmplifierW - p.BitW
	n := float64(antennas - users)
	return math.Expm1(BestNats(n*circuits/p.AmplifierW)) / n
}

// BestNats returns the rate x in nats per use, and with it the SINR exp(x) - 1, at
// which an orthogonal user takes least energy per bit: the least of
// (exp(x) - 1 + fixed) / x, where fixed is the power drawn whatever the SINR over
// the power drawn for an SINR of 1; fixed >= 0. Slower than that, the fixed power
// is drawn for longer; faster, the SINR costs more than sleeping saves. It solves
// (x - 1) exp(x) + 1 = fixed, that is x = 1 + W((fixed - 1)/e) with W Lambert's
// function, by Newton's method from above.
func BestNats(fixed float64) float64 {
	if !(fixed > 0) {
		return 0
	}
	x := 1 + math.Log1p(fixed) // above the solution; the left side is convex
	for range 100 {
		step := 1 + (math.Expm1(-x)-fixed*math.Exp(-x))/x
		x -= step
		if math.Abs(step) <= 1e-14*x {
			break
		}
	}
	return x
}
