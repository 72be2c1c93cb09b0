"""The floor: least radiated power of any transmit scheme at all: floor.json.

By uplink-downlink duality (Vishwanath, Jindal, Goldsmith, IEEE Trans. IT 49(10),
2003; Weingarten, Steinberg, Shamai, IEEE Trans. IT 52(9), 2006) the broadcast
channel carries the rates R with a power P if and only if the uplink with powers
of sum P does, and the uplink's region is a polymatroid in closed form. So the
floor is

    min sum_kf p_kf   s.t.  for each of the 2^K - 1 sets S of users
        (1/F) sum_f log det(I + sum_{k in S} p_kf h_kf h_kf^H) >= sum_{k in S} R_k

with h_kf over the square root of the subband's noise, noise_k / F. SciPy's SLSQP
solves that program as it stands, all rows given, from four starts. Two numbers
are kept, and neither rests on SLSQP having done well:

power_w  of powers scaled up until every row holds (checked here): an upper bound;
bound_w  the Lagrangian's least value for the multipliers that fit best (non-negative
         least squares over the tight rows), linearised at those powers: a lower bound.

Newton's method on the tight rows brings both together. gap is power_w / bound_w
- 1; slsqp_difference the least power SLSQP itself ended with over power_w, less 1;
median_start_difference the median over its starts over that least, less 1. prices are the multipliers summed over the
sets that hold a user.

rate_nats are nats per use, means over the subbands. channel is a list over
subbands; noise_w is the noise over all of them.

    /usr/bin/python3 testdata/reference/floor.py
"""

import itertools

import numpy as np
from scipy.optimize import minimize, nnls

import common


def instances():
    rng = np.random.default_rng(20240611)
    one = np.ones

    def bands(make, count):
        return [make() for _ in range(count)]

    yield "one user, Rayleigh", bands(lambda: common.rayleigh(rng, 1, 4), 1), one(1), np.array([2.0])
    gains = np.array([4, 2, 1, 0.25])  # over the subband's noise
    yield "one user, gains 4, 2, 1, 0.25 over four subbands: water-filling of level 2", [np.array([[np.sqrt(g)]]) for g in gains], np.array([4.0]), np.array([6 * np.log(2) / 4])
    yield "two orthogonal users", [np.array([[1.0, 1], [1, -1]]) + 0j], np.array([1.0, 2]), np.array([1.0, 0.5])
    yield "two users, one direction, degraded", [np.array([[1.0 + 0j], [0.5]])], one(2), np.array([1.0, 1])
    yield "two users tied, correlation 0.9", [np.array([[1, 0], [0.9, np.sqrt(0.19)]]) + 0j], one(2), np.array([2.0, 2])
    yield "two users, Rayleigh, two subbands", bands(lambda: common.rayleigh(rng, 2, 2), 2), np.array([0.5, 1.5]), np.array([1.5, 0.8])
    yield "three equal users on one antenna", [np.ones((3, 1), complex)], one(3), np.array([0.5, 0.7, 0.9])
    yield "formula channel 3 users, 2 antennas", [common.formula_channel(3, 2)], one(3), np.array([1.0, 1, 1])
    yield "formula channel 4 users, 6 antennas", [common.formula_channel(4, 6)], one(4), np.log(1 + np.full(4, 3.0))
    yield "Rayleigh 4x4, unequal noise and rates", bands(lambda: common.rayleigh(rng, 4, 4), 1), np.array([0.5, 1, 2, 4]), np.array([0.3, 0.9, 1.8, 2.7])
    yield "Rayleigh 3x2, three subbands", bands(lambda: common.rayleigh(rng, 3, 2), 3), np.array([1, 0.3, 2.0]), np.array([1, 2, 0.5])
    yield "Rayleigh 8x5", bands(lambda: common.rayleigh(rng, 5, 8), 1), one(5), np.full(5, 2.0)
    yield "Rayleigh 4x6, more users than antennas", bands(lambda: common.rayleigh(rng, 6, 4), 1), np.array([1, 2, 1, 0.5, 1, 1.0]), np.full(6, 1.2)
    yield "Rayleigh 8x7", bands(lambda: common.rayleigh(rng, 7, 8), 1), one(7), rng.uniform(0.5, 2.5, 7)
    yield "Rayleigh 3x4, two subbands", bands(lambda: common.rayleigh(rng, 4, 3), 2), rng.uniform(0.5, 2, 4), rng.uniform(0.5, 2, 4)
    loss = np.sqrt(common.from_db(-rng.uniform(80, 120, 5)))[:, None]
    yield "Rayleigh 8x5, path gains -80 to -120 dB, noise in W", bands(lambda: loss * common.rayleigh(rng, 5, 8), 1), common.from_db(np.full(5, -126.0)) * rng.uniform(1, 2, 5), np.array([1.0, 1.5, 2, 0.7, 1.2])
    yield "line of sight 8x4, two users 2 degrees apart", [common.ula([-31, 4, 6, 22], 8)], one(4), np.full(4, 2.0)
    yield "line of sight 8x6, three pairs", [common.ula([-40, -36, 0, 3, 25, 29], 8)], one(6), np.full(6, 2.0)
    yield "line of sight 8x7, random angles", [common.ula(rng.uniform(-60, 60, 7), 8)], rng.uniform(0.5, 2, 7), rng.uniform(0.5, 2.5, 7)
    yield "line of sight 6x6, within 20 degrees", [common.ula(rng.uniform(-10, 10, 6), 6)], one(6), np.full(6, 1.5)
    yield "clustered 8x6, 2 clusters of +-3 degrees", [common.clustered(rng, 6, 8, [-20, 35], 3)], one(6), np.full(6, 1.5)
    yield "clustered 16x7, 2 clusters of +-4 degrees", [common.clustered(rng, 7, 16, [-30, 20], 4)], rng.uniform(0.5, 2, 7), rng.uniform(0.5, 2.5, 7)
    yield "clustered 4x4, 1 cluster of +-5 degrees, three subbands", bands(lambda: common.clustered(rng, 4, 4, [10], 5), 3), one(4), np.array([1.0, 1.2, 0.8, 2])
    yield "clustered 8x5, 2 clusters of +-5 degrees, two subbands", bands(lambda: common.clustered(rng, 5, 8, [-15, 30], 5), 2), rng.uniform(0.5, 2, 5), rng.uniform(0.5, 2, 5)
    yield "equicorrelated 5 users, all tied", [np.sqrt(0.5) * np.eye(5) + (np.sqrt(3) - np.sqrt(0.5)) / 5 + 0j], one(5), np.full(5, 1.5)
    yield "seven users of one formula on three antennas, three subbands", [np.roll(common.formula_channel(7, 9), -3 * f, axis=1)[:, :3] for f in range(3)], one(7), np.full(7, 0.7)


