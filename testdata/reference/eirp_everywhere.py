"""Least total power under caps on EIRP in every direction: eirp_everywhere.json.

The problem of eirp.py with its caps in every direction of the sphere or of the
protected cones, not on a grid only. cvxopt solves the cone program with the
directions known so far; the maxima of the EIRP of its beams, found by scipy's
SLSQP from the best points of a grid, join them until none is above its cap by more
than 1e-7. Checked by the dual as in eirp.py: gap is the distance of the last solve
from the bound.

    /usr/bin/python3 testdata/reference/eirp_everywhere.py
"""

import numpy as np
from scipy.optimize import minimize

import common
import eirp


def gain_of(case_gain_dbi, pattern, directions):
    shape = eirp.sector65(directions) if pattern == "sector65" else np.ones(len(directions))
    return common.from_db(case_gain_dbi) * shape


def rows(positions, gain_dbi, pattern, directions):
    return np.sqrt(gain_of(gain_dbi, pattern, directions))[:, None] * eirp.steering(positions, directions)


def maxima(W, positions, gain_dbi, pattern, axis, half_deg, starts=24):
    """Local maxima of the EIRP within half_deg of the axis (az, el)."""
    value = lambda d: float(np.sum(np.abs(rows(positions, gain_dbi, pattern, [d]).conj() @ W) ** 2))
    u0 = eirp.unit_vectors([axis])[0]
    room = lambda d: float(eirp.unit_vectors([d])[0] @ u0 - np.cos(np.radians(half_deg)))
    if half_deg >= 180:
        grid = [(a, e) for e in np.arange(-88, 89, 2.0) for a in np.arange(-180, 180, 2.0)]
    else:
        step = half_deg / 15
        grid = [(axis[0] + a, axis[1] + e) for e in np.arange(-half_deg, half_deg + 1e-9, step) for a in np.arange(-half_deg * 1.3, half_deg * 1.3 + 1e-9, step)]
        grid = [d for d in grid if room(d) >= -1e-12]
    grid = np.array(grid)
    power = np.sum(np.abs(rows(positions, gain_dbi, pattern, grid).conj() @ W) ** 2, axis=1)
    found = []
    for i in np.argsort(-power):
        if len(found) >= starts or power[i] < 0.3 * power.max():
            break
        if any(eirp.unit_vectors([grid[i]])[0] @ eirp.unit_vectors([f])[0] > np.cos(np.radians(3)) for f, _ in found):
            continue
        scale = value(grid[i])
        limits = [] if half_deg >= 180 else [{"type": "ineq", "fun": room}]
        r = minimize(lambda d: -value(d) / scale, grid[i], method="SLSQP", constraints=limits, options={"ftol": 1e-14, "maxiter": 200})
        best = r.x if room(r.x) >= -1e-9 and value(r.x) > power[i] else grid[i]
        found.append((tuple(best), value(best)))
    return found


def solve(name, positions, gain_dbi, pattern, H, noise, sinr, everywhere, protected):
    users, antennas = H.shape
    scale = np.sum(sinr * noise / np.sum(np.abs(H) ** 2, axis=1))
    free_power, _, W = common.least_power(H, noise, sinr)
    cones = [((p["azimuth_deg"], p["elevation_deg"]), p["width_deg"] / 2, p["eirp_cap_w"]) for p in protected]
    if everywhere is not None:
        cones.append(((0.0, 0.0), 180.0, everywhere))
    directions, caps, power = [], [], free_power
    for round_ in range(40):
        added = 0
        for axis, half, cap in cones:
            for d, e in maxima(W, positions, gain_dbi, pattern, axis, half):
                near = any(c == cap and np.max(np.abs(np.subtract(d, known))) < 1e-3 for known, c in zip(directions, caps))
                if e > cap * (1 + 1e-7) and not near:
                    directions.append(d)
                    caps.append(cap)
                    added += 1
        if not added:
            break
        program = common.Cones(users, antennas)
        equal = common.add_sinr_cones(program, H * np.sqrt(scale), noise, sinr)
        eirp.cap_cones(program, rows(positions, gain_dbi, pattern, directions), np.array(caps) / scale)
        power, W, multipliers, _ = common.least_power_cones(program, equal)
        power, W = power * scale, W * np.sqrt(scale)
        A, q = rows(positions, gain_dbi, pattern, directions), multipliers[users : users + len(caps)]
        Q = np.eye(antennas) + (A.T * q) @ A.conj()
        normal = np.linalg.solve(np.linalg.cholesky(Q), (H / np.sqrt(noise)[:, None]).T).T
        lower = common.dual_bound(normal, sinr, common.fixed_point(normal, sinr)) - q @ caps
    else:
        raise AssertionError(name)
    assert np.all(common.sinr_of(H, noise, W) >= sinr * (1 - 1e-7)), name
    gap = power / lower - 1 if caps else 0.0
    print(f"{name}: {power:.10g} W, uncapped {free_power:.6g} W, gap {gap:.0e}, {len(caps)} directions in {round_} rounds", flush=True)
    return {
        "name": name, "carrier_hz": eirp.CARRIER_HZ, "positions_m": positions.tolist(), "element_gain_dbi": gain_dbi,
        "element_pattern": pattern, "channel": common.split(H), "noise_w": noise.tolist(), "sinr": sinr.tolist(),
        "eirp_cap_w": everywhere, "protected": protected, "uncapped_power_w": free_power, "power_w": power,
        "gap": gap,
    }


def cases():
    """The feasible cases of eirp.py with caps that leave some room."""
    for case, args in zip(FILE, eirp.instances()):
        name, positions, gain_dbi, pattern, H, noise, sinr, _, _ = args
        assert case["name"] == name
        if not case["feasible"]:
            continue
        cap = case["eirp_cap_w"]
        room = 1.4 if name.startswith("panel") else 1.05
        wide = 3.0 if name.startswith("panel") else 1.0
        protected = [p | {"eirp_cap_w": p["eirp_cap_w"] * wide} for p in case["protected"]]
        yield name, positions, gain_dbi, pattern, H, noise, sinr, None if cap is None else cap * room, protected


if __name__ == "__main__":
    import json

    FILE = json.loads((common.HERE / "eirp.json").read_text())["cases"]
    common.write(
        "eirp_everywhere.json",
        "testdata/reference/eirp_everywhere.py: cone programs by cvxopt, directions by scipy's SLSQP; see the script",
        [solve(*case) for case in cases()],
    )
