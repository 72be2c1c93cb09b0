package optim

// Beams are K beams in the span of the group's channels: w_j = sum_i h_i C_ij.
// They need no antennas until weights are formed.
type Beams struct {
	Users        int
	Coefficients []complex128 // C, [i][j]: column j is beam j
}

// Weights fills dst, K x M in the order [user][antenna], with the beams'
// weights over the channel h they were made for. O(K^2 M).
func (b *Beams) Weights(dst []complex128, h Channel) {
	m := h.Antennas
	clear(dst[:b.Users*m])
	for j := range b.Users {
		out := dst[j*m : (j+1)*m]
		for i := range b.Users {
			if c := b.Coefficients[i*b.Users+j]; c != 0 {
				kernels.Zaxpy(m, c, h.User(i), 1, out, 1)
			}
		}
	}
}
