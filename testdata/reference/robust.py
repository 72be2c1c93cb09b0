"""Least total power under SINR targets with channel estimation error: robust.json.

An error of variance csi_error_variance_k per antenna in h_k, independent of the
beams, leaks csi_error_variance_k * ||W||^2 into user k's noise. The cone program
takes that leakage as it stands (the whole of W joins the noise in user k's
cone); cvxopt solves it. Polish: beams of the error-free problem's duals with
powers that meet the targets including the leakage, a feasible point; its
relative distance to the cone program's power is stored.

    /usr/bin/python3 testdata/reference/robust.py
"""

import numpy as np

import common


def instances():
    db = common.from_db
    rng = np.random.default_rng(20240602)
    one = np.ones
    yield "rayleigh 8x4, 10 dB, error 1 %", common.rayleigh(rng, 4, 8), one(4), db([10] * 4), np.full(4, 0.01)
    yield "rayleigh 16x6, unequal noise, targets and errors", common.rayleigh(rng, 6, 16), np.array([0.5, 1, 2, 1, 3, 0.7]), db([0, 3, 6, 9, 12, 5]), np.array([0.01, 0, 0.05, 0.02, 0.1, 0.03])
    yield "rayleigh 32x8, error 5 %", common.rayleigh(rng, 8, 32), one(8), db([7] * 8), np.full(8, 0.05)
    yield "line of sight 16x5", common.ula([-50, -20, 5, 12, 40], 16), one(5), np.full(5, 10.0), np.full(5, 0.04)
    yield "clustered 24x6, 2 clusters of +-4 degrees", common.clustered(rng, 6, 24, [-25, 20], 4), np.full(6, 0.3), db([3] * 6), np.full(6, 0.002)
    yield "more users than antennas, rayleigh 3x4", common.rayleigh(rng, 4, 3), one(4), np.full(4, 0.8), np.array([0.02, 0.01, 0.03, 0.02])
    yield "near the limit where the error alone takes all power", common.rayleigh(rng, 4, 8), one(4), db([10] * 4), np.full(4, 0.1)
    loss = db(np.array([-80, -95, -110, -120]))
    yield "path gains -80 to -120 dB", np.sqrt(loss)[:, None] * common.rayleigh(rng, 4, 8), np.full(4, db(-126)), db([5] * 4), loss * 0.02


def solve(name, H, noise, sinr, error):
    users, antennas = H.shape
    normal = H / np.sqrt(noise)[:, None]
    # The cone solver sees a power near 1.
    scale = np.sum(sinr / np.sum(np.abs(normal) ** 2, axis=1))
    cones = common.Cones(users, antennas)
    equal = common.add_sinr_cones(cones, H * np.sqrt(scale), noise, sinr, error * scale)
    cone_power, cone_W, _, _ = common.least_power_cones(cones, equal)
    cone_power *= scale
    _, lam, _ = common.least_power(H, noise, sinr)
    W = common.beams_from_duals(H, noise, sinr, lam, csi_error=error)
    power = np.sum(np.abs(W) ** 2)
    reached = common.sinr_of(H, noise + error * power, W)
    assert np.all(reached >= sinr * (1 - 1e-9)), name
    difference = cone_power / power - 1
    load = np.sum(lam * error / noise)
    print(f"{name}: {power:.12g} cone {difference:.1e} load {load:.3f}")
    assert abs(difference) < 1e-9, name
    return {
        "name": name, "users": users, "antennas": antennas,
        "channel": common.split(H), "noise_w": noise.tolist(), "sinr": sinr.tolist(),
        "csi_error_variance": error.tolist(), "power_w": power,
        "antenna_power_w": np.sum(np.abs(W) ** 2, axis=1).tolist(),
        "cone_difference": difference,
    }


if __name__ == "__main__":
    common.write(
        "robust.json",
        "testdata/reference/robust.py: second-order cone program by cvxopt with the estimation "
        "error as extra noise; see the script",
        [solve(*case) for case in instances()],
    )