class Region:
    """The rows of one instance, scaled so that the solver sees powers near 1."""

    def __init__(self, channel, noise, rate):
        self.users, self.bands = len(rate), len(channel)
        self.normal = [H / np.sqrt(noise / self.bands)[:, None] for H in channel]
        self.sets = [
            list(s)
            for size in range(1, self.users + 1)
            for s in itertools.combinations(range(self.users), size)
        ]
        self.need = np.array([rate[s].sum() for s in self.sets])
        norms = np.array([np.sum(np.abs(H) ** 2, axis=1) for H in self.normal])
        # The interference-free power of each user, spread over the subbands.
        self.unit = ((np.exp(rate) - 1) / norms.mean(axis=0) / self.bands)[:, None] * np.ones(self.bands)
        self.total = self.unit.sum()

    def quadratic(self, members, f, p):
        """log det and h_j^H A^-1 h_i over the members."""
        H = self.normal[f][members]
        A = np.eye(H.shape[1]) + (H.T * p[members, f]) @ H.conj()
        return np.linalg.slogdet(A)[1], H.conj() @ np.linalg.solve(A, H.T)

    def rows(self, p):
        value = np.zeros(len(self.sets))
        slope = np.zeros((len(self.sets), self.users, self.bands))
        for i, members in enumerate(self.sets):
            for f in range(self.bands):
                v, Q = self.quadratic(members, f, p)
                value[i] += v / self.bands
                slope[i, members, f] = np.real(np.diag(Q)) / self.bands
        return value, slope

    def curvature(self, weight, p):
        """-sum_S weight_S Hessian of row S over (user, subband)."""
        out = np.zeros((p.size, p.size))
        for w, members in zip(weight, self.sets):
            for f in range(self.bands if w > 0 else 0):
                at = np.array(members) * self.bands + f
                out[np.ix_(at, at)] += w * np.abs(self.quadratic(members, f, p)[1]) ** 2 / self.bands
        return out

    def slsqp(self, start):
        """Powers from one start, in watts."""

        def power(x):
            return x.reshape(self.unit.shape) * self.unit

        result = minimize(
            lambda x: np.sum(power(x)) / self.total,
            (start / self.unit).ravel(),
            jac=lambda x: self.unit.ravel() / self.total,
            bounds=[(0, None)] * start.size,
            constraints={
                "type": "ineq",
                "fun": lambda x: self.rows(power(np.maximum(x, 0)))[0] - self.need,
                "jac": lambda x: (self.rows(power(np.maximum(x, 0)))[1] * self.unit).reshape(len(self.sets), -1),
            },
            method="SLSQP",
            options={"ftol": 1e-15, "maxiter": 500},
        )
        p = np.maximum(power(result.x), 0)
        return np.where(p < 1e-7 * self.unit, 0, p)  # off, not nearly off

    def multipliers(self, p, slack):
        """Non-negative least squares for sum_S w_S slope_S + z = 1, rows far
        from tight and powers far from zero priced out."""
        value, slope = self.rows(p)
        size = np.maximum(p, 1e-9 * self.total)
        tight = np.flatnonzero(value - self.need < slack)
        columns = [(slope[i] * size).ravel() for i in tight]
        # z of the powers that are off.
        nil = np.flatnonzero((p == 0).ravel())
        for at in nil:
            column = np.zeros(p.size)
            column[at] = size.ravel()[at]
            columns.append(column)
        scale = np.array([np.linalg.norm(c) for c in columns])
        found, _ = nnls(np.array(columns).T / scale, size.ravel(), maxiter=10000)
        found /= scale
        weight = np.zeros(len(self.sets))
        weight[tight] = found[: len(tight)]
        return weight

    def bound(self, weight, p):
        value, slope = self.rows(p)
        grad = np.einsum("s,skf->kf", weight, slope)
        return (weight @ (self.need - value) + np.sum(grad * p)) / grad.max()

    def feasible(self, p):
        """p scaled up until every row holds."""

        def holds(scale):
            return np.all(self.rows(p * scale)[0] >= self.need)

        if holds(1):
            return p
        high = 1e-15
        while not holds(1 + high):
            high *= 2
            if high > 1:
                return None
        return p * (1 + high)

    def newton(self, p, weight):
        """One Newton step on the rows of positive weight, in the powers that are on."""
        tight, on = np.flatnonzero(weight), np.flatnonzero(p.ravel())
        value, slope = self.rows(p)
        size = p.ravel()[on]  # steps are relative
        W = self.curvature(weight, p)[np.ix_(on, on)] * np.outer(size, size)
        J = slope[tight].reshape(len(tight), -1)[:, on] * size
        system = np.block([[W, -J.T], [J, np.zeros((len(tight), len(tight)))]])
        right = np.concatenate([J.T @ weight[tight] - size, self.need[tight] - value[tight]])
        step = np.linalg.lstsq(system, right, rcond=1e-13)[0]
        p, weight = p.copy().ravel(), weight.copy()
        p[on] *= np.maximum(1 + step[: len(on)], 0.1)
        weight[tight] = np.maximum(weight[tight] + step[len(on) :], 0)
        return p.reshape(self.unit.shape), weight


