"""Client of leastwatt: slots in, plans out, NumPy on either side.

    client = leastwatt.Client("127.0.0.1:7171")
    plan = client.schedule(leastwatt.slot(h, rate_bps=5e6, noise_w=1e-13, bandwidth_hz=1e7))

User k receives y_k = h_k^H x + n_k. Watts refer to the plane where |h|^2 is a
power gain. What the fields of slots and plans mean, and their units, is in
proto/leastwatt/v1/slot.proto and plan.proto; messages of that contract are in
leastwatt.messages, by name.
"""

from ._client import Client, RejectedError
from ._contract import messages
from ._plan import Group, Plan, Violation
from ._slot import from_least_squares, slot

__all__ = ["Client", "Group", "Plan", "RejectedError", "Violation", "from_least_squares", "messages", "slot"]
