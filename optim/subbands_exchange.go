package optim

import (
	"cmp"
	"math"
	"slices"
)

// exchanging is the search of Exchange: at is a split of a power.
type exchanging struct {
	*descent
	at    []float64 // [user][subband]; keep sets it
	power float64
	keep  func(power float64)
}

// trade moves what users have on one subband each to another: of one user, or
// of two that swap subbands.
type trade struct {
	moves []move
	costW float64 // by the models of waterFill, which leave out what the others gain
}

type move struct{ from, to int } // [user][subband]

const (
	exchangeGain  = 1e-6 // of the power, which an exchange must save
	exchangeTries = 24   // of those that cost least, one after the other, that save nothing
	mostExchanged = 256  // users times subbands: more have too many exchanges to list
)

// run makes exchanges, each followed by a descent, as long as there are any that
// save power.
func (e *exchanging) run() {
	for e.improve() {
	}
}

// improve makes the first exchange that saves power and reports whether there is
// one.
func (e *exchanging) improve() bool {
	for i, x := range e.list() {
		if i == exchangeTries || e.settings.stopped() {
			break
		}
		start := slices.Clone(e.at)
		for _, m := range x.moves {
			start[m.to] += start[m.from]
			start[m.from] = 0
		}
		if power := e.descent.run(start, e.power); power < e.power*(1-exchangeGain) {
			e.power = power
			e.keep(power)
			return true
		}
	}
	return false
}

// list returns the exchanges of the split at hand, those that cost least first.
func (e *exchanging) list() []trade {
	if len(e.at) > mostExchanged || math.IsInf(e.descent.power(e.at, e.slope), 1) {
		return nil
	}
	n := e.p.Subbands
	single := make(map[move]trade)
	var out []trade
	for u := range e.p.Users {
		for f := range n {
			for to := range n {
				m := move{u*n + f, u*n + to}
				r := e.at[m.from]
				if f == to || !(r > 2*leastRate*e.p.Rate[u]) || e.p.closed(m.to) {
					continue
				}
				costW := e.slope[m.to]*math.Expm1(r) + e.slope[m.from]*math.Expm1(-r)
				single[m] = trade{[]move{m}, costW}
				out = append(out, single[m])
			}
		}
	}
	for u := range e.p.Users {
		for w := range u {
			for f := range n {
				for to := range n {
					x, one := single[move{u*n + f, u*n + to}]
					y, other := single[move{w*n + to, w*n + f}]
					if one && other {
						out = append(out, trade{append(slices.Clone(x.moves), y.moves...), x.costW + y.costW})
					}
				}
			}
		}
	}
	slices.SortStableFunc(out, func(x, y trade) int { return cmp.Compare(x.costW, y.costW) })
	return out
}
