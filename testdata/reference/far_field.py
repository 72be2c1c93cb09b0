"""Judges plans by their far field, independently of the product: how far is any
limit exceeded by the weights as they were sent?

    /usr/bin/python3 testdata/reference/far_field.py plans.jsonl [--processes N] [--json out.jsonl]

Each line of the input is {"slot": Slot, "plan": Plan} in protobuf's JSON, weights
as float64 pairs, complex64 or int16 counts. With p_m the position of antenna m,
lambda the wavelength and g(u) the gain of one antenna along the unit vector u,

    EIRP(u) = g(u) sum over beams |sum over m of w_m exp(j 2 pi p_m.u / lambda)|^2

of each group by itself: a user's weights on one subband are one beam. Looked at
are all directions of a grid: rings 0.05 degrees apart inside protected cones, the
edge among them, lambda/(20 D) apart over the sphere for limits.eirpW and for the
peak that the plan claims; D is the diameter of the array. From the best of each tile
of 5 x 5 points that holds one within 1 dB of its limit a local search climbs to the
peak. Limits on the total and on antennas are sums.

Prints one line for each slot that exceeds a limit by more than 1e-6, relative, and
a summary; exits 1 when there is one. Needs NumPy only. Written from the
contract (proto/leastwatt/v1/slot.proto, Array); the element is that of 3GPP TR
38.901 table 7.3-1.
"""

import argparse
import base64
import collections
import json
import multiprocessing
import sys

import numpy as np

LIGHT_M_PER_S = 299792458.0
CONE_STEP_DEG = 0.05
SPHERE_STEPS = 20  # in lambda/D
COARSEST_STEP_DEG = 1.0  # of the sphere, for the element's pattern
TILE = 5  # steps
NEAR = 10 ** (-1 / 10)  # of a limit: worth a climb
CHUNK = 1 << 14  # directions at a time
TOLERANCE = 1e-6


# --- the contract --------------------------------------------------------------


def complex_pairs(values):
    pairs = np.asarray(values, float).reshape(-1, 2)
    return pairs[:, 0] + 1j * pairs[:, 1]


def weights_of(allocation, scale):
    w = allocation.get("weights", {})
    if "values" in w:
        return complex_pairs(w["values"])
    if "samplesF32" in w:
        return np.frombuffer(base64.b64decode(w["samplesF32"]), "<c8").astype(complex)
    if "samplesI16" in w:
        return complex_pairs(np.frombuffer(base64.b64decode(w["samplesI16"]), "<i2")) * scale
    return np.zeros(0, complex)


def beams_of(group, antennas):
    """The weights of a group, one row for each beam."""
    rows = [weights_of(a, group.get("weightScale", 0.0)).reshape(-1, antennas) for a in group.get("allocations", [])]
    return np.vstack(rows) if rows else np.zeros((0, antennas), complex)


def unit(azimuth_deg, elevation_deg):
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])


