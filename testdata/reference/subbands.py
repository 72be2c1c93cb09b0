"""A group over several subbands, its rates split so that the power is least: subbands.json.

min sum_f P_f(r_1f, ..., r_Kf) over r_kf >= 0 with mean_f r_kf = R_k, where P_f is
the least total power (optimal beams, fixed point of uplink-downlink duality) of
subband f at noise/F and SINR targets exp(r_kf) - 1; R in nats per use, means over
the subbands. scipy's SLSQP from many starts, even, uneven and each user on one
subband alone, keeps the best; for two users and two subbands a grid over all
splits is tried besides. The slopes handed to SLSQP come from the envelope
theorem: dP/dg_k = lambda_k |h_k^H w_k|^2 / g_k^2.

local_minima counts the distinct powers at which the starts ended.

    /usr/bin/python3 testdata/reference/subbands.py
"""

import itertools

import numpy as np
from scipy.optimize import minimize

import common

LEAST = 1e-10  # rates below count as none
NEVER = 1e6  # power, in units of the even split's, of what cannot be served


class Split:
    def __init__(self, H, noise, rate):
        self.bands, self.users = len(H), len(rate)
        self.H = [h / np.sqrt(noise / len(H))[:, None] for h in H]
        self.rate = rate

    def band(self, f, r):
        """Power of subband f and its slopes in the rates; None if unservable."""
        r = np.maximum(r, LEAST)
        g = np.expm1(r)
        found = common.least_power(self.H[f], np.ones(self.users), g, fast=True)
        if found is None:
            return None
        power, lam, W = found
        own = np.abs(np.sum(self.H[f].conj() * W.T, axis=1)) ** 2
        return power, lam * own / g**2 * (1 + g)

    def total(self, r):
        power, slope = 0.0, np.zeros((self.users, self.bands))
        for f in range(self.bands):
            found = self.band(f, r[:, f])
            if found is None:
                return np.inf, slope
            power, slope[:, f] = power + found[0], found[1]
        return power, slope

    def descend(self, start, unit):
        """SLSQP over the parts of each user's rate; power in the unit given."""
        share = self.rate[:, None] * self.bands

        def fun(x):
            power, slope = self.total(x.reshape(start.shape) * share)
            if not np.isfinite(power):
                return NEVER, np.zeros(x.size)
            return power / unit, (slope * share).ravel() / unit

        sums = np.kron(np.eye(self.users), np.ones(self.bands))
        x = start.ravel()
        for _ in range(3):
            x = minimize(
                fun, x, jac=True, method="SLSQP", bounds=[(0, 1)] * x.size,
                constraints=[{"type": "eq", "fun": lambda x: sums @ x - 1, "jac": lambda x: sums}],
                options={"ftol": 1e-15, "maxiter": 300},
            ).x
            x = np.clip(x, 0, 1).reshape(start.shape)
            x = (x / x.sum(axis=1, keepdims=True)).ravel()
        r = x.reshape(start.shape) * share
        return self.total(r)[0], r


def best_split(split, rng, random_starts):
    users, bands = split.users, split.bands
    even = np.full((users, bands), 1 / bands)
    unit, _ = split.total(even * split.rate[:, None] * bands)
    if not np.isfinite(unit):
        unit = np.sum(np.expm1(split.rate))
    starts = [even]
    corners = list(itertools.product(range(bands), repeat=users))
    rng.shuffle(corners)
    for corner in corners[:16]:
        start = np.full((users, bands), 0.02 / bands)
        start[np.arange(users), corner] += 0.98
        starts.append(start)
    starts += [rng.dirichlet(np.full(bands, 0.7), users) for _ in range(random_starts)]
    ends = []
    for start in starts:
        power, r = split.descend(start, unit)
        if np.isfinite(power):
            ends.append((power, r))
    ends.sort(key=lambda e: e[0])
    return ends


def grid(split, points):
    """Least power over a grid of splits of two users over two subbands."""
    best = np.inf
    for a in np.linspace(0, 1, points):
        for b in np.linspace(0, 1, points):
            r = 2 * split.rate[:, None] * np.array([[a, 1 - a], [b, 1 - b]])
            best = min(best, split.total(r)[0])
    return best


