"""Tests against the server at LEASTWATT_ADDRESS."""

import doctest
import os
import queue
import sys
import unittest

import grpc
import numpy as np

import leastwatt

USERS, SUBBANDS, ANTENNAS = 5, 3, 8
BANDWIDTH_HZ, NOISE_W = 9e6, 1e-13
RATE_BPS = np.array([4e6, 0.0, 2e6, 3e6, 1e6])


def channel(seed=1):
    """Complex array [user, subband, antenna] of a power gain of 1e-10."""
    rng = np.random.default_rng(seed)
    shape = (USERS, SUBBANDS, ANTENNAS)
    return 1e-5 * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def slot(h=None, **more):
    more = {"rate_bps": RATE_BPS, "noise_w": NOISE_W, "bandwidth_hz": BANDWIDTH_HZ, **more}
    return leastwatt.slot(channel() if h is None else h, **more)


def rates(h, plan, claimed=True):
    """Rates in bit/s [user], from the weights of a plan and Shannon's formula."""
    total = np.zeros(len(h))
    for g in plan.groups:
        # gain[k, j, s]: what user k of the group receives of the signal of user j.
        gain = np.abs(np.einsum("ksm,jsm->kjs", h[g.users][:, g.subbands].conj(), g.weights)) ** 2
        wanted = np.einsum("kks->ks", gain)
        sinr = wanted / (gain.sum(axis=1) - wanted + NOISE_W / SUBBANDS)
        if claimed:
            np.testing.assert_allclose(g.sinr, sinr, rtol=1e-5)
        total[g.users] += g.share * BANDWIDTH_HZ / SUBBANDS * np.log2(1 + sinr).sum(axis=1)
    return total


