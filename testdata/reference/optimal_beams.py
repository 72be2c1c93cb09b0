"""Least total power under SINR targets: optimal_beams.json.

Each case is solved as a second-order cone program by cvxopt, then polished by
the fixed point of uplink-downlink duality. Stored: the polished power, duals
(sum = power; noise-normalised), per-antenna powers, the relative distance
between a proved lower bound and the power of beams that meet every target
(gap), and the relative difference to the cone program's power (cone_difference).

    /usr/bin/python3 testdata/reference/optimal_beams.py
"""

import numpy as np

import common


def instances():
    db = common.from_db
    rng = np.random.default_rng(20240601)
    one = np.ones
    yield "rayleigh 4x2, 0 dB", common.rayleigh(rng, 2, 4), one(2), db([0, 0])
    yield "rayleigh 8x4, unequal noise and targets", common.rayleigh(rng, 4, 8), np.array([0.5, 1, 2, 4]), db([-5, 0, 5, 10])
    yield "rayleigh 16x8, 10 dB", common.rayleigh(rng, 8, 16), one(8), db([10] * 8)
    yield "rayleigh 16x16, 0 dB", common.rayleigh(rng, 16, 16), one(16), db([0] * 16)
    yield "rayleigh 32x12, targets -10 to 23 dB", common.rayleigh(rng, 12, 32), rng.uniform(0.2, 5, 12), db(np.arange(12) * 3.0 - 10)
    yield "rayleigh 64x16, 10 dB", common.rayleigh(rng, 16, 64), one(16), db([10] * 16)
    loss = db(-rng.uniform(70, 130, 6))
    yield (
        "rayleigh 12x6, path gains -70 to -130 dB, noise in W over 20 MHz",
        np.sqrt(loss)[:, None] * common.rayleigh(rng, 6, 12),
        db(np.full(6, -131 + 5.0)) * rng.uniform(1, 3, 6),
        db([3, 5, 7, 9, 11, 13]),
    )
    yield "line of sight 8x3", common.ula([-31, 4, 22], 8), one(3), db([7, 7, 7])
    yield "line of sight 16x6, two users 3 degrees apart", common.ula([-48, -20, 3, 6, 25, 51], 16), one(6), db([10] * 6)
    yield "line of sight 32x8, unequal", common.ula(rng.uniform(-60, 60, 8), 32), rng.uniform(0.5, 2, 8), db(rng.uniform(-3, 15, 8))
    yield "line of sight 64x16, random angles", common.ula(rng.uniform(-60, 60, 16), 64), one(16), db([5] * 16)
    yield "clustered 16x6, 2 clusters of +-3 degrees", common.clustered(rng, 6, 16, [-20, 35], 3), one(6), db([5] * 6)
    yield "clustered 32x8, 3 clusters of +-4 degrees", common.clustered(rng, 8, 32, [-40, 0, 30], 4), rng.uniform(0.5, 2, 8), db(rng.uniform(0, 10, 8))
    yield "clustered 64x12, 4 clusters of +-5 degrees", common.clustered(rng, 12, 64, [-50, -15, 10, 45], 5), one(12), db([10] * 12)
    yield "more users than antennas, rayleigh 2x4", common.rayleigh(rng, 4, 2), one(4), np.array([0.4, 0.6, 0.5, 0.3])
    yield "more users than antennas, rayleigh 4x6, 0 dB", common.rayleigh(rng, 6, 4), np.array([1, 2, 1, 0.5, 1, 1.0]), one(6)
    yield "more users than antennas, rayleigh 8x12", common.rayleigh(rng, 12, 8), one(12), db(rng.uniform(-8, 3, 12))
    yield "near the feasibility limit, formula channel 3 users, 2 antennas", common.formula_channel(3, 2), one(3), np.full(3, 1.9)
    yield "near the feasibility limit, rayleigh 4x5, sum g/(1+g) = 3.9", common.rayleigh(rng, 5, 4), one(5), np.full(5, 0.78 / 0.22)
    yield "formula channel 6 users, 8 antennas", common.formula_channel(6, 8), np.array([0.5, 1, 1.5, 1, 0.5, 2]), np.arange(1, 7.0)


def solve(name, H, noise, sinr):
    users, antennas = H.shape
    # The cone solver sees a power near 1: scale the channel by the
    # interference-free power.
    normal = H / np.sqrt(noise)[:, None]
    scale = np.sum(sinr / np.sum(np.abs(normal) ** 2, axis=1))
    cones = common.Cones(users, antennas)
    equal = common.add_sinr_cones(cones, H * np.sqrt(scale), noise, sinr)
    cone_power, _, multipliers, _ = common.least_power_cones(cones, equal)
    cone_power *= scale
    start = multipliers[:users] * scale

    power, lam, W = common.least_power(H, noise, sinr, start)
    assert np.all(common.sinr_of(H, noise, W) >= sinr * (1 - 1e-9)), name
    lower = common.dual_bound(normal, sinr, lam)
    gap = power / lower - 1
    difference = cone_power / power - 1
    print(f"{name}: {power:.12g} gap {gap:.1e} cone {difference:.1e} duals {np.max(np.abs(start / lam - 1)):.1e}")
    assert abs(gap) < 1e-9 and abs(difference) < 1e-7, name
    return {
        "name": name, "users": users, "antennas": antennas,
        "channel": common.split(H), "noise_w": noise.tolist(), "sinr": sinr.tolist(),
        "power_w": power, "lambda": lam.tolist(),
        "antenna_power_w": np.sum(np.abs(W) ** 2, axis=1).tolist(),
        "gap": gap, "cone_difference": difference,
    }


if __name__ == "__main__":
    cases = [solve(*case) for case in instances()]
    common.write(
        "optimal_beams.json",
        "testdata/reference/optimal_beams.py: second-order cone program by cvxopt, polished by the "
        "fixed point of uplink-downlink duality; see the script",
        cases,
    )
