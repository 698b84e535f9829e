"""A part's condition on one day, as a figure that explains itself.

100 % is as the baseline, learned when the part was clean; 0 % is the limit from which the part's
fault calls for a visit this week. What the readings do not tell is None with the reason in words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rules.arrays import F64, I64
from rules.events import Reading

__all__ = [
    "DAY_MS", "PARTS", "PART_TITLES", "Judged", "PartCondition", "condition_in_words", "figures_of",
    "readings_of",
]  # fmt: skip

DAY_MS: Final = 86_400_000

PARTS: Final = ("pump-screen", "distribution", "pads", "coil", "basin", "float", "bleed")
"""The parts that have a condition, by the names that a close-out uses."""

PART_TITLES: Final = {
    "pump-screen": "Pump screen", "distribution": "Distribution", "pads": "Pads", "coil": "Coil",
    "basin": "Basin", "float": "Float valve", "bleed": "Bleed",
}  # fmt: skip
"""What a person calls them."""


@dataclass(frozen=True)
class PartCondition:
    """What one day's readings say of one part of one unit.

    ``condition_pct`` is 0 to 100; ``raw_pct`` is the same before it is cut to that range, so that
    noise about a clean part stays noise; ``uncertainty_pct`` is one standard deviation in the same
    per cent. All three are None where nothing is known. ``basis`` names the witness ('spray
    pressure', 'dry running', ...): figures of different ones are not compared. The day rests on
    ``count`` means, the first of them no older than ``since_ms`` (UTC, ms since 1970), and on a
    baseline learned at ``baseline_ms`` (0: none, by the nameplate). ``said`` is what was found, or
    why there is no figure, in words.
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


@dataclass(frozen=True)
class Judged:
    """What a day's readings say of one part of some units, arrays (m,).

    ``raw_pct`` and ``sd_pct`` are NaN where nothing is known; ``reason`` then is the place in
    ``reasons`` of why. ``basis`` is the place of the witness in ``names``, ``count`` the means that
    it gave. ``explain`` tells one unit's figure: what was found, and the readings.
    """

    raw_pct: F64
    sd_pct: F64
    count: I64
    baseline_ms: I64
    basis: I64
    names: tuple[str, ...]
    reason: I64
    reasons: tuple[str, ...]
    explain: Callable[[int], tuple[str, tuple[Reading, ...]]]


FAR_SDS: Final = 3.0
FAR_PCT: Final = 20.0
"""Beyond the limit by a fifth of the way to it, and surely so, is far past it (judgement)."""


VAGUE_SD_PCT: Final = 50.0
"""A figure that is off by half the way from clean to the limit tells neither (judgement)."""


def condition_in_words(raw_pct: float | None, uncertainty_pct: float | None) -> str:
    """A condition as a person reads it: '84 % ±6', or that it is far past its limit.

    Parameters
    ----------
    raw_pct, uncertainty_pct : float or None
        As of :class:`PartCondition`.

    Examples
    --------
    >>> condition_in_words(84.2, 6.0), condition_in_words(-2.0, 6.0), condition_in_words(-80.0, 6.0)
    ('84 % ±6', '0 % ±6', '0 %, far past its limit')
    >>> condition_in_words(95.0, 70.0), condition_in_words(None, None)
    ('not sure, ±70', 'not known')
    """
    if raw_pct is None or uncertainty_pct is None:
        return "not known"
    if raw_pct <= -max(FAR_PCT, FAR_SDS * uncertainty_pct):
        # The give of a figure that was cut to 0 would say how sure a 0 is; it is none.
        return "0 %, far past its limit"
    if uncertainty_pct >= VAGUE_SD_PCT:
        return f"not sure, ±{uncertainty_pct:.0f}"
    return f"{min(max(raw_pct, 0.0), 100.0):.0f} % ±{uncertainty_pct:.0f}"


def figures_of(
    part: str, rows: I64, since_ms: I64, end_ms: I64, judged: Judged
) -> list[PartCondition]:
    """The figures of one part, a sentence with each. Only few units end their day at a time."""
    out = []
    known = ~np.isnan(judged.raw_pct) & ~np.isnan(judged.sd_pct)
    for i, row in enumerate(rows.tolist()):
        begin, end = int(since_ms[i]), int(end_ms[i])
        if not known[i]:
            said = judged.reasons[int(judged.reason[i])]
            out.append(PartCondition(row, part, end, None, None, None, "", 0, begin, 0, said))
            continue
        raw, sd = float(judged.raw_pct[i]), float(judged.sd_pct[i])
        shown = min(max(raw, 0.0), 100.0)
        said, readings = judged.explain(i)
        basis, count = judged.names[int(judged.basis[i])], int(judged.count[i])
        baseline_ms = int(judged.baseline_ms[i])
        out.append(
            PartCondition(
                row, part, end, shown, sd, raw, basis, count, begin, baseline_ms, said, readings
            )
        )
    return out
