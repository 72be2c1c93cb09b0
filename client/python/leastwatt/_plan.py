"""Plans with NumPy arrays."""

from functools import cached_property
from typing import NamedTuple

import numpy as np

from ._contract import plan_status


class Violation(NamedTuple):
    """One thing wrong with a slot: path in JSON names, value found, what is allowed."""

    path: str
    value: str
    allowed: str


class Plan:
    """The answer to one slot; message is the plan as it came.

    Fields without arrays are read through: plan.radiated_power_w (W, mean over
    the slot), plan.sequence, plan.compute_micros and so on, as in plan.proto.
    """

    def __init__(self, message):
        self.message = message

    def __getattr__(self, name):
        if name == "message":  # not yet set: while a plan is copied
            raise AttributeError(name)
        return getattr(self.message, name)

    def __repr__(self):
        return f"<Plan {self.sequence} {self.status}: {self.radiated_power_w:.4g} W, {len(self.groups)} groups>"

    @property
    def status(self):
        """MET, SHORT, REJECTED, DROPPED or FAILED."""
        return plan_status(self.message.status)

    @property
    def floor_power_w(self):
        """Proved lower bound on radiated_power_w, in W; None where none was asked for."""
        return self._optional("floor_power_w")

    @property
    def peak_eirp_w(self):
        """Largest EIRP in W over groups and directions; None without an array's geometry."""
        return self._optional("peak_eirp_w")

    def _optional(self, name):
        return getattr(self.message, name) if self.message.HasField(name) else None

    @property
    def violations(self):
        """What is wrong with the slot, of a REJECTED plan: list of Violation."""
        return [Violation(v.path, v.value, v.allowed) for v in self.message.violations]

    @cached_property
    def user_ids(self):
        """Names of the users, in the slot's order."""
        return [u.id for u in self.message.users]

    @cached_property
    def target_bps(self):
        """Rate targets in bit/s: float array [user]."""
        return np.array([u.target_bps for u in self.message.users])

    @cached_property
    def rate_bps(self):
        """Delivered rates in bit/s, means over the slot: float array [user]."""
        return np.array([u.rate_bps for u in self.message.users])

    @cached_property
    def antenna_power_w(self):
        """Power of each antenna in W, the maximum over groups: float array [antenna]."""
        return np.array(self.message.antenna_power_w)

    @cached_property
    def groups(self):
        """The groups in the order of the air: list of Group."""
        return [Group(g, self.user_ids, len(self.message.antenna_power_w)) for g in self.message.groups]


class Group:
    """Users served at once, G of them; message is the group as it came.

    share (fraction of the slot) and radiated_power_w (W, while on the air) are
    read through.
    """

    def __init__(self, message, user_ids, antennas):
        self.message = message
        self._user_ids = user_ids
        self._antennas = antennas

    @property
    def share(self):
        """Fraction of the slot, in (0, 1]."""
        return self.message.share

    @property
    def radiated_power_w(self):
        """Radiated power in W while the group is on the air."""
        return self.message.radiated_power_w

    @cached_property
    def user_ids(self):
        """Names of the users in the group."""
        return [a.user_id for a in self.message.allocations]

    @cached_property
    def users(self):
        """Rows of the users in the slot's channel: int array [G]."""
        row = {name: k for k, name in enumerate(self._user_ids)}
        return np.array([row[name] for name in self.user_ids], dtype=int)

    @cached_property
    def subbands(self):
        """Subbands in use: int array, S of them."""
        if self.message.subbands:
            return np.array(self.message.subbands)
        return np.arange(self.sinr.shape[1])

    @cached_property
    def power_w(self):
        """Power of each user's beams in W while on the air: float array [G]."""
        return np.array([a.power_w for a in self.message.allocations])

    @cached_property
    def rate_bps(self):
        """Rate of each user from this group in bit/s, a mean over the slot: float array [G]."""
        return np.array([a.rate_bps for a in self.message.allocations])

    @cached_property
    def sinr(self):
        """SINR, linear: float array [G, S]."""
        return np.array([a.sinr for a in self.message.allocations])

    @cached_property
    def weights(self):
        """Beam weights in square roots of watts: complex array [G, S, antenna].

        A user's signal is its unit-power symbol times its weights while the group
        is on the air; user k receives sum over m of conj(h[k, s, m]) weights[j, s, m].
        None where the slot's options asked for no weights.
        """
        rows = [self._row(a.weights) for a in self.message.allocations if a.HasField("weights")]
        return np.stack(rows) if rows else None

    def _row(self, weights):
        if weights.samples_f32:
            w = np.frombuffer(weights.samples_f32, dtype="<c8")
        elif weights.samples_i16:
            counts = np.frombuffer(weights.samples_i16, dtype="<i2").astype(float)
            w = counts.view(complex) * self.message.weight_scale
        else:
            w = np.array(weights.values).view(complex)
        return w.reshape(-1, self._antennas)
