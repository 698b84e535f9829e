"""Hand-back: do the readings show that a machine does its work again after somebody worked on it?

Asked of one unit while the technician is still there, so it rests on single samples that were
measured since, not on means of hours: limits are those of the faults themselves where they have
one. What is not sent, not wanted now or too old is not known; it is never taken for in order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, NamedTuple

import numpy as np

from rules.alarms import ACTIVE, HELD
from rules.bins import masked
from rules.bits import names_in
from rules.events import AlarmState, Reading
from rules.faults.fans import missing_fans
from rules.faults.registry import FAULT_INDEX, FAULTS
from rules.look import UnitLook
from rules.physics.pump import current_at_rated_voltage_a, current_for_shaft_power_frac
from rules.settings import FLEET
from rules.signals import signal

__all__ = ["LEVEL", "Answer", "HandBackItem", "hand_back", "is_normal", "is_proven"]

COMMANDED_ABOVE_PCT: Final = 10.0
"""Fan speed command above which fans are wanted, as for the fault of fans that are not proven."""

LEAST_SLACK_FRAC: Final = 0.08
"""How far one sample of a healthy pump's current may lie from the clean one: a pump that draws 8 %
less pumps a fifth to a quarter less water, by its current's curve (judgement)."""

RISE_MM: Final = 3.0
"""Rise above the lowest level since that counts as filling: above waves and resolution (the same
figure as of the fault of a low level)."""


LEVEL: Final = "Basin level"
"""The question about the level: its reading is what the next look is compared with."""


class Answer(StrEnum):
    """What the readings say to one question."""

    OK = "ok"
    NOT_OK = "not ok"
    NOT_KNOWN = "not known"


@dataclass(frozen=True)
class HandBackItem:
    """One question, its answer, the reading against what was expected, and why in words.

    ``sent`` is False where the unit has never sent the signal: then it cannot be known here.
    """

    what: str
    answer: Answer
    why: str = ""
    reading: Reading | None = None
    sent: bool = True

    def to_json(self) -> dict[str, Any]:
        """The item as plain JSON data."""
        reading = dict(vars(self.reading)) if self.reading else None
        return {**vars(self), "answer": self.answer.value, "reading": reading}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> HandBackItem:
        """The item read back from :meth:`to_json`."""
        reading = data.get("reading")
        given = {**data, "answer": Answer(data["answer"])}
        return cls(**{**given, "reading": Reading(**reading) if reading else None})


class _Taken(NamedTuple):
    """A reading taken since the hand-back, or why there is none."""

    value: float | None
    why: str = ""
    sent: bool = True

    def unknown(self, what: str, title: str = "", unit: str = "") -> HandBackItem:
        reading = Reading(title, None, unit) if title else None
        return HandBackItem(what, Answer.NOT_KNOWN, self.why, reading, self.sent)


def hand_back(
    look: UnitLook,
    fault: str,
    *,
    since_ms: int,
    lowest_mm: float | None = None,
    stands: bool | None = None,
) -> tuple[HandBackItem, ...]:
    """What the readings taken after ``since_ms`` (UTC, ms since 1970) show of a unit.

    ``fault`` is the ticket's; ``stands`` says whether its alarm does, for alarms that the catalogue
    does not have (own rules). ``lowest_mm`` is the lowest level that was seen since. [mm]
    """
    return (
        _fans(look, since_ms),
        _pump(look, since_ms),
        _level(look, since_ms, lowest_mm),
        _conductivity(look, since_ms),
        _head(look, since_ms),
        _alarm(look, fault, since_ms, stands),
    )


def is_proven(items: Sequence[HandBackItem]) -> bool:
    """Whether all that this unit can show is in order, and it shows anything at all.

    A question that nobody could answer here, because the signal is never sent, does not count.
    """
    asked = [item for item in items if item.sent]
    return bool(asked) and all(item.answer is Answer.OK for item in asked)


def is_normal(look: UnitLook, fault: str, stands: bool | None = None) -> bool | None:
    """Whether the readings of now say that a fault is gone; None where they cannot tell.

    A pump's fault is judged only while the pump runs, and one of fans or heat only while fans are
    wanted: a machine at rest proves nothing.
    """
    item = _alarm(look, fault, 0, stands)
    if item.answer is not Answer.OK:
        return False if item.answer is Answer.NOT_OK else None
    column = FAULT_INDEX.get(fault)
    family = "" if column is None else FAULTS[column].family
    if family == "pump and screen" and look.state.pump_state[look.row] != 1:
        return None
    if family in {"fans", "heat rejection"} and not _fans_wanted(look):
        return None
    return True


