"""Least powers of fixed beams under caps on antennas, directions and the total: fixed_beams.json.

min sum_k p_k over p >= 0 subject to

    p_k a_kk - g_k sum_{j != k} p_j a_kj >= g_k noise_k (1 + error_k sum_j p_j / noise_k)

with a_kj = |h_k^H u_j|^2 for unit-power beams u_j, to sum_k p_k |u_km|^2 <= cap_m
for each antenna, to sum_k p_k |b_i^H u_k|^2 <= cap_i for each direction b_i, and to a
cap on the sum. Solved as a linear program by scipy's HiGHS, powers in units of what
each user needs alone, and where it has an optimum polished by solving the targets as
equations; both powers are compared. Where it has none, the program without the caps
tells whether they are the cause.

    /usr/bin/python3 testdata/reference/fixed_beams.py
"""

import numpy as np
from scipy.optimize import linprog

import common


def matched(H):
    return H.T / np.linalg.norm(H, axis=1)


def zero_forcing(H):
    W = np.linalg.pinv(H.conj())
    return W / np.linalg.norm(W, axis=0)


def regularised(H, alpha):
    gram = H.conj() @ H.T
    W = H.T @ np.linalg.inv(gram + alpha * np.diag(np.real(np.diag(gram))))
    return W / np.linalg.norm(W, axis=0)


def random_beams(rng, H, lean):
    W = common.rayleigh(rng, H.shape[1], H.shape[0]) + lean * matched(H) * np.sqrt(H.shape[1])
    return W / np.linalg.norm(W, axis=0)


def program(gain, noise, sinr, error, rows, caps, total):
    """HiGHS on powers over what each user needs alone; None if infeasible."""
    users = len(sinr)
    unit = sinr * noise / np.diag(gain)
    # Row k divided by g_k noise_k.
    A = np.zeros((users, users))
    for k in range(users):
        for j in range(users):
            A[k, j] = unit[j] * (gain[k, k] / sinr[k] if j == k else -gain[k, j]) / noise[k]
            A[k, j] -= unit[j] * error[k] / noise[k]
    upper, bound = [-A], [-np.ones(users)]
    for row, cap in zip(rows, caps):
        upper.append((row * unit / cap)[None, :])
        bound.append([1.0])
    if total is not None:
        upper.append((unit / total)[None, :])
        bound.append([1.0])
    cost = unit / np.sum(unit)
    options = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
    found = linprog(cost, np.vstack(upper), np.concatenate(bound), method="highs", options=options)
    if found.status == 2:
        return None, None
    assert found.status == 0, found.message
    polished = np.linalg.solve(A, np.ones(users)) * unit
    return found.x * unit, polished


