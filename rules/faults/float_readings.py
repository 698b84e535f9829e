"""What the faults of the float valve share: courses of level and water as signs, a setting."""

from __future__ import annotations

from typing import Final

from rules.diagnosis import SignatureRow
from rules.faults.base import CauseEntry, Setting
from rules.look import UnitLook

__all__ = ["OVERFLOW_MARGIN", "cause_entries", "conductivity_sign", "trend_sign"]

OVERFLOW_MARGIN: Final = Setting(
    "overflow_margin_mm", 5.0, "mm", 0.0, 100.0,
    "closeness to the overflow lip that counts as overflowing",
    "a lip passes water from a few millimetres of head",
)  # fmt: skip


def trend_sign(slope: float | None, least: float) -> int | None:
    """1, 0 or -1 for a slope of at least ``least`` either way; None where not known."""
    if slope is None:
        return None
    return 1 if slope > least else -1 if slope < -least else 0


def conductivity_sign(look: UnitLook) -> int | None:
    """Whether conductivity rises, holds or falls by a hundredth an hour, over two hours."""
    level = look.recent("conductivity")
    return trend_sign(look.slope_per_h("conductivity", 24), 0.01 * level) if level else None


def cause_entries(rows: tuple[SignatureRow, ...], plans: dict[str, str]) -> tuple[CauseEntry, ...]:
    """The catalogue's causes of a table's rows; those not in ``plans`` have the float's plan."""
    return tuple(
        CauseEntry(r.slug, r.title, r.look_at, plans.get(r.slug, "float-valve")) for r in rows
    )
