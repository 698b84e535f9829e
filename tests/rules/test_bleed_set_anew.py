"""A bleed that somebody sets anew: a person's word has its habits learned again."""

from __future__ import annotations

import pytest
from water_scenes import Basin, Day, controlled_bleed

from rules.events import Action, ActionKind


def held_for_days() -> Day:
    """A unit without meters whose bleed has held its water at 870 to 920 µS/cm for four days."""
    day = Day(Basin(bleed=controlled_bleed(4.0, 900.0)))
    day.every = 5
    day.run(90.0)
    assert day.raised() == []
    return day


def act(day: Day, kind: ActionKind) -> None:
    day.feed.engine.act(
        Action(1, kind, 0, "", day.feed.now_ms, "R. Marsh", "Set anew", parts=("bleed",))
    )


@pytest.mark.parametrize(
    ("kind", "raised"),
    [
        (ActionKind.RESET_BASELINE, []),
        (ActionKind.PROVEN, []),
        (ActionKind.CLEANED, ["bleed-stuck-open"]),
    ],
)
def test_water_that_is_thinner_on_purpose_is_told_to_be_so(kind, raised):
    """300 µS/cm come in. Set from 900 to 570, it leaves its usual range for good. A cleaning alone
    forgets nothing: one that did not help would teach the waste."""
    day = held_for_days()
    act(day, kind)
    day.basin.bleed = controlled_bleed(6.0, 570.0)
    day.run(16.0)
    assert day.raised() == raised


def test_a_bleed_that_was_set_lower_accuses_no_probe():
    """From 900 to 670 µS/cm, and after a day and a half of it a downpour thins the water."""
    day = held_for_days()
    act(day, ActionKind.RESET_BASELINE)
    day.basin.bleed = controlled_bleed(6.0, 670.0)
    day.run(36.0)
    day.basin.solids *= 0.85
    day.run(8.0)
    assert day.raised() == []
