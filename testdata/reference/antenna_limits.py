"""Least total power under SINR targets and power limits: antenna_limits.json.

min sum_k ||w_k||^2 subject to SINR_k >= g_k, sum_k |w_mk|^2 <= cap_m on every
antenna and, in some cases, sum_k ||w_k||^2 <= a total cap. Solved as a
second-order cone program by cvxopt. Polish: with the prices q_m of the caps, the
beams are those of the channel diag(1+q)^-1/2 h (Yu, Lan, IEEE Trans. SP 55(6),
2007); scipy's root finder adjusts the prices of the binding caps until their
antennas' powers equal the caps. Stored: power, duals lambda (noise-normalised)
and q ("price"), power of each antenna; sum lambda - sum q cap = power.

limit_scale is the least common factor on all limits at which the targets can be
met (a second cone program); above one the case is infeasible. For infeasible
cases rate_fraction is the largest common fraction of all rates log(1 + g_k)
that the limits carry.

    /usr/bin/python3 testdata/reference/antenna_limits.py
"""

import numpy as np
from scipy.optimize import brentq, root

import common


def limit_cones(cones, caps, total, scale_at=None):
    """Adds ||row m|| <= sqrt(cap_m) [* x_scale_at] and the total alike."""
    rows = [(m, c) for m, c in enumerate(caps)] if caps is not None else []
    for m, cap in rows:
        top, constant = np.zeros(cones.width), np.sqrt(cap)
        if scale_at is not None:
            top[scale_at], constant = np.sqrt(cap), 0.0
        body = np.vstack([cones.entry(m, k) for k in range(cones.users)])
        cones.add(top, constant, body, np.zeros(body.shape[0]))
    if total is not None:
        top, constant = np.zeros(cones.width), np.sqrt(total)
        if scale_at is not None:
            top[scale_at], constant = np.sqrt(total), 0.0
        body = cones.everything()
        cones.add(top, constant, body, np.zeros(body.shape[0]))


def limit_scale(H, noise, sinr, caps, total):
    """Least factor on all limits that makes the targets feasible; infinite when
    no factor does. The relative gap of the cone program comes second."""
    users, antennas = H.shape
    cones = common.Cones(users, antennas, extra=1)
    equal = common.add_sinr_cones(cones, H, noise, sinr)
    limit_cones(cones, caps, total, scale_at=cones.width - 1)
    return common.least_scale(cones, equal)


def rate_fraction(H, noise, sinr, caps, total):
    """Largest common fraction of all rates within the limits."""
    rate = np.log1p(sinr)

    def excess(fraction):
        value, _ = limit_scale(H, noise, np.expm1(fraction * rate), caps, total)
        return np.log(min(value, 1e6))

    return brentq(excess, 1e-3, 1, xtol=1e-11, rtol=1e-11)


def priced(H, noise, sinr, q):
    """Beams of the channel under antenna prices q: (lambda, W)."""
    root_q = 1 / np.sqrt(1 + q)
    lam = common.fixed_point(H / np.sqrt(noise)[:, None] * root_q[None, :], sinr)
    return lam, common.beams_from_duals(H, noise, sinr, lam, weight=1 + q)


def polish(H, noise, sinr, caps, q):
    """Prices at which the binding antennas radiate exactly their caps."""
    for _ in range(10):
        active = np.flatnonzero(q > 1e-7 * max(1.0, q.max()))

        def excess(log_q):
            full = np.zeros(len(caps))
            full[active] = np.exp(log_q)
            _, W = priced(H, noise, sinr, full)
            return np.sum(np.abs(W[active]) ** 2, axis=1) / caps[active] - 1

        full = np.zeros(len(caps))
        if len(active):
            found = root(excess, np.log(q[active]), method="hybr", options={"xtol": 1e-13})
            full[active] = np.exp(found.x)
        lam, W = priced(H, noise, sinr, full)
        power = np.sum(np.abs(W) ** 2, axis=1)
        over = power > caps * (1 + 1e-9)
        if not over.any():
            return full, lam, W
        full[over & (full == 0)] = 1e-3
        q = full
    raise RuntimeError("active set not found")


