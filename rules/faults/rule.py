"""A rule: a fault's catalogue entry with the two functions that judge and explain it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.arrays import I8
from rules.diagnosis import SignatureTable
from rules.events import Evidence, Severity
from rules.faults.base import Fault
from rules.look import UnitLook

if TYPE_CHECKING:
    from rules.bins import BinView
    from rules.frames import FrameView
    from rules.silence import ClockView

__all__ = ["Rule"]


@dataclass(frozen=True)
class Rule:
    """``judge(view, announced)`` gives a severity for each unit of the view (UNKNOWN where it can
    not tell); the view's type follows from ``fault.judged_by``. ``explain(look, severity)`` gives
    the evidence for one unit. ``signatures`` are the tables of signs that it ranks causes by; none
    where it names its causes without weighing signs.
    """

    fault: Fault
    judge: (
        Callable[[FrameView, I8], I8] | Callable[[BinView, I8], I8] | Callable[[ClockView, I8], I8]
    )
    explain: Callable[[UnitLook, Severity], Evidence]
    signatures: tuple[SignatureTable, ...] = ()
