"""The least power at which any scheme of transmission can carry the rates: floor.json.

By duality of broadcast and multiple-access channels (Vishwanath, Jindal,
Goldsmith, IEEE Trans. IT 49(10), 2003) the least broadcast power equals the
least sum power of the uplink in whose capacity region the rates lie:

    min sum_kf p_kf   subject to, for every subset S of users,
    (1/F) sum_f log det(I + sum_{k in S} p_kf h_kf h_kf^H) >= sum_{k in S} R_k

with h over sqrt(noise/F) on each of F subbands and R in nats per use. All
2^K - 1 constraints are handed to scipy's SLSQP from several starts. The powers
are then scaled up until every constraint holds (power_w: a feasible point), and
a bound is proved from the multipliers mu of the best point (lower_bound_w):

    F(p) = sum_i (mu_(i) - mu_(i+1)) (1/F) sum_f log det(I + sum_{j<=i} p h h^H),
    floor >= (mu.R - F(p) + grad F(p).p) / max grad F(p),   mu_(1) >= mu_(2) ...

    /usr/bin/python3 testdata/reference/floor.py
"""

import numpy as np
from scipy.optimize import minimize, nnls

import common


class Region:
    """The constraints over p, [user][subband], for channels H[f] over
    sqrt(noise/F) and rates R in nats per use."""

    def __init__(self, H, rate):
        self.H, self.rate = H, rate
        self.bands, self.users = len(H), len(rate)
        sets = [[k for k in range(self.users) if s >> k & 1] for s in range(1, 1 << self.users)]
        self.sets = sets
        self.need = np.array([rate[s].sum() for s in sets])

    def one(self, p, users):
        """log det over the subset, mean over subbands, and its gradient."""
        value, slope = 0.0, np.zeros((self.users, self.bands))
        for f, H in enumerate(self.H):
            sub = H[users]
            A = np.eye(H.shape[1]) + (sub.T * p[users, f]) @ sub.conj()
            value += np.linalg.slogdet(A)[1] / self.bands
            solved = np.linalg.solve(A, sub.T)
            slope[users, f] = np.real(np.sum(sub.conj().T * solved, axis=0)) / self.bands
        return value, slope

    def values(self, p):
        return np.array([self.one(p, s)[0] for s in self.sets])

    def slopes(self, p):
        return np.array([self.one(p, s)[1].ravel() for s in self.sets])

    def certificate(self, p, mu):
        order = np.argsort(-mu)
        value, slope = 0.0, np.zeros_like(p)
        for i in range(self.users):
            step = mu[order[i]] - (mu[order[i + 1]] if i + 1 < self.users else 0.0)
            if step > 0:
                v, s = self.one(p, order[: i + 1])
                value, slope = value + step * v, slope + step * s
        return (mu @ self.rate - value + np.sum(slope * p)) / slope.max()


def least(region, rng, starts):
    users, bands = region.users, region.bands
    gain = np.array([[np.sum(np.abs(H[k]) ** 2) for H in region.H] for k in range(users)])
    unit = np.expm1(region.rate)[:, None] / gain  # a user alone on a subband

    def attempt(x):
        constraint = {
            "type": "ineq",
            "fun": lambda x: region.values(x.reshape(users, bands) * unit) - region.need,
            "jac": lambda x: region.slopes(x.reshape(users, bands) * unit) * unit.ravel(),
        }
        total = unit.sum()
        return minimize(
            lambda x: x @ unit.ravel() / total, x, jac=lambda x: unit.ravel() / total, method="SLSQP",
            bounds=[(0, None)] * x.size, constraints=[constraint], options={"ftol": 1e-16, "maxiter": 1000},
        ).x

    best, powers = None, []
    for _ in range(starts):
        x = attempt(rng.uniform(0.2, 3, users * bands) * users)
        x = attempt(np.maximum(x, 0))
        p = np.maximum(x, 0).reshape(users, bands) * unit
        # Scale up until feasible.
        low, high = 1.0, 1.0
        while np.any(region.values(high * p) < region.need):
            high = 1 + 2 * max(high - 1, 1e-13)
            if high > 2:
                break
        if high > 2:
            continue
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (low, middle) if np.all(region.values(middle * p) >= region.need) else (middle, high)
        p = p * high
        powers.append(p.sum())
        if best is None or p.sum() < best.sum():
            best = p
    return best, np.array(powers)