def instances():
    """(name, channel, beams, noise, sinr, error, directions, caps over the least power's, total over the least)"""
    rng = np.random.default_rng(20240808)
    db, one = common.from_db, np.ones

    def caps(H, W, directions, loosest, tight=None, by=0.9):
        count = H.shape[1] + len(directions)
        over = rng.uniform(1.001, loosest, count)
        if tight is not None:
            over[tight] = by
        return over

    H = common.rayleigh(rng, 4, 8)
    towards = common.ula([-40, 15, 60], 8)
    yield "matched, rayleigh 8x4, -5 dB, caps that hold", H, matched(H), one(4), db([-5] * 4), 0 * one(4), towards, caps(H, None, towards, 2), 1.01
    yield "matched, rayleigh 8x4, an antenna over its cap", H, matched(H), one(4), db([-5] * 4), 0 * one(4), towards, caps(H, None, towards, 2, 3), None
    yield "matched, rayleigh 8x4, a direction over its cap", H, matched(H), one(4), db([-5] * 4), 0 * one(4), towards, caps(H, None, towards, 2, 9, 0.999), None
    yield "matched, rayleigh 8x4, the total over its cap", H, matched(H), one(4), db([-5] * 4), 0 * one(4), towards[:0], caps(H, None, towards[:0], 2), 0.9999
    yield "matched, rayleigh 8x4, 10 dB: unservable", H, matched(H), one(4), db([10] * 4), 0 * one(4), towards, None, None
    H = common.rayleigh(rng, 6, 8)
    noise, sinr = rng.uniform(0.5, 2, 6), db(rng.uniform(-5, 15, 6))
    yield "zero forcing, rayleigh 8x6, unequal", H, zero_forcing(H), noise, sinr, 0 * noise, towards, caps(H, None, towards, 1.5), 1.001
    yield "zero forcing, rayleigh 8x6, errors", H, zero_forcing(H), noise, sinr, 0.001 * rng.uniform(0, 1, 6), towards, caps(H, None, towards, 1.5), 1.001
    yield "zero forcing, rayleigh 8x6, errors that take the signal", H, zero_forcing(H), noise, sinr, 5.0 * rng.uniform(0.5, 1, 6), towards, None, None
    H = common.ula([-50, -20, 5, 12, 40], 16)
    towards = common.ula(np.linspace(-80, 80, 9), 16)
    yield "regularised, line of sight 16x5, 10 dB, nine directions", H, regularised(H, 0.01), one(5), db([10] * 5), 0 * one(5), towards, caps(H, None, towards, 1.2), 1.05
    yield "regularised, line of sight 16x5, a direction over its cap", H, regularised(H, 0.01), one(5), db([10] * 5), 0 * one(5), towards, caps(H, None, towards, 1.2, 20), 1.05
    H = common.rayleigh(rng, 7, 4)
    yield "regularised, more users than antennas, rayleigh 4x7", H, regularised(H, 0.3), one(7), db([-8] * 7), 0 * one(7), towards[:0], caps(H, None, towards[:0], 1.3), 1.3
    loss = db(rng.uniform(-130, -80, 6))
    H = np.sqrt(loss)[:, None] * common.rayleigh(rng, 6, 12)
    yield "path gains -80 to -130 dB, noise in W", H, random_beams(rng, H / np.linalg.norm(H, axis=1)[:, None], 1.5), np.full(6, 1e-13), db([-6] * 6), 0 * one(6), common.ula([0, 30], 12), caps(H, None, [0, 0], 1.4), 1.02
    H = common.formula_channel(4, 6)
    yield "formula channel 4 users, 6 antennas, regularised", H, regularised(H, 0.1), one(4), np.array([1.0, 2, 3, 1]), 0 * one(4), towards[:0], caps(H, None, towards[:0], 1.1), 1.1


def solve(name, H, W, noise, sinr, error, directions, over, total_over):
    gain = np.abs(H.conj() @ W) ** 2
    rows = np.vstack([np.abs(W) ** 2] + [np.abs(d.conj() @ W)[None, :] ** 2 for d in directions])
    free, polished = program(gain, noise, sinr, error, [], [], None)
    case = {
        "name": name, "channel": common.split(H), "beams": common.split(W.T), "noise_w": noise.tolist(),
        "sinr": sinr.tolist(), "csi_error_variance": error.tolist(), "directions": common.split(directions),
    }
    if free is None:
        assert over is None, name
        print(f"{name}: unservable")
        return {**case, "outcome": "unservable", "row_cap_w": [], "total_cap_w": 0}
    caps = rows @ polished * over
    total = None if total_over is None else np.sum(polished) * total_over
    case.update(row_cap_w=caps.tolist(), total_cap_w=total or 0)
    capped, _ = program(gain, noise, sinr, error, rows, caps, total)
    beyond = np.min(over) < 1 or total_over is not None and total_over < 1
    assert (capped is None) == beyond, name
    if capped is None:
        print(f"{name}: above limits")
        return {**case, "outcome": "above limits", "power_w": np.sum(polished), "user_power_w": polished.tolist()}
    difference = np.sum(capped) / np.sum(polished) - 1
    print(f"{name}: {np.sum(polished):.12g}, HiGHS {difference:.1e}")
    assert abs(difference) < 1e-8, name
    return {
        **case, "outcome": "solved", "power_w": np.sum(polished), "user_power_w": polished.tolist(),
        "program_difference": difference,
    }


if __name__ == "__main__":
    common.write(
        "fixed_beams.json",
        "testdata/reference/fixed_beams.py: linear program by scipy's HiGHS, polished by solving the targets as "
        "equations; see the script",
        [solve(*case) for case in instances()],
    )
