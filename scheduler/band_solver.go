package scheduler

import (
	"math"

	"leastwatt/optim"
)

// largestPenalty is the largest power of a group over its interference-free power.
var largestPenalty = math.Pow(10, optim.LargestPenaltyDB/10)

// bandSolver finds beams and powers of one group on one subband.
type bandSolver struct {
	view    *View
	band    int
	users   []int // those with a rate here
	places  []int // their places in the group
	sinr    []float64
	errVar  []float64
	gram    optim.Gram
	optimal optim.Optimal
	ws      optim.Workspace
	result  optim.Result
	fixed   optim.PowerResult
	unit    optim.Beams // fixed beams of unit power
	gains   []float64
	start   []float64

	poll func() // see clock; nil: none
}

// set makes ready the users of positive rate, in nats per use of subband f.
func (b *bandSolver) set(v *View, group []int, f int, rate []float64) {
	b.view, b.band = v, f
	b.users, b.places = b.users[:0], b.places[:0]
	b.sinr, b.errVar = b.sinr[:0], b.errVar[:0]
	gap := v.gap
	for i, k := range group {
		if !(rate[i] > 0) {
			continue
		}
		b.users = append(b.users, k)
		b.places = append(b.places, i)
		b.sinr = append(b.sinr, gap*math.Expm1(rate[i]))
		if v.errVar != nil {
			b.errVar = append(b.errVar, v.errVar[f][k])
		}
	}
	b.gram.Subset(&v.gram[f], b.users)
}

// errorVariance returns the errors of the users set, nil when there are none.
func (b *bandSolver) errorVariance() []float64 {
	if b.view.errVar == nil {
		return nil
	}
	return b.errVar
}

// solve finds the least power for the targets set, and its slopes over them.
// penalty holds, by user, where to start, and takes what was found.
func (b *bandSolver) solve(penalty []float64) (powerW float64, slopes []float64, status optim.Status) {
	if b.view.options.Beams == BeamsOptimal {
		status = b.solveOptimal(penalty)
		return b.result.PowerW, b.result.SlopeSINR, status
	}
	if status = b.fixBeams(); status != optim.Solved {
		return 0, nil, status
	}
	p := b.fixedProblem()
	status = optim.Direct{}.Solve(&p, &b.fixed)
	if status == optim.Solved && b.fixed.PowerW > b.freeW()*largestPenalty {
		status = optim.IllConditioned
	}
	return b.fixed.PowerW, b.fixed.SlopeSINR, status
}

// freeW returns the power that the users set would take without interference.
func (b *bandSolver) freeW() float64 {
	sum := 0.0
	for i, g := range b.sinr {
		sum += g / b.view.ownGain(b.users[i], b.band)
	}
	return sum
}

func (b *bandSolver) solveOptimal(penalty []float64) optim.Status {
	b.start = b.start[:0]
	for i, k := range b.users {
		b.start = append(b.start, penalty[k]*b.sinr[i]/b.gram.Norm2(i))
	}
	p := optim.Problem{Gram: &b.gram, SINR: b.sinr, ErrorVariance: b.errorVariance(), Start: b.start}
	b.optimal.Poll = b.poll
	status := b.optimal.Solve(&p, &b.ws, &b.result)
	if status == optim.Solved {
		for i, k := range b.users {
			penalty[k] = b.result.Lambda[i] * b.gram.Norm2(i) / b.sinr[i]
		}
	}
	return status
}

// fixBeams forms the unit-power beams that the options name, and their gains.
func (b *bandSolver) fixBeams() (status optim.Status) {
	switch b.view.options.Beams {
	case BeamsMatched:
		status = b.unit.Matched(&b.gram)
	case BeamsZeroForcing:
		status = b.unit.ZeroForcing(&b.gram)
	case BeamsRegularized:
		b.unit.Poll = b.poll
		_, status = b.unit.BestRegularized(&b.gram, b.sinr, b.errorVariance())
	case BeamsCodebook:
		return b.bookGains()
	default:
		return optim.BadInput
	}
	if status == optim.Solved {
		n := b.gram.Users
		b.gains = append(b.gains[:0], make([]float64, n*n)...)
		b.unit.Gains(b.gains, &b.gram)
	}
	return status
}

func (b *bandSolver) fixedProblem() optim.FixedProblem {
	return optim.FixedProblem{Users: b.gram.Users, Gain: b.gains, SINR: b.sinr, ErrorVariance: b.errorVariance()}
}

// solved returns the weights of the last solve, [user][antenna].
func (b *bandSolver) solved() []complex128 {
	if b.view.options.Beams == BeamsOptimal {
		return b.form(&b.result.Beams)
	}
	if b.view.book != nil {
		return b.bookWeights()
	}
	b.unit.SetPowers(b.fixed.UserW)
	return b.form(&b.unit)
}

// weights returns the weights of the last solve, [user][antenna], with powers
// found the way the options name; nil when that failed.
func (b *bandSolver) weights() []complex128 {
	if b.view.options.Beams != BeamsOptimal {
		p := b.fixedProblem()
		if b.powerControl().Solve(&p, &b.fixed) != optim.Solved {
			return nil
		}
	}
	return b.solved()
}

func (b *bandSolver) powerControl() optim.PowerControl {
	if b.view.options.Power == PowerIterative {
		return optim.Iterative{Poll: b.poll}
	}
	return optim.LinearProgram{Context: b.view.clock.context()}
}

func (b *bandSolver) form(beams *optim.Beams) []complex128 {
	h := b.view.channelOf(b.users, b.band)
	w := make([]complex128, h.Users*h.Antennas)
	beams.Weights(w, h)
	return w
}

// channelOf returns the noise-normalised channel of some users on subband f.
func (v *View) channelOf(users []int, f int) optim.Channel {
	all := &v.channel[f]
	h := optim.NewChannel(len(users), all.Antennas)
	for i, k := range users {
		copy(h.User(i), all.User(k))
	}
	return h
}
