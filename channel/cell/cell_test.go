package cell

import (
	"math"
	"math/cmplx"
	"reflect"
	"testing"

	"leastwatt/channel"
)

// config is a small scene.
func config() Config {
	return Config{
		Seed: 1, Scenario: channel.UMa, Fading: Clustered, DowntiltDeg: 6,
		Array: channel.Array{PositionsM: channel.Planar(2, 4, channel.WavelengthM(3.5e9)/2), Pattern: channel.Sector65},
		Users: 6, NearM: 30, FarM: 300, SpeedMps: 10, IntervalS: 1e-3, CarrierHz: 3.5e9, BandwidthHz: 20e6, Subbands: 2,
		RatesBps: []float64{1e6, 2e6}, NoiseDB: 9, RiceDB: 9,
	}
}

func energy(h []complex128) (sum float64) {
	for _, x := range h {
		sum += real(x)*real(x) + imag(x)*imag(x)
	}
	return sum
}

func square(x float64) float64 { return x * x }

// A slot is the same however it is come by, and another seed's is another.
func TestSlotIsItsSeed(t *testing.T) {
	for _, fading := range []Fading{Clustered, Straight, Rayleigh, Rice} {
		c := config()
		c.Fading = fading
		c.Estimate = &Estimate{PilotLength: 6, PilotPowerW: 0.1, NoiseDB: 5, AgeS: 1e-3}
		a, b := New(c), New(c)
		a.Slot(3)
		if !reflect.DeepEqual(a.Slot(17), b.Slot(17)) {
			t.Errorf("%s: the same seed gives another slot", fading)
		}
		if reflect.DeepEqual(a.Slot(17).Channel, a.Slot(18).Channel) {
			t.Errorf("%s: nothing moves", fading)
		}
		c.Seed = 2
		if reflect.DeepEqual(a.Slot(17).Channel, New(c).Slot(17).Channel) {
			t.Errorf("%s: another seed gives the same slot", fading)
		}
		more := config()
		more.Fading, more.Users, more.Estimate, more.Seed = fading, 9, c.Estimate, 1
		if got, want := New(more).Slot(4), a.Slot(4); !reflect.DeepEqual(got.Channel[:len(want.Channel)], want.Channel) {
			t.Errorf("%s: more users change those there were", fading)
		}
	}
}

// The mean over seeds of |h|^2 is the mean gain: path loss, shadowing and element
// as computed here from the scene's positions.
func TestMeanGain(t *testing.T) {
	for _, fading := range []Fading{Clustered, Straight, Rayleigh, Rice} {
		var ratio float64
		const drops = 300
		for seed := range int64(drops) {
			c := config()
			c.Seed, c.Fading, c.Users, c.Subbands, c.BandwidthHz = seed, fading, 1, 8, 100e6
			c.Array.Pattern = nil
			s := New(c)
			at := s.positionM(0, s.wayM(40, 0))
			u := s.users[0]
			loss := channel.UMa.PathLossDB(channel.Link{CarrierHz: 3.5e9, DistanceM: math.Hypot(at[0], at[1]), StationM: 25, UserM: 1.5, LineOfSight: u.sight})
			if u.sight {
				loss += s.shadows[1].LossDB(at[0], at[1])
			} else {
				loss += s.shadows[0].LossDB(at[0], at[1])
			}
			ratio += energy(s.Slot(40).Channel) / 64 / math.Pow(10, -loss/10) / drops
		}
		if math.Abs(ratio-1) > 0.12 {
			t.Errorf("%s: mean |h|^2 is %.3f of the mean gain", fading, ratio)
		}
	}
}

// Users keep to their distances at the start, and the share in line of sight is
// the scenario's mean probability over the ring of the sector.
func TestUsers(t *testing.T) {
	c := config()
	c.Users = 4000
	s := New(c)
	var sight, probable float64
	for _, u := range s.users {
		d := math.Hypot(u.x, u.y)
		if d < c.NearM || d > c.FarM || math.Abs(math.Atan2(u.y, u.x)) > math.Pi/3 {
			t.Fatalf("%s stands at %v, %v", u.id, u.x, u.y)
		}
		if u.sight {
			sight++
		}
		probable += channel.UMa.SightProbability(d)
	}
	if math.Abs(sight-probable) > 4*math.Sqrt(4000*0.25) {
		t.Errorf("%v users in line of sight, want %v", sight, probable)
	}
}

