"""What the records keep of water and energy: one unit's figures of one month."""

from __future__ import annotations

from dataclasses import dataclass

from rules.consumption import UnitUse

__all__ = ["UseRow"]


@dataclass(frozen=True)
class UseRow:
    """Figures of a month ('2026-10') as worked out at ``worked_ms`` (UTC, ms since 1970).

    ``settled`` says that the month is over and its latecomers have come.
    """

    site: str
    unit: str
    month: str
    worked_ms: int
    settled: bool
    use: UnitUse
