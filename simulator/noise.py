"""Smooth pseudo-random functions of time that need no state.

A value depends only on the seed, the stream (which site or unit, which purpose) and the time, so
weather and load come out the same however a run is cut into pieces. Integer hashing is
splitmix64's finaliser (public domain; constants from memory), interpolation is cubic.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

__all__ = ["smooth_noise", "stream_of", "uniform_of"]

FloatArray = NDArray[np.float64]

_SD_OF_INTERPOLATED = 0.492
"""Standard deviation of cubic-interpolated lattice noise uniform on [-1, 1), over all phases."""


def stream_of(seed: int, purpose: str, key: str) -> int:
    """A stream number for one purpose of one site or unit, the same on every machine."""
    return zlib.crc32(f"{seed}/{purpose}/{key}".encode()) | (zlib.crc32(purpose.encode()) << 32)


def _hash(x: NDArray[np.uint64]) -> NDArray[np.uint64]:
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


def _lattice(streams: NDArray[np.uint64], index: NDArray[np.int64]) -> FloatArray:
    """Uniform on [-1, 1) for each pair of stream and lattice index."""
    mixed = _hash(streams + index.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15))
    return (mixed >> np.uint64(11)).astype(np.float64) * (2.0 / 2**53) - 1.0


def smooth_noise(streams: NDArray[np.uint64], time_s: FloatArray, period_s: float) -> FloatArray:
    """Smooth noise of zero mean and unit standard deviation.

    Parameters
    ----------
    streams : (n,) array
        Stream numbers from :func:`stream_of`.
    time_s : (k,) array
        Times. [s since 1970]
    period_s : float
        Distance between independent values. [s]

    Returns
    -------
    (k, n) array
        Within about ±2.

    """
    phase = (streams % np.uint64(997)).astype(np.float64) / 997.0
    x = time_s[:, None] / period_s + phase[None, :]
    floor = np.floor(x)
    index = floor.astype(np.int64)
    f = x - floor
    low = _lattice(streams[None, :], index)
    high = _lattice(streams[None, :], index + 1)
    return np.asarray((low + (high - low) * f * f * (3.0 - 2.0 * f)) / _SD_OF_INTERPOLATED)


def uniform_of(seed: int, purpose: str, key: str, low: float, high: float) -> float:
    """One fixed number between low and high for a site or unit: how it differs from its kin."""
    stream = np.array([stream_of(seed, purpose, key)], dtype=np.uint64)
    unit = 0.5 * (_lattice(stream, np.zeros(1, dtype=np.int64))[0] + 1.0)
    return float(low + (high - low) * unit)
