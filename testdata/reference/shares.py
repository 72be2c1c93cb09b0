"""Shares of a slot between groups that take turns, for least mean power: shares.json.

min sum_g s_g P_g(R/s_g) over shares s_g > 0, sum_g s_g = 1, where P_g(r) is the
least total power (optimal beams, fixed point of uplink-downlink duality) of group
g at rates r in nats per use. Two groups: a grid of 2000 shares, every local
minimum refined by scipy's bounded scalar search. More: a coarse grid over the
simplex and scipy's SLSQP from its best points and from random ones, with the
slopes P_g - sum_k r_k dP/dr_k from the envelope theorem. All local minima found
are stored, least first: the function is not convex in general.

    /usr/bin/python3 testdata/reference/shares.py
"""

import itertools

import numpy as np
from scipy.optimize import minimize, minimize_scalar

import common

TOO_MUCH = 1e9  # W: beyond any minimum here, and beyond float64's digits


class Turns:
    def __init__(self, H, noise, rate, groups):
        self.H, self.rate, self.groups = H / np.sqrt(noise)[:, None], rate, groups

    def one(self, g, share):
        """share * P_g and its slope in the share."""
        users = self.groups[g]
        r = self.rate[users] / share
        if np.max(r) > 20:
            return np.inf, 0.0
        sinr = np.expm1(r)
        try:
            found = common.least_power(self.H[users], np.ones(len(users)), sinr, fast=True)
        except np.linalg.LinAlgError:
            found = None
        if found is None or not 0 < found[0] < TOO_MUCH:
            return np.inf, 0.0
        power, lam, W = found
        own = np.abs(np.sum(self.H[users].conj() * W.T, axis=1)) ** 2
        slope = lam * own / sinr**2 * (1 + sinr)
        return share * power, power - slope @ r

    def total(self, shares):
        return sum(self.one(g, s)[0] for g, s in enumerate(shares))


def two(turns):
    """Local minima over the share of the first of two groups."""
    x = np.linspace(np.log(1e-3), np.log(1e3), 2000)
    grid = np.exp(x) / (1 + np.exp(x))
    value = np.array([turns.total((s, 1 - s)) for s in grid])
    minima = []
    for i in range(1, len(grid) - 1):
        if np.isfinite(value[i]) and value[i] < value[i - 1] and value[i] <= value[i + 1]:
            found = minimize_scalar(
                lambda s: turns.total((s, 1 - s)), bounds=(grid[i - 1], grid[i + 1]), method="bounded",
                options={"xatol": 1e-12},
            )
            minima.append((found.fun, np.array([found.x, 1 - found.x])))
    return minima


def many(turns, rng):
    groups = len(turns.groups)
    points = {3: 60, 4: 24}.get(groups, 12)
    cells = [c for c in itertools.product(range(1, points), repeat=groups - 1) if sum(c) < points]
    ranked = sorted(
        ((turns.total(s), s) for s in (np.array([*c, points - sum(c)]) / points for c in cells)), key=lambda e: e[0]
    )
    starts = [s for v, s in ranked[:10] if np.isfinite(v)]
    unit = ranked[0][0]
    while len(starts) < 30:
        s = rng.dirichlet(np.ones(groups))
        if np.isfinite(turns.total(s)):
            starts.append(s)

    def fun(s):
        parts = [turns.one(g, x) for g, x in enumerate(s)]
        value = sum(p[0] for p in parts)
        return (value / unit if np.isfinite(value) else 1e6), np.array([p[1] for p in parts]) / unit

    minima = []
    for s in starts:
        for _ in range(2):
            s = minimize(
                fun, s, jac=True, method="SLSQP", bounds=[(1e-4, 1)] * groups,
                constraints=[{"type": "eq", "fun": lambda s: s.sum() - 1, "jac": lambda s: np.ones(groups)}],
                options={"ftol": 1e-16, "maxiter": 500},
            ).x
            s = s / s.sum()
        value, slopes = fun(s)
        if np.ptp(slopes) < 1e-4 * np.max(np.abs(slopes)):
            minima.append((turns.total(s), s))
    return minima


def distinct(minima):
    out = []
    for value, s in sorted(minima, key=lambda e: e[0]):
        if all(np.max(np.abs(s - t)) > 1e-3 for _, t in out):
            out.append((value, s))
    return out


def pair(gain, other, correlation):
    """Two users of squared norms gain and other."""
    return np.array([[np.sqrt(gain), 0], [np.sqrt(other) * correlation, np.sqrt(other * (1 - correlation**2))]], complex)


