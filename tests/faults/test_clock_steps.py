"""The gateway's clock is set wrong and right again: no sample is refused, no silence invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from support.stepped_clock import SteppedClock
from support.watched_sites import WatchedSites

Watch = Callable[..., WatchedSites]
HOUR_S = 3600.0


@pytest.fixture
def clock(folder: Path) -> SteppedClock:
    clock = SteppedClock(folder)
    if not clock.library:
        pytest.skip("setting a process's clock needs libfaketime (Debian package 'faketime')")
    return clock


@pytest.mark.parametrize("ahead_s", [-2 * HOUR_S, 26 * HOUR_S])
def test_the_clock_is_set_wrong_and_right_again(
    watch: Watch, clock: SteppedClock, ahead_s: float, seed: int
) -> None:
    watched = watch(seed, environment=clock.environment)
    with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
        watched.until_published(sites, 0.3)
        clock.set_off(ahead_s)
        watched.until_published(sites, 0.7)
        clock.set_off(0)
        sites.finish()
        watched.settle()
        # The journal is still trimmed: what is done every so often does not wait for a clock.
        first = gateway.status["journal"]["first_offset"]
        gateway.until(lambda: gateway.status["journal"]["first_offset"] > first)
    watched.prove()
