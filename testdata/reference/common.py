"""Channels and solvers shared by the scripts that make reference values.

Conventions. H is users x antennas, row k is h_k; user k receives
y_k = h_k^H x + n_k with noise power noise_k. W is antennas x users, column j is
the beam of user j in square roots of watts. SINR_k = |h_k^H w_k|^2 /
(sum_{j != k} |h_k^H w_j|^2 + noise_k).

The cone programs are solved by cvxopt's interior-point method on the problem as
stated, with no use of the structure of the optimum. The values are then
polished by another method (named where it is used) and both numbers are
compared, so that each stored value rests on two independent computations.

Nothing here is used by the product.
"""

import json
import pathlib

import numpy as np
from cvxopt import matrix, solvers

solvers.options.update(
    show_progress=False, abstol=1e-12, reltol=1e-12, feastol=1e-12, maxiters=200
)

HERE = pathlib.Path(__file__).resolve().parent


# --- channels ---------------------------------------------------------------


def rayleigh(rng, users, antennas):
    """Independent CN(0, 1) entries."""
    shape = (users, antennas)
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def ula(angles_deg, antennas, spacing=0.5):
    """Line of sight to a uniform linear array, spacing in wavelengths:
    h_m = exp(j 2 pi spacing m sin(angle))."""
    sine = np.sin(np.radians(np.asarray(angles_deg, float)))
    return np.exp(2j * np.pi * spacing * np.outer(sine, np.arange(antennas)))


def clustered(rng, users, antennas, centres_deg, half_width_deg, paths=6):
    """Users in turn in clusters; each user has a few paths of random phase
    within half_width_deg of the cluster's centre. Mean |h_m|^2 is 1."""
    rows = []
    for k in range(users):
        centre = centres_deg[k % len(centres_deg)]
        angles = centre + rng.uniform(-half_width_deg, half_width_deg, paths)
        gains = (rng.standard_normal(paths) + 1j * rng.standard_normal(paths)) / np.sqrt(2 * paths)
        rows.append(gains @ ula(angles, antennas))
    return np.array(rows)


def formula_channel(users, antennas):
    """A channel of integers, the same on any machine without a random
    generator; k and m count from zero:
    Re = ((7(k+1)(m+1) + 3k^2 + 5m) mod 17 - 8)/8,
    Im = ((5(k+1)(m+2) + 11k + 2m^2) mod 19 - 9)/9."""
    k = np.arange(users)[:, None]
    m = np.arange(antennas)[None, :]
    real = ((7 * (k + 1) * (m + 1) + 3 * k**2 + 5 * m) % 17 - 8) / 8
    imag = ((5 * (k + 1) * (m + 2) + 11 * k + 2 * m**2) % 19 - 9) / 9
    return real + 1j * imag


def from_db(value):
    return 10 ** (np.asarray(value, float) / 10)


# --- cone programs ----------------------------------------------------------


class Cones:
    """Rows of G x + s = h with s in a product of second-order cones, over
    x = (Re W, Im W, extra real variables), W stored user after user."""

    def __init__(self, users, antennas, extra=0):
        self.users, self.antennas, self.extra = users, antennas, extra
        self.half = users * antennas
        self.width = 2 * self.half + extra
        self.rows, self.right, self.sizes = [], [], []

    def product(self, vector, user):
        """Two rows (real, imaginary) of vector^H w_user."""
        out = np.zeros((2, self.width))
        at = slice(user * self.antennas, (user + 1) * self.antennas)
        to = slice(self.half + at.start, self.half + at.stop)
        out[0, at], out[0, to] = vector.real, vector.imag
        out[1, at], out[1, to] = -vector.imag, vector.real
        return out

    def entry(self, antenna, user):
        unit = np.zeros(self.antennas, complex)
        unit[antenna] = 1
        return self.product(unit, user)

    def everything(self, scale=1.0):
        """Rows of scale * vec(W)."""
        return scale * np.eye(self.width)[: 2 * self.half]

    def add(self, top, top_constant, body, body_constant):
        """top.x + top_constant >= || body x + body_constant ||."""
        self.rows += [-np.atleast_2d(top), -body]
        self.right += [np.atleast_1d(float(top_constant)), body_constant]
        self.sizes.append(1 + body.shape[0])

    def matrices(self):
        dims = {"l": 0, "q": self.sizes, "s": []}
        return matrix(np.vstack(self.rows)), matrix(np.concatenate(self.right)), dims

    def beams(self, x):
        x = np.array(x).ravel()
        parts = x[: self.half] + 1j * x[self.half : 2 * self.half]
        return parts.reshape(self.users, self.antennas).T

    def multipliers(self, solution):
        """Per cone s0 >= ||s1|| the multiplier of ||s1||^2 <= s0^2."""
        s, z = np.array(solution["s"]).ravel(), np.array(solution["z"]).ravel()
        out, at = [], 0
        for size in self.sizes:
            out.append(z[at] / (2 * s[at]) if s[at] > 0 else np.inf)
            at += size
        return np.array(out)


