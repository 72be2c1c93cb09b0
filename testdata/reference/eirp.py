"""Least total power under SINR targets and caps on EIRP: eirp.json.

min sum_k ||w_k||^2 subject to SINR_k >= g_k and, in every direction d of a grid
stored with the case, G_d sum_k |a_d^H w_k|^2 <= cap_d, where
a_d,m = exp(j 2 pi/wavelength u_d . r_m) for antenna m at r_m and the unit vector
u_d = (cos el cos az, cos el sin az, sin el), and G_d is the element's gain. The
array looks along +x. Each direction is a second-order cone; cvxopt solves the
program. Checked by the dual: for prices q >= 0 of the caps, the least power of
the channel (I + sum_d q_d G_d a_d a_d^H)^-1/2 h less sum_d q_d cap_d bounds the
optimum from below (Yu, Lan, IEEE Trans. SP 55(6), 2007, carried over); the
relative distance is the case's gap.

scale is the least common factor on all caps at which the targets can be met, 0
where only directions apart from the users are limited.

    /usr/bin/python3 testdata/reference/eirp.py
"""

import numpy as np

import common

LIGHT_M_PER_S = 299792458.0
CARRIER_HZ = 3.5e9
WAVELENGTH_M = LIGHT_M_PER_S / CARRIER_HZ


def unit_vectors(directions):
    az, el = np.radians(np.asarray(directions, float)).T
    return np.stack([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)], axis=1)


def steering(positions, directions):
    """Directions x antennas."""
    return np.exp(2j * np.pi / WAVELENGTH_M * unit_vectors(directions) @ positions.T)


def line(antennas):
    """Along y, half a wavelength apart."""
    return np.stack([np.zeros(antennas), np.arange(antennas) * WAVELENGTH_M / 2, np.zeros(antennas)], axis=1)


def panel(across, up):
    """In the yz plane, half a wavelength apart, row after row."""
    y, z = np.meshgrid(np.arange(across), np.arange(up))
    return np.stack([np.zeros(across * up), y.ravel(), z.ravel()], axis=1) * WAVELENGTH_M / 2


def sector65(directions):
    """Pattern of TR 38.901 table 7.3-1 relative to its peak, linear."""
    az, el = np.asarray(directions, float).T
    vertical = np.minimum(12 * (el / 65) ** 2, 30)
    horizontal = np.minimum(12 * (az / 65) ** 2, 30)
    return common.from_db(-np.minimum(vertical + horizontal, 30))


def paths(rng, positions, azimuths, spread, count=5, elevation=0.0):
    """Users of a strong direct path and a few weak ones around it."""
    rows = []
    for az in azimuths:
        directions = [(az, elevation)] + [(az + rng.uniform(-spread, spread), elevation) for _ in range(count)]
        gains = np.append(1.0, 0.3 * (rng.standard_normal(count) + 1j * rng.standard_normal(count)) / np.sqrt(2 * count))
        rows.append(gains @ steering(positions, directions))
    return np.array(rows)


def instances():
    """(name, positions, dBi, pattern, H, noise, sinr, directions, limits as
    (t: the cap everywhere is least^(1-t) peak^t, from the least feasible to the
    uncapped peak, [(az, el, width, fraction of the uncapped EIRP there)]))."""
    db = common.from_db
    rng = np.random.default_rng(20240605)
    one = np.ones
    fan = [(az, 0.0) for az in np.arange(-90, 91, 2.0)]
    dome = [(az, el) for el in np.arange(-60, 61, 15.0) for az in np.arange(-90, 91, 10.0)]
    r = line(4)
    yield "line of 4, 2 users, cap between least and peak", r, 0, "isotropic", paths(rng, r, [-20, 25], 20), one(2), db([6, 6]), fan, (0.5, [])
    yield "line of 4, 2 users, cap below the least", r, 0, "isotropic", paths(rng, r, [-20, 25], 20), one(2), db([6, 6]), fan, (-0.5, [])
    r = line(8)
    H = paths(rng, r, [-35, 0, 25], 15)
    yield "line of 8, 3 users, cap near the least", r, 5, "isotropic", H, one(3), db([10, 7, 4]), fan, (0.2, [])
    yield "line of 8, 3 users, 10 degrees protected", r, 5, "isotropic", H, one(3), db([10, 7, 4]), fan, (None, [(50, 0, 10, 0.05)])
    yield "line of 8, 3 users, cap and 8 degrees protected", r, 5, "isotropic", H, one(3), db([10, 7, 4]), fan, (0.9, [(-60, 0, 8, 0.3)])
    yield "line of 8, protected direction between two users", r, 0, "isotropic", paths(rng, r, [-8, 14], 10), one(2), db([8, 8]), fan, (None, [(2, 0, 6, 0.5)])
    H = common.rayleigh(rng, 3, 8)
    yield "line of 8, rayleigh, cap near the least", r, 0, "isotropic", H, np.array([0.5, 1, 2]), db([3, 6, 9]), fan, (0.1, [])
    r = line(16)
    yield "line of 16, 4 users, sector pattern, two protected directions", r, 8, "sector65", paths(rng, r, [-40, -10, 15, 45], 10), one(4), db([10] * 4), fan, (0.9, [(-25, 0, 6, 0.3), (30, 0, 6, 0.3)])
    r = panel(4, 2)
    yield "panel of 4x2, 3 users, cap between least and peak", r, 5, "sector65", paths(rng, r, [-30, 5, 40], 15, elevation=-8), one(3), db([5] * 3), dome, (0.5, [])
    r = panel(4, 4)
    yield "panel of 4x4, 4 users, cap and a cone protected", r, 5, "sector65", paths(rng, r, [-40, -10, 20, 50], 10, elevation=-6), one(4), db([8] * 4), dome, (0.8, [(0, -30, 20, 0.3)])
    r = panel(4, 4)
    yield "panel of 4x4, rayleigh, 2 users, cap near the least", r, 0, "isotropic", common.rayleigh(rng, 2, 16), one(2), db([10] * 2), dome, (0.15, [])