def prove(region, p):
    """Multipliers of the active constraints: sum_S l_S slope_S = 1 where p > 0."""
    slopes = region.slopes(p)
    slack = region.values(p) - region.need
    used = p.ravel() > 1e-9 * p.sum()
    best, best_mu = 0.0, None
    for tolerance in (1e-10, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4):
        active = slack <= tolerance * max(1.0, region.need.max())
        if not active.any():
            continue
        l, _ = nnls(slopes[active][:, used].T * p.ravel()[used][:, None], p.ravel()[used], maxiter=10000)
        mu = np.zeros(region.users)
        for weight, subset in zip(l, [s for s, a in zip(region.sets, active) if a]):
            mu[subset] += weight
        bound = region.certificate(p, mu)
        if bound > best:
            best, best_mu = bound, mu
    return best, best_mu


def instances():
    """(name, channels per subband, noise over the whole band, rate in bits per use)."""
    rng = np.random.default_rng(20240604)
    one = np.ones
    ray = lambda users, antennas, bands=1: [common.rayleigh(rng, users, antennas) for _ in range(bands)]
    los = lambda antennas, angles: [common.ula(angles, antennas)]
    yield "rayleigh 4x2", ray(2, 4), one(2), [1, 2]
    yield "rayleigh 8x4", ray(4, 8), one(4), [2, 2, 2, 2]
    yield "rayleigh 8x6, unequal", ray(6, 8), rng.uniform(0.3, 3, 6), [0.5, 1, 1.5, 2, 2.5, 3]
    yield "rayleigh 4x7, more users than antennas", ray(7, 4), one(7), [1] * 7
    yield "rayleigh 2x5, more users than antennas, unequal", ray(5, 2), rng.uniform(0.3, 3, 5), [0.5, 1, 2, 1, 0.5]
    yield "rayleigh 1x4, one antenna", ray(4, 1), one(4), [0.5, 1, 1, 2]
    yield "line of sight 8x3", los(8, [-20, 5, 30]), one(3), [2, 3, 2]
    yield "line of sight 16x5, two pairs of 3 degrees", los(16, [-20, -17, 5, 8, 40]), one(5), [2, 2, 1, 3, 2]
    yield "line of sight 8x4, unequal path gains", [np.array([[1.0], [0.1], [0.01], [0.3]]) * common.ula([-5, 2, 6, 30], 8)], one(4), [2, 2, 2, 2]
    yield "clustered 8x4, +-3 degrees", [common.clustered(rng, 4, 8, [10], 3)], one(4), [1, 2, 1, 2]
    yield "clustered 16x6, 2 clusters of +-4 degrees", [common.clustered(rng, 6, 16, [-20, 25], 4)], one(6), [2, 1, 2, 1, 2, 1]
    yield "clustered 8x7, 2 clusters of +-4 degrees", [common.clustered(rng, 7, 8, [-20, 25], 4)], rng.uniform(0.5, 2, 7), [1] * 7
    yield "two users at the same place", [np.array([[1, 1j, -1, 0.5], [1, 1j, -1, 0.5]]) * np.array([[1], [0.3]])], one(2), [1, 2]
    yield "formula channel 4 users, 3 antennas", [common.formula_channel(4, 3)], one(4), [1, 1, 1, 1]
    yield "2 subbands, rayleigh 4x2", ray(2, 4, 2), one(2), [2, 2]
    yield "2 subbands, rayleigh 4x4, unequal", ray(4, 4, 2), rng.uniform(0.3, 3, 4), [1, 2, 3, 1]
    yield "3 subbands, rayleigh 2x3, more users than antennas", ray(3, 2, 3), one(3), [1, 1.5, 2]
    yield "3 subbands of very unequal gain, rayleigh 4x3", [a * h for a, h in zip((1, 0.3, 0.1), ray(3, 4, 3))], one(3), [1, 2, 1]
    yield "2 subbands, clustered 8x5", [common.clustered(rng, 5, 8, [-15, 20], 4) for _ in range(2)], one(5), [1, 2, 1, 2, 1]
    # Users of one price, who share the time between orders of decoding, and other
    # shapes of the optimum.
    yield "one user, 4 subbands of gains 4, 2, 1, 0.25 over their noise", [np.array([[g**0.5]]) for g in (4, 2, 1, 0.25)], [4], [1.5]
    yield "two orthogonal users", [np.array([[1, 1], [1, -1]])], [1, 2], [1, 0.5]
    yield "two users of correlation 0.9", [np.array([[1, 0], [0.9, 0.19**0.5]])], one(2), [3, 3]
    yield "three equal users on one antenna", [np.ones((3, 1))], one(3), [0.7, 1, 1.3]
    yield "equicorrelated 5 users", [np.sqrt(0.5) * np.eye(5) + (np.sqrt(3) - np.sqrt(0.5)) / 5], one(5), [2] * 5
    yield "formula channel 4 users, 6 antennas", [common.formula_channel(4, 6)], one(4), [2] * 4
    loss = np.sqrt(common.from_db(-rng.uniform(80, 120, 5)))[:, None]
    yield "rayleigh 8x5, path gains -80 to -120 dB, noise in W", [loss * h for h in ray(5, 8)], common.from_db(np.full(5, -126.0)) * rng.uniform(1, 2, 5), [1.5, 2, 3, 1, 2]
    yield "line of sight 8x6, three pairs of 3 to 4 degrees", los(8, [-40, -36, 0, 3, 25, 29]), one(6), [3] * 6
    yield "line of sight 8x7, random angles", los(8, rng.uniform(-60, 60, 7)), rng.uniform(0.5, 2, 7), rng.uniform(0.5, 3.5, 7)
    yield "line of sight 6x6, within 20 degrees", los(6, rng.uniform(-10, 10, 6)), one(6), [2] * 6
    yield "clustered 16x7, 2 clusters of +-4 degrees, unequal", [common.clustered(rng, 7, 16, [-30, 20], 4)], rng.uniform(0.5, 2, 7), rng.uniform(0.5, 3.5, 7)
    yield "3 subbands, clustered 4x4, +-5 degrees", [common.clustered(rng, 4, 4, [10], 5) for _ in range(3)], one(4), [1.5, 2, 1, 3]