// Along the track the phases of a straight path turn by its change of length, and
// the power of clusters neither jumps nor drifts where sets of rays take over.
func TestTravels(t *testing.T) {
	c := config()
	c.Fading, c.Users, c.Subbands = Straight, 1, 1
	c.Array.PositionsM, c.Array.Pattern = channel.Linear(1, 1), nil
	s := New(c)
	lambda := channel.WavelengthM(c.CarrierHz)
	length := func(i int) float64 {
		at := s.positionM(0, float64(i)*c.SpeedMps*c.IntervalS)
		return math.Sqrt(at[0]*at[0] + at[1]*at[1] + (at[2]-25)*(at[2]-25))
	}
	for i := range 50 {
		got := cmplx.Phase(s.Slot(i + 1).Channel[0] / s.Slot(i).Channel[0])
		if want := 2 * math.Pi * (length(i+1) - length(i)) / lambda; math.Abs(math.Remainder(got-want, 2*math.Pi)) > 1e-6 {
			t.Fatalf("slot %d: phase turns by %v rad, want %v", i, got, want)
		}
	}
	c.Fading, c.IntervalS, c.SpeedMps = Clustered, 1e-4, 10
	s = New(c)
	rays := func(wayM float64) (strengths []float64) {
		straight := s.straight(0, wayM)
		var power float64
		for _, p := range s.paths(0, wayM, straight) {
			strengths = append(strengths, cmplx.Abs(p.Gain/straight.Gain))
			power += square(strengths[len(strengths)-1])
		}
		if math.Abs(power-1) > 1e-9 {
			t.Errorf("after %v m the rays have %v of the gain", wayM, power)
		}
		return strengths
	}
	for _, wayM := range []float64{0, 12.5, 25, 49.9, 131, -3} {
		rays(wayM)
	}
	if a, b := rays(0), rays(50); math.Abs(a[len(a)-1]/b[len(b)-1]-1) < 1e-9 {
		t.Error("the rays of the next stretch are the same")
	}
	for _, i := range []int{49999, 99999} { // 1 mm before a set of rays is alone
		a, b := s.Slot(i).Channel[0], s.Slot(i + 1).Channel[0]
		if cmplx.Abs(a-b) > 0.1*math.Sqrt(s.response(make([]complex128, 1), 0, i, 0)) {
			t.Errorf("slot %d: the channel jumps from %v to %v", i, a, b)
		}
	}
}

// The error of what is known is what is said of it: mean over drops, in the slot
// itself, of |true - known|^2, with pilots, contamination and age.
func TestErrorVariance(t *testing.T) {
	for _, fading := range []Fading{Clustered, Straight, Rayleigh, Rice} {
		for _, ageS := range []float64{0, 0.8e-3} {
			var error, stated float64 // of the mean gain
			const drops, users, slot = 250, 2, 5
			for seed := range int64(drops) {
				c := config()
				c.Seed, c.Fading, c.Users, c.Subbands = seed, fading, users, 1
				c.Array.PositionsM = channel.Linear(3, 1)
				c.Estimate = &Estimate{PilotLength: 4, PilotPowerW: 0.2, NoiseDB: 5, Contamination: 0.05, AgeS: ageS}
				s := New(c)
				got := s.Slot(slot)
				n := len(got.True) / users
				for k := range users {
					gain := s.response(make([]complex128, n), k, slot, 0)
					stated += got.CSIErrorVariance[k] / gain / (drops * users)
					for m := k * n; m < (k+1)*n; m++ {
						e := cmplx.Abs(got.True[m] - got.Channel[m])
						error += e * e / gain / float64(drops*users*n)
					}
				}
			}
			if math.Abs(error/stated-1) > 0.1 || stated < 0.02 {
				t.Errorf("%s, %v s: error %.4f of the power, stated %.4f", fading, ageS, error, stated)
			}
		}
	}
	// With many pilots what is left is contamination, c/(1 + c) of the gain.
	c := config()
	c.Estimate = &Estimate{PilotLength: 1, PilotPowerW: 1e30, Contamination: 0.25}
	s := New(c)
	slot := s.Slot(0)
	gain := s.response(make([]complex128, len(slot.True)/c.Users), 0, 0, 0)
	if got := slot.CSIErrorVariance[0] / gain; math.Abs(got-0.2) > 1e-9 {
		t.Errorf("contaminated, the error is %v of the gain, want 0.2", got)
	}
	c.Estimate = nil
	if slot := New(c).Slot(0); &slot.True[0] != &slot.Channel[0] || slot.CSIErrorVariance[0] != 0 {
		t.Error("a channel known exactly has an error")
	}
}
