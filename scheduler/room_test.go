package scheduler

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// drawRoom draws a room of groups on subbands, of several bounds or of one.
func drawRoom(t *rapid.T) (*partition, room) {
	subbands := rapid.IntRange(1, 4).Draw(t, "subbands")
	p := &partition{}
	left := 3 // groups of fixed shares
	for range rapid.IntRange(1, 5).Draw(t, "groups") {
		g := onAir{users: []int{0}}
		for f := range subbands {
			if rapid.Bool().Draw(t, "on") {
				g.bands = append(g.bands, f)
			}
		}
		if g.bands == nil {
			g.bands = []int{0}
		}
		if g.fixed = left > 0 && rapid.IntRange(0, 2).Draw(t, "fixed") == 0; g.fixed {
			g.share = 0.3
			left--
		}
		p.groups = append(p.groups, g)
	}
	p.groups = append(p.groups, onAir{users: []int{0}, bands: []int{0}})
	rooms := p.rooms(subbands)
	groups := 0
	for _, r := range rooms {
		groups += len(r.groups)
	}
	for i := range p.groups {
		if p.groups[i].fixed {
			groups++
		}
	}
	if groups != len(p.groups) {
		t.Fatalf("%d groups of %d", groups, len(p.groups))
	}
	return p, rooms[rapid.IntRange(0, len(rooms)-1).Draw(t, "room")]
}

// subbandLoad returns the largest sum of shares on a subband over what is left
// there: what load is to be, whatever bounds imply others.
func subbandLoad(p *partition, r *room, shares []float64) float64 {
	most := 0.0
	for f, left := range r.left {
		sum := 0.0
		for n, i := range r.groups {
			if slices.Contains(p.groups[i].bands, f) {
				sum += shares[n]
			}
		}
		most = math.Max(most, sum/left)
	}
	return most
}

// The bounds kept are those of the subbands, and shares of the model keep them and
// are least: no shift that keeps to the bounds costs less.
func TestRoomModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, r := drawRoom(t)
		n := len(r.groups)
		number := func(lo, hi float64) float64 { return math.Pow(10, rapid.Float64Range(lo, hi).Draw(t, "number")) }
		s, c, a, timeW := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		for g := range n {
			s[g], c[g], a[g] = number(-2, 0), number(-3, 3), number(-1, 0.5)
			if rapid.Bool().Draw(t, "time costs") {
				timeW[g] = number(-3, 3)
			}
		}
		if got, want := r.load(s), subbandLoad(p, &r, s); math.Abs(got-want) > 1e-12*want {
			t.Fatalf("load %g, by subbands %g", got, want)
		}
		r.model(s, c, a, timeW)
		if load := subbandLoad(p, &r, s); load > 1+1e-12 {
			t.Fatalf("load %g", load)
		}
		total := func(s []float64) float64 {
			sum := 0.0
			for g := range s {
				sum += modelCost(c[g], a[g], s[g]) + timeW[g]*s[g]
			}
			return sum
		}
		least := total(s)
		for range 20 {
			other := slices.Clone(s)
			for g := range other {
				other[g] *= math.Exp(rapid.Float64Range(-0.2, 0.2).Draw(t, "shift"))
			}
			r.fit(other)
			if got := total(other); got < least*(1-1e-6) && slices.Min(s) > 2*minShare {
				t.Fatalf("%g at %v, %g at %v", least, s, got, other)
			}
		}
	})
}

// chooseWithin against every choice.
func TestChooseWithin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		_, r := drawRoom(t)
		if r.rows == nil {
			return
		}
		options := make([][]shareOption, len(r.groups))
		for g := range options {
			for range rapid.IntRange(1, 4).Draw(t, "options") {
				options[g] = append(options[g], shareOption{share: rapid.Float64Range(0.01, 1).Draw(t, "share"), phi: rapid.Float64Range(1, 100).Draw(t, "phi")})
			}
		}
		want := math.Inf(1)
		shares := make([]float64, len(options))
		var try func(g int, total float64)
		try = func(g int, total float64) {
			if g == len(options) {
				if r.load(shares) <= 1 {
					want = math.Min(want, total)
				}
				return
			}
			for _, o := range options[g] {
				shares[g] = o.share
				try(g+1, total+o.phi)
			}
		}
		try(0, 0)
		got, total := r.chooseWithin(options)
		if math.IsInf(want, 1) && math.IsInf(total, 1) {
			return
		}
		if !(math.Abs(total-want) <= 1e-8*want) || r.load(got) > 1+1e-9 {
			t.Fatalf("%g with a load of %g, by enumeration %g", total, r.load(got), want)
		}
	})
}

// Whole steps fit, and none that would fit is left over.
func TestWholeSteps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, r := drawRoom(t)
		step := rapid.SampledFrom([]float64{0.5, 0.1, 1.0 / 14, 0.01}).Draw(t, "step")
		var groups []*onAir
		shares := make([]float64, len(r.groups))
		for n, i := range r.groups {
			shares[n] = rapid.Float64Range(0.01, 1).Draw(t, "share")
			p.groups[i].share = shares[n]
			groups = append(groups, &p.groups[i])
		}
		r.fit(shares)
		wholeSteps(groups, step, r.left)
		for n, g := range groups {
			if shares[n] = g.share; math.Abs(g.share/step-math.Round(g.share/step)) > 1e-9 {
				t.Fatalf("a share of %g in steps of %g", g.share, step)
			}
		}
		if load := subbandLoad(p, &r, shares); load > 1+1e-9 {
			t.Fatalf("load %g", load)
		}
		for n := range shares {
			more := slices.Clone(shares)
			more[n] += step
			if subbandLoad(p, &r, more) <= 1-1e-9 {
				t.Fatalf("shares %v leave room for a step of %g more at %d", shares, step, n)
			}
		}
	})
}
