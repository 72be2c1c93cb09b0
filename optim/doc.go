// Package optim finds the least power with which an antenna array serves a
// group of users at given rates: optimal beams and their powers, alone or under
// limits; beams of fixed shape or from a codebook; rates over subbands; and a
// certified lower bound on the power of any scheme at all. It knows one group on
// the air, no slots and no users' names.
//
// # Model and units
//
// M antennas send to K users of one antenna each. User k receives
//
//	y_k = h_k^H x + n_k,   x = sum_j w_j s_j,   E|s_j|^2 = 1,
//
// where h_k^H w = sum_m conj(h_km) w_m. Channels come noise-normalised: h_k over
// the root of the noise power in W, so that every receiver has noise of one and
// powers come out in W, ||w_k||^2 for user k. Where F subbands share a band, the
// noise is that of the subband, 1/F of the band's where it is spread evenly.
//
//   - SINR targets g_k are linear, not in dB. Rates are in nats per use, r = log(1 +
//     g), means over the subbands unless said otherwise: R bit/s over B Hz on a share
//     s of the time are R ln 2/(B s). With a gap to capacity, linear, g is the gap
//     times e^r - 1.
//   - A target of 0 is legal and gets no power. So is K = 0, a problem of power 0.
//   - Error variances e_k are those of one entry of the channel over the noise power:
//     the beams are made for the channel given, and the error counts as noise of e_k
//     times the power radiated.
//   - Names that end in W are in W, in DB in dB. Matrices are slices of rows, their
//     order written [row][column]. Users, antennas, beams and subbands count from 0.
//
// # Reading order
//
// [Channel] holds the h_k, [Gram] their inner products: after it nothing depends on
// M until weights are formed. [Problem], [Optimal], [Workspace] and [Result] show
// the shape that every solver has: a problem that a solve does not change,
// settings whose zero value is ready, scratch that is reused, and a result that
// says how it ended. [Beams] turn into weights. Then, as needed, [Limits] and
// [LimitedProblem] for [Limited]; [FixedProblem] for a [PowerControl];
// [CodebookProblem] for [CodebookSearch]; [SplitProblem] for [RateSplit];
// [FloorProblem] for [Floor].
//
// # Which solver
//
//	least power of one group, optimal beams          Optimal
//	the same under caps on total, antennas, EIRP,
//	  directions, on several subbands                Limited, with Limits
//	beams of a known shape                           Beams: Matched, ZeroForcing,
//	                                                   Regularized, BestRegularized
//	their powers, caps included                      Direct, or Iterative or
//	                                                   LinearProgram as its checks
//	which beams of a codebook                        DFTCodebook or NewCodebook, then
//	                                                   CodebookSearch; ExactCodebook
//	                                                   as its check on small groups
//	how a rate is split over subbands                RateSplit
//	what no scheme can go below                      Floor; VerifyFloor as its check
//	the steps of modulation and coding               RateTable
//
// # Cost
//
// Let n be the users of positive target. Gram.Compute takes K^2 M/2 complex
// multiply-adds; Optimal n^3 a step, 4 to 12 steps; Limited a few solves of Optimal
// and one look at all rows for each round of prices; Direct K^3/3; CodebookSearch
// K^3 + K L a power solve of L beams; Floor F K^3 for each step and each set of users
// found violated. Exact numbers stand with each type. Optimal, Limited and Floor
// allocate nothing once workspace and result have their size. Nothing here reads a
// clock but Floor, for the deadline of its context, and nothing draws random
// numbers: the same input gives the same bits.
//
// # Statuses
//
// Solve returns a [Status], which it leaves in the result too. It is the answer to
// what the problem is, not an error: [Unservable], [AbovePowerCap] and [AboveLimits]
// are proved, and the result holds the proof where the solver documents one (Violated,
// Duals, LowerBoundW). [IllConditioned], [StepLimit], [TimeLimit] and [Cancelled] say
// that the solver gave up: nothing is known but LowerBoundW, which holds whatever the
// status. [BadInput] is for lengths that disagree and numbers that are NaN, infinite
// or of the wrong sign; whatever comes in, no result holds NaN. Methods that return no
// status (At, User, Weights, Gains and their like) want slices of the lengths
// documented and panic on others, as indexing does. Use [Status.Err] where an error is
// wanted.
//
// # Digits
//
// Powers lose digits as the group comes to the limit of what can be served, with
// the square of the largest uplink SNR l_k ||h_k||^2: against closed forms they are off
// by up to 4e-13 below 10 dB, 4e-11 below 20 dB, 3e-9 below 30 dB and 1e-7 up to 50 dB.
// Optimal ends with [IllConditioned] when the power is 50 dB above the
// interference-free power sum g_k/||h_k||^2. Lower bounds have the rounding taken off.
// Where path gains spread over 150 dB and more, weights in float64 can no longer be null
// at the strongest users, whatever the solver.
//
// # Sources
//
// Papers are named where their result is used. They are cited from memory, without
// equation numbers; what a comment calls derived is proved there or in a few lines
// from what stands there. The tests hold the numbers to closed forms, to published
// examples and to optima of general solvers (testdata/reference, with the scripts
// that made them).
package optim
