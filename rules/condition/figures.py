"""A part's condition on one day, as a figure that explains itself.

100 % is as the baseline, learned when the part was clean; 0 % is the limit from which the part's
fault calls for a visit this week. What the readings do not tell is None with the reason in words.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from rules.events import Reading

__all__ = ["DAY_MS", "PARTS", "PartCondition"]

DAY_MS: Final = 86_400_000

PARTS: Final = ("pump-screen", "distribution", "pads", "coil", "basin", "float", "bleed")
"""The parts that have a condition, by the names that a close-out uses."""


@dataclass(frozen=True)
class PartCondition:
    """What one day's readings say of one part of one unit.

    ``condition_pct`` is 0 to 100; ``raw_pct`` is the same before it is cut to that range, so that
    noise about a clean part stays noise; ``uncertainty_pct`` is one standard deviation in the same
    per cent. All three are None where nothing is known. ``basis`` names the witness ('spray
    pressure', 'dry running', ...): figures of different ones are not compared. The day rests on
    ``count`` means, the first of them no older than ``since_ms`` (UTC, ms since 1970), and on a
    baseline learned at ``baseline_ms`` (0: none, by the nameplate). ``said`` is the figure, or why
    there is none, in words.
    """

    unit_row: int
    part: str
    time_ms: int
    """End of the day that the figure is of; the day need not begin at midnight."""
    condition_pct: float | None
    uncertainty_pct: float | None
    raw_pct: float | None
    basis: str
    count: int
    since_ms: int
    baseline_ms: int
    said: str
    readings: tuple[Reading, ...] = ()

    def readings_json(self) -> dict[str, Any] | None:
        """The readings as plain JSON data, None where there are none."""
        return {"readings": [dict(vars(r)) for r in self.readings]} if self.readings else None


def readings_of(data: dict[str, Any] | None) -> tuple[Reading, ...]:
    """The readings read back; those of an unknown form are left out."""
    out = []
    given: Iterable[Any] = (data or {}).get("readings", ())
    for one in given:
        try:
            out.append(Reading(**one))
        except TypeError:
            continue
    return tuple(out)
