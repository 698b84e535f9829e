"""Two faults at one unit: what the first explains is not said twice, what it does not is said."""

from __future__ import annotations

import numpy as np
from fault_scenes import LIVES, frames_of, hour_of
from support.fleet import T0_MS, engine_of, site, unit_data

from rules.events import AlarmEvent, Change
from rules.signals import INDEX, N_SIGNALS


def lived(*pumps_die_h: float | None) -> list[list[AlarmEvent]]:
    """Units whose coil fouls in dry running from the fourteenth hour on, and whose pump may die
    before; what is raised of each."""
    life = next(life for life in LIVES if life.unit == "coil-fouled")
    hours, frames = frames_of(life, 3)
    k = len(pumps_die_h)
    sent = np.repeat(frames[:, None, :], k, axis=1)
    for unit, dies_h in enumerate(pumps_die_h):
        if dies_h is not None:
            asked = (hours > dies_h) & (hours <= dies_h + 0.5)
            sent[asked, unit, INDEX["pump_command"]] = sent[asked, unit, INDEX["wet_mode"]] = 1.0
            sent[asked, unit, INDEX["basin_level"]] = 165.0
    settings = {slug: dict(table) for slug, table in life.settings.items()}
    units = [unit_data(f"{life.unit}-{unit}", settings=settings) for unit in range(k)]
    engine = engine_of(site(units=units))
    time_ms = np.repeat(T0_MS + np.round(hours * 3_600_000).astype(np.int64), k)
    row = np.tile(np.arange(k, dtype=np.int32), len(hours))
    raised: list[list[AlarmEvent]] = [[] for _ in pumps_die_h]
    for event in engine.samples(0, row, time_ms, sent.reshape(-1, N_SIGNALS)).events:
        if event.change is Change.RAISED:
            raised[event.unit_row].append(event)
    return raised


def test_a_pump_that_stands_explains_no_coil_that_fouls_in_dry_running() -> None:
    """What is taken while pads should be wet and are not is no mean of dry running anyway."""
    alone, both = lived(None, 13.0)
    assert [e.fault for e in alone] == ["coil-fouled"]
    assert [e.fault for e in both] == ["pump-not-running", "coil-fouled"]
    assert abs(hour_of(both[1]) - hour_of(alone[0])) <= 3.0
