"""The months of which a report can be asked for."""

from __future__ import annotations

from datetime import tzinfo
from typing import Final

from gateway.month import Month

__all__ = ["report_months"]

_OFFERED: Final = 25
"""The running month and two years, for a comparison with the same month before."""


def report_months(now_ms: int, zone: tzinfo) -> tuple[Month, ...]:
    """The running month at the site and those before it, the newest first."""
    months = [Month.of(now_ms, zone)]
    while len(months) < _OFFERED:
        months.append(months[-1].before)
    return tuple(months)