class Array:
    """Positions in wavelengths and the gain of one antenna."""

    def __init__(self, slot):
        array = slot["array"]
        self.p = np.asarray(array["positionsM"], float).reshape(-1, 3) * (slot["carrierHz"] / LIGHT_M_PER_S)
        self.gain = 10 ** (array.get("elementGainDbi", 0.0) / 10)
        self.sector = array.get("elementPattern", "") == "sector65"
        spans = self.p[:, None, :] - self.p[None, :, :]
        self.diameter = np.sqrt((spans**2).sum(axis=2).max())

    def element(self, u):
        if not self.sector:
            return np.full(len(u), self.gain)
        azimuth = np.degrees(np.arctan2(u[:, 1], u[:, 0]))
        elevation = np.degrees(np.arcsin(np.clip(u[:, 2], -1, 1)))
        down = np.minimum(30, 12 * (azimuth / 65) ** 2) + np.minimum(30, 12 * (elevation / 65) ** 2)
        return self.gain * 10 ** (-np.minimum(30, down) / 10)

    def eirp(self, beams, u):
        """EIRP along unit vectors u, field by field."""
        out = np.empty(len(u))
        for at in range(0, len(u), CHUNK):
            part = u[at : at + CHUNK]
            field = np.exp(2j * np.pi * (part @ self.p.T)) @ beams.T
            out[at : at + CHUNK] = self.element(part) * (field.real**2 + field.imag**2).sum(axis=1)
        return out

    def lattice(self):
        """Counts and spacings along two axes where the array is a full grid of them,
        antennas in any order; None for other arrays. And each antenna's place."""
        places, counts, spacings, axes = [], [], [], []
        for axis in range(3):
            steps, of = np.unique(np.round(self.p[:, axis], 9), return_inverse=True)
            if len(steps) == 1:
                continue
            if np.ptp(np.diff(steps)) > 1e-8:
                return None
            places.append(of)
            counts.append(len(steps))
            spacings.append((steps[-1] - steps[0]) / (len(steps) - 1))
            axes.append(axis)
        if not 1 <= len(axes) <= 2 or np.prod(counts) != len(self.p):
            return None
        if len(axes) == 1:
            places, counts, spacings, axes = places + [0 * places[0]], counts + [1], spacings + [0.0], axes + [0]
        if len(np.unique(places[0] * counts[1] + places[1])) != len(self.p):
            return None
        return places, counts, spacings, axes

    def survey(self, beams, u):
        """EIRP as eirp finds it, for very many directions: on a full grid of antennas
        from the correlations of the weights, rounded to 1e-12 of all fields in phase."""
        grid = self.lattice()
        if grid is None:
            return self.eirp(beams, u)
        (i, j), (n, m), spacings, axes = grid
        square = np.zeros((len(beams), n, m), complex)
        square[:, i, j] = beams
        spectrum = np.abs(np.fft.fft2(square, s=(2 * n, 2 * m))) ** 2
        lags = np.fft.ifft2(spectrum.sum(axis=0))[np.r_[-n + 1 : n]][:, :m]  # -n+1..n-1, 0..m-1
        lags[:, 1:] *= 2  # the others are their conjugates
        out = np.empty(len(u))
        for at in range(0, len(u), CHUNK):
            part = u[at : at + CHUNK]
            first = powers(np.exp(2j * np.pi * spacings[0] * part[:, axes[0]]), n)
            first = np.hstack([first[:, :0:-1].conj(), first])
            second = powers(np.exp(2j * np.pi * spacings[1] * part[:, axes[1]]), m)
            out[at : at + CHUNK] = self.element(part) * ((first @ lags) * second).real.sum(axis=1)
        return out


def powers(z, n):
    """z^0 to z^(n-1), a row for each z."""
    out = np.ones((len(z), n), complex)
    out[:, 1:] = z[:, None]
    return np.cumprod(out, axis=1)


# --- regions -------------------------------------------------------------------


