"""How sure a share or a rate is when the counts are small."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final

__all__ = ["CONFIDENCE", "Rate", "Share", "poisson_interval", "wilson_interval"]

CONFIDENCE: Final = 0.95
"""Two-sided, as is usual in reports."""

_HALVINGS: Final = 200


def wilson_interval(count: int, total: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The score interval of a share of ``count`` in ``total``; 0 to 1 where ``total`` is 0.

    Source: E. B. Wilson, J. Amer. Stat. Assoc. 22 (1927) 209-212; without continuity correction.
    It stays within 0 to 1 and is fair where the share is near one of them, as the plain normal
    interval is not (R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, method 3).
    """
    if not 0 <= count <= total:
        msg = f"count = {count} must be from 0 to total = {total}"
        raise ValueError(msg)
    if total == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    p = count / total
    middle = p + z * z / (2.0 * total)
    half = z * math.sqrt(p * (1.0 - p) / total + z * z / (4.0 * total * total))
    scale = 1.0 + z * z / total
    # Exactly 0 and 1 at the ends, which rounding may miss.
    low = 0.0 if count == 0 else max(0.0, (middle - half) / scale)
    high = 1.0 if count == total else min(1.0, (middle + half) / scale)
    return low, high


def poisson_interval(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The exact interval of the expected number of events of which ``count`` were seen.

    Source: F. Garwood, Biometrika 28 (1936) 437-442: the mean below which ``count`` or more, and
    above which ``count`` or fewer, would be seen with half the error probability.
    """
    if count < 0:
        msg = f"count = {count} must not be negative"
        raise ValueError(msg)
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else _mean_where(count - 1, 1.0 - tail)
    return low, _mean_where(count, tail)


def _mean_where(count: int, probability: float) -> float:
    """The Poisson mean at which ``count`` or fewer events have the given probability."""
    low, high = 0.0, 2.0 * count + 50.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if _at_most(count, middle) > probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _at_most(count: int, mean: float) -> float:
    if mean <= 0.0:
        return 1.0
    log_mean = math.log(mean)
    return math.fsum(math.exp(k * log_mean - mean - math.lgamma(k + 1)) for k in range(count + 1))


@dataclass(frozen=True)
class Share:
    """``count`` of ``total``, with its Wilson interval at 95 %."""

    count: int
    total: int

    @property
    def value(self) -> float | None:
        """The share, 0 to 1; None of nothing."""
        return self.count / self.total if self.total else None

    @property
    def interval(self) -> tuple[float, float]:
        """Low and high end, 0 to 1."""
        return wilson_interval(self.count, self.total)

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        low, high = self.interval
        return {
            "count": self.count,
            "total": self.total,
            "share": self.value,
            "low": low,
            "high": high,
        }


@dataclass(frozen=True)
class Rate:
    """``count`` events in ``exposure`` (for instance unit-months), with its exact interval."""

    count: int
    exposure: float

    @property
    def value(self) -> float | None:
        """Events per unit of exposure; None if there was none."""
        return self.count / self.exposure if self.exposure > 0 else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """Low and high end; None without exposure."""
        if self.exposure <= 0:
            return None
        low, high = poisson_interval(self.count)
        return low / self.exposure, high / self.exposure

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        low, high = self.interval or (None, None)
        return {
            "count": self.count,
            "exposure": self.exposure,
            "rate": self.value,
            "low": low,
            "high": high,
        }
