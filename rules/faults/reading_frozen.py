"""Reading frozen: a measured value that stands exactly still while the machine works.

A sound sensor's last digit moves. One that repeats the same number for hours in which its quantity
must have moved is stuck, or somebody repeats an old number in its place. What is judged, and in
which states, stands in :mod:`rules.stillness`; a coarse sensor gets several times the time.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I8, I64, U16, Bool
from rules.bins import BinView
from rules.bits import names_in, packed
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, judged
from rules.faults.rule import Rule
from rules.look import UnitLook
from rules.signals import N_SIGNALS, signal
from rules.state import BIN_MS, WATCHED
from rules.stillness import TOGETHER_BINS, WATCHED_AT, could_be_coarse, stands_still_together

__all__ = ["READING_FROZEN"]

_SLUG: Final = "reading-frozen"
_BIN_S: Final = BIN_MS / 1000.0
LEAST_BINS: Final = 6
"""Half an hour, the least that the settings allow: what stood still for less needs no look."""
MOST_CHANGES: Final = 255
"""Bins with a change up to which they are counted: a day's worth, ten days' of whole degrees."""
_LIMIT_OF: Final = {
    "conductivity": "water_still_s", "basin_temperature": "water_still_s",
    "pump_current": "running_still_s", "spray_pressure": "running_still_s",
    "spray_flow": "running_still_s", "makeup_flow": "running_still_s",
    "bleed_flow": "running_still_s", "supply_voltage": "working_still_s",
    "head_pressure": "working_still_s", "pad_pressure_drop": "working_still_s",
    "ambient_temperature": "weather_still_s", "relative_humidity": "weather_still_s",
}  # fmt: skip
_DECIDING: Final = ("conductivity", "pump_current", "spray_pressure", "spray_flow", "head_pressure")
_DECIDES: Final = np.array([name in _DECIDING for name in WATCHED])


def judge(view: BinView, announced: I8) -> I8:
    """By the time that each reading stood still, against its limits and its own habit."""
    state, rows = view.state, view.rows
    still = state.still_bins[rows]
    learned: Bool = state.still_changes[rows] >= _down(view, "changed_bins")
    known: Bool = np.asarray(learned.any(axis=1))
    some = np.flatnonzero((learned & (still >= LEAST_BINS)).any(axis=1))
    out = judged(np.zeros(len(rows), dtype=np.bool_), known, 0)
    state.frozen_set[rows] = 0
    if len(some):
        out[some] = _judge_some(view, some, learned[some], still[some])
    return out


def _judge_some(view: BinView, at: I64, learned: Bool, still: U16) -> I8:
    """The units at these places of the view, of which a reading stood still for a while."""
    state, rows = view.state, view.rows[at]
    habit: F64 = _down(view, "longest_ratio")[at] * state.still_longest_bins[rows]
    beyond_habit = learned & (still > 0) & (still >= habit)
    limits_s = _limits_s(view)[at]
    frozen = beyond_habit & (still * _BIN_S >= limits_s)
    if frozen.any():
        # A value on a coarse grid may come from a sensor that shows no more: it is given longer.
        # Not so one that was long seen to move, and never stood still for a part of that.
        value = state.value[rows[:, None], WATCHED_AT]
        coarse = _down(view, "coarse_ratio")[at]
        fine = (state.still_changes[rows] == MOST_CHANGES) & (still >= coarse * habit)
        fine &= still >= coarse * _down(view, "longest_ratio")[at]
        ratio = np.where(could_be_coarse(view.plan, rows, value) & ~fine, coarse, 1.0)
        frozen &= still * _BIN_S >= ratio * limits_s
    together = stands_still_together(state, rows)
    if together.any():
        all_of = beyond_habit & (still >= TOGETHER_BINS)
        together &= all_of.sum(axis=1) >= 3
        frozen |= all_of & together[:, None]
    sets = np.zeros((len(rows), N_SIGNALS), dtype=np.bool_)
    sets[:, WATCHED_AT] = frozen
    state.frozen_set[rows] = packed(sets)
    deciding: Bool = (frozen & _DECIDES).any(axis=1) | together
    severity = np.where(deciding, Severity.MEDIUM, Severity.LOW).astype(np.int8)
    return np.where(frozen.any(axis=1), severity, 0).astype(np.int8)


def _down(view: BinView, name: str) -> F64:
    """A setting as a column, (k, 1)."""
    return np.broadcast_to(view.setting(_SLUG, name), len(view.rows))[:, None]


def _limits_s(view: BinView) -> F64:
    out = np.empty((len(view.rows), len(WATCHED)))
    for i, name in enumerate(WATCHED):
        out[:, i] = view.setting(_SLUG, _LIMIT_OF[name])
    return out


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """Which readings, since when, against their own habit, and what moved meanwhile."""
    state, row = look.state, look.row
    names = names_in(state.frozen_set[row])
    places = {name: WATCHED.index(name) for name in names}
    together = bool(stands_still_together(state, np.array([row]))[0])
    readings = []
    for name, i in places.items():
        hours = float(state.still_age_bins[row, i]) / 12.0
        habit = float(state.still_longest_bins[row, i]) / 12.0
        readings.append(
            Reading(
                signal(name).title, float(state.value[row, WATCHED_AT[i]]), signal(name).unit,
                note=f"exactly this for {hours:.1f} h; {_working(state.still_bins[row, i])}; never "
                f"before for more than {max(habit, 1 / 12):.1f} h",
            )
        )  # fmt: skip
    longest = max(float(state.still_age_bins[row, i]) for i in places.values())
    moved = [
        signal(name).title.lower()
        for i, name in enumerate(WATCHED)
        if name not in places and state.still_changes[row, i]
        and state.still_age_bins[row, i] < min(3.0, longest)
    ]  # fmt: skip
    titles = [signal(name).title.lower() for name in names]
    what = titles[0] if len(titles) == 1 else ", ".join(titles[:-1]) + " and " + titles[-1]
    meanwhile = (
        "nothing at all that the unit sends has moved meanwhile" if together
        else f"meanwhile {', '.join(moved[:4])} moved" if moved
        else "the machine worked meanwhile"
    )  # fmt: skip
    return Evidence(
        summary=f"Standing still for {longest / 12.0:.1f} h: {what}; {meanwhile}.",
        confidence=0.9 if together or moved else 0.75,
        readings=tuple(readings),
        causes=_causes(together, several=len(names) > 1),
        signals=names,
        limits=(
            "The true values are not known since then: the rules that rest on these readings do "
            "not judge with them.",
        ),
    )


def _working(bins: float) -> str:
    return f"{float(bins) / 12.0:.1f} h of that in a state that must move it"


def _causes(together: bool, *, several: bool) -> tuple[Cause, ...]:
    controller = Cause(
        "frozen-signal", "Site controller or gateway repeats an old value",
        0.9 if together else 0.6 if several else 0.4,
        ("everything that the unit sends stands still",) if together
        else ("several readings stand still",) if several else (),
        () if several or together else ("the unit's other readings move",),
        "Compare the controller's own display with what is shown here; look at its input card and "
        "bus.",
    )  # fmt: skip
    transmitter = Cause(
        "transmitter", "Transmitter stuck, fouled or failed", 0.2 if together else 0.7,
        () if several else ("only this reading stands still",),
        ("several at once are no single transmitter",) if several else (),
        "Move the quantity by hand, or compare with an instrument.",
    )  # fmt: skip
    forced = Cause(
        "forced-value", "Value set by hand in the controller", 0.3, (), (),
        "Look for a forced or overridden input in the controller.",
    )  # fmt: skip
    causes = (controller, transmitter, forced)
    return tuple(sorted(causes, key=lambda c: -c.agreement))


READING_FROZEN: Final = Rule(
    Fault(
        slug=_SLUG,
        spoils_heat=True,
        title="Reading frozen",
        family="telemetry",
        meaning="A reading repeats exactly the same value while the machine or the weather must "
        "have moved it.",
        consequence="What rests on the reading is not judged meanwhile, so faults go unseen.",
        action="Compare with an instrument; repair the sensor, its input or the controller.",
        causes=(
            CauseEntry("transmitter", "Transmitter stuck, fouled or failed",
                       "move the quantity by hand, compare with an instrument", "telemetry"),
            CauseEntry("frozen-signal", "Site controller or gateway repeats an old value",
                       "the controller's own display", "telemetry"),
            CauseEntry("forced-value", "Value set by hand in the controller",
                       "forced inputs of the controller", "telemetry"),
        ),
        needs=(),
        helps=("pump_current", "fan_speed", "fan_run", *(
            name for name in WATCHED if name != "pump_current")),
        suppressed_by=(),
        response={
            Severity.LOW: "with the next planned visit",
            Severity.MEDIUM: "this week: a deciding reading is lost",
        },
        job_plan="telemetry",
        settings=(
            Setting("running_still_s", 14_400.0, "s", 1800.0, 604_800.0,
                    "running time without any change: pump current, spray pressure and flow, "
                    "make-up and bleed flow",
                    "these tremble from second to second; four hours are 48 bins of a noise that "
                    "moved in nearly every one"),
            Setting("working_still_s", 21_600.0, "s", 1800.0, 604_800.0,
                    "time without any change: head pressure and pad pressure drop while fans work, "
                    "supply voltage",
                    "load, weather and grid move them within minutes; six hours leave no doubt"),
            Setting("weather_still_s", 86_400.0, "s", 3600.0, 1_209_600.0,
                    "time without any change: ambient temperature, humidity below fog",
                    "a day has its course; typical years of weather stations in whole degrees rest "
                    "for 16 h inland, 24 h by a northern sea"),
            Setting("water_still_s", 86_400.0, "s", 3600.0, 1_209_600.0,
                    "time without any change: basin temperature with water in the basin, "
                    "conductivity while the pump runs",
                    "the water follows the day, and concentrates while it evaporates"),
            Setting("coarse_ratio", 4.0, "times", 1.0, 50.0,
                    "how much longer for a value that a coarse sensor could show; not where it "
                    "has moved in 255 bins and never stood still for a sixteenth of this",
                    "a coarse sensor may rest within one of its steps; four days for weather"),
            Setting("longest_ratio", 4.0, "times", 1.5, 50.0,
                    "how many times the longest stillness that the reading itself has shown",
                    "of thirty random intervals the longest is some four times the mean; four "
                    "times that again happens to one in millions"),
            Setting("changed_bins", 30.0, "5-minute bins", 5.0, 255.0,
                    "bins with a change that a reading must have shown before it is judged",
                    "a value that never moved may be a constant by design"),
            *course(0.0, "the hours above are delay enough",
                    1800.0, "a stuck sensor may jump once and stick again"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
)  # fmt: skip
