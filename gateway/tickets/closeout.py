"""What a close-out says: for each part what was found, what was done, what was used, and readings.

Plain frozen data that refuses what cannot be meant; the records keep it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from rules.lessons import PartVerdict
from rules.signals import INDEX, signal

__all__ = [
    "PARTS", "CloseOutRefused", "PartFinding", "ReadingTaken", "readings_of", "verdict_of",
]  # fmt: skip

PARTS: Final = (
    "pump", "pump-screen", "distribution", "pads", "coil", "basin", "float", "bleed", "fans",
    "sensor", "electrics", "controls", "refrigerant-side", "other",
)  # fmt: skip
"""The parts that a finding can be about. Those of them that are cleaned have the same names in
:data:`rules.state.CLEANABLE_PARTS`."""

MOST_FINDINGS: Final = 50
MOST_READINGS: Final = 50
LONGEST: Final = 2000


class CloseOutRefused(ValueError):
    """What was given cannot be meant; the text says why and what to do."""


@dataclass(frozen=True)
class ReadingTaken:
    """A reading before and after the work, in ``unit`` ('' for none); None where not taken.

    ``what`` may be a signal of the catalogue: then its unit is taken where none is given.
    """

    what: str
    unit: str = ""
    before: float | None = None
    after: float | None = None

    def __post_init__(self) -> None:
        """Refuse a reading without name or value."""
        object.__setattr__(self, "what", _line(self.what, "the name of a reading", 80))
        unit = self.unit.strip() or (signal(self.what).unit if self.what in INDEX else "")
        object.__setattr__(self, "unit", unit)
        if len(unit) > 20:
            msg = f"'{unit[:30]}…' is no unit of measurement. Write for instance 'kPa'."
            raise CloseOutRefused(msg)
        values = [v for v in (self.before, self.after) if v is not None]
        if not values or not all(math.isfinite(v) for v in values):
            msg = (
                f"The reading '{self.what}' needs a number before the work, after it, or both. "
                "Leave it out where none was taken."
            )
            raise CloseOutRefused(msg)


@dataclass(frozen=True)
class PartFinding:
    """One part: the condition it was found in, what was done to it, the parts used.

    ``verdict`` says in one word whether that is what the ticket told; None where nobody said.
    """

    part: str
    found: str
    done: str = ""
    parts_used: str = ""
    readings: tuple[ReadingTaken, ...] = ()
    verdict: PartVerdict | None = None

    def __post_init__(self) -> None:
        """Refuse a part that there is not, and a finding that says nothing."""
        part = self.part.strip().lower()
        if part not in PARTS:
            msg = f"There is no part '{self.part.strip()}'. Parts are {', '.join(PARTS)}."
            raise CloseOutRefused(msg)
        object.__setattr__(self, "part", part)
        object.__setattr__(self, "found", _line(self.found, f"what was found at the {part}"))
        for name in ("done", "parts_used"):
            object.__setattr__(self, name, " ".join(getattr(self, name).split())[:LONGEST])
        if len(self.readings) > MOST_READINGS:
            msg = f"{len(self.readings)} readings of one part are too many; {MOST_READINGS} at most"
            raise CloseOutRefused(msg)

    def readings_json(self) -> dict[str, Any] | None:
        """The readings as plain JSON data, None where there are none."""
        if not self.readings:
            return None
        return {"readings": [dict(vars(r)) for r in self.readings]}


def verdict_of(text: str) -> PartVerdict | None:
    """A verdict by its words, None for none; CloseOutRefused where there is no such verdict."""
    word = " ".join(text.split()).lower()
    if not word:
        return None
    try:
        return PartVerdict(word)
    except ValueError:
        words = ", ".join(f"'{v.value}'" for v in PartVerdict)
        msg = f"'{text.strip()}' is no verdict on a part. Verdicts are {words}."
        raise CloseOutRefused(msg) from None


def readings_of(data: Mapping[str, Any] | None) -> tuple[ReadingTaken, ...]:
    """The readings read back; those of a form that this version cannot read are left out."""
    found: list[ReadingTaken] = []
    rows = (data or {}).get("readings", ())
    for row in rows if isinstance(rows, Sequence) else ():
        try:
            found.append(ReadingTaken(**row))
        except (TypeError, AttributeError, ValueError):
            continue
    return tuple(found)


def _line(text: str, what: str, longest: int = LONGEST) -> str:
    line = " ".join(text.split())
    if not line:
        msg = f"Say {what}."
        raise CloseOutRefused(msg)
    if len(line) > longest:
        msg = f"What was given as {what} has {len(line)} characters; {longest} at most."
        raise CloseOutRefused(msg)
    return line
