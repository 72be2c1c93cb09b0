package lp

import "fmt"

// empty reports whether b names no vertex.
func (b *Basis) empty() bool { return len(b.Variable)+len(b.Row) == 0 }

// copyFrom sets b to a copy of c.
func (b *Basis) copyFrom(c *Basis) {
	b.Variable = append(b.Variable[:0], c.Variable...)
	b.Row = append(b.Row[:0], c.Row...)
}

// size gives b room for n variables and m rows.
func (b *Basis) size(n, m int) {
	b.Variable, b.Row = resize(b.Variable, n), resize(b.Row, m)
}

// check returns an error unless b is a basis of n variables and m rows.
func (b *Basis) check(n, m int) error {
	if len(b.Variable) != n || len(b.Row) != m {
		return fmt.Errorf("lp: basis of %d variables and %d rows, must be %d and %d",
			len(b.Variable), len(b.Row), n, m)
	}
	basic := 0
	for _, part := range [2][]BasisStatus{b.Variable, b.Row} {
		for k, st := range part {
			if st < AtLower || st > AtZero {
				return fmt.Errorf("lp: basis: entry %d is %d, must be in [%d, %d]", k, st, AtLower, AtZero)
			}
			if st == Basic {
				basic++
			}
		}
	}
	if basic != m {
		return fmt.Errorf("lp: basis has %d Basic entries, must be %d, the number of rows", basic, m)
	}
	return nil
}

// restrict returns the basis without the variables from n on, each of which has
// one entry: where one of them is basic, its row is in its stead.
func (b *Basis) restrict(n int, cols []column) *Basis {
	c := &Basis{
		Variable: append([]BasisStatus(nil), b.Variable[:n]...),
		Row:      append([]BasisStatus(nil), b.Row...),
	}
	for j := n; j < len(b.Variable); j++ {
		if b.Variable[j] == Basic {
			c.Row[cols[j].index[0]] = Basic
		}
	}
	return c
}