class Test(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.client = leastwatt.Client(os.environ["LEASTWATT_ADDRESS"])
        cls.addClassCleanup(cls.client.close)

    def test_schedule(self):
        """Every rate follows from the weights, in each format and from either kind of sample."""
        for dtype in (np.complex64, np.complex128):
            h = channel().astype(dtype)
            for weights, kind in (("f64", complex), ("f32", np.complex64), ("i16", complex)):
                plan = self.client.schedule(slot(h, options=dict(weights=weights)))
                self.assertEqual(plan.status, "MET", plan)
                self.assertEqual(plan.user_ids, ["0", "1", "2", "3", "4"])
                np.testing.assert_array_equal(plan.target_bps, RATE_BPS)
                np.testing.assert_allclose(plan.rate_bps, rates(h.astype(complex), plan), rtol=1e-5)
                self.assertTrue((plan.rate_bps >= plan.target_bps * (1 - 1e-6)).all())
                power = sum(g.share * g.radiated_power_w for g in plan.groups)
                self.assertAlmostEqual(power / plan.radiated_power_w, 1, 9)
                for g in plan.groups:
                    n = len(g.user_ids)
                    self.assertEqual(g.weights.shape, (n, SUBBANDS, ANTENNAS))
                    self.assertEqual(g.weights.dtype, kind)
                    self.assertEqual((g.sinr.shape, g.rate_bps.shape), ((n, SUBBANDS), (n,)))
                    np.testing.assert_allclose((np.abs(g.weights) ** 2).sum(axis=(1, 2)), g.power_w, rtol=1e-5)
                self.assertEqual(plan.antenna_power_w.shape, (ANTENNAS,))
                self.assertIsNone(plan.floor_power_w)
                self.assertIsNone(plan.peak_eirp_w)
                self.assertIn("MET", repr(plan))

    def test_no_weights(self):
        plan = self.client.schedule(slot())
        self.assertTrue(all(g.weights is None for g in plan.groups))

    def test_audit(self):
        """The audit agrees with a plan, and not with one that was tampered with or another channel."""
        h = channel()
        asked = slot(h, options=dict(weights="f64", floor=True))
        plan = self.client.schedule(asked)
        audit = self.client.audit(asked, plan)
        self.assertTrue(audit.agrees, audit.findings)
        np.testing.assert_allclose([u.rate_bps for u in audit.users], rates(h, plan), rtol=1e-9)
        self.assertTrue(0 < plan.floor_power_w <= plan.radiated_power_w)
        self.assertAlmostEqual(audit.over_floor_db, 10 * np.log10(plan.radiated_power_w / plan.floor_power_w), 6)
        weaker = self.client.audit(asked, plan, true_channel=h / 2)
        self.assertLess(weaker.worst_rate_ratio, 0.99)
        plan.message.radiated_power_w /= 2
        self.assertFalse(self.client.audit(asked, plan).agrees)

    def test_noise(self):
        """Noise for each subband, for each user or for all is the same noise."""
        powers = [
            self.client.schedule(slot(noise_w=noise)).radiated_power_w
            for noise in (NOISE_W, np.full(USERS, NOISE_W), np.full((USERS, SUBBANDS), NOISE_W / SUBBANDS))
        ]
        np.testing.assert_allclose(powers, powers[0], rtol=1e-9)

    def test_fields(self):
        """Options and other fields arrive; one subband needs no axis."""
        h = channel()[:, 0]
        plan = self.client.schedule(
            slot(
                h,
                sequence=7,
                user_ids="abcde",
                options=dict(grouping="alone", beams="matched", power="lp"),
                slot_duration_micros=500,
            )
        )
        self.assertEqual((plan.sequence, plan.user_ids), (7, list("abcde")))
        self.assertEqual((plan.strategy.grouping, plan.strategy.beams), ("alone", "matched"))
        self.assertEqual(sorted(g.user_ids[0] for g in plan.groups), list("acde"))

    def test_shapes(self):
        for wrong in (
            dict(h=channel()[0, 0]),
            dict(rate_bps=[1e6, 1e6]),
            dict(noise_w=np.ones((SUBBANDS, USERS))),
            dict(noise_w=np.ones(2)),
            dict(csi_error_variance=np.ones(3)),
            dict(priority=np.ones((USERS, 1))),
            dict(user_ids=["a"]),
        ):
            with self.assertRaises(ValueError, msg=str(wrong)):
                slot(**wrong)

    def test_rejected(self):
        with self.assertRaises(leastwatt.RejectedError) as caught:
            self.client.schedule(slot(noise_w=[NOISE_W, -1, NOISE_W, NOISE_W, 0], options=dict(grouping="by-birthday")))
        paths = [v.path for v in caught.exception.violations]
        self.assertEqual(paths, ["users[1].noiseW", "users[4].noiseW", "options.grouping"])
        self.assertEqual(caught.exception.violations[0].value, "-1")
        self.assertIn("> 0", caught.exception.violations[0].allowed)

    def test_strategies(self):
        known = self.client.strategies()
        self.assertIn("optimal", known["beams"])
        self.assertIn("together", known["groupings"])
        self.assertIn("mcs-64qam", known["rate_tables"])

    def test_stream(self):
        """One plan for each slot, in order; a bad one is no end, and 0 takes the next number."""
        slots = [slot(channel(n), sequence=s) for n, s in enumerate((3, 0, 0, 9, 0))]
        slots[2].users[0].rate_bps = -1
        plans = list(self.client.stream(slots, cell_id="quay-4", options=dict(weights="f32")))
        self.assertEqual([p.sequence for p in plans], [3, 4, 5, 9, 10])
        self.assertEqual([p.status for p in plans], ["MET", "MET", "REJECTED", "MET", "MET"])
        self.assertEqual(plans[2].violations[0].path, "users[0].rateBps")
        for n in (0, 1, 3, 4):
            np.testing.assert_allclose(plans[n].rate_bps, rates(channel(n), plans[n]), rtol=1e-5)
        self.assertEqual([s.sequence for s in slots], [3, 0, 0, 9, 0])

    def test_stream_state(self):
        """What a stream leaves behind, another takes up."""
        last = list(self.client.stream([slot(), slot()]))[-1]
        self.assertTrue(last.session_state)
        plans = self.client.stream(
            [slot(), slot(sequence=1)], resume_after=last.sequence, session_state=last.session_state, memory=False
        )
        first, repeated = plans
        self.assertEqual((first.sequence, first.status, first.session_state), (last.sequence + 1, "MET", b""))
        self.assertEqual((repeated.sequence, repeated.status), (1, "REJECTED"))
        with self.assertRaises(leastwatt.RejectedError):
            list(self.client.stream([slot()], session_state=last.session_state[:-1] + b"x"))

    def test_stream_lockstep(self):
        """A queue lets the next slot depend on the last plan."""
        waiting = queue.Queue()
        waiting.put(slot())
        powers = []
        for plan in self.client.stream(iter(waiting.get, None)):
            powers.append(plan.radiated_power_w)
            waiting.put(slot(rate_bps=RATE_BPS * (1 + len(powers))) if len(powers) < 4 else None)
        self.assertEqual(len(powers), 4)
        self.assertEqual(sorted(powers), powers)

    def test_stream_backlog(self):
        """No more is read than the backlog beyond the last plan taken."""
        read = 0

        def endless():
            nonlocal read
            while True:
                read += 1
                yield slot()

        stream = self.client.stream(endless(), backlog=3)
        for taken, _ in enumerate(stream):
            self.assertLessEqual(read, taken + 1 + 3)
            if taken == 20:
                break
        stream.close()

    def test_stream_faults(self):
        """What the caller's iterable raises comes after the plans of what it gave."""

        def broken():
            yield slot()
            yield slot()
            raise KeyError("lost")

        taken = 0
        with self.assertRaises(KeyError):
            for _ in self.client.stream(broken()):
                taken += 1
        self.assertEqual(taken, 2)
        self.assertEqual(list(self.client.stream([])), [])
        with self.assertRaises(leastwatt.RejectedError) as caught:
            list(self.client.stream([slot()], options=dict(grouping="by-birthday")))
        self.assertEqual(caught.exception.violations[0].path, "options.grouping")

    def test_least_squares(self):
        """A least-squares estimate becomes one whose error does not correlate with it.

        Wiener's filter (any textbook): error r s / (r + s), estimate and error share r.
        Standard errors over 100000 samples are near 0.005.
        """
        self.assertEqual(doctest.testmod(sys.modules["leastwatt._slot"])[0], 0)
        rng = np.random.default_rng(5)
        r, s = np.array([2.0, 0.1]), np.array([0.6, 0.3])

        def noise(variance):
            z = rng.standard_normal((2, 4, 25000)) + 1j * rng.standard_normal((2, 4, 25000))
            return z * np.sqrt(variance / 2)[:, None, None]

        def mean(x):
            return x.reshape(2, -1).mean(axis=1)

        h = noise(r)
        y = h + noise(s)
        for mean_square in (r, None):
            estimate, variance = leastwatt.from_least_squares(y, s, mean_square)
            np.testing.assert_allclose(variance, r * s / (r + s), rtol=1e-12 if mean_square is r else 0.05)
            np.testing.assert_allclose(mean(np.abs(h - estimate) ** 2), variance, rtol=0.05)
            np.testing.assert_allclose(mean(np.abs(estimate) ** 2) + variance, r, rtol=0.05)
            self.assertTrue((np.abs(mean(estimate.conj() * (h - estimate))) < 0.03 * r).all())
        np.testing.assert_allclose(mean(y.conj() * (h - y)).real, -s, rtol=0.05)  # that of y correlates
        flat, _ = leastwatt.from_least_squares(y[:, 0].astype(np.complex64), 1.0, 1.0)
        self.assertEqual((flat.shape, flat.dtype), ((2, 25000), np.complex64))
        np.testing.assert_allclose(flat, y[:, 0] / 2, rtol=1e-6)
        for wrong in ((-1.0, None), (np.nan, None), (np.inf, None), (1e3, None), (1.0, 0.0), (1.0, np.nan), ([1.0], None)):
            with self.assertRaises(ValueError, msg=str(wrong)):
                leastwatt.from_least_squares(y, *wrong)

    def test_estimate(self):
        """Over true channels drawn, rates planned for an MMSE estimate are there in the mean."""
        rng = np.random.default_rng(6)
        h = channel(6)
        s = 0.05e-10
        y = h + np.sqrt(s / 2) * (rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape))
        estimate, variance = leastwatt.from_least_squares(y, s)
        plan = self.client.schedule(slot(estimate, csi_error_variance=variance, options=dict(weights="f64")))
        self.assertEqual(plan.status, "MET", plan)
        total = np.zeros(USERS)
        for _ in range(200):
            e = rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape)
            total += rates(estimate + np.sqrt(variance / 2)[:, None, None] * e, plan, claimed=False) / 200
        self.assertTrue((total >= 0.99 * RATE_BPS).all(), total / np.maximum(RATE_BPS, 1))

    def test_nobody(self):
        """Without a server a call fails at once, a stream when it gives up."""
        client = leastwatt.Client("127.0.0.1:1")
        self.addCleanup(client.close)
        with self.assertRaises(grpc.RpcError) as caught:
            client.schedule(slot())
        self.assertEqual(caught.exception.code(), grpc.StatusCode.UNAVAILABLE)
        with self.assertRaises(grpc.RpcError) as caught:
            list(client.stream([slot()], give_up_after=0.2))
        self.assertEqual(caught.exception.code(), grpc.StatusCode.UNAVAILABLE)

    def test_arguments(self):
        for wrong in (
            dict(cert="x"),
            dict(key="x"),
            dict(server_name="quay"),
            dict(target="192.0.2.1:7171", token="t"),
            dict(target="quay:7171", token="t"),
            dict(target="127.quay:7171", token="t"),
        ):
            with self.assertRaises(ValueError, msg=str(wrong)):
                leastwatt.Client(**wrong)


if __name__ == "__main__":
    unittest.main()
