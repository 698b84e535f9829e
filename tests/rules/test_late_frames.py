"""Frames that come after a newer one of their unit: not judged, and counted where they belong."""

from __future__ import annotations

import numpy as np
from support.fleet import HEALTHY, T0_MS, Feed, engine_of, row_of_values

DAY_MS = 86_400_000


def test_late_frames_are_counted_by_unit_and_by_the_day_on_which_they_were_measured() -> None:
    feed = Feed(engine_of())
    frame = row_of_values(HEALTHY)
    day = T0_MS // DAY_MS
    midnight_ms = (day + 1) * DAY_MS
    assert feed.send(0, midnight_ms + 600_000, frame).late == {}
    assert feed.send(0, midnight_ms + 60_000, frame).late == {(0, day + 1): 1}
    times = np.array([midnight_ms - 1, midnight_ms - 60_000, midnight_ms], np.int64)
    result = feed.engine.samples(
        midnight_ms + 660_000, np.zeros(3, np.int32), times, np.tile(frame, (3, 1))
    )
    assert result.late == {(0, day): 2, (0, day + 1): 1}
    assert result.late_frames == 3
    assert feed.send(0, midnight_ms + 720_000, frame).late_frames == 0
