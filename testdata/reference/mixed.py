"""Least mean power of two users who may be in several groups, each on one of one
to three subbands: mixed.json.

On every subband each user is served by itself, the two together, or nobody, at any
rates and for any part of the slot, the parts adding up to 1 at most:

    min sum_c s_c P_c  subject to  1/F sum_c s_c r_ck >= R_k,  sum_{c on f} s_c <= 1.

The power of the two together at rates r has a closed form: with a, b the squared
norms and d = ab - |h_1^H h_2|^2 of the noise-normalised channels, g = e^r - 1, the
uplink powers l_1 = g_1 (1 + l_2 b)/(a + l_2 d) and the same with users exchanged
are a quadratic equation. It is compared with the fixed point of uplink-downlink
duality.

The optimum is that of a linear program (scipy HiGHS) over a grid of all rates, made
finer around the columns in use until it gains nothing. Its prices bound the optimum
from below, once the column worth most at them is known: by a search of the whole
range of rates, a fine grid and then Nelder and Mead's simplex from its best points;
it joins the program until bound and optimum meet.

    /usr/bin/python3 testdata/reference/mixed.py
"""

import numpy as np
from scipy.optimize import linprog, minimize

import common

COARSE = 40  # points of a rate of the first grid
FINE = 600  # points of a rate of the search for a bound


class Radio:
    """Power on subband f of a kind of column: user 0, user 1 or both."""

    KINDS = ([0], [1], [0, 1])

    def __init__(self, channels, noise, rate):
        self.bands, self.rate = len(channels), rate
        self.H = [h / np.sqrt(np.asarray(noise) / self.bands)[:, None] for h in channels]
        self.gram = [(h.conj() @ h.T) for h in self.H]
        self.most = 4 * self.bands * np.max(rate)  # of a rate while on the air

    def power(self, f, kind, r):
        """r is [user of the kind][...]; infinite where it cannot be."""
        g = np.expm1(r)
        G = self.gram[f]
        if len(kind) == 1:
            return g[0] / G[kind[0], kind[0]].real
        a, b = G[0, 0].real, G[1, 1].real
        d = max(a * b - abs(G[0, 1]) ** 2, 0.0)
        if d < 1e-12 * a * b:
            d = 0.0
        linear = a * b + g[0] * d - g[1] * (d + g[0] * a * b)
        square, constant = b * d * (1 + g[0]), g[1] * a * (1 + g[0])
        with np.errstate(divide="ignore", invalid="ignore"):
            if d == 0:
                l2 = np.where(linear > 0, constant / linear, np.inf)
            else:
                root = np.sqrt(linear**2 + 4 * square * constant)
                l2 = np.where(linear > 0, 2 * constant / (linear + root), (root - linear) / (2 * square))
            l1 = g[0] * (1 + l2 * b) / (a + l2 * d)
            return np.where(np.isfinite(l2), l1 + l2, np.inf)

    def check(self, rng):
        for _ in range(20):
            f, r = rng.integers(self.bands), rng.uniform(0.1, 1.2, 2)
            want = common.fast_point(self.H[f], np.expm1(r))
            if want is not None:
                assert abs(self.power(f, [0, 1], r) / want.sum() - 1) < 1e-7