def add_sinr_cones(cones, H, noise, sinr, csi_error=None):
    """The SINR constraints as cones (Wiesel, Eldar, Shamai, "Linear precoding
    via conic optimization for fixed MIMO receivers", IEEE Trans. SP 54(1),
    2006), in noise-normalised units. The free phase of each beam is fixed by
    Im(h_k^H w_k) = 0, returned as equality rows. csi_error is an error
    variance per antenna: its leakage csi_error * ||W||^2 joins the noise."""
    users = H.shape[0]
    normal = H / np.sqrt(noise)[:, None]
    error = np.zeros(users) if csi_error is None else np.asarray(csi_error) / noise
    equal = []
    for k in range(users):
        own = cones.product(normal[k], k)
        equal.append(own[1])
        body = [cones.product(normal[k], j) for j in range(users)]
        constant = np.zeros(2 * users)
        if error[k] > 0:
            body.append(cones.everything(np.sqrt(error[k])))
            constant = np.zeros(2 * users + 2 * cones.half)
        body.append(np.zeros((1, cones.width)))
        constant = np.append(constant, 1.0)
        cones.add(np.sqrt(1 + 1 / sinr[k]) * own[0], 0.0, np.vstack(body), constant)
    return np.array(equal)


def least_power_cones(cones, equal):
    """Minimise ||W||^2 over the cones. Returns (power, beams, multipliers,
    relative gap) or None when cvxopt does not end optimal."""
    G, h, dims = cones.matrices()
    square = matrix(2 * np.eye(cones.width))
    try:
        solution = solvers.coneqp(
            square, matrix(np.zeros(cones.width)), G, h, dims,
            matrix(equal), matrix(np.zeros(equal.shape[0])),
        )
    except (ArithmeticError, ValueError):
        return None
    W = cones.beams(solution["x"])
    power = np.sum(np.abs(W) ** 2)
    relative = solution["gap"] / max(power, 1e-300)
    if solution["status"] != "optimal" and relative > 1e-8:
        return None
    return power, W, cones.multipliers(solution), relative


def least_scale(cones, equal):
    """Square of the least last variable over the cones, infinite when nothing
    is feasible, and the relative gap."""
    G, h, dims = cones.matrices()
    c = np.zeros(cones.width)
    c[-1] = 1
    for tolerance in (1e-9, 1e-8):
        options = dict(show_progress=False, abstol=tolerance, reltol=tolerance, feastol=tolerance)
        try:
            s = solvers.conelp(
                matrix(c), G, h, dims, matrix(equal), matrix(np.zeros(equal.shape[0])), options=options
            )
        except (ArithmeticError, ValueError):
            continue  # rounding near the end: ask for less
        if s["status"] == "primal infeasible":
            return np.inf, 0.0
        if s["status"] == "optimal":
            # The dual value is the proved side.
            return s["dual objective"] ** 2, abs(s["primal objective"] / s["dual objective"] - 1)
    raise RuntimeError("cone program not solved")


# --- uplink-downlink duality, used only to polish ---------------------------


def sinr_of(H, noise, W):
    gain = np.abs(H.conj() @ W) ** 2
    own = np.diag(gain)
    return own / (gain.sum(axis=1) - own + noise)


def fixed_point(H, sinr, start=None, limit=200000):
    """Duals of min ||W||^2 under SINR targets by the fixed point
    lambda_k <- sinr_k (1 - lambda_k d_k)/d_k, d_k = h_k^H (I + H L H^H)^-1 h_k
    (Rashid-Farrokhi, Tassiulas, Liu, IEEE Trans. Commun. 46(10), 1998), H
    noise-normalised. None when it does not settle."""
    gram = H.conj() @ H.T
    users = len(sinr)
    lam = np.zeros(users) if start is None else np.array(start, float)
    best, stalled = np.inf, 0
    for _ in range(limit):
        d = np.real(np.diag(np.linalg.solve(np.eye(users) + gram * lam[None, :], gram)))
        new = sinr * (1 - lam * d) / d
        change = np.max(np.abs(new - lam) / new)
        lam = new
        if not np.all(np.isfinite(lam)) or np.any(lam <= 0):
            return None
        # Stop at rounding: no smaller change seen for 20 steps.
        best, stalled = (change, 0) if change < best else (best, stalled + 1)
        if change == 0 or (best < 1e-11 and stalled > 20):
            return lam
    return None


