// Package eirp finds how strong the beams of an array are far away, and proves it.
//
// Beams w_b of antennas at x_m send, along the unit vector u,
//
//	EIRP(u) = g(u) sum_b |f_b(u)|^2,   f_b(u) = sum_m exp(+j 2 pi x_m.u/lambda) w_bm,
//
// with g the gain of one antenna (Balanis, Antenna Theory, pattern multiplication,
// from memory). A limit on EIRP holds for every direction of a region, the sphere or
// a cone, so that values on a grid prove nothing. Here the region is cut into cells.
// In a cell EIRP is bounded from above by its expansion about the centre and a bound
// on what the expansion leaves out (see bound), which falls with the third power of
// the cell's size; cells that the bound leaves in doubt are cut in two. The search
// ends with a proof, or says that its work ran out before.
package eirp
