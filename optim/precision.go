package optim

// What float64 carries. Beyond it a group is told apart from one that costs power:
// Optimal and Limited end with IllConditioned, and whoever plans takes its users
// for ones that no power serves.
//
// A beam that costs P where it would take LB without interference is the small
// rest of a channel after projection: digits are lost in proportion to P/LB. Of
// 50,000 random groups of two to six users at one place, up to 10^-5 apart, gains
// 40 dB apart, SINRs were off by 1.5e-7 at most where P/LB was below 60 dB, by
// 7e-7 below 70 dB, 1e-5 below 80 dB and 6e-4 below 100 dB. Rates are to hold to
// 1e-6.
const (
	// LargestPenaltyDB is the largest power of a group over its interference-free
	// power, sum g_k/||h_k||^2 over users and subbands, that is solved for.
	LargestPenaltyDB = 60

	// LargestRateNats is the largest rate in nats per use that is solved for, that
	// of an SINR of 2^53: 1/(1+SINR), which the optimality condition sets B_kk to,
	// is then a rounding of 1.
	LargestRateNats = 36.7368
)
