"""Did a cleaning help? Readings before and after, in like conditions, with a stated confidence.

A part that was cleaned is judged by the witness that tells most of it here. 'Helped' asks for a
gain that chance does not make and that is worth having; 'did not help' for readings that rule such
a gain out; between them nobody can tell, and it is said why.

The hours of a day share its weather, its goods and its people, so their number proves little: what
counts is how days differ from each other, and several of them are wanted on either side.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from rules.like_conditions import HOUR_MS, Hours, Means, alike, fans_of, hours_of
from rules.plan import FleetPlan
from rules.two_samples import following_factor, shift_between

__all__ = [
    "CONFIDENCE", "LEAST_DAYS", "PROVEN_BY", "STATED", "Proof", "ProofVerdict", "Witness",
    "judge_cleaning", "judge_hours",
]  # fmt: skip

CONFIDENCE: Final = 0.99
"""Of the interval at one look. It is looked at day by day while readings come in: of cleanings that
changed nothing, all looks together call fewer than 2 in 100 helpful (:data:`STATED`)."""
STATED: Final = 0.98
LEAST_DAYS: Final = 3
"""Days with hours in like conditions wanted on either side: fewer do not tell how days differ."""
LEAST_HOURS: Final = 3
"""Hours in like conditions that such a day has at least."""
DAYS_FOLLOW_FACTOR: Final = 2.5
"""By so much days that follow each other widen the variance of their mean, at least (judgement):
weather and trade last for days, and so few days cannot show how long."""


DAY_MS: Final = 24 * HOUR_MS


class ProofVerdict(StrEnum):
    """What the readings say of a cleaning."""

    HELPED = "helped"
    DID_NOT = "did not help"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class Witness:
    """A quantity that tells of a part: which way is better, and the least gain worth having."""

    quantity: str
    title: str
    unit: str
    better: int
    least_frac: float
    """As a fraction of the value before; below it the witness's own slow noise is as large."""


_PRESSURE: Final = Witness("spray_pressure", "spray pressure", "kPa", +1, 0.03)
_METER: Final = Witness("spray_flow", "spray flow", "L/min", +1, 0.03)
_CURRENT: Final = Witness("pump_current", "pump current at rated voltage", "A", +1, 0.015)
_OPENING: Final = Witness("opening", "flow at rated pressure", "of rated", +1, 0.04)
_DRY: Final = Witness("td_dry", "condensing above air on the coil, dry", "K", -1, 0.05)
_WET: Final = Witness("td_wet", "condensing above air on the coil, wet", "K", -1, 0.05)
_DROP: Final = Witness("pad_pressure_drop", "pad pressure drop at full airflow", "Pa", -1, 0.08)
_LEAK: Final = Witness("leak", "make-up flow while the float should be shut", "L/min", -1, 0.25)
_OFF: Final = Witness("off_intended", "conductivity off the intended", "µS/cm", -1, 0.25)

PROVEN_BY: Final[dict[str, tuple[Witness, ...]]] = {
    "pump-screen": (_PRESSURE, _METER, _CURRENT),
    "distribution": (_OPENING, _METER, _CURRENT),
    "pads": (_DROP, _WET),
    "coil": (_DRY, _WET),
    "fans": (_DRY, _WET),
    "float": (_LEAK,),
    "bleed": (_OFF,),
    "basin": (),
}
"""What shows of each cleaned part, the best witness first."""


@dataclass(frozen=True)
class Proof:
    """The verdict on one part, and what it rests on.

    ``effect_pct`` is the gain as a share of the value before, positive for better, from ``low_pct``
    to ``high_pct`` in 99 of 100 cases; ``confidence_pct`` is how sure it is that there is a gain
    at all. ``before`` and ``after`` are means of the days' medians in ``unit``. All None where
    nothing could be compared. ``count_before`` and ``count_after`` are hours in like conditions.
    """

    verdict: ProofVerdict
    said: str
    quantity: str = ""
    unit: str = ""
    before: float | None = None
    after: float | None = None
    effect_pct: float | None = None
    low_pct: float | None = None
    high_pct: float | None = None
    confidence_pct: float | None = None
    count_before: int = 0
    count_after: int = 0