def _fans_wanted(look: UnitLook) -> bool:
    speed, run = look.value("fan_speed"), look.value("fan_run")
    return speed > COMMANDED_ABOVE_PCT if speed is not None else bool(run)


def _taken(look: UnitLook, name: str, since_ms: int) -> _Taken:
    if not look.has(name):
        return _Taken(None, "signal not sent", sent=False)
    if look.measured_ms(name) <= since_ms:
        return _Taken(None, "no reading since the hand-back")
    if name in (*names_in(look.state.frozen_set[look.row]),
                *names_in(look.state.beyond_set[look.row])):  # fmt: skip
        return _Taken(None, "its reading stands still or cannot be true")
    value = look.value(name)
    return _Taken(value, "" if value is not None else "its last reading is too old")


def _judged(what: str, ok: bool, why: str, reading: Reading | None = None) -> HandBackItem:
    return HandBackItem(what, Answer.OK if ok else Answer.NOT_OK, why, reading)


def _fans(look: UnitLook, since_ms: int) -> HandBackItem:
    what, title = "Fans proven", "Fans proven running"
    taken = _taken(look, "fan_run", since_ms)
    if taken.value is None:
        return taken.unknown(what, title)
    count = look.unit.fans.count
    one, run = np.array([count]), np.array([taken.value])
    proven = int(masked(run, one)[0]).bit_count()
    fault = np.array([_nan(_taken(look, "fan_fault", since_ms).value)])
    reported = int(masked(fault, one)[0]).bit_count()
    reading = Reading(title, float(proven), "", float(count))
    if reported:
        return _judged(what, False, f"{reported} of {count} fans report a fault", reading)
    if proven == count:
        return _judged(what, True, "", reading)
    speed = _taken(look, "fan_speed", since_ms)
    if speed.value is None:
        why = "not all run, and without the speed command nobody can tell whether they should"
        return HandBackItem(what, Answer.NOT_KNOWN, why, reading, speed.sent)
    if speed.value <= COMMANDED_ABOVE_PCT:
        return HandBackItem(what, Answer.NOT_KNOWN, "the fans are not commanded to run", reading)
    lost, _which = missing_fans(run, fault, np.array([speed.value]), one, look.fans_staged())
    missing = int(lost[0])
    return _judged(what, not missing, f"{missing} are missing" if missing else "", reading)


def _pump(look: UnitLook, since_ms: int) -> HandBackItem:
    what, title = "Pump current", "Pump current"
    taken = _taken(look, "pump_current", since_ms)
    if taken.value is None:
        return taken.unknown(what, title, "A")
    pump = look.unit.pump
    reading = Reading(title, taken.value, "A")
    if taken.value <= look.setting(FLEET, "pump_running_frac") * pump.rated_current_a:
        command = _taken(look, "pump_command", since_ms)
        if command.value is not None and command.value > 0.5:
            return _judged(what, False, "it is commanded to run and does not", reading)
        return HandBackItem(what, Answer.NOT_KNOWN, "the pump is not commanded to run", reading)
    ran_s = (look.time_ms - int(look.state.pump_changed_ms[look.row])) / 1000.0
    if ran_s < look.setting(FLEET, "pump_settle_s"):
        return HandBackItem(what, Answer.NOT_KNOWN, "the pump has just started", reading)
    base = look.baseline("pump_current")
    current, referred = taken.value, ""
    voltage = _taken(look, "supply_voltage", since_ms).value
    if voltage is not None and voltage > 0:
        at_rated = float(
            current_at_rated_voltage_a(
                current, voltage, pump.rated_voltage_v,
                base.value if base else pump.rated_current_a,
                pump.magnetising_current_frac,
            )
        )  # fmt: skip
        if not np.isnan(at_rated):
            current, referred = at_rated, " at rated voltage"
    over = look.setting("pump-overload", "low_ratio")
    if base is not None:
        slack = max(LEAST_SLACK_FRAC, 3.0 * base.spread / base.value) * base.value
        low, high = base.value - slack, max(over * base.value, base.value + slack)
        note = "against what was learned when clean"
    else:
        # Below the current at shut-off no water flows at all; finer than that a nameplate is not.
        low = pump.rated_current_a * float(
            current_for_shaft_power_frac(pump.shutoff_power_frac, pump.magnetising_current_frac)
        )
        high = over * pump.rated_current_a
        note = "against the nameplate; nothing learned yet"
    reading = Reading(title + referred, current, "A", base.value if base else None, low, high, note)
    return _judged(what, low <= current <= high, note, reading)


