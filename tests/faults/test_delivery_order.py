"""Messages that come twice, in another order, or a day late."""

from __future__ import annotations

import json
import random
from collections.abc import Callable

from support.stream import Message
from support.watched_sites import WatchedSites

Watch = Callable[..., WatchedSites]
MINUTES_MS = 60_000


def doubled(messages: list[Message]) -> list[Message]:
    """Each third message comes twice; the second time up to 30 messages later."""
    rng = random.Random(7)
    places = [(float(i), m) for i, m in enumerate(messages)]
    places += [(i + rng.uniform(0, 30), m) for i, m in enumerate(messages) if rng.random() < 0.33]
    return [m for _, m in sorted(places, key=lambda p: p[0])]


def mixed(messages: list[Message]) -> list[Message]:
    """Sites overtake each other by up to half an hour; each unit keeps its own order."""
    rng = random.Random(7)
    lag = dict.fromkeys({topic for topic, _ in messages}, 0.0)
    places = []
    for i, message in enumerate(messages):
        topic = message[0]
        lag[topic] = max(lag[topic], i + rng.uniform(0, 90))
        places.append((lag[topic], message))
    return [m for _, m in sorted(places, key=lambda p: p[0])]


def mixed_within_units(messages: list[Message]) -> list[Message]:
    """Each message is overtaken by up to some minutes of others, those of its own unit too."""
    rng = random.Random(7)
    places = [(i + rng.uniform(0, 40), m) for i, m in enumerate(messages)]
    return [m for _, m in sorted(places, key=lambda p: p[0])]


def hill_comes_late(messages: list[Message]) -> list[Message]:
    """One site is cut off for a day and sends all of it when the others are through."""
    late = [m for m in messages if m[0].startswith("sites/hill-dairy/")]
    return [m for m in messages if m not in late] + late


def test_messages_come_twice(watch: Watch, seed: int) -> None:
    watched = watch(seed, change=doubled)
    assert len(watched.messages) > watched.expected.instants
    with watched.gateway, watched.sites() as sites:
        sites.finish()
        watched.settle()
    watched.prove()


def test_messages_overtake_each_other(watch: Watch, seed: int) -> None:
    watched = watch(seed, change=mixed)
    with watched.gateway, watched.sites() as sites:
        sites.finish()
        watched.settle()
    watched.prove()


def test_a_units_own_messages_overtake_each_other(watch: Watch, seed: int) -> None:
    """Every sample is stored once and every ticket mailed once, also of what is too late to judge.

    What the rules make of it depends on what arrives together: they judge that by its own times,
    and pass over what is older than what they have judged. So the alarms may be others.
    """
    watched = watch(seed, change=mixed_within_units)
    topic = watched.messages[0][0]
    times_s = [json.loads(body)[0]["bt"] for other, body in watched.messages if other == topic]
    assert times_s != sorted(times_s)
    with watched.gateway, watched.sites() as sites:
        sites.finish()
        watched.settle()
    watched.prove(same_alarms=False)


def test_a_site_returns_with_a_day_of_backlog(watch: Watch, seed: int) -> None:
    """A day at one message in nine minutes; the gateway is killed while it takes it in."""
    watched = watch(seed, step_ms=9 * MINUTES_MS, change=hill_comes_late)
    with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
        watched.until_published(sites, 0.7)
        gateway.kill()
        gateway.start(wait=False)
        sites.finish()
        watched.settle()
    watched.prove()
