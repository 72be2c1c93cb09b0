package scheduler

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"

	"leastwatt/optim"
)

// Bounds of Validate.
const (
	// MaxViolations is the length of the longest list of violations. A longer
	// one ends with the number of those left out.
	MaxViolations = 32

	// MaxEfficiency is the highest rate over bandwidth and share, in bit/s/Hz:
	// it takes an SINR of 301 dB.
	MaxEfficiency = 100.0
	// MinEfficiency is the lowest rate over bandwidth, in bit/s/Hz, that is not
	// 0: below it 1 + SINR is 1 in float64.
	MinEfficiency = 1e-15
	// MinGain and MaxGain bound the channel gain over noise, the sum over
	// antennas of |h|^2 / noise: 300 dB on either side, so that powers and weights
	// stay in range, of float32 too.
	MinGain = 1e-30
	// MaxGain is the upper one, see MinGain.
	MaxGain = 1e30
	// MinShareStep is the smallest unit of a share: shares are then chosen among
	// 10000.
	MinShareStep = 1e-4
	// shareSlack is the rounding allowed in sums of shares and in multiples of
	// a share step.
	shareSlack = 1e-9
	// maxValueText is the length of the longest value repeated in a violation.
	maxValueText = 64
)

// Validate reports everything that is wrong with s, at most MaxViolations long,
// in the order of the contract; nil when s can be scheduled. It only checks and
// takes one pass over the samples. A good slot costs no allocation.
func (s *Slot) Validate() []Violation {
	var v violations
	s.checkScalars(&v)
	channelFits := s.checkDimensions(&v)
	sc := scratchPool.Get().(*scratch)
	s.checkUsers(&v, sc)
	if channelFits {
		s.checkSamples(&v)
	}
	s.checkArray(&v)
	s.checkLimits(&v)
	s.Options.check(&v)
	s.checkCodebook(&v)
	s.checkGroups(&v, sc, channelFits)
	s.checkGroupLimits(&v)
	s.checkExact(&v)
	clear(sc.index)
	scratchPool.Put(sc)
	return v.result()
}

// Validate reports what is wrong with options by themselves, as in a session's
// defaults; paths start with "options.".
func (o *Options) Validate() []Violation {
	var v violations
	o.check(&v)
	return v.result()
}

// violations gathers a list of bounded length.
type violations struct {
	list []Violation
	more int
}

// full says that the list takes no more; what is left is only counted.
func (v *violations) full() bool { return len(v.list) == MaxViolations }

func (v *violations) add(path, value, allowed string) {
	if v.full() {
		v.more++
		return
	}
	v.list = append(v.list, Violation{Path: path, Value: value, Allowed: allowed})
}

// result closes the list: the last of a list too long gives way to a count.
func (v *violations) result() []Violation {
	if v.more > 0 {
		v.list[MaxViolations-1] = Violation{
			Path: "...", Value: fmt.Sprintf("%d more violations", v.more+1), Allowed: "none",
		}
	}
	return v.list
}

// number checks x against a condition that the caller has evaluated. NaN and
// infinities never pass.
func (v *violations) number(ok bool, x float64, path, allowed string) {
	if !ok || !finite(x) {
		v.add(path, number(x), allowed)
	}
}

// item is number for the element i of a list: its path is the list's, the index
// and, where not empty, a field of the element.
func (v *violations) item(ok bool, x float64, list string, i int, field, allowed string) {
	if !ok || !finite(x) {
		v.add(itemPath(list, i, field), number(x), allowed)
	}
}

