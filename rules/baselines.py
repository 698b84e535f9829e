"""Baselines in a person's hands: a cleaning closed out, a reset, a freeze.

Learning itself is in :mod:`rules.learning`. A closed-out cleaning changes no baseline by itself:
only once the readings have proven that it helped (:mod:`rules.proof`) is the cleaned state learned,
and the old baseline holds until enough of it has been seen. After a reset there is none until then.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.bleed_habit import forget_bleed
from rules.events import Action, ActionKind, BaselineChange
from rules.fan_gang import forget_gang
from rules.fan_lead import forget_lead
from rules.fan_rounds import forget_rounds
from rules.fill_flow import forget_fill_flow
from rules.float_rest import FLOAT_LEVEL, forget_float
from rules.fresh_fill import forget_fills
from rules.heat_memory import WETTED_PARTS, forget_clean_effect, forget_effect
from rules.state import STEADY, FleetState

__all__ = ["LEARNED_TITLES", "ON_BASELINES", "act_on_baselines"]

LEARNED_TITLES: Final = {q.name: q.title for q in STEADY} | {
    FLOAT_LEVEL: "Level at which the float holds the water"
}
"""What is learned as normal, in words for people; by the names of :class:`BaselineChange`."""

ON_BASELINES: Final = frozenset(
    {
        ActionKind.CLEANED,
        ActionKind.PROVEN,
        ActionKind.RESET_BASELINE,
        ActionKind.FREEZE_BASELINE,
        ActionKind.RELEASE_BASELINE,
    }
)
"""Actions that change what is learned and touch no alarm."""


def act_on_baselines(state: FleetState, row: int, action: Action) -> tuple[BaselineChange, ...]:
    """Apply one of :data:`ON_BASELINES` to a unit; the changes to record.

    ``action.parts`` limits it to the quantities that a cleaning of those parts renews; empty means
    all. A frozen unit takes the proof of a cleaning without learning anew, until it is released; a
    reset is a person's plain word and holds for a frozen unit too.
    """
    if action.kind is ActionKind.FREEZE_BASELINE:
        state.baseline_frozen[row] = True
        return ()
    if action.kind is ActionKind.RELEASE_BASELINE:
        state.baseline_frozen[row] = False
        return ()
    meant = [
        i
        for i, q in enumerate(STEADY)
        if not action.parts or not set(q.parts).isdisjoint(action.parts)
    ]
    if action.kind is ActionKind.PROVEN:
        # The means since the cleaning are there already, and count.
        state.baseline_relearn[row, meant] = ~np.isnan(state.baseline[row, meant])
        if not state.baseline_frozen[row]:
            _forget_habits(state, row, action)
        return ()
    # What was seen before must not mix with what is seen from now on.
    state.steady[row, meant] = np.nan
    state.steady_count[row, meant] = 0
    state.figure_mark[row, meant] = 0
    if any(STEADY[i].name in ("td_dry", "td_wet") for i in meant):
        forget_effect(state, row)
    if _is_about("fans", action):
        # Whoever worked on the fans may have changed how they are switched: it is found out again.
        state.together_ms[row] = 0
        forget_rounds(state, row)
        forget_gang(state, row)
        forget_lead(state, row)
    # A cleaned float may have been set anew; of a frozen unit a reset alone says so.
    told = action.kind is ActionKind.RESET_BASELINE or not state.baseline_frozen[row]
    forgets = told and _is_about("float", action)
    floats = forget_float(state, row, action.time_ms) if forgets else ()
    if forgets:
        forget_fill_flow(state, row)
    if action.kind is ActionKind.CLEANED:
        # An earlier cleaning's proof is of a state that is gone.
        state.baseline_relearn[row, meant] = False
        return floats
    _forget_habits(state, row, action)
    if _is_about("basin", action):
        forget_fills(state, row)
    state.baseline[row, meant] = np.nan
    state.baseline_relearn[row, meant] = False
    return (
        tuple(
            BaselineChange(row, q.name, q.mode, None, None, 0, action.time_ms, q.unit)
            for q in (STEADY[i] for i in meant)
        )
        + floats
    )


def _forget_habits(state: FleetState, row: int, action: Action) -> None:
    """What is learned beside the baselines, and has no value to hold on to until then.

    Not at the mere cleaning: one that did not help must not teach thin water as the habit.
    """
    if _is_about("bleed", action):
        forget_bleed(state, row)
    if any(_is_about(part, action) for part in WETTED_PARTS):
        forget_clean_effect(state, row)


def _is_about(part: str, action: Action) -> bool:
    return not action.parts or part in action.parts
