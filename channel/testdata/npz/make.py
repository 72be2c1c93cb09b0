"""Writes the .npz files beside it with NumPy, for the reader's tests.

Sample n of a channel in C order is n + 1 - 0.5j * n.
"""
import numpy as np

def channel(shape, dtype, order="C"):
    n = np.arange(np.prod(shape)).reshape(shape)
    return np.asarray(n + 1 - 0.5j * n, dtype=dtype, order=order)

rate, noise = np.array([1e6, 2.5e6]), np.array([1e-13, 2e-13])
np.savez("c64.npz", channel=channel((2, 3, 4), "<c8"), rate_bps=rate, noise_w=noise, bandwidth_hz=20e6,
         csi_error_variance=np.array([0, 1e-15]))
np.savez_compressed("c128.npz", channel=channel((2, 4), "<c16"), rate_bps=rate.astype("i4"), noise_w=np.float32(0.5),
                    bandwidth_hz=np.array([20_000_000]), csi_error_variance=1e-15)
np.savez("fortran.npz", channel=channel((2, 3, 4), ">c16", "F"), rate_bps=rate.astype(">f4"), noise_w=noise,
         bandwidth_hz=np.int64(20_000_000))
np.savez("real.npz", channel=channel((2, 4), "<c8").real, rate_bps=rate, noise_w=noise, bandwidth_hz=20e6)
np.savez("flat.npz", channel=channel((8,), "<c8"), rate_bps=rate, noise_w=noise, bandwidth_hz=20e6)
np.savez("more.npz", channel=channel((2, 4), "<c8"), rate_bps=rate, noise_w=noise, bandwidth_hz=20e6, limits=1.0)
np.savez("fewer.npz", channel=channel((2, 4), "<c8"), rate_bps=rate, bandwidth_hz=20e6)
np.savez("three.npz", channel=channel((2, 4), "<c8"), rate_bps=np.ones(3), noise_w=noise, bandwidth_hz=20e6)
np.savez("text.npz", channel=channel((2, 4), "<c8"), rate_bps=np.array(["a", "b"]), noise_w=noise, bandwidth_hz=20e6)
np.savez("empty.npz", channel=channel((0, 4), "<c8"), rate_bps=np.ones(0), noise_w=1.0, bandwidth_hz=20e6)