def fast_point(H, sinr, limit=400):
    """The same point as fixed_point, found in few steps: Newton's method on
    lambda (1 + sinr) = sinr/d(lambda) wherever it lowers the residual, a step of
    the fixed point elsewhere. None when it does not settle within the limit."""
    gram = H.conj() @ H.T
    users = len(sinr)
    lam = sinr / np.real(np.diag(gram))

    def residual(lam):
        E = np.linalg.solve(np.eye(users) + gram * lam[None, :], gram)
        d = np.real(np.diag(E))
        if not np.all(d > 0):
            return None, None, None
        return lam * (1 + sinr) * d / sinr - 1, d, E

    error, d, E = residual(lam)
    for _ in range(limit):
        if error is None:
            return None
        size = np.max(np.abs(error))
        if size < 1e-14:
            break
        slope = np.diag(1 + sinr) - (sinr / d**2)[:, None] * np.abs(E) ** 2
        try:
            new = lam - np.linalg.solve(slope, lam * (1 + sinr) - sinr / d)
        except np.linalg.LinAlgError:
            return None
        found = residual(new) if np.all(new > 0) and np.all(np.isfinite(new)) else (None,) * 3
        if found[0] is not None and np.max(np.abs(found[0])) < size:
            lam, (error, d, E) = new, found
            continue
        if size < 1e-11:
            break  # rounding
        lam = sinr * (1 - lam * d) / d
        if not np.all(lam > 0) or np.max(lam) > 1e12:
            return None
        error, d, E = residual(lam)
    else:
        return None
    return lam


def beams_from_duals(H, noise, sinr, lam, weight=None, csi_error=None):
    """Beams in the direction (Q + H L H^H)^-1 h_k, Q = diag(weight) or I,
    with the powers that meet every target with equality."""
    users, antennas = H.shape
    normal = H / np.sqrt(noise)[:, None]
    matrix_q = np.diag(np.ones(antennas) if weight is None else weight).astype(complex)
    matrix_q += (normal.T * lam) @ normal.conj()
    V = np.linalg.solve(matrix_q, normal.T)
    V /= np.linalg.norm(V, axis=0)
    gain = np.abs(normal.conj() @ V) ** 2
    balance = -gain
    balance[np.diag_indices(users)] = np.diag(gain) / sinr
    if csi_error is not None:
        balance -= np.outer(np.asarray(csi_error) / noise, np.ones(users))
    power = np.linalg.solve(balance, np.ones(users))
    if np.any(power <= 0):
        return None
    return V * np.sqrt(power)


def dual_bound(H, sinr, lam):
    """A proved lower bound on the least power (H noise-normalised): lambda
    scaled down until lambda_k <= sinr_k (1 - lambda_k d_k)/d_k for all k."""
    gram = H.conj() @ H.T
    users = len(sinr)

    def holds(scale):
        d = np.real(np.diag(np.linalg.solve(np.eye(users) + gram * (scale * lam), gram)))
        return np.all(scale * lam * d * (1 + sinr) <= sinr)

    low, high = 0.0, 1.0
    if holds(high):
        return lam.sum()
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low * lam.sum()


def least_power(H, noise, sinr, start=None, fast=False):
    """Least power by duality: (power, lambda, beams) or None."""
    normal = H / np.sqrt(noise)[:, None]
    lam = fast_point(normal, sinr) if fast else fixed_point(normal, sinr, start)
    if lam is None:
        return None
    W = beams_from_duals(H, noise, sinr, lam)
    if W is None:
        return None
    return np.sum(np.abs(W) ** 2), lam, W


# --- output -----------------------------------------------------------------


def split(H):
    """Complex array as JSON: real and imaginary parts apart."""
    return {"re": np.real(H).tolist(), "im": np.imag(H).tolist()}


def write(name, source, cases, **more):
    """One case a line, so that a change shows in a diff."""
    path = HERE / name
    head = {"source": source, **more}
    with path.open("w") as out:
        out.write("{\n")
        for key, value in head.items():
            out.write(f" {json.dumps(key)}: {json.dumps(value)},\n")
        out.write(' "cases": [\n')
        out.write(",\n".join("  " + json.dumps(case, allow_nan=False) for case in cases))
        out.write("\n ]\n}\n")
    print(f"{path.name}: {len(cases)} cases, {path.stat().st_size / 1000:.0f} kB")
