package lp

import (
	"context"
	"encoding/binary"
	"math"
	"testing"
	"time"
)

// reader makes numbers of any kind from bytes, and zeros when they are used up.
type reader struct{ b []byte }

func (r *reader) byte() byte {
	if len(r.b) == 0 {
		return 0
	}
	v := r.b[0]
	r.b = r.b[1:]
	return v
}

func (r *reader) number() float64 {
	switch k := r.byte(); {
	case k < 160:
		return float64(int8(r.byte()) % 8)
	case k < 200:
		return float64(int8(r.byte())) * math.Pow(10, float64(int8(r.byte())/4))
	case k < 220:
		return math.Inf(int(int8(r.byte())) | 1)
	default:
		var bits [8]byte
		for i := range bits {
			bits[i] = r.byte()
		}
		return math.Float64frombits(binary.LittleEndian.Uint64(bits[:]))
	}
}

// bounds returns two numbers, in order if both are numbers.
func (r *reader) bounds() (lower, upper float64) {
	lower, upper = r.number(), r.number()
	if lower > upper {
		lower, upper = upper, lower
	}
	return lower, upper
}

func (r *reader) problem() *Problem {
	n, m, integers := int(r.byte()%6), int(r.byte()%6), r.byte()%3 == 0
	p := &Problem{}
	for range n {
		p.Cost = append(p.Cost, r.number())
		l, u := r.bounds()
		p.Lower, p.Upper = append(p.Lower, l), append(p.Upper, u)
		if integers {
			p.Integer = append(p.Integer, r.byte()%2 == 0)
		}
	}
	for range m {
		var row Row
		row.Lower, row.Upper = r.bounds()
		for j := range n {
			if v := r.number(); v != 0 {
				row.Index, row.Value = append(row.Index, j), append(row.Value, v)
			}
		}
		p.Rows = append(p.Rows, row)
	}
	return p
}

// FuzzSolve solves what the bytes say and checks every solution: no panic, no
// hang, and nothing wrong under the status Optimal.
func FuzzSolve(f *testing.F) {
	f.Add([]byte{2, 3, 1, 0, 253, 0, 0, 210, 1, 0, 251, 0, 0, 210, 1})
	f.Add([]byte("\x04\x04\x00a lot of small numbers and some others \xc8\xe0\xf0\xff\xb0\x7f\x10\xd8\x01\xd8\xff"))
	f.Add([]byte("\x05\x05\x01\xdd\x00\x00\x00\x00\x00\x00\xf0\x7f\xa5\x7f\x7f\xa5\x80\x80\xa5\x7f\x80\xa5\x01\x60\xa5\x01\x90"))
	set := Defaults()
	set.IterationLimit, set.NodeLimit, set.TimeLimit = 5000, 200, time.Minute
	f.Fuzz(func(t *testing.T, data []byte) {
		p := (&reader{data}).problem()
		for _, b := range backends {
			s, err := b.new(p, &set)
			if err != nil {
				return // bad data
			}
			for range 2 { // cold, then from the basis
				var sol Solution
				if err := s.Solve(context.Background(), &sol); err != nil {
					t.Fatal(err)
				}
				if sol.Status == TimeLimit || sol.Status == NotRun {
					t.Fatalf("%s: status %v", b.name, sol.Status)
				}
				verify(t, p, &sol, 1e-8)
			}
			s.Close()
		}
	})
}