def instances():
    """(name, channels per subband, noise over the whole band, rate in bits per use)."""
    rng = np.random.default_rng(20240606)
    one = np.ones
    ray = lambda users, antennas, bands, gains=None: [
        np.sqrt(1.0 if gains is None else gains[f]) * common.rayleigh(rng, users, antennas) for f in range(bands)
    ]
    yield "one user, gains 4, 2, 1, 1/4, 6 bits in all: water-filling, 4.25 W", [np.array([[np.sqrt(g) + 0j]]) for g in (4, 2, 1, 0.25)], np.array([4.0]), [1.5]
    yield "2 users, 2 subbands, rayleigh 4", ray(2, 4, 2), one(2), [2, 1]
    yield "2 users, 2 subbands, rayleigh 4, second subband 10 dB weaker", ray(2, 4, 2, (1, 0.1)), np.array([1, 0.5]), [2, 3]
    parallel = [common.ula([a, a + 4], 4) for a in (10, 10)]
    parallel[1] = parallel[1] * np.array([[1.2], [0.9]])
    yield "2 users, 2 subbands, line of sight 4 degrees apart: better one subband each", parallel, one(2), [2, 2]
    yield "2 users, 2 subbands, clustered 8, +-5 degrees", [common.clustered(rng, 2, 8, [15], 5) for _ in range(2)], one(2), [1, 3]
    yield "3 users, 2 subbands, rayleigh 4, unequal", ray(3, 4, 2), rng.uniform(0.3, 3, 3), [1, 2, 3]
    yield "3 users, 3 subbands, rayleigh 3", ray(3, 3, 3), one(3), [1, 1.5, 2]
    yield "3 users, 2 antennas, 3 subbands: more users than antennas", ray(3, 2, 3), one(3), [0.7, 1, 1.3]
    yield "4 users, 2 subbands, rayleigh 8", ray(4, 8, 2), one(4), [2, 2, 2, 2]
    yield "4 users, 3 subbands, rayleigh 4", ray(4, 4, 3), rng.uniform(0.5, 2, 4), [1, 1, 2, 2]
    yield "4 users, 4 subbands, clustered 8, 2 clusters of +-6 degrees", [common.clustered(rng, 4, 8, [-15, 20], 6) for _ in range(4)], one(4), [1, 2, 1, 2]


def solve(name, H, noise, bits, rng):
    noise, rate = np.asarray(noise, float), np.asarray(bits, float) * np.log(2)
    split = Split(H, noise, rate)
    ends = best_split(split, rng, random_starts=12)
    power, r = ends[0]
    _, slope = split.total(r)
    carried = r > 1e-6
    spread = max(
        np.max(slope[k, carried[k]]) / np.min(slope[k, carried[k]]) - 1 for k in range(split.users)
    )
    distinct = [ends[0][0]]
    for e, _ in ends:
        if e > distinct[-1] * (1 + 1e-5):
            distinct.append(e)
    even = split.total(np.tile(rate[:, None], (1, split.bands)))[0]
    case = {
        "name": name, "users": split.users, "antennas": H[0].shape[1], "subbands": split.bands,
        "channel": [common.split(h) for h in H], "noise_w": noise.tolist(), "rate_nat": rate.tolist(),
        "power_w": power, "split_nat": r.tolist(), "marginal_spread": spread,
        "even_power_w": even if np.isfinite(even) else None, "local_minima": len(distinct),
    }
    note = ""
    if split.users == 2 and split.bands == 2:
        case["grid_power_w"] = grid(split, 101)
        assert power <= case["grid_power_w"] * (1 + 1e-9), name
        note = f", grid {case['grid_power_w'] / power - 1:.1e} above"
    same = sum(e[0] < power * (1 + 1e-8) for e in ends)
    print(f"{name}: {power:.12g}, even {even / power:.4g} x, {same} of {len(ends)} ends agree, marginals {spread:.0e}, ends {[float(f'{d / power:.6g}') for d in distinct[:5]]}{note}", flush=True)
    return case


if __name__ == "__main__":
    rng = np.random.default_rng(1)
    common.write(
        "subbands.json",
        "testdata/reference/subbands.py: scipy SLSQP from many starts over the splits, a grid besides "
        "for two users and two subbands; see the script",
        [solve(*case, rng) for case in instances()],
    )