class Cone:
    """Directions within half_rad of an axis, in polar coordinates about it."""

    def __init__(self, axis, half_rad, step_rad):
        self.axis, self.half, self.step = axis, min(half_rad, np.pi), step_rad
        least = np.eye(3)[np.argmin(np.abs(axis))]
        self.side = np.cross(axis, least)
        self.side /= np.linalg.norm(self.side)
        self.up = np.cross(axis, self.side)

    def at(self, off, turn):
        return (
            np.cos(off)[:, None] * self.axis
            + (np.sin(off) * np.cos(turn))[:, None] * self.side
            + (np.sin(off) * np.sin(turn))[:, None] * self.up
        )

    def grid(self):
        """Polar coordinates of the points, and the tile of each."""
        rings = max(1, int(np.ceil(self.half / self.step)))
        off, turn, tile, tiles = [np.zeros(1)], [np.zeros(1)], [np.zeros(1, int)], 1
        for ring in range(1, rings + 1):
            angle = self.half * ring / rings
            n = max(8, int(np.ceil(2 * np.pi * np.sin(angle) / self.step)))
            if ring % TILE == 1:
                tiles += wide if ring > 1 else 0
                wide = max(8, int(np.ceil(n / TILE)))
            off.append(np.full(n, angle))
            turn.append(np.arange(n) * (2 * np.pi / n))
            tile.append(tiles + np.arange(n) * wide // n)
        return np.concatenate(off), np.concatenate(turn), np.concatenate(tile)


def climb(array, beams, cone, off, turn, value, steps=60):
    """The peaks uphill of points: the best of eight neighbours or of the parabola
    through them, at steps that are halved where none leads up."""
    step = np.full(len(off), cone.step)
    offs = np.array([-1, -1, -1, 0, 0, 1, 1, 1.0])
    turns = np.array([-1, 0, 1, -1, 1, -1, 0, 1.0])
    here = np.arange(len(off))
    for _ in range(steps):
        if not len(here) or step[here].max() < 1e-8:
            break
        o, t, s = off[here], turn[here], step[here]
        about = s / np.maximum(np.sin(np.clip(o, 0, np.pi)), s)
        near_o = np.clip(np.abs(o[:, None] + s[:, None] * offs), 0, cone.half)
        near_t = np.where(o[:, None] + s[:, None] * offs < 0, np.pi, 0.0) + t[:, None] + about[:, None] * turns
        near = array.survey(beams, cone.at(near_o.ravel(), near_t.ravel())).reshape(near_o.shape)
        v = value[here]
        # f = v + g.x + x.H.x/2 in steps, from the nine values.
        g = np.stack([(near[:, 6] - near[:, 1]) / 2, (near[:, 4] - near[:, 3]) / 2], axis=1)
        hoo, htt = near[:, 6] + near[:, 1] - 2 * v, near[:, 4] + near[:, 3] - 2 * v
        hot = (near[:, 7] + near[:, 0] - near[:, 5] - near[:, 2]) / 4
        det = hoo * htt - hot**2
        with np.errstate(all="ignore"):
            move = np.stack([-(htt * g[:, 0] - hot * g[:, 1]) / det, -(hoo * g[:, 1] - hot * g[:, 0]) / det], axis=1)
            along = -g[:, 1] / htt  # an edge: only the turn is free
        move = np.where(((det > 0) & (hoo < 0))[:, None] & np.isfinite(move), move, 0.0)
        edge = (o >= cone.half) & (g[:, 0] >= 0) & (htt < 0) & np.isfinite(along)
        move = np.where(edge[:, None], np.stack([np.zeros_like(along), along], axis=1), move)
        move = np.clip(move, -2, 2)
        new_o = np.clip(np.abs(o + s * move[:, 0]), 0, cone.half)
        new_t = np.where(o + s * move[:, 0] < 0, np.pi, 0.0) + t + about * move[:, 1]
        far = array.survey(beams, cone.at(new_o, new_t))
        all_o, all_t = np.hstack([near_o, new_o[:, None]]), np.hstack([near_t, new_t[:, None]])
        values = np.hstack([near, far[:, None]])
        best = values.argmax(axis=1)
        rows = np.arange(len(here))
        up = values[rows, best] > v
        off[here] = np.where(up, all_o[rows, best], o)
        turn[here] = np.where(up, all_t[rows, best], t)
        value[here] = np.where(up, values[rows, best], v)
        # A parabola's top is close: the steps around it may be shorter at once.
        size = np.abs(move).max(axis=1)
        step[here] = np.where(up & (best < 8), s, np.where(up, s * np.clip(size, 0.1, 1), s / 4))
        here = here[step[here] >= 1e-8]
    return array.eirp(beams, cone.at(off, turn))


def peak(array, beams, cone, limit_w):
    """The largest EIRP found in a cone, and where; peaks within 1 dB of the limit,
    or of the largest where that is None, are climbed to their tops."""
    off, turn, tile = cone.grid()
    value = array.survey(beams, cone.at(off, turn))
    order = np.lexsort((-value, tile))
    best = order[np.r_[True, np.diff(tile[order]) > 0]]
    floor = NEAR * (value.max() if limit_w is None else limit_w)
    best = np.union1d(best[value[best] >= floor], [value.argmax()])
    off, turn = off[best], turn[best]
    exact = climb(array, beams, cone, off, turn, value[best])
    top = exact.argmax()
    u = cone.at(off[top : top + 1], turn[top : top + 1])[0]
    where = (float(np.degrees(np.arctan2(u[1], u[0]))), float(np.degrees(np.arcsin(np.clip(u[2], -1, 1)))))
    return float(exact[top]), where, float(off[top] / cone.half)


# --- one slot ------------------------------------------------------------------


def excess(value, limit):
    if limit == 0:
        return np.inf if value > 0 else 0.0
    return value / limit - 1


def judge(line):
    """What a plan exceeds: {limit: {excess, value, limit, where}}."""
    record = json.loads(line)
    slot, plan = record["slot"], record["plan"]
    antennas = slot["channel"]["antennas"]
    limits = slot.get("limits", {})
    groups = [beams_of(g, antennas) for g in plan.get("groups", [])]
    found = {}

    def add(name, value, limit, **more):
        if name not in found or excess(value, limit) > found[name]["excess"]:
            found[name] = {"excess": excess(value, limit), "value": value, "limit": limit, **more}

    peak_w = None
    for beams in groups:
        power = np.abs(beams) ** 2
        if "totalPowerW" in limits:
            add("totalPowerW", float(power.sum()), limits["totalPowerW"])
        for m, cap in enumerate(limits.get("antennaPowerW", [])):
            add(f"antennaPowerW[{m}]", float(power[:, m].sum()), cap)
    if "array" in slot and groups:
        array = Array(slot)
        peak_w = 0.0
        for beams in groups:
            step = np.radians(COARSEST_STEP_DEG)
            if array.diameter > 0:
                step = min(step, 1 / (SPHERE_STEPS * array.diameter))
            value, where, _ = peak(array, beams, Cone(np.array([1.0, 0, 0]), np.pi, step), limits.get("eirpW"))
            peak_w = max(peak_w, value)
            if "eirpW" in limits:
                add("eirpW", value, limits["eirpW"], where=where)
            for i, d in enumerate(limits.get("protectedDirections", [])):
                axis = unit(d.get("azimuthDeg", 0.0), d.get("elevationDeg", 0.0))
                cone = Cone(axis, np.radians(d["widthDeg"] / 2), np.radians(CONE_STEP_DEG))
                cap = d.get("eirpW", 0.0)
                value, where, edge = peak(array, beams, cone, cap)
                add(f"protectedDirections[{i}]", value, cap, where=where, edge=edge)
    claimed = plan.get("peakEirpW")
    return {
        "sequence": int(slot.get("sequence", 0)),
        "status": plan.get("status", ""),
        "found": found,
        "peakW": peak_w,
        "claimedPeakW": claimed,
        "peakOff": abs(claimed / peak_w - 1) if claimed and peak_w else 0.0,
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("plans")
    parser.add_argument("--processes", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--json", help="writes every slot's values, one line each")
    args = parser.parse_args()
    counts, over, worst, peak_off = collections.Counter(), 0, {}, 0.0
    out = open(args.json, "w") if args.json else None
    with multiprocessing.Pool(args.processes) as pool, open(args.plans) as lines:
        for r in pool.imap(judge, lines, chunksize=1):
            counts[r["status"]] += 1
            peak_off = max(peak_off, r["peakOff"])
            if out:
                out.write(json.dumps(r) + "\n")
            for name, f in r["found"].items():
                kind = name.split("[")[0]
                worst[kind] = max(worst.get(kind, -np.inf), f["excess"])
            bad = {n: f for n, f in r["found"].items() if not f["excess"] <= TOLERANCE}
            if bad:
                over += 1
                name, f = max(bad.items(), key=lambda item: item[1]["excess"])
                print(
                    f"slot {r['sequence']} {r['status']}: {name} {f['value']:.9g} W over {f['limit']:.9g} W, "
                    f"excess {f['excess']:.3g}" + (f" at {f['where'][0]:.4f}, {f['where'][1]:.4f}" if "where" in f else ""),
                    flush=True,
                )
    if out:
        out.close()
    total = sum(counts.values())
    print(f"{total} plans ({', '.join(f'{n} {s}' for s, n in sorted(counts.items()))}): {over} over a limit by more than {TOLERANCE:g}")
    for kind, e in sorted(worst.items()):
        print(f"  {kind}: worst excess {e:.3g}")
    print(f"  peakEirpW claimed: at worst {peak_off:.3g} off")
    return 1 if over or total == 0 else 0


if __name__ == "__main__":
    sys.exit(main())