def solve(name, H, noise, bits, rng):
    bands, users = len(H), len(bits)
    noise, rate = np.asarray(noise, float), np.asarray(bits, float) * np.log(2)
    normal = [h / np.sqrt(noise / bands)[:, None] for h in H]
    region = Region(normal, rate)
    p, powers = least(region, rng, starts=4 if users <= 5 else 2)
    assert np.all(region.values(p) >= region.need)
    lower, mu = prove(region, p)
    gap, spread = p.sum() / lower - 1, np.max(powers) / np.min(powers) - 1
    print(f"{name}: {p.sum():.12g} gap {gap:.1e} spread over {len(powers)} starts {spread:.1e}", flush=True)
    return {
        "name": name, "users": users, "antennas": H[0].shape[1], "subbands": bands,
        "channel": [common.split(np.asarray(h, complex)) for h in H], "noise_w": noise.tolist(), "rate_nat": rate.tolist(),
        "power_w": p.sum(), "lower_bound_w": lower, "gap": gap,
        "user_power_w": p.tolist(), "price": mu.tolist(),
    }


if __name__ == "__main__":
    rng = np.random.default_rng(1)
    cases = [solve(*case, rng) for case in instances()]
    assert max(c["gap"] for c in cases) < 1e-6
    common.write(
        "floor.json",
        "testdata/reference/floor.py: scipy SLSQP over the rate constraints of every subset of users, "
        "lower bound proved from the multipliers; see the script",
        cases,
    )
