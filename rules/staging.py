"""Fans in stages, or all together at a common speed: told by the setting, or found out.

With stages the speed command says which share of the fans should run; without, every fan should run
whenever there is a command. A controller that stages never runs all fans below the speed of all
stages for long, so a unit that does is known to run them together. Where no speed is sent at all,
fans that are seen to come and go one by one start across the line, and turn at full speed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool, span
from rules.signals import INDEX
from rules.state import STEADY, FleetState

__all__ = [
    "FOUND_OUT_MS", "LEAST_STEPS", "TOGETHER", "all_fans", "find_out", "is_staged", "is_stepped",
    "masked", "may_say_only_whether", "mind_steps", "says_no_number",
    "says_nothing_of_airflow", "says_only_whether", "stages_wanted", "told_together",
]  # fmt: skip

_RUN: Final = INDEX["fan_run"]
_SPEED: Final = INDEX["fan_speed"]
_HEAT: Final = [i for i, q in enumerate(STEADY) if q.name in ("td_dry", "td_wet")]
TOGETHER: Final = -1
"""In ``together_ms``: the fans of this unit are known to run together."""
PART: Final = -2
"""In ``together_ms``: its command was between nothing and all, but not for so long."""

FOUND_OUT_MS: Final = 3_600_000
"""A stage that is switched off is gone from the proofs within minutes; a fan left in
hand while somebody tries it out runs for less than an hour."""


def all_fans(count: I64) -> I64:
    """The bit mask of ``count`` fans, (k,)."""
    return (np.int64(1) << count) - 1


def masked(word: F64, count: I64) -> I64:
    """A bit mask limited to the fans that the unit has; 0 where not known."""
    whole = np.where(np.isnan(word), 0.0, word).astype(np.int64)
    return whole & all_fans(count)


def stages_wanted(speed_pct: F64, count: I64) -> I64:
    """Fans that a controller with stages wants, (k,); commands are rounded to whole per cents."""
    wanted: I64 = np.floor(np.fmax(speed_pct, 0.0) / 100.0 * count + 0.1).astype(np.int64)
    return wanted


def find_out(
    state: FleetState, rows: I64, time_ms: I64, proven: F64, speed_pct: F64, count: I64, gap: Bool
) -> None:
    """Mind the units whose fans all run at part speed, and those that are told so at all.

    ``proven`` is how many fans are proven, NaN where no proof is sent.
    """
    since = state.together_ms[rows]
    open_ = since != TOGETHER
    if not open_.any():
        return
    part = (speed_pct > 0.0) & (stages_wanted(speed_pct, count) < count)
    holds = (proven == count) & part
    begun = np.where((since <= 0) | gap, time_ms, since)
    after = np.where(holds, begun, np.where(part | (since != 0), PART, 0))
    after = np.where(holds & (time_ms - begun >= FOUND_OUT_MS), TOGETHER, after)
    # What is not known now proves nothing either way, but a part is a part without proofs, too.
    kept = np.where(part & (since == 0), PART, since)
    after = np.where((np.isnan(speed_pct) | np.isnan(proven)) & ~gap, kept, after)
    state.together_ms[rows] = np.where(open_, after, since)


def told_together(state: FleetState, rows: I64) -> Bool:
    """Whether command and proofs are of one time, (k,): a lost message may have changed either."""
    at = span(rows)
    apart_ms = state.value_ms[at, _RUN] - state.value_ms[at, _SPEED]
    together: Bool = np.abs(apart_ms) <= TOLD_TOGETHER_MS
    return together


TOLD_TOGETHER_MS: Final = 60_000


def is_staged(setting: F64, together_ms: I64) -> F64:
    """1 where the fans are, or may be, switched in stages, else 0; (k,)."""
    may_be = (together_ms != TOGETHER).astype(np.float64)
    return np.where(setting > 0.75, 1.0, np.where(setting < 0.25, 0.0, may_be))


LEAST_STEPS: Final = 12
"""Changes between two numbers of running fans that tell stages: a day's or two of a load that goes
up and down. One proof that flickers makes many, but only between two neighbours."""


def mind_steps(state: FleetState, rows: I64, proven: F64) -> None:
    """Mind how many fans are seen running, of units that are not known to run them together.

    ``proven`` is how many fans are proven, (k,), NaN where no proof is known. Fans at a common
    speed are all there or none; fans that start across the line walk through the numbers between.
    """
    at = np.flatnonzero((proven > 0) & _may_step(state, rows))
    if not len(at):
        return
    row, now = rows[at], np.minimum(proven[at], 255).astype(np.uint8)
    last = state.step_last[row]
    turns = state.step_turns[row]
    state.step_turns[row] = turns + ((last > 0) & (last != now) & (turns < 255))
    state.step_last[row] = now
    state.step_most[row] = np.maximum(state.step_most[row], now)
    least = state.step_least[row]
    state.step_least[row] = np.where(least == 0, now, np.minimum(least, now))


def is_stepped(state: FleetState, rows: I64, count: I64) -> Bool:
    """Units whose fans are known to run at full speed or not at all, (k,).

    Their airflow is the share of the fans that is proven. A bank at one speed shows all its fans,
    or all but one whose proof flickers; so fans that go between numbers below that are stages too,
    as those of a large unit with little to do, which never needs them all.
    """
    least, most = state.step_least[rows].astype(np.int64), state.step_most[rows]
    apart = most - least
    wide = apart >= np.minimum(2, count - 1)
    few = (apart >= 1) & (least <= count - 2)
    walks = (state.step_turns[rows] >= LEAST_STEPS) & (wide | few)
    stepped: Bool = walks & (count > 1) & _may_step(state, rows)
    return stepped


def says_only_whether(state: FleetState, rows: I64, count: I64) -> Bool:
    """Units whose command is all or nothing while their fans come and go one by one, (k,).

    It says whether any fan should run; how many is the controller's choice, and no fan is missing
    that it leaves out.
    """
    return _all_or_nothing(state, rows) & is_stepped(state, rows, count)


def may_say_only_whether(state: FleetState, rows: I64, count: I64) -> Bool:
    """Units whose command was all or nothing so far, and whose fans do not all follow it: too few
    of their changes were seen to know whether it says how many should run, (k,).

    Fans that all ran and of which some then stop have changed once: that is no habit. A unit that
    knows its clean heat rejection was watched for long enough to have shown its stages.
    """
    young = ~_knows_heat(state, rows)
    turns = state.step_turns[rows]
    come_and_go: Bool = (turns >= 2) | (state.step_most[rows] < count)
    few = come_and_go & (turns < LEAST_STEPS) & young
    return _all_or_nothing(state, rows) & (count > 1) & few


def says_nothing_of_airflow(state: FleetState, rows: I64, count: I64, setting: F64 | float) -> Bool:
    """Units of which neither command nor proofs say how many fans run, (k,).

    The command was all or nothing so far, no proof was ever sent, and the site file does not say by
    its ``setting`` that all run together: the airflow may be any of that of one fan to all.
    """
    unproven = state.value_ms[rows, _RUN] == 0
    unsaid: Bool = unproven & (count > 1) & (np.asarray(setting) > 0.25)
    return _all_or_nothing(state, rows) & unsaid


def says_no_number(state: FleetState, rows: I64, count: I64) -> Bool:
    """Units that send no command, or one that does not say how many fans should run, (k,)."""
    none: Bool = ~state.speed_seen[rows]
    return none | says_only_whether(state, rows, count)


def _all_or_nothing(state: FleetState, rows: I64) -> Bool:
    """Units that send a speed command, which was never between nothing and all, (k,)."""
    never_part: Bool = state.speed_seen[rows] & (state.together_ms[rows] == 0)
    return never_part


def _knows_heat(state: FleetState, rows: I64) -> Bool:
    """Units of which the clean heat rejection is known, dry or wet, (k,)."""
    at = span(rows)
    dry, wet = (~np.isnan(state.baseline[at, q]) for q in _HEAT)
    known: Bool = dry | wet
    return known


def _may_step(state: FleetState, rows: I64) -> Bool:
    """Units that send no speed command, or one that says how many fans should run."""
    may: Bool = ~state.speed_seen[rows] | (state.together_ms[rows] != TOGETHER)
    return may