def _level(look: UnitLook, since_ms: int, lowest_mm: float | None) -> HandBackItem:
    what, title = LEVEL, "Basin level"
    taken = _taken(look, "basin_level", since_ms)
    if taken.value is None:
        return taken.unknown(what, title, "mm")
    basin, level = look.unit.basin, taken.value
    low = basin.float_shut_mm - basin.float_band_mm
    high = basin.overflow_mm
    reading = Reading(title, level, "mm", None, low, high)
    if level > high - look.setting("float-stuck-open", "overflow_margin_mm"):
        return _judged(what, False, "it is at the overflow", reading)
    if level >= low:
        return _judged(what, True, "in the float's band", reading)
    if lowest_mm is not None and level >= lowest_mm + RISE_MM:
        return _judged(what, True, "below the float's band, and rising", reading)
    return _judged(what, False, "below the float's band, and not rising yet", reading)


def _conductivity(look: UnitLook, since_ms: int) -> HandBackItem:
    what, title = "Conductivity", "Conductivity, referred to 25 °C"
    taken = _taken(look, "conductivity", since_ms)
    if taken.value is None:
        return taken.unknown(what, title, "µS/cm")
    ratio = look.setting("conductivity-high", "low_ratio")
    limit = ratio * look.unit.water.conductivity_limit_us_cm
    reading = Reading(title, taken.value, "µS/cm", high=limit)
    return _judged(what, taken.value <= limit, "", reading)


def _head(look: UnitLook, since_ms: int) -> HandBackItem:
    what, title = "Head pressure", "Head pressure"
    taken = _taken(look, "head_pressure", since_ms)
    if taken.value is None:
        return taken.unknown(what, title, "kPa")
    margin = look.head_margin_k()
    cut_out = look.unit.condenser.cut_out_kpa_abs
    reading = Reading(title, taken.value, "kPa", high=cut_out, note="cut-out at the high limit")
    if margin is None:
        return HandBackItem(what, Answer.NOT_KNOWN, "its margin cannot be worked out", reading)
    wanted = look.setting("head-pressure-high", "margin_medium_k")
    why = f"{margin:.1f} K of condensing temperature to the cut-out, {wanted:g} K wanted"
    return _judged(what, margin >= wanted, why, reading)


def _alarm(look: UnitLook, fault: str, since_ms: int, stands: bool | None) -> HandBackItem:
    what = "The ticket's alarm"
    column = FAULT_INDEX.get(fault)
    if column is None:
        if stands is None:
            return HandBackItem(what, Answer.NOT_KNOWN, "there is no such alarm any more")
        return _judged(what, not stands, "it stands" if stands else "it does not stand")
    state = AlarmState(int(look.state.alarm_state[look.row, column]))
    if state in HELD:
        why = f"it is {state.name.lower().replace('_', ' ')}"
        return HandBackItem(what, Answer.NOT_KNOWN, why)
    if state in ACTIVE or look.state.alarm_pending_ms[look.row, column] > 0:
        why = "it stands" if state in ACTIVE else "its signs are there again; its delay still runs"
        return _judged(what, False, why)
    rule = FAULTS[column]
    groups: list[tuple[str, ...]] = [(name,) for name in rule.needs]
    groups += [_that_tell(look, group) for group in rule.needs_any]
    for group in groups:
        takens = [(name, _taken(look, name, since_ms)) for name in group]
        if takens and all(taken.value is None for _, taken in takens):
            name, taken = takens[0]
            why = f"{signal(name).title.lower()}: {taken.why}"
            return HandBackItem(what, Answer.NOT_KNOWN, why, None, taken.sent)
    return _judged(what, True, "it does not stand")


def _that_tell(look: UnitLook, group: tuple[str, ...]) -> tuple[str, ...]:
    """Of signals that stand for each other those that this unit sends: one of them is enough.

    But for the pump's command: the mode stands for it only where none was ever sent.
    """
    sent = tuple(name for name in group if look.has(name))
    return sent[:1] if sent[:1] == ("pump_command",) else sent


def _nan(value: float | None) -> float:
    return float("nan") if value is None else value