def judge_cleaning(
    plan: FleetPlan, row: int, part: str, before: Means, after: Means, others: tuple[str, ...] = ()
) -> Proof:
    """Compare readings before and after the cleaning of a part.

    Parameters
    ----------
    plan : FleetPlan
        Nameplates; ``row`` is the unit's.
    part : str
        What was cleaned, as a close-out names it.
    before, after : Means
        Five-minute means of the days before the work and of the time after it.
    others : tuple of str
        Parts that were cleaned in the same work: the readings show the sum.
    """
    fans = fans_of(plan, row, (before, after))
    old, new = (hours_of(plan, row, means, fans) for means in (before, after))
    return judge_hours(part, old, new, others)


def judge_hours(part: str, old: Hours, new: Hours, others: tuple[str, ...] = ()) -> Proof:
    """The same of hours that were brought together before (:func:`rules.like_conditions.hours_of`).

    Parameters
    ----------
    part : str
        What was cleaned, as a close-out names it.
    old, new : Hours
        Before the work and after it.
    others : tuple of str
        Parts that were cleaned in the same work.
    """
    witnesses = PROVEN_BY.get(part, ())
    if not witnesses:
        return Proof(ProofVerdict.CANNOT_TELL, f"No reading of a unit shows what cleaning the "
                     f"{part} does.")  # fmt: skip
    best: tuple[int, Witness] | None = None
    for witness in witnesses:
        b, a = (_days(hours, witness.quantity) for hours in alike(old, new, witness.quantity))
        fewest = min(len(b.medians), len(a.medians))
        if fewest >= LEAST_DAYS:
            return _compare(part, witness, b, a, others)
        if best is None or fewest > best[0]:
            best = fewest, witness
    assert best is not None  # noqa: S101  # there is one witness at least
    titles = " or ".join(w.title for w in witnesses)
    return Proof(
        ProofVerdict.CANNOT_TELL,
        f"Too few hours before and after are alike in mode, weather, load and airflow: "
        f"{LEAST_DAYS} days on each side with {LEAST_HOURS} such hours of {titles} are wanted, and "
        f"one side has {best[0]}.",
    )


@dataclass(frozen=True)
class _Days:
    """The medians of one side's days in order of time, and of how many hours they are."""

    medians: list[float]
    hours: int


def _days(hours: Hours, quantity: str) -> _Days:
    if not len(hours.start_ms):
        return _Days([], 0)
    day = (hours.start_ms - hours.start_ms[0]) // DAY_MS
    values = hours.witness[quantity]
    each = [values[day == d] for d in np.unique(day)]
    full = [v for v in each if len(v) >= LEAST_HOURS]
    return _Days([float(np.median(v)) for v in full], sum(len(v) for v in full))


def _compare(
    part: str, witness: Witness, before: _Days, after: _Days, others: tuple[str, ...]
) -> Proof:
    old, new = before.medians, after.medians
    factor = max(following_factor(old, new), DAYS_FOLLOW_FACTOR)
    found = shift_between(old, new, CONFIDENCE, factor)
    base, now = sum(old) / len(old), sum(new) / len(new)
    scale = abs(base) if base else 1.0
    gain, one, two = (100.0 * witness.better * v / scale for v in
                      (found.shift, found.low, found.high))  # fmt: skip
    low, high = min(one, two), max(one, two)
    chance = found.p_above if witness.better > 0 else 1.0 - found.p_above
    least = 100.0 * witness.least_frac
    if low > 0.0 and gain >= least:
        verdict = ProofVerdict.HELPED
    elif high < least:
        verdict = ProofVerdict.DID_NOT
    else:
        verdict = ProofVerdict.CANNOT_TELL
    said = (
        f"{witness.title[0].upper()}{witness.title[1:]}: {base:.3g} before, {now:.3g} "
        f"{witness.unit} after, over {len(old)} and {len(new)} days with {before.hours} and "
        f"{after.hours} hours of like mode, weather, load and airflow. That is {gain:+.1f} % "
        f"better ({low:+.1f} to {high:+.1f} %, by how the days differ); a gain of {least:.1f} % "
        f"counts."
    )
    twins = [p for p in others if p != part and _shares(witness, p)]
    if twins and verdict is ProofVerdict.HELPED:
        said += f" Cleaned together with {' and '.join(twins)}: the reading shows the sum."
    return Proof(
        verdict, said, witness.quantity, witness.unit, base, now, gain, low, high,
        100.0 * (1.0 - chance), before.hours, after.hours,
    )  # fmt: skip


def _shares(witness: Witness, part: str) -> bool:
    return any(w.quantity == witness.quantity for w in PROVEN_BY.get(part, ()))
