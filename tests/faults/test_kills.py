"""Processes are killed at random moments: nothing is lost, nothing is said twice.

The moments are seeded. Some come while the gateway starts or replays, since its lives are short.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from support.watched_sites import WatchedSites

Watch = Callable[..., WatchedSites]


def test_nothing_is_in_the_way(watch: Watch, seed: int) -> None:
    """The proof itself, on a gateway that nobody disturbs."""
    watched = watch(seed)
    with watched.gateway, watched.sites() as sites:
        sites.finish()
        watched.settle()
    watched.prove()


def test_the_gateway_is_killed_again_and_again(watch: Watch, seed: int) -> None:
    rng = random.Random(seed)
    watched = watch(seed)
    with watched.gateway as gateway, watched.sites(pause_s=0.1) as sites:
        for _ in range(5):
            assert not gateway.ended_within(rng.uniform(0.3, 2.5)), gateway.log
            gateway.kill()
            gateway.start(wait=False)
        sites.finish()
        watched.settle()
    watched.prove()


def test_the_broker_is_killed_again_and_again(watch: Watch, seed: int) -> None:
    """A killed broker loses what it acknowledged and had not saved: the sites send that again."""
    rng = random.Random(seed)
    watched = watch(seed)
    with watched.gateway as gateway, watched.sites(pause_s=0.1) as sites:
        for kill in (True, False, True):
            assert not gateway.ended_within(rng.uniform(0.2, 1.0)), gateway.log
            watched.broker.restart(kill=kill)
            sites.repeat()
        sites.finish()
        watched.settle()
    watched.prove()