def instances():
    """(name, H, noise, sinr, caps or factor, total). A factor ("peak", f) means
    f times the uncapped peak on all antennas, ("least", f) f times the smallest
    feasible common cap."""
    db = common.from_db
    rng = np.random.default_rng(20240603)
    one = np.ones
    C = common.formula_channel(4, 6), one(4), np.full(4, 3.0)
    yield "formula channel 4 users, 6 antennas, caps at 90 % of the uncapped peak", *C, np.full(6, 0.9391084129677256), None
    yield "the same, 2 % above the least common cap", *C, ("least", 1.02), None
    H = common.rayleigh(rng, 4, 8)
    yield "rayleigh 8x4, 90 % of the peak", H, one(4), db([10] * 4), ("peak", 0.9), None
    yield "rayleigh 8x4, 30 % above the least common cap", H, one(4), db([10] * 4), ("least", 1.3), None
    yield "rayleigh 8x4, 3 % above the least common cap", H, one(4), db([10] * 4), ("least", 1.03), None
    yield "rayleigh 8x4, 5 % below the least common cap", H, one(4), db([10] * 4), ("least", 0.95), None
    H = common.rayleigh(rng, 5, 12)
    noise, sinr = rng.uniform(0.3, 3, 5), db([0, 3, 6, 9, 12])
    caps = rng.uniform(0.5, 2.0, 12)
    yield "rayleigh 12x5, unequal caps", H, noise, sinr, caps, None
    caps = caps.copy()
    caps[[2, 7]] = 0
    yield "rayleigh 12x5, twice these caps, two antennas off", H, noise, sinr, 2 * caps, None
    yield "rayleigh 12x5, unequal caps, two antennas off", H, noise, sinr, caps, None
    H = common.ula([-48, -20, 5, 25], 16)
    yield "line of sight 16x4, 5 % above the least common cap", H, one(4), db([10] * 4), ("least", 1.05), None
    H = common.ula([-30, -3, 3, 33], 16)
    yield "line of sight 16x4, two users 6 degrees apart, 90 % of the peak", H, one(4), db([7] * 4), ("peak", 0.9), None
    H = common.clustered(rng, 5, 16, [-20, 30], 4)
    yield "clustered 16x5, 90 % of the peak", H, one(5), db([3] * 5), ("peak", 0.9), None
    yield "clustered 16x5, 10 % above the least common cap", H, one(5), db([3] * 5), ("least", 1.1), None
    H = common.rayleigh(rng, 5, 4)
    yield "more users than antennas, rayleigh 4x5, 5 % above the least common cap", H, one(5), np.full(5, 0.9), ("least", 1.05), None
    H = common.rayleigh(rng, 8, 32)
    yield "rayleigh 32x8, 5 % above the least common cap", H, one(8), db([8] * 8), ("least", 1.05), None
    loss = db(-rng.uniform(80, 120, 4))
    H = np.sqrt(loss)[:, None] * common.rayleigh(rng, 4, 8)
    yield "path gains -80 to -120 dB, noise in W, 10 % above the least common cap", H, np.full(4, db(-126)), db([5, 7, 9, 11]), ("least", 1.1), None
    h = np.array([[3, 2, 1, 0.5]], complex)
    caps = np.array([0.2, 0.5, 0.5, 0.5])
    yield "one user, real channel (3, 2, 1, 0.5)", h, one(1), np.array([10.0]), caps, None
    yield "one user, real channel (3, 2, 1, 0.5), target above its limit 14.56578", h, one(1), np.array([15.0]), caps, None
    H = common.rayleigh(rng, 3, 6)
    caps = np.full(6, 5.0)
    caps[:4] = 0
    yield "rayleigh 6x3, four antennas off: more users than antennas", H, one(3), db([6] * 3), caps, None
    H = common.rayleigh(rng, 4, 8)
    yield "rayleigh 8x4, total cap that does not bind", H, one(4), db([6] * 4), ("peak", 0.9), 100.0
    yield "rayleigh 8x4, total cap of 1 W alone", H, one(4), db([6] * 4), None, 1.0
    yield "rayleigh 8x4, both caps, the total infeasible", H, one(4), db([6] * 4), ("peak", 0.9), 1.5


