"""What is done to a unit while it is out of service is no reading of the unit.

Fans are locked out whatever the controller asks for, water is let out and filled in by hose, probes
are taken out and put back.
"""

from __future__ import annotations

import pytest
from support.fleet import Feed, engine_of

from rules.events import Action, ActionKind

HOUR = 3600.0


def act(feed: Feed, kind: ActionKind) -> None:
    action = Action(1, kind, 0, "", feed.now_ms, "R. Marsh", "Cleaning")
    feed.events += feed.engine.act(action).events


@pytest.mark.parametrize("held_h", [1.0, 3.0])
def test_fans_that_were_locked_out_for_the_work_have_lost_no_air(held_h):
    """The speed stays commanded meanwhile: the share of fans proven would fall to a third."""
    feed = Feed(engine_of())
    feed.run(8 * HOUR)
    act(feed, ActionKind.OUT_OF_SERVICE)
    feed.run(held_h * HOUR, fan_run=0.0)
    act(feed, ActionKind.IN_SERVICE)
    feed.run(6 * HOUR)
    assert feed.raised() == []
    assert feed.engine.state.fan_share[0] > 0.95
