"""Users on distinct beams of a DFT grid at the least total power: codebook.json.

min sum_k p_k over an assignment of distinct beams b(k) and p >= 0 subject to
p_k a_k,b(k) >= g_k (1 + sum_{j != k} p_j a_k,b(j)), a_kb = |h_k^H u_b|^2, noise 1.

Two methods, which must agree. Enumeration: every assignment of distinct beams, its
powers by solving the targets as equations. A mixed-integer program by scipy's HiGHS:
p_kb <= P z_kb, sum_b z_kb = 1, sum_k z_kb <= 1, z binary, targets as rows, powers in
units of what each user needs alone on its best beam, P 20 dB above all of them; its
assignment's powers by the equations again.

Beams: a line of M antennas has M times the oversampling beams exp(2 pi i m b / N) /
sqrt(M); a panel the products of those of its sides, the row's turn first.

    /usr/bin/python3 testdata/reference/codebook.py
"""

import itertools

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

import common

LARGEST = 100  # power over the powers alone, in the integer program


def side(antennas, oversampling):
    beams = antennas * oversampling if antennas > 1 else 1
    return np.exp(2j * np.pi * np.outer(np.arange(beams), np.arange(antennas)) / beams) / np.sqrt(antennas)


def grid(antennas, columns, oversampling):
    """Beams as rows."""
    along = side(columns or antennas, oversampling)
    up = side(antennas // (columns or antennas), oversampling)
    return np.einsum("vr,wc->vwrc", up, along).reshape(len(up) * len(along), antennas)


def powers(gain, sinr, beams):
    """Least powers on the beams given, [assignment][user]; NaN where there are none."""
    users = len(sinr)
    heard = gain[np.arange(users)[:, None], beams[:, None, :]]  # [assignment][user][user's beam]
    own = heard[:, np.arange(users), np.arange(users)]
    coupling = sinr[:, None] * heard / own[:, :, None]
    coupling[:, np.arange(users), np.arange(users)] = 0
    radius = np.max(np.abs(np.linalg.eigvals(coupling)), axis=1)
    out = np.full((len(beams), users), np.nan)
    good = radius < 1 - 1e-12
    out[good] = np.linalg.solve(np.eye(users) - coupling[good], sinr / own[good])
    return out


def enumerate_all(gain, sinr):
    best, at = np.inf, None
    every = itertools.permutations(range(gain.shape[1]), len(sinr))
    while chunk := list(itertools.islice(every, 20000)):
        chunk = np.array(chunk)
        total = np.sum(powers(gain, sinr, chunk), axis=1)
        if np.any(np.isfinite(total)) and np.nanmin(total) < best:
            best, at = np.nanmin(total), chunk[np.nanargmin(total)]
    return best, at


def integer_program(gain, sinr):
    users, beams = gain.shape
    unit = sinr / np.max(gain, axis=1)
    pairs = users * beams
    most = LARGEST * np.sum(unit)
    rows, low, high = [], [], []

    def row(lower, upper):
        rows.append(np.zeros(2 * pairs))
        low.append(lower)
        high.append(upper)
        return rows[-1]

    for k in range(users):
        target = row(1, np.inf)  # divided by g_k
        for j in range(users):
            for b in range(beams):
                target[j * beams + b] = unit[j] * (gain[k, b] / sinr[k] if j == k else -gain[k, b])
        row(1, 1)[pairs + k * beams : pairs + (k + 1) * beams] = 1
        for b in range(beams):
            link = row(-np.inf, 0)
            link[k * beams + b], link[pairs + k * beams + b] = 1, -most / unit[k]
    for b in range(beams):
        row(-np.inf, 1)[pairs + b :: beams] = 1
    cost = np.concatenate([np.repeat(unit / np.sum(unit), beams), np.zeros(pairs)])
    found = milp(
        cost, constraints=LinearConstraint(np.array(rows), low, high),
        integrality=np.repeat([0, 1], pairs),
        bounds=Bounds(0, np.repeat([np.inf, 1], pairs)), options={"mip_rel_gap": 1e-9},
    )
    if found.status != 0:
        return np.inf, None
    at = np.argmax(found.x[pairs:].reshape(users, beams), axis=1)
    return np.sum(powers(gain, sinr, at[None, :])[0]), at


def instances():
    """(name, channel, columns, oversampling, targets in dB)"""
    rng = np.random.default_rng(20240909)
    yield "rayleigh 8x4", common.rayleigh(rng, 4, 8), 0, 1, [-3, 0, 3, 5]
    yield "rayleigh 4x4, as many users as beams", common.rayleigh(rng, 4, 4), 0, 1, [-12, -10, -8, -6]
    yield "rayleigh 4x3, oversampling 4", common.rayleigh(rng, 3, 4), 0, 4, [-10, -3, 0]
    yield "rayleigh 8x5, targets far apart", common.rayleigh(rng, 5, 8), 0, 1, [-15, -10, -5, 0, 3]
    yield "rayleigh panel of 2x4, oversampling 2, 3 users", common.rayleigh(rng, 3, 8), 4, 2, [0, 2, 4]
    yield "line of sight 8x4, oversampling 2", common.ula([-35, -10, 12, 50], 8), 0, 2, [5, 5, 0, 10]
    yield "line of sight 8x4, within 6 degrees: one beam is best for all", common.ula([10, 12, 14, 16], 8), 0, 2, [-10, -9, -8, -7]
    yield "line of sight 16x3, within 3 degrees", common.ula([20, 21.5, 23], 16), 0, 2, [-8, -6, -5]
    yield "line of sight 8x4, path gains over 40 dB", np.sqrt(common.from_db([0, -40, -20, -10]))[:, None] * common.ula([5, 9, 30, -20], 8), 0, 2, [-8, -9, -3, 0]
    yield "clustered 8x4, +-5 degrees", common.clustered(rng, 4, 8, [15], 5), 0, 2, [-10, -10, -10, -10]
    yield "clustered 8x5, 2 clusters of +-4 degrees", common.clustered(rng, 5, 8, [-15, 20], 4), 0, 1, [-9, -8, -9, -8, -7]
    yield "clustered 16x3, +-3 degrees, oversampling 2", common.clustered(rng, 3, 16, [0], 3), 0, 2, [-4, -5, -6]
    yield "three users at one place", np.tile(common.ula([17], 8), (3, 1)), 0, 2, [-9, -8, -7]
    yield "two users at one place, beyond what two beams carry", np.tile(common.ula([17], 8), (2, 1)), 0, 2, [3, 1]


def solve(name, H, columns, oversampling, sinr_db):
    users, antennas = H.shape
    sinr = common.from_db(sinr_db)
    book = grid(antennas, columns, oversampling)
    gain = np.abs(H.conj() @ book.T) ** 2
    best, at = enumerate_all(gain, sinr)
    program, chosen = integer_program(gain, sinr)
    case = {
        "name": name, "antennas": antennas, "columns": columns, "oversampling": oversampling,
        "channel": common.split(H), "sinr": sinr.tolist(), "feasible": bool(np.isfinite(best)),
    }
    if not np.isfinite(best):
        assert chosen is None, name
        print(f"{name}: none")
        return case
    assert abs(program / best - 1) < 1e-9, (name, program, best)
    # What the users' best beams would do, one after the other.
    taken, greedy = [], []
    for k in range(users):
        order = [b for b in np.argsort(-gain[k]) if b not in taken]
        taken.append(order[0])
        greedy.append(order[0])
    first = np.sum(powers(gain, sinr, np.array([greedy]))[0])
    print(f"{name}: {best:.12g} on {at.tolist()}, integer program {program / best - 1:.1e}, first come {first / best:.4g}")
    return {
        **case, "power_w": best, "beams": at.tolist(), "program_difference": program / best - 1,
        "first_come_power_w": first if np.isfinite(first) else None,
    }


if __name__ == "__main__":
    common.write(
        "codebook.json",
        "testdata/reference/codebook.py: enumeration of all assignments and a mixed-integer program by scipy's "
        "HiGHS, which agree; see the script",
        [solve(*case) for case in instances()],
    )