def pair_and_singles(gain, correlation, *singles):
    H = np.zeros((2 + len(singles), 2), complex)
    H[:2] = pair(gain, 1, correlation)
    H[2:, 0] = np.sqrt(singles)
    return H


def instances():
    """(name, H, noise, rate in nats per use over the slot, groups)."""
    rng = np.random.default_rng(20240607)
    one, nats = np.ones, lambda bits: np.asarray(bits, float) * np.log(2)
    yield "three users in turn, gains 1, 1/4, 4, rates 1, 1, 2 bit", np.array([[1], [0.5], [2]], complex), one(3), nats([1, 1, 2]), [[0], [1], [2]]
    F = common.formula_channel(4, 3)
    for groups in (
        [[0, 1], [2, 3]], [[0, 1], [2], [3]], [[1], [0, 2], [3]], [[0, 2], [1, 3]], [[1], [2], [0, 3]],
        [[0], [1], [2, 3]], [[1, 2], [0, 3]], [[2], [0, 1, 3]], [[0, 1, 2], [3]], [[0], [2], [1, 3]],
        [[0], [1, 2, 3]], [[0], [1, 2], [3]], [[1], [0, 2, 3]], [[0], [1], [2], [3]],
    ):
        yield f"formula channel 4 users, 3 antennas, 1 bit, groups {groups}", F, one(4), nats([1] * 4), groups
    yield "formula channel 4 users, 6 antennas, groups [[1], [0, 2, 3]]", common.formula_channel(4, 6), one(4), nats([1, 1, 2, 2]), [[1], [0, 2, 3]]
    yield "rayleigh 4x6, unequal noise and rates, three groups", common.rayleigh(rng, 6, 4), rng.uniform(0.3, 3, 6), nats([0.3, 0.5, 1, 1.5, 0.5, 0.2]), [[0, 1, 2], [3, 4], [5]]
    yield "rayleigh 2x5, more users than antennas in a group", common.rayleigh(rng, 5, 2), one(5), nats([0.2, 0.3, 0.2, 0.5, 0.5]), [[0, 1, 2], [3, 4]]
    yield "clustered 8x6, 2 clusters, one of each in every group", common.clustered(rng, 6, 8, [-20, 20], 4), one(6), nats([1] * 6), [[0, 1], [2, 3], [4, 5]]
    yield "two local minima all but equal", pair_and_singles(1e4, 0.999, 0.276), one(3), np.array([0.3, 0.01, 2.29]), [[0, 1], [2]]
    yield "two local minima, the better at the larger share", pair_and_singles(1e5, 0.9999, 0.0587), one(3), np.array([0.9, 0.015, 2.0]), [[0, 1], [2]]
    yield "two local minima, the better at the smaller share", pair_and_singles(1e5, 0.9999, 0.0195), one(3), np.array([0.9, 0.015, 1.6]), [[0, 1], [2]]
    yield "two local minima of three groups", pair_and_singles(1e5, 0.9999, 0.1, 0.1), one(4), np.array([0.6, 0.01, 1.1, 1.1]), [[0, 1], [2], [3]]


def solve(name, H, noise, rate, groups, rng):
    turns = Turns(H, noise, rate, groups)
    minima = distinct(two(turns) if len(groups) == 2 else many(turns, rng))
    power, shares = minima[0]
    slopes = [turns.one(g, s)[1] for g, s in enumerate(shares)]
    spread = np.ptp(slopes) / np.max(np.abs(slopes))
    print(f"{name}: {power:.12g} at {np.round(shares, 6).tolist()}, slopes apart {spread:.0e}, minima {[float(f'{v:.9g}') for v, _ in minima]}", flush=True)
    return {
        "name": name, "users": len(rate), "antennas": H.shape[1],
        "channel": common.split(H), "noise_w": noise.tolist(), "rate_nat": rate.tolist(), "groups": groups,
        "power_w": power, "shares": shares.tolist(), "slope_spread": spread,
        "minima": [{"power_w": v, "shares": s.tolist()} for v, s in minima],
    }


if __name__ == "__main__":
    rng = np.random.default_rng(1)
    cases = [solve(*case, rng) for case in instances()]
    assert sum(len(c["minima"]) > 1 for c in cases) >= 3
    common.write(
        "shares.json",
        "testdata/reference/shares.py: grid and scipy searches over the shares; see the script",
        cases,
    )