def decoding_powers(region, rate, order):
    """Powers of one decoding order at equal rates on every subband: the user
    named first is decoded last, free of interference."""
    p = np.zeros((region.users, region.bands))
    for f in range(region.bands):
        A = np.eye(region.normal[f].shape[1], dtype=complex)
        for k in order:
            h = region.normal[f][k]
            p[k, f] = (np.exp(rate[k]) - 1) / np.real(h.conj() @ np.linalg.solve(A, h))
            A += p[k, f] * np.outer(h, h.conj())
    return p


def solve(name, channel, noise, rate):
    rng = np.random.default_rng(len(name))
    region = Region(channel, noise, rate)
    orders = [np.arange(region.users)] + [rng.permutation(region.users) for _ in range(3)]
    ends = []
    for order in orders:
        p = region.slsqp(decoding_powers(region, rate, order))
        if (q := region.feasible(p)) is not None:
            ends.append(q)
    ends.sort(key=np.sum)
    powers = np.array([q.sum() for q in ends])
    p, bound, weight = ends[0], 0.0, None
    for slack in (1e-4, 1e-6, 1e-8):
        q, w = ends[0], region.multipliers(ends[0], slack)
        for _ in range(4):
            if (b := region.bound(w, q)) > bound:
                bound, weight = b, w
            if (up := region.feasible(q)) is not None and up.sum() < p.sum():
                p = up
            q, w = region.newton(q, w)
    power = p.sum()
    gap, difference = power / bound - 1, powers[0] / power - 1
    spread = np.median(powers) / powers[0] - 1
    prices = np.array([sum(w for w, s in zip(weight, region.sets) if k in s) for k in range(region.users)])
    ties = region.users - len(set(np.round(np.log(prices), 6)))
    print(f"{name}: {power:.12g} gap {gap:.1e} slsqp {difference:.1e} median start {spread:.1e} of {len(ends)}, {ties} tied", flush=True)
    assert np.all(region.rows(p)[0] >= region.need) and np.all(p >= 0), name
    assert -1e-12 < gap < 1e-9 and difference < 1e-7 and spread < 1e-7 and len(ends) == len(orders), name
    return {
        "name": name, "users": region.users, "antennas": channel[0].shape[1], "subbands": region.bands,
        "channel": [common.split(H) for H in channel], "noise_w": noise.tolist(), "rate_nats": rate.tolist(),
        "power_w": power, "bound_w": bound, "powers_w": p.tolist(), "prices": prices.tolist(),
        "gap": gap, "slsqp_difference": difference, "median_start_difference": spread,
    }


if __name__ == "__main__":
    common.write(
        "floor.json",
        "testdata/reference/floor.py: SciPy SLSQP over the rate rows of all 2^K - 1 sets of "
        "users, polished by Newton on the tight rows, with the lower bound of its multipliers; see the script",
        [solve(*case) for case in instances()],
    )
