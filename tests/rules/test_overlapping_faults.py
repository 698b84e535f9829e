"""Two faults at one unit: what the first explains is not said twice, what it does not is said."""

from __future__ import annotations

import numpy as np
from fault_scenes import LIVES, frames_of, hour_of
from support.fleet import T0_MS, engine_of, site, unit_data

from rules.events import AlarmEvent, Change
from rules.signals import INDEX


def lived(pump_dies_h: float | None) -> list[AlarmEvent]:
    """A coil that fouls in dry running from the fourteenth hour on, and a pump that dies before."""
    life = next(life for life in LIVES if life.unit == "coil-fouled")
    hours, frames = frames_of(life, 3)
    if pump_dies_h is not None:
        asked = (hours > pump_dies_h) & (hours <= pump_dies_h + 0.5)
        frames[asked, INDEX["pump_command"]] = frames[asked, INDEX["wet_mode"]] = 1.0
        frames[asked, INDEX["basin_level"]] = 165.0
    settings = {slug: dict(table) for slug, table in life.settings.items()}
    engine = engine_of(site(units=[unit_data(life.unit, settings=settings)]))
    time_ms = T0_MS + np.round(hours * 3_600_000).astype(np.int64)
    events = engine.samples(0, np.zeros(len(hours), dtype=np.int32), time_ms, frames).events
    return [e for e in events if e.change is Change.RAISED]


def test_a_pump_that_stands_explains_no_coil_that_fouls_in_dry_running() -> None:
    """What is taken while pads should be wet and are not is no mean of dry running anyway."""
    alone, both = lived(None), lived(13.0)
    assert [e.fault for e in alone] == ["coil-fouled"]
    assert [e.fault for e in both] == ["pump-not-running", "coil-fouled"]
    assert abs(hour_of(both[1]) - hour_of(alone[0])) <= 3.0
