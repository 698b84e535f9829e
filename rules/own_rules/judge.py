"""Whether an own rule's condition holds, and the evidence for it."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import Final, Self

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8, I64, Bool
from rules.equipment import OwnRule
from rules.events import Evidence, Reading
from rules.own_rules.compiled import Condition, compile_condition
from rules.own_rules.quantities import Quantity, Sight

__all__ = ["Judge"]

CONFIDENCE: Final = 0.9
"""The readings are taken as they are; nothing here proves a transmitter right."""


@dataclass(frozen=True)
class Judge:
    """What says whether a rule's condition holds, and when it is clear; ``text`` tells them apart
    from others.
    """

    condition: Condition
    clear: Condition | None
    text: str

    @classmethod
    def of(cls, rule: OwnRule) -> Self:
        """Raises :class:`ExpressionError` for a condition that cannot be used."""
        condition = compile_condition(rule.condition)
        clear = compile_condition(rule.clear) if rule.clear is not None else None
        text = f"{condition.written}\n{clear.written if clear else ''}"
        return cls(condition, clear, sha256(text.encode()).hexdigest()[:32])

    def severity(self, sight: Sight, index: I64, priority: I8, active: Bool) -> I8:
        """The condition now, as :func:`rules.alarms.advance` wants it; unknown is never clear."""
        true, known = (np.broadcast_to(part, len(sight.rows)) for part in
                       self.condition.holds(sight))  # fmt: skip
        true, known = true[index], known[index]
        severity = np.where(true, priority, np.where(known, np.int8(0), np.int8(UNKNOWN)))
        if self.clear is not None and active.any():
            gone, told = (np.broadcast_to(part, len(sight.rows)) for part in
                          self.clear.holds(sight))  # fmt: skip
            gone, told = gone[index], told[index]
            # It stands until its clear condition is there, though its own is there no more.
            after = np.where(told, priority, np.int8(UNKNOWN))
            stands = np.where(true, priority, np.where(gone, np.int8(0), after))
            severity = np.where(active, stands, severity)
        return severity.astype(np.int8)

    def evidence(self, rule: OwnRule, sight: Sight, place: int) -> Evidence:
        """The evidence for one unit of the sight: every value of the condition, and its text."""
        condition = " ".join(rule.condition.split())
        title = rule.title.rstrip(".")
        readings = [_reading(q, sight, place) for q in self.condition.operands]
        return Evidence(
            summary=f"{title}. This is a rule of your own: {condition}.",
            confidence=CONFIDENCE,
            readings=tuple(readings),
            signals=self.condition.signals,
            limits=(
                "A rule of your own says that its condition holds, not why: no causes are told "
                "apart.",
            ),
        )


def _reading(quantity: Quantity, sight: Sight, place: int) -> Reading:
    value: F64 = sight.value(quantity.name)
    measured = float(value[place])
    known = not np.isnan(measured)
    note = ""
    if known and quantity.kind == "truth":
        note = "yes" if measured > 0.5 else "no"
    elif known and quantity.fixed:
        note = "from the site file"
    return Reading(
        quantity.title, measured if known else None, quantity.unit, note=note,
        derived=quantity.derived and not quantity.fixed,
    )  # fmt: skip
