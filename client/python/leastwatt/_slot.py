"""Slots from NumPy arrays."""

import numpy as np

from ._contract import messages, options_message


def slot(
    channel,
    rate_bps,
    noise_w,
    bandwidth_hz,
    *,
    sequence=0,
    user_ids=None,
    csi_error_variance=0.0,
    priority=0.0,
    options=None,
    **fields,
):
    """Returns the message of a slot.

    channel: complex array [user, subband, antenna], or [user, antenna] for one
        subband. complex64 goes over the wire in half the bytes of complex128.
    rate_bps: rate targets in bit/s, a number or one for each user.
    noise_w: receiver noise power in W: a number or one for each user, over the
        whole bandwidth; or an array [user, subband].
    bandwidth_hz: bandwidth in Hz over all subbands together.
    sequence: number of the slot. In a stream numbers rise; a slot numbered 0
        takes the one after the last.
    user_ids: names of the users; "0", "1" and so on where there are none.
    csi_error_variance: variance of the error of the channel estimate, in units of
        |h|^2, a number or one for each user. The channel is then to be an MMSE
        estimate; from_least_squares makes one.
    priority: weight of a user when not every target can be met, a number or one
        for each user; 0 means 1.
    options: dict of the fields of Options, such as dict(grouping="together",
        weights="f32").
    fields: any other field of Slot, as protobuf takes it, such as
        limits=dict(total_power_w=1.0).

    Raises ValueError where the shapes do not fit. What the values may be is for
    the server to say.
    """
    h = _three(channel)
    users, subbands, _ = h.shape
    ids = [str(k) for k in range(users)] if user_ids is None else list(user_ids)
    if len(ids) != users:
        raise ValueError(f"{len(ids)} user_ids for {users} users")
    rate = _per_user("rate_bps", rate_bps, users)
    error = _per_user("csi_error_variance", csi_error_variance, users)
    weight = _per_user("priority", priority, users)
    noise = np.asarray(noise_w, dtype=float)
    by_subband = noise.ndim == 2
    if by_subband and noise.shape != (users, subbands):
        raise ValueError(f"noise_w has shape {noise.shape}, not [user, subband] = {(users, subbands)}")
    if not by_subband:
        noise = _per_user("noise_w", noise, users)
    message = messages.Slot(
        sequence=sequence,
        bandwidth_hz=bandwidth_hz,
        channel=channel_message(h),
        users=[
            dict(
                id=ids[k],
                rate_bps=rate[k],
                csi_error_variance=error[k],
                priority=weight[k],
                **({"subband_noise_w": noise[k].tolist()} if by_subband else {"noise_w": noise[k]}),
            )
            for k in range(users)
        ],
        **fields,
    )
    if options is not None:
        message.options.CopyFrom(options_message(options))
    return message


def from_least_squares(channel, noise_variance, mean_square=None):
    """Returns channel and csi_error_variance for slot from a least-squares estimate.

    A least-squares estimate is the true channel and noise, and its error correlates
    with it. What slot takes is an estimate of least mean square error (MMSE), whose
    error does not. With r the mean square of the true channel per antenna and subband
    and s the noise, that is the factor r / (r + s), and its error has the variance
    r s / (r + s).

    channel: complex array [user, subband, antenna] or [user, antenna].
    noise_variance: variance of the noise in it, of pilots, in units of |h|^2: a number
        or one for each user; finite, >= 0.
    mean_square: r, a number or one for each user; finite, > 0. None: what the estimate
        itself has in the mean, less the noise.

    Returns (estimate, csi_error_variance): an array of the shape and kind of channel,
    and a float array [user]. Raises ValueError for numbers that are not allowed, and
    for a user of whom mean_square leaves nothing above the noise.

        >>> y = np.array([[2 + 1j, -1 + 2j, 1 - 3j]])
        >>> estimate, variance = from_least_squares(y, 2.0)
        >>> print(estimate.round(3), variance.round(3))
        [[ 1.4+0.7j -0.7+1.4j  0.7-2.1j]] [1.4]
    """
    y = np.asarray(channel)
    users = len(_three(y))
    s = _per_user("noise_variance", noise_variance, users)
    if not (np.isfinite(s) & (s >= 0)).all():
        raise ValueError(f"noise_variance {noise_variance}: finite and >= 0 is allowed")
    if mean_square is None:
        r = (np.abs(y.reshape(users, -1)) ** 2).mean(axis=1) - s
    else:
        r = _per_user("mean_square", mean_square, users)
    if not (np.isfinite(r) & (r > 0)).all():
        raise ValueError(f"mean_square {r.tolist()}: finite and > 0 is allowed, of every user")
    factor = 1 / (1 + s / r)
    estimate = y * factor.reshape((users,) + (1,) * (y.ndim - 1)).astype(y.real.dtype)
    return estimate, factor * s


def _three(channel):
    """Returns a channel as an array [user, subband, antenna]."""
    h = np.asarray(channel)
    if h.ndim == 2:
        h = h[:, np.newaxis, :]
    if h.ndim != 3:
        raise ValueError(f"channel has shape {h.shape}, not [user, subband, antenna]")
    return h


def channel_message(channel):
    """Returns the message of a channel, an array as slot takes one."""
    h = _three(channel)
    out = messages.Channel(antennas=h.shape[2], subbands=h.shape[1])
    if h.dtype == np.complex64:
        out.samples_f32 = h.astype("<c8").tobytes()
    else:
        out.values.extend(np.ascontiguousarray(h, dtype=complex).view(float).ravel().tolist())
    return out


def _per_user(name, value, users):
    """Returns an array [user] of a number or of one for each."""
    array = np.asarray(value, dtype=float)
    if array.shape not in ((), (users,)):
        raise ValueError(f"{name} has shape {array.shape}, not [user] = {(users,)}")
    return np.broadcast_to(array, (users,))
