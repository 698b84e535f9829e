"""From a number to a severity: limits with deadband, and the settings every fault has."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8, Bool
from rules.faults.base import Setting

__all__ = ["course", "graded", "judged"]


def graded(
    value: F64,
    limits: Sequence[F64 | float | None],
    deadband: F64 | float,
    announced: I8,
) -> I8:
    """Severity by three rising limits: low, medium, high.

    Sets at value >= limit and clears at value < limit - deadband (OPC 10000-9, B.1.5).

    Parameters
    ----------
    value : (k,) array
        What is compared; NaN gives :data:`~rules.alarms.UNKNOWN`.
    limits : three of array, number or None
        Limits for low, medium and high; None where the fault has no such severity.
    deadband : array or number
        In the unit of ``value``.
    announced : (k,) array
        The severity that the alarm stands at.

    Returns
    -------
    (k,) int8 array
    """
    out = np.zeros(len(value), dtype=np.int8)
    any_stands = announced.any()
    for severity, limit in enumerate(limits, start=1):
        if limit is None:
            continue
        if any_stands:
            limit = limit - np.where(announced >= severity, deadband, 0.0)  # noqa: PLW2901
        out[value >= limit] = severity
    out[np.isnan(value)] = UNKNOWN
    return out


def judged(condition: Bool, known: Bool, severity: int | I8) -> I8:
    """``severity`` where the condition is there, 0 where not, UNKNOWN where it cannot be judged."""
    out = np.where(condition, severity, 0)
    return np.where(known, out, UNKNOWN).astype(np.int8)


def course(
    on_s: float, on_reason: str, off_s: float, off_reason: str, longest_s: float = 604_800.0
) -> tuple[Setting, Setting, Setting]:
    """The settings that every fault has: its alarm's delays, and whether it latches."""
    return (
        Setting("on_delay_s", on_s, "s", 0.0, longest_s,
                "how long the condition must hold before the alarm is raised", on_reason),
        Setting("off_delay_s", off_s, "s", 0.0, longest_s,
                "how long it must be gone before the alarm returns to normal", off_reason),
        Setting("latches", 0.0, "0 or 1", 0.0, 1.0,
                "1: once its condition is gone, the alarm stands latched until a person resets it",
                "the ticket stays open in any case; latch where somebody has to see the machine "
                "before its alarm may be forgotten"),
    )  # fmt: skip
