package scheduler

import (
	"math"

	"leastwatt/optim"
)

// maxNats is the largest rate in nats per use worth solving for: its SINR is
// still a float64.
const maxNats = 600

// groupSolver finds the power of a group at a share of the slot, with the beams
// and powers that the options name. It keeps the penalty of every user, its
// uplink power over the interference-free one, to start from.
type groupSolver struct {
	view    *View
	optimal optim.Optimal
	ws      optim.Workspace
	gram    optim.Gram
	result  optim.Result
	fixed   optim.PowerResult
	unit    optim.Beams // fixed beams of unit power
	start   []float64   // [user] last uplink power over the interference-free one
	sinr    []float64
	errVar  []float64
	from    []float64
	gains   []float64
	solves  int64
}

func (s *groupSolver) init(v *View) {
	s.view = v
	s.start = make([]float64, len(v.slot.Users))
}

// gap returns the SINR gap to capacity, linear.
func (v *View) gap() float64 { return math.Pow(10, v.options.SINRGapDB/10) }

// power returns the power of the group in W while on the air and the slope of
// share * power over the share, both +Inf and 0 when the targets cannot be met.
//
// With r_k the rate in nats per use while on the air, the slope is
// P - sum_k dP/dr_k r_k.
func (s *groupSolver) power(users []int, share float64) (powerW, shareSlopeW float64) {
	if len(users) == 0 {
		return 0, 0
	}
	if !s.targets(users, share) {
		return math.Inf(1), 0
	}
	powerW, slopes, status := s.solve(users)
	if status != optim.Solved {
		return math.Inf(1), 0
	}
	gap := s.view.gap()
	shareSlopeW = powerW
	for i, k := range users {
		shareSlopeW -= slopes[i] * (gap + s.sinr[i]) * s.view.rate[k] / share
	}
	return powerW, shareSlopeW
}

// targets sets the SINR targets of the group. It reports false when one is out
// of the range of float64.
func (s *groupSolver) targets(users []int, share float64) bool {
	s.sinr = s.sinr[:0]
	s.errVar = s.errVar[:0]
	gap := s.view.gap()
	for _, k := range users {
		r := s.view.rate[k] / share
		if !(r <= maxNats) {
			return false
		}
		s.sinr = append(s.sinr, gap*math.Expm1(r))
		if s.view.errVar != nil {
			s.errVar = append(s.errVar, s.view.errVar[0][k])
		}
	}
	return true
}

// errorVariance returns the errors set by targets, nil when there are none.
func (s *groupSolver) errorVariance() []float64 {
	if len(s.errVar) == 0 {
		return nil
	}
	return s.errVar
}

// solve finds the power for the SINR targets set, and its slopes over them.
func (s *groupSolver) solve(users []int) (powerW float64, slopes []float64, status optim.Status) {
	s.solves++
	s.gram.Subset(&s.view.gram[0], users)
	if s.view.options.Beams == BeamsOptimal {
		status = s.solveOptimal(users)
		return s.result.PowerW, s.result.SlopeSINR, status
	}
	if status = s.fixBeams(); status != optim.Solved {
		return 0, nil, status
	}
	p := s.fixedProblem()
	status = optim.Direct{}.Solve(&p, &s.fixed)
	return s.fixed.PowerW, s.fixed.SlopeSINR, status
}

func (s *groupSolver) solveOptimal(users []int) optim.Status {
	s.from = s.from[:0]
	for i, k := range users {
		s.from = append(s.from, s.start[k]*s.sinr[i]/s.gram.Norm2(i))
	}
	p := optim.Problem{Gram: &s.gram, SINR: s.sinr, ErrorVariance: s.errorVariance(), Start: s.from}
	status := s.optimal.Solve(&p, &s.ws, &s.result)
	if status == optim.Solved {
		for i, k := range users {
			s.start[k] = s.result.Lambda[i] * s.gram.Norm2(i) / s.sinr[i]
		}
	}
	return status
}

// fixBeams forms the unit-power beams that the options name, and their gains.
func (s *groupSolver) fixBeams() (status optim.Status) {
	switch s.view.options.Beams {
	case BeamsMatched:
		status = s.unit.Matched(&s.gram)
	case BeamsZeroForcing:
		status = s.unit.ZeroForcing(&s.gram)
	case BeamsRegularized:
		_, status = s.unit.BestRegularized(&s.gram, s.sinr, s.errorVariance())
	default:
		return optim.BadInput
	}
	if status == optim.Solved {
		n := s.gram.Users
		s.gains = append(s.gains[:0], make([]float64, n*n)...)
		s.unit.Gains(s.gains, &s.gram)
	}
	return status
}

func (s *groupSolver) fixedProblem() optim.FixedProblem {
	return optim.FixedProblem{Users: s.gram.Users, Gain: s.gains, SINR: s.sinr, ErrorVariance: s.errorVariance()}
}

// weights returns the beam weights of the group, [user][subband][antenna],
// powers found the way the options name. It returns nil when the targets cannot
// be met.
func (s *groupSolver) weights(users []int, share float64) []complex128 {
	if power, _ := s.power(users, share); math.IsInf(power, 1) {
		return nil
	}
	beams := &s.result.Beams
	if s.view.options.Beams != BeamsOptimal {
		p := s.fixedProblem()
		if s.powerControl().Solve(&p, &s.fixed) != optim.Solved {
			return nil
		}
		beams = &s.unit
		beams.SetPowers(s.fixed.UserW)
	} else if s.view.options.Power != PowerJoint {
		beams = s.repower()
		if beams == nil {
			return nil
		}
	}
	h := s.channelOf(users)
	w := make([]complex128, len(users)*h.Antennas)
	beams.Weights(w, h)
	return w
}

// repower finds the powers of the optimal beams anew with the power control
// that the options name.
func (s *groupSolver) repower() *optim.Beams {
	b := &s.result.Beams
	n := b.Users
	for j, p := range s.result.UserW {
		b.ScaleBeam(j, 1/math.Sqrt(p))
	}
	s.gains = append(s.gains[:0], make([]float64, n*n)...)
	b.Gains(s.gains, &s.gram)
	p := s.fixedProblem()
	if s.powerControl().Solve(&p, &s.fixed) != optim.Solved {
		return nil
	}
	b.SetPowers(s.fixed.UserW)
	return b
}

func (s *groupSolver) powerControl() optim.PowerControl {
	if s.view.options.Power == PowerIterative {
		return optim.Iterative{}
	}
	return optim.LinearProgram{}
}

// channelOf returns the noise-normalised channel of some users.
func (s *groupSolver) channelOf(users []int) optim.Channel {
	all := &s.view.channel[0]
	h := optim.NewChannel(len(users), all.Antennas)
	for i, k := range users {
		copy(h.User(i), all.User(k))
	}
	return h
}
