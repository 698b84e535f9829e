"""How long the rules' steps took: a histogram with fixed bounds, filled once a step."""

from __future__ import annotations

from bisect import bisect_left
from typing import Final, NamedTuple

__all__ = ["BOUNDS_S", "NO_STEPS", "StepTimes", "StepTimesSoFar"]

BOUNDS_S: Final = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
"""Upper bounds of the histogram's buckets; steps are a second apart, so longer ones fall behind."""


class StepTimesSoFar(NamedTuple):
    """Steps within each bound of :data:`BOUNDS_S` (and shorter ones), all steps, and their sum."""

    within: tuple[int, ...]
    steps: int
    sum_s: float


NO_STEPS: Final = StepTimesSoFar((0,) * len(BOUNDS_S), 0, 0.0)


class StepTimes:
    """Filled by one thread, read by any."""

    def __init__(self) -> None:
        """No step yet."""
        self._in = [0] * (len(BOUNDS_S) + 1)
        self._sum_s = 0.0

    def took(self, duration_s: float) -> None:
        """One more step."""
        self._in[bisect_left(BOUNDS_S, duration_s)] += 1
        self._sum_s += duration_s

    def so_far(self) -> StepTimesSoFar:
        """All steps since the start."""
        within: list[int] = []
        total = 0
        for count in list(self._in):
            total += count
            within.append(total)
        return StepTimesSoFar(tuple(within[:-1]), total, self._sum_s)