def resolve(H, noise, sinr, caps):
    """Caps in watts from a factor."""
    if not isinstance(caps, tuple):
        return caps
    kind, factor = caps
    antennas = H.shape[1]
    if kind == "peak":
        _, _, W = common.least_power(H, noise, sinr)
        return np.full(antennas, factor * np.max(np.sum(np.abs(W) ** 2, axis=1)))
    scale = np.sum(sinr * noise / np.sum(np.abs(H) ** 2, axis=1))
    value, _ = limit_scale(H * np.sqrt(scale), noise, sinr, np.ones(antennas), None)
    return np.full(antennas, factor * value * scale)


def solve(name, H, noise, sinr, caps, total):
    users, antennas = H.shape
    caps = resolve(H, noise, sinr, caps)
    on = np.ones(antennas, bool) if caps is None else caps > 0
    # The cone solver sees a power near 1 and no antenna that is off.
    scale = np.sum(sinr * noise / np.sum(np.abs(H) ** 2, axis=1))
    used, used_caps = H[:, on], None if caps is None else caps[on]
    scaled = (used * np.sqrt(scale), noise, sinr,
              None if caps is None else used_caps / scale, None if total is None else total / scale)
    factor, factor_gap = limit_scale(*scaled)
    case = {
        "name": name, "users": users, "antennas": antennas,
        "channel": common.split(H), "noise_w": noise.tolist(), "sinr": sinr.tolist(),
        "antenna_cap_w": [] if caps is None else caps.tolist(),
        "feasible": bool(factor <= 1),
    }
    if total is not None:
        case["total_cap_w"] = total
    if np.isfinite(factor):
        case["limit_scale"] = factor
    if factor > 1:
        case["rate_fraction"] = rate_fraction(*scaled)
        print(f"{name}: infeasible, limits x {factor:.9g} (gap {factor_gap:.0e}), rates x {case['rate_fraction']:.9g}")
        return case

    cones = common.Cones(users, used.shape[1])
    equal = common.add_sinr_cones(cones, *scaled[:3])
    limit_cones(cones, *scaled[3:])
    cone_power, _, multipliers, _ = common.least_power_cones(cones, equal)
    q = multipliers[users : users + used.shape[1]] if caps is not None else np.zeros(used.shape[1])
    q, lam, W = polish(used, noise, sinr, np.full(used.shape[1], np.inf) if caps is None else used_caps, q)
    power = np.sum(np.abs(W) ** 2)
    dual = lam.sum() - (q @ used_caps if caps is not None else 0)
    assert np.all(common.sinr_of(used, noise, W) >= sinr * (1 - 1e-9)), name
    assert total is None or power <= total, name
    gap, difference = power / dual - 1, cone_power * scale / power - 1
    print(f"{name}: {power:.12g} gap {gap:.0e} cone {difference:.0e} binding {np.sum(q > 0)} of {antennas}, limits x {factor:.6g} (gap {factor_gap:.0e})")
    assert abs(gap) < 1e-9 and abs(difference) < 1e-8, name
    price, antenna = np.zeros(antennas), np.zeros(antennas)
    price[on], antenna[on] = q, np.sum(np.abs(W) ** 2, axis=1)
    return case | {
        "power_w": power, "lambda": lam.tolist(), "price": price.tolist(),
        "antenna_power_w": antenna.tolist(), "gap": gap, "cone_difference": difference,
    }


if __name__ == "__main__":
    common.write(
        "antenna_limits.json",
        "testdata/reference/antenna_limits.py: second-order cone program by cvxopt, polished by "
        "root finding on the prices of the binding caps; see the script",
        [solve(*case) for case in instances()],
    )