class Program:
    def __init__(self, radio):
        self.radio = radio
        self.columns = []  # (subband, kind, rates)
        for f in range(radio.bands):
            for kind in Radio.KINDS:
                axis = np.linspace(0, radio.most, COARSE * (8 if len(kind) == 1 else 1) + 1)[1:]
                self.add(f, kind, np.meshgrid(*[axis] * len(kind)))

    def add(self, f, kind, rates):
        rates = np.array([np.ravel(x) for x in rates])
        power = self.radio.power(f, kind, rates)
        for i in np.flatnonzero(power < 1e6):
            self.columns.append((f, kind, rates[:, i], power[i]))

    def solve(self):
        n = len(self.columns)
        serve, time = np.zeros((2, n)), np.zeros((self.radio.bands, n))
        for i, (f, kind, r, _) in enumerate(self.columns):
            serve[kind, i] = r / self.radio.bands
            time[f, i] = 1
        cost = np.array([c[3] for c in self.columns])
        found = linprog(
            cost, np.vstack([-serve, time]), np.concatenate([-self.radio.rate, np.ones(self.radio.bands)]),
            method="highs", options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
        )
        assert found.status == 0, found.message
        self.price = -found.ineqlin.marginals[:2]
        return found.fun, found.x

    def refine(self):
        """Grids around the columns in use, ever finer."""
        step = self.radio.most / COARSE
        power, x = self.solve()
        while step > 1e-4:
            step /= 3
            used = [c for c, s in zip(self.columns, x) if s > 1e-12]
            self.columns = list(used)
            for f, kind, r, _ in used:
                around = [np.maximum(v + step * np.arange(-4, 5), 1e-3 * step) for v in r]
                self.add(f, kind, np.meshgrid(*around))
            power, x = self.solve()
        return power, x

    def bound(self):
        """A lower bound on the optimum by the prices of the program. The columns worth
        most, with some around them, join the program."""
        radio, total = self.radio, self.price @ self.radio.rate
        for f in range(radio.bands):
            most = 0.0
            for kind in Radio.KINDS:
                def worth(r):
                    r = np.maximum(r, 0)
                    return np.tensordot(self.price[kind], r, 1) / radio.bands - radio.power(f, kind, r)

                axis = np.linspace(0, 2 * radio.most, FINE)
                grid = np.array([np.ravel(x) for x in np.meshgrid(*[axis] * len(kind))])
                value = worth(grid)
                for i in np.argsort(value)[-5:]:
                    top = minimize(
                        lambda r: -worth(r), grid[:, i], method="Nelder-Mead",
                        options={"xatol": 1e-9, "fatol": 1e-14, "maxiter": 2000},
                    )
                    most = max(most, -top.fun, value[i])
                    around = [np.maximum(v * (1 + 1e-3 * np.arange(-2, 3)), 1e-9) for v in top.x]
                    self.add(f, kind, np.meshgrid(*around))
            total -= most
        return total


def instances():
    """(name, channels per subband, noise over the whole band, nats per use)."""
    rng = np.random.default_rng(20240711)
    ray = lambda antennas, bands: [common.rayleigh(rng, 2, antennas) for _ in range(bands)]
    line = lambda degrees: common.ula([10, 10 + degrees], 2)
    for antennas in (1, 2):
        for bands in (1, 2, 2, 2):
            yield f"rayleigh {antennas}, {bands} subbands", ray(antennas, bands), rng.uniform(0.5, 2, 2), rng.uniform(0.3, 1.2, 2)
    yield "rayleigh 2, 3 subbands", ray(2, 3), np.ones(2), np.array([0.9, 0.5])
    yield "one antenna, each user 10 dB better on one subband", [np.array([[1], [0.316]]) + 0j, np.array([[0.316], [1]]) + 0j], np.ones(2), np.array([0.8, 0.8])
    yield "line of sight 6 degrees apart, the same on both subbands", [line(6), line(6)], np.ones(2), np.array([1.0, 0.7])
    yield "line of sight 6 and 40 degrees apart", [line(6), line(40)], np.array([1, 0.3]), np.array([1.0, 1.0])
    yield "a subband 20 dB weaker", [common.rayleigh(rng, 2, 2), 0.1 * common.rayleigh(rng, 2, 2)], np.ones(2), np.array([0.5, 0.4])
    yield "norms 1000 and 1, correlation 0.99", [np.array([[np.sqrt(1000), 0], [np.sqrt(0.99), 0.1]]) + 0j], np.ones(2), np.array([2.08, 0.21])


def solve(name, channels, noise, rate, rng):
    radio = Radio(channels, noise, np.asarray(rate, float))
    radio.check(rng)
    program = Program(radio)
    bound, gap = 0.0, 1.0
    for _ in range(40):
        power, x = program.refine()
        bound = max(bound, program.bound())
        gap = 1 - bound / power
        if gap < 1e-7:
            break
    used = [(f, kind, r, s) for (f, kind, r, _), s in zip(program.columns, x) if s > 1e-9]
    groups = sorted({(f, tuple(kind)) for f, kind, _, _ in used})
    print(f"{name}: {power:.10g} W, bound {gap:.1e} below, groups {groups}", flush=True)
    assert -1e-8 < gap < 1e-7, name
    return {
        "name": name, "users": 2, "antennas": channels[0].shape[1], "subbands": radio.bands,
        "channel": [common.split(h) for h in channels], "noise_w": np.asarray(noise, float).tolist(),
        "rate_nat": np.asarray(rate, float).tolist(), "power_w": power, "gap": gap,
        "groups": [{"subband": int(f), "users": list(kind)} for f, kind in groups],
    }


if __name__ == "__main__":
    rng = np.random.default_rng(1)
    common.write(
        "mixed.json",
        "testdata/reference/mixed.py: a linear program (scipy HiGHS) over grids of rates, made finer, with a bound by its "
        "prices; see the script",
        [solve(*case, rng) for case in instances()],
    )