def cap_cones(cones, A, caps, at=None):
    """Adds ||(a_d^H w_k)_k|| <= sqrt(cap_d) [* x_at]; rows of A carry the gain."""
    for a, cap in zip(A, caps):
        top, constant = np.zeros(cones.width), np.sqrt(cap)
        if at is not None:
            top[at], constant = np.sqrt(cap), 0.0
        body = np.vstack([cones.product(a, k) for k in range(cones.users)])
        cones.add(top, constant, body, np.zeros(body.shape[0]))


def solve(name, positions, gain_dbi, pattern, H, noise, sinr, directions, limits):
    users, antennas = H.shape
    gain = common.from_db(gain_dbi) * (sector65(directions) if pattern == "sector65" else np.ones(len(directions)))
    A = np.sqrt(gain)[:, None] * steering(positions, directions)
    free_power, _, free = common.least_power(H, noise, sinr)
    scale = np.sum(sinr * noise / np.sum(np.abs(H) ** 2, axis=1))
    bright = np.sum(np.abs(A.conj() @ free) ** 2, axis=1)

    def least_factor(caps):
        limited = np.isfinite(caps)
        cones = common.Cones(users, antennas, extra=1)
        equal = common.add_sinr_cones(cones, H * np.sqrt(scale), noise, sinr)
        cap_cones(cones, A[limited], caps[limited] / scale, at=cones.width - 1)
        return common.least_scale(cones, equal)[0]

    t, protected = limits
    everywhere = np.inf
    if t is not None:
        everywhere = bright.max() * least_factor(np.full(len(directions), bright.max())) ** (1 - t)
    caps = np.full(len(directions), everywhere)
    u, places = unit_vectors(directions), []
    for az, el, width, fraction in protected:
        inside = u @ unit_vectors([(az, el)])[0] >= np.cos(np.radians(width / 2)) - 1e-12
        cap = fraction * bright[inside].max()
        caps[inside] = np.minimum(caps[inside], cap)
        places.append({"azimuth_deg": az, "elevation_deg": el, "width_deg": width, "eirp_cap_w": cap})
    limited = np.isfinite(caps)
    # Protected directions alone could be nulled altogether.
    factor = 0.0 if t is None else least_factor(caps)
    case = {
        "name": name, "users": users, "antennas": antennas, "carrier_hz": CARRIER_HZ,
        "positions_m": positions.tolist(), "element_gain_dbi": gain_dbi, "element_pattern": pattern,
        "channel": common.split(H), "noise_w": noise.tolist(), "sinr": sinr.tolist(),
        "eirp_cap_w": everywhere if np.isfinite(everywhere) else None, "protected": places,
        "feasible": bool(factor <= 1), "scale": factor, "uncapped_power_w": free_power,
        "directions": [
            {"azimuth_deg": az, "elevation_deg": el, "gain": g} | ({"eirp_cap_w": c} if np.isfinite(c) else {})
            for (az, el), g, c in zip(directions, gain.tolist(), caps.tolist())
        ],
    }
    if factor > 1:
        print(f"{name}: infeasible, caps x {factor:.9g}")
        return case

    cones = common.Cones(users, antennas)
    equal = common.add_sinr_cones(cones, H * np.sqrt(scale), noise, sinr)
    cap_cones(cones, A[limited], caps[limited] / scale)
    power, W, multipliers, _ = common.least_power_cones(cones, equal)
    power, W = power * scale, W * np.sqrt(scale)
    q = np.zeros(len(directions))
    q[limited] = multipliers[users : users + np.sum(limited)]

    Q = np.eye(antennas) + (A.T * q) @ A.conj()
    normal = H / np.sqrt(noise)[:, None]
    lam = common.fixed_point(np.linalg.solve(np.linalg.cholesky(Q), normal.T).T, sinr)
    lower = common.dual_bound(np.linalg.solve(np.linalg.cholesky(Q), normal.T).T, sinr, lam) - q[limited] @ caps[limited]
    gap = power / lower - 1
    eirp = np.sum(np.abs(A.conj() @ W) ** 2, axis=1)
    assert np.all(common.sinr_of(H, noise, W) >= sinr * (1 - 1e-7)), name
    assert np.all(eirp[limited] <= caps[limited] * (1 + 1e-7)), name
    binding = np.sum(q > 1e-6 * max(q.max(), 1e-12))
    print(f"{name}: {power:.10g} W, uncapped {free_power:.6g} W, gap {gap:.0e}, {binding} of {np.sum(limited)} bind, caps x {factor:.4g}", flush=True)
    assert abs(gap) < 1e-7 and power > free_power * (1 + 1e-4), name
    for direction, e, x in zip(case["directions"], eirp.tolist(), q.tolist()):
        direction |= {"eirp_w": e, "price": x}
    return case | {"power_w": power, "gap": gap}


if __name__ == "__main__":
    common.write(
        "eirp.json",
        "testdata/reference/eirp.py: second-order cone program by cvxopt, one cone a direction, "
        "checked by the dual; see the script",
        [solve(*case) for case in instances()],
    )
