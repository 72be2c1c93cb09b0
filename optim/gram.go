package optim

import (
	"math"

	blas "gonum.org/v1/gonum/blas/gonum"
)

// kernels are gonum's vector kernels, for what kernel.go does not do.
var kernels blas.Implementation

// Channel is the noise-normalised channel of K users on one subband, K x M: row k
// is h_k / sqrt(noise_k), in 1/sqrt(W), so that every receiver has unit noise and
// powers come out in W.
type Channel struct {
	Users    int          // K
	Antennas int          // M
	Data     []complex128 // K M entries, [user][antenna]
}

// NewChannel returns an all-zero channel of K users and M antennas, both >= 0.
func NewChannel(users, antennas int) Channel {
	return Channel{users, antennas, make([]complex128, users*antennas)}
}

// User returns the M entries of user k, which alias c.Data. O(1).
func (c Channel) User(k int) []complex128 {
	return c.Data[k*c.Antennas : (k+1)*c.Antennas : (k+1)*c.Antennas]
}

// Gram is G = H^H H of a channel, K x K, in 1/W: G_kj = h_k^H h_j. It is Hermitian
// and positive semi-definite, with both triangles stored and a real diagonal, which
// Compute and Subset see to; solvers take that for granted. After it nothing depends
// on the number of antennas until weights are formed.
type Gram struct {
	Users int          // K
	Data  []complex128 // K K entries, [k][j]
}

// At returns h_k^H h_j. O(1).
func (g *Gram) At(k, j int) complex128 { return g.Data[k*g.Users+j] }

// Norm2 returns ||h_k||^2, in 1/W: the SINR of user k per watt of its matched beam,
// alone on the air. O(1).
func (g *Gram) Norm2(k int) float64 { return real(g.Data[k*g.Users+k]) }

// Correlation returns |h_k^H h_j| / (||h_k|| ||h_j||), from 0 to 1 up to rounding,
// and 0 for a zero channel. O(1).
func (g *Gram) Correlation(k, j int) float64 {
	n := math.Sqrt(g.Norm2(k)) * math.Sqrt(g.Norm2(j))
	if n == 0 {
		return 0
	}
	z := g.At(k, j)
	return math.Hypot(real(z), imag(z)) / n
}

// Compute fills g with the Gram matrix of h, reusing its storage. It panics when
// h.Data is too short. O(K^2 M / 2).
func (g *Gram) Compute(h Channel) { g.ComputePolled(h, nil) }

// ComputePolled is Compute with a function that is called before every row, nil for
// none. It may panic: g is then not to be used.
func (g *Gram) ComputePolled(h Channel, poll func()) {
	g.resize(h.Users)
	n := h.Users
	var sums [4]complex128
	for k := range n {
		if poll != nil {
			poll()
		}
		for j := 0; j <= k; {
			first, count := dots(&sums, h.User(k), h.Data, 0, h.Antennas, n, j)
			for ; j <= min(k, first+count-1); j++ {
				z := sums[j-first] // h_k^H h_j
				g.Data[k*n+j] = z
				g.Data[j*n+k] = conj(z)
			}
		}
		g.Data[k*n+k] = complex(real(g.Data[k*n+k]), 0)
	}
}

// Subset fills g with the rows and columns users of a larger Gram matrix, in that
// order, reusing its storage, which of must not share. It panics for users that of
// does not have. O(len(users)^2).
func (g *Gram) Subset(of *Gram, users []int) {
	g.resize(len(users))
	n := len(users)
	for a, k := range users {
		row := of.Data[k*of.Users : (k+1)*of.Users]
		out := g.Data[a*n : (a+1)*n]
		for b, j := range users {
			out[b] = row[j]
		}
	}
}

// valid reports whether the lengths agree.
func (g *Gram) valid() bool { return g.Users >= 0 && len(g.Data) == g.Users*g.Users }

func (g *Gram) resize(users int) {
	g.Users = users
	g.Data = grow(g.Data, users*users)
}

// grow returns a slice of length n, reusing the storage of s where it is large
// enough. Its contents are undefined.
func grow[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}

// Received returns h^H w = sum_m conj(h_m) w_m, what a user of channel h receives
// of the weights w: its absolute square is a power over noise. w has at least the
// length of h. O(M).
func Received(h, w []complex128) complex128 {
	return dot(h, w[:len(h)])
}