func itemPath(list string, i int, field string) string {
	p := list + "[" + strconv.Itoa(i) + "]"
	if field != "" {
		p += "." + field
	}
	return p
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// text quotes a string of the caller's, shortened.
func text(s string) string {
	if len(s) > maxValueText {
		s = strings.ToValidUTF8(s[:maxValueText], "") + "..."
	}
	return strconv.Quote(s)
}

// scratch is what Validate needs beside the slot. It lives in a pool so that a
// good slot allocates nothing.
type scratch struct {
	index map[string]int // user's number by id
	seen  []int          // per user: the last group it was found in, -1 for none
	share []float64      // per user: most share of slot and band it can be given
	load  []float64      // per subband: sum of the fixed shares
}

var scratchPool = sync.Pool{New: func() any { return &scratch{index: map[string]int{}} }}

func (s *Slot) checkScalars(v *violations) {
	if s.SlotDurationMicros < 0 {
		v.add("slotDurationMicros", strconv.FormatInt(s.SlotDurationMicros, 10), ">= 0")
	}
	v.number(s.CarrierHz >= 0, s.CarrierHz, "carrierHz", "a finite number >= 0")
	v.number(s.BandwidthHz > 0, s.BandwidthHz, "bandwidthHz", "a finite number > 0")
}

// checkDimensions reports whether the samples are as many as users, subbands
// and antennas say.
func (s *Slot) checkDimensions(v *violations) bool {
	c := &s.Channel
	ok := true
	if c.Antennas < 1 {
		v.add("channel.antennas", strconv.Itoa(c.Antennas), ">= 1")
		ok = false
	}
	if c.Subbands < 1 {
		v.add("channel.subbands", strconv.Itoa(c.Subbands), ">= 1")
		ok = false
	}
	if len(s.Users) == 0 {
		v.add("users", "0 users", "at least one user")
		ok = false
	}
	// In float64: three int32 may overflow int64.
	want := float64(len(s.Users)) * float64(c.Subbands) * float64(c.Antennas)
	if ok && want != float64(len(c.Samples)) {
		v.add("channel.values", fmt.Sprintf("%d samples", len(c.Samples)),
			fmt.Sprintf("users * subbands * antennas = %d * %d * %d complex samples",
				len(s.Users), c.Subbands, c.Antennas))
		ok = false
	}
	return ok
}

func (s *Slot) checkUsers(v *violations, sc *scratch) {
	for k := range s.Users {
		u := &s.Users[k]
		if u.ID == "" {
			v.add(itemPath("users", k, "id"), `""`, "not empty")
		} else if first, taken := sc.index[u.ID]; taken {
			v.add(itemPath("users", k, "id"), text(u.ID),
				fmt.Sprintf("unique in the slot; users[%d] has it too", first))
		} else {
			sc.index[u.ID] = k
		}
		s.checkRate(v, k)
		s.checkNoise(v, k)
		v.item(u.CSIErrorVariance >= 0, u.CSIErrorVariance, "users", k, "csiErrorVariance",
			"a finite number >= 0")
		v.item(u.Priority >= 0, u.Priority, "users", k, "priority",
			"a finite number > 0, or 0 for 1")
	}
}

func (s *Slot) checkRate(v *violations, k int) {
	rate := s.Users[k].RateBps
	if !(rate >= 0) || math.IsInf(rate, 1) {
		v.item(false, rate, "users", k, "rateBps", "a finite number >= 0")
		return
	}
	if !(s.BandwidthHz > 0) || rate == 0 {
		return
	}
	if e := rate / s.BandwidthHz; e > MaxEfficiency || e < MinEfficiency {
		v.item(false, rate, "users", k, "rateBps", fmt.Sprintf(
			"0, or %g to %g bit/s per Hz of bandwidthHz", MinEfficiency, MaxEfficiency))
	}
}

func (s *Slot) checkNoise(v *violations, k int) {
	u := &s.Users[k]
	if len(u.SubbandNoiseW) == 0 {
		v.item(u.NoiseW > 0, u.NoiseW, "users", k, "noiseW", "a finite number > 0")
		return
	}
	v.item(u.NoiseW >= 0, u.NoiseW, "users", k, "noiseW", "a finite number >= 0")
	if len(u.SubbandNoiseW) != s.Channel.Subbands {
		v.add(itemPath("users", k, "subbandNoiseW"), fmt.Sprintf("%d values", len(u.SubbandNoiseW)),
			fmt.Sprintf("one value per subband: %d", s.Channel.Subbands))
	}
	for f, w := range u.SubbandNoiseW {
		if !(w > 0) || !finite(w) {
			v.item(false, w, itemPath("users", k, "subbandNoiseW"), f, "", "a finite number > 0")
		}
	}
}

// checkSamples takes the one pass over the samples. The sum of squares of a row
// tells whether anything is wrong in it; only then is the row read again.
func (s *Slot) checkSamples(v *violations) {
	c := &s.Channel
	for k := range s.Users {
		u := &s.Users[k]
		heard := false
		for f := range c.Subbands {
			noise := math.NaN()
			if len(u.SubbandNoiseW) == 0 || f < len(u.SubbandNoiseW) {
				noise = u.SubbandNoise(f, c.Subbands)
			}
			if !(noise > 0) || math.IsInf(noise, 1) {
				noise = 1 // reported by checkNoise; NaN and Inf are still found
			}
			gain := rowGain(c.At(k, f), 1/math.Sqrt(noise))
			if gain >= MinGain && gain <= MaxGain {
				heard = true
				s.checkError(v, k, noise)
				continue
			}
			heard = s.checkRow(v, k, f, gain) || heard
		}
		if !heard && u.RateBps > 0 {
			v.add(itemPath("channel.values", 2*k*c.Subbands*c.Antennas, ""),
				"0 in every sample of "+userText(u, k),
				"a channel with a sample other than 0 for a user with a rate")
		}
	}
}

// rowGain returns the sum of |scale * h|^2.
func rowGain(h []complex128, scale float64) float64 {
	var sum float64
	for _, z := range h {
		re, im := real(z)*scale, imag(z)*scale
		sum += re*re + im*im
	}
	return sum
}

// checkError bounds the noise-normalised variance of the channel estimate.
func (s *Slot) checkError(v *violations, k int, noise float64) {
	e := s.Users[k].CSIErrorVariance
	if e/noise > MaxGain && finite(e) {
		v.item(false, e, "users", k, "csiErrorVariance",
			fmt.Sprintf("at most %g times the noise of a subband", MaxGain))
	}
}

// checkRow looks closer at user k on subband f, whose gain over noise is out of
// range. It reports whether the row is to count as heard, either because it
// carries something or because its fault has been reported.
func (s *Slot) checkRow(v *violations, k, f int, gain float64) bool {
	c := &s.Channel
	u := &s.Users[k]
	first := 2 * (k*c.Subbands + f) * c.Antennas
	bad, silent := false, true
	for m, z := range c.At(k, f) {
		for part, x := range [2]float64{real(z), imag(z)} {
			silent = silent && x == 0
			if finite(x) {
				continue
			}
			bad = true
			if v.full() {
				v.more++ // without the cost of its text
				continue
			}
			v.item(false, x, "channel.values", first+2*m+part, "",
				fmt.Sprintf("a finite number (%s, subband %d, antenna %d)", userText(u, k), f, m))
		}
	}
	if bad {
		return true
	}
	if silent {
		return false
	}
	if u.RateBps > 0 || gain > MaxGain {
		v.add(itemPath("channel.values", first, ""),
			fmt.Sprintf("a gain over noise of %g for %s on subband %d", gain, userText(u, k), f),
			fmt.Sprintf("a sum over antennas of |h|^2 / noise from %g to %g, or all 0", MinGain, MaxGain))
	}
	return true
}

func userText(u *User, k int) string { return fmt.Sprintf("users[%d] %s", k, text(u.ID)) }

func (s *Slot) checkArray(v *violations) {
	a := s.Array
	if a == nil {
		return
	}
	if !(s.CarrierHz > 0) {
		v.number(false, s.CarrierHz, "carrierHz", "> 0 where array is given")
	}
	if len(a.PositionsM) != s.Channel.Antennas {
		v.add("array.positionsM", fmt.Sprintf("%d positions", len(a.PositionsM)),
			fmt.Sprintf("x, y, z of each of %d antennas", s.Channel.Antennas))
	}
	for m := range a.PositionsM {
		for i, x := range a.PositionsM[m] {
			if !finite(x) {
				v.item(false, x, "array.positionsM", 3*m+i, "", "a finite number")
			}
		}
	}
	v.number(math.Abs(a.ElementGainDBi) <= 100, a.ElementGainDBi, "array.elementGainDbi", "from -100 to 100")
	switch a.ElementPattern {
	case "", PatternIsotropic, PatternSector65:
	default:
		v.add("array.elementPattern", text(a.ElementPattern), PatternIsotropic+", "+PatternSector65)
	}
}

func (s *Slot) checkLimits(v *violations) {
	l := &s.Limits
	const watts = "a finite number >= 0"
	if l.TotalPowerW != nil {
		v.number(*l.TotalPowerW >= 0, *l.TotalPowerW, "limits.totalPowerW", watts)
	}
	if n := len(l.AntennaPowerW); n > 0 && n != s.Channel.Antennas {
		v.add("limits.antennaPowerW", fmt.Sprintf("%d values", n),
			fmt.Sprintf("one value per antenna: %d", s.Channel.Antennas))
	}
	for m, w := range l.AntennaPowerW {
		v.item(w >= 0, w, "limits.antennaPowerW", m, "", watts)
	}
	if l.EIRPW != nil {
		v.number(*l.EIRPW >= 0, *l.EIRPW, "limits.eirpW", watts)
		s.needsArray(v, "limits.eirpW", number(*l.EIRPW))
	}
	if n := len(l.ProtectedDirections); n > 0 {
		s.needsArray(v, "limits.protectedDirections", fmt.Sprintf("%d directions", n))
	}
	for i := range l.ProtectedDirections {
		const list = "limits.protectedDirections"
		d := &l.ProtectedDirections[i]
		v.item(math.Abs(d.AzimuthDeg) <= 180, d.AzimuthDeg, list, i, "azimuthDeg", "from -180 to 180")
		v.item(math.Abs(d.ElevationDeg) <= 90, d.ElevationDeg, list, i, "elevationDeg", "from -90 to 90")
		v.item(d.WidthDeg > 0 && d.WidthDeg <= 360, d.WidthDeg, list, i, "widthDeg", "> 0, at most 360")
		v.item(d.EIRPW >= 0, d.EIRPW, list, i, "eirpW", watts)
	}
	if l.MaxGroupSize < 0 {
		v.add("limits.maxGroupSize", strconv.Itoa(l.MaxGroupSize), ">= 1, or absent")
	}
	if l.MaxGroups < 0 {
		v.add("limits.maxGroups", strconv.Itoa(l.MaxGroups), ">= 1, or absent")
	}
}

// needsArray reports a limit that has no geometry to be computed from.
func (s *Slot) needsArray(v *violations, path, value string) {
	if s.Array == nil {
		v.add(path, value, "absent, or given together with array")
	}
}

func (o *Options) check(v *violations) {
	if _, known := groupings[o.Grouping]; !known {
		checkName(v, "options.grouping", o.Grouping, Groupings())
	}
	checkName(v, "options.beams", o.Beams, Beams())
	checkName(v, "options.power", o.Power, Powers())
	checkName(v, "options.objective", o.Objective, Objectives())
	if o.RateTable != "" && optim.RateTableByName(o.RateTable) == nil {
		checkName(v, "options.rateTable", o.RateTable, RateTables())
	}
	o.checkPower(v)
	if o.Weights < WeightsNone || o.Weights > WeightsI16 {
		v.add("options.weights", strconv.Itoa(int(o.Weights)), "none, f64, f32 or i16")
	}
	if o.WorkLimit < 0 {
		v.add("options.workLimit", strconv.FormatInt(o.WorkLimit, 10), ">= 0")
	}
	if o.ComputeBudgetMicros < 0 {
		v.add("options.computeBudgetMicros", strconv.FormatInt(o.ComputeBudgetMicros, 10), ">= 0")
	}
	t := o.CorrelationThreshold
	v.number(t >= 0 && t <= 1, t, "options.correlationThreshold", "in (0, 1], or absent")
	v.number(o.HysteresisDB >= 0, o.HysteresisDB, "options.hysteresisDb", "a finite number >= 0")
	if g := o.Resolve().Grouping; o.HysteresisDB > 0 && finite(o.HysteresisDB) && g != GroupingLeastPower {
		v.add("options.hysteresisDb", number(o.HysteresisDB), "absent with a grouping other than "+GroupingLeastPower)
	}
	v.number(o.BacklogSlots >= 0 && o.BacklogSlots <= MaxBacklogSlots, o.BacklogSlots, "options.backlogSlots", "from 0 to 1000000")
	v.number(o.SINRGapDB >= 0 && o.SINRGapDB <= 100, o.SINRGapDB, "options.sinrGapDb", "from 0 to 100")
	o.checkCodebook(v)
	step := o.ShareStep
	v.number(step == 0 || step >= MinShareStep && step <= 1, step, "options.shareStep", "0, or from 0.0001 to 1")
	o.Consumption.check(v)
}

// checkName checks the name of a strategy; empty stands for the default.
func checkName(v *violations, path, name string, known []Info) {
	names := make([]string, 0, 8)
	for i := range known {
		if name == "" || name == known[i].Name {
			return
		}
		names = append(names, known[i].Name)
	}
	v.add(path, text(name), strings.Join(names, ", "))
}

// checkPower keeps joint power with optimal beams and the others apart from
// them.
func (o *Options) checkPower(v *violations) {
	if o.Power == "" {
		return
	}
	optimal := o.Beams == "" || o.Beams == BeamsOptimal
	switch {
	case optimal && (o.Power == PowerLP || o.Power == PowerIterative):
		v.add("options.power", text(o.Power), PowerJoint+" with optimal beams")
	case !optimal && o.Power == PowerJoint:
		v.add("options.power", text(o.Power),
			PowerLP+" or "+PowerIterative+" with other beams than optimal")
	}
}
