"""What the watch makes of look after look: steps of the clock, shares, silence, and its pace."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from support.gateway_status import STATUS

from gateway.pulse import Pulse
from gateway.status import OutboxStatus, ReaderStatus
from gateway.watching.episodes import EpisodeBook
from gateway.watching.notify import ServiceManager
from gateway.watching.settings import WatchSettings
from gateway.watching.watch import Watch, Watched

AT_REST = ReaderStatus(90, 0, 0, 0)
FINE = replace(STATUS, rules=AT_REST, store=AT_REST, outbox=OutboxStatus({}, None, 0), sites=5)


class Manager(ServiceManager):
    """Remembers instead of sending."""

    def __init__(self, watchdog_s: float = 0.0) -> None:
        super().__init__("/nowhere", watchdog_s)
        self.said: list[str] = []

    def _send(self, *assignments: str) -> bool:
        self.said += assignments
        return True


class World:
    """A gateway that is nothing but its figures, with two clocks."""

    def __init__(self, watchdog_s: float = 30.0) -> None:
        self.now_s, self.wall_s = 100.0, 1_760_000_000.0
        self.connected, self.mail_why = True, ""
        self.counts = SimpleNamespace(messages=0, rejects=0, samples=0)
        self.journal = SimpleNamespace(standing=False, why="")
        self.pulse = Pulse("pipeline", lambda: self.now_s)
        self.told: list[Any] = []
        self.manager = Manager(watchdog_s)
        self.book = EpisodeBook(None)
        parts = SimpleNamespace(
            pipeline=SimpleNamespace(
                counts=self.counts, journal_outage=self.journal, pulse=self.pulse
            ),
            store_reader=SimpleNamespace(outage=SimpleNamespace(why="")),
            rules=SimpleNamespace(records_outage=SimpleNamespace(why="")),
            intake=SimpleNamespace(waiting=0),
            connected=lambda: self.connected,
            link=lambda: "Cannot reach it.",
            mail_trouble=lambda: self.mail_why,
        )
        self.parts = parts
        self.observer: Any = SimpleNamespace(
            latest=FINE, parts=parts, troubles=lambda: (), started_ms=FINE.started_ms
        )
        messenger: Any = SimpleNamespace(tell=self.told.extend)
        self.watch = Watch(
            Watched(self.observer, [self.pulse], lambda: None, lambda: int(1000 * self.wall_s)),
            WatchSettings(serve=False), self.book, messenger, self.manager,
            monotonic_s=lambda: self.now_s,
        )  # fmt: skip

    def go_on(self, seconds: float = 5.0, messages: int = 1) -> list[tuple[str, bool]]:
        """Time passes, messages come, and there is a look; what began (True) or ended."""
        self.now_s += seconds
        self.wall_s += seconds
        self.counts.messages += messages
        self.pulse.beat()
        return [(c.episode.slug, c.began) for c in self.watch.look()]


def test_a_gateway_in_order_is_told_to_be_and_gives_signs_of_life() -> None:
    world = World()
    assert [world.go_on() for _ in range(200)] == [[]] * 200
    assert world.manager.said.count("WATCHDOG=1") == 200
    assert [s for s in world.manager.said if s.startswith("STATUS")] == ["STATUS=In order."]


@pytest.mark.parametrize("step_s", [-3600.0, 11.0])
def test_a_step_of_the_clock_is_found_at_the_next_look(step_s: float) -> None:
    world = World()
    world.go_on()
    world.wall_s += step_s
    assert world.go_on() == [("clock-stepped", True)]
    ends = [world.go_on() for _ in range(60)]
    assert ends[-1] == [("clock-stepped", False)]
    assert ends[:-1] == [[]] * 59


def test_a_clock_that_is_set_gradually_is_right() -> None:
    world = World()
    for _ in range(1000):
        world.wall_s += 0.0025  # 500 ppm, MAXFREQ of RFC 5905, app. A (from memory)
        assert world.go_on() == []


def test_a_share_of_refused_records_is_of_the_last_ten_minutes() -> None:
    world = World()
    world.counts.samples, world.counts.rejects = 10_000, 9_000
    for _ in range(10):
        world.counts.samples += 100
        assert world.go_on() == []  # what was before the first look does not count
    changes = []
    for _ in range(3):
        world.counts.samples += 100
        world.counts.rejects += 200
        changes += world.go_on()
    assert changes == [("many-refused", True)]
    ends = []
    while not (change := world.go_on()):
        ends.append(change)
        world.counts.samples += 100
    assert change == [("many-refused", False)]
    assert len(ends) < 200


def test_silence_counts_only_while_messages_could_be_heard_and_are_not_held_up() -> None:
    world = World()
    for hinder, free in (
        (lambda: setattr(world, "connected", False), lambda: setattr(world, "connected", True)),
        (lambda: setattr(world.journal, "standing", True),
         lambda: setattr(world.journal, "standing", False)),
        (lambda: setattr(world.parts.intake, "waiting", 7),
         lambda: setattr(world.parts.intake, "waiting", 0)),
    ):  # fmt: skip
        world.go_on(590, messages=0)
        assert not world.watch.deaf
        hinder()
        world.go_on(20, messages=0)
        free()
    assert ("all-sites-silent", True) not in world.go_on(590, messages=0)
    assert ("all-sites-silent", True) in world.go_on(20, messages=0)
    assert world.watch.deaf
    world.go_on()
    assert not world.watch.deaf


def test_looks_that_always_find_the_pipeline_at_work_do_not_put_silence_off() -> None:
    """On a busy machine it is at work at most looks, if only for the clock's entries."""
    world = World()
    world.go_on()

    def look(still_s: float) -> list[tuple[str, bool]]:
        world.pulse.beat()
        world.now_s += still_s
        world.wall_s += still_s
        return [(c.episode.slug, c.began) for c in world.watch.look()]

    told = [change for _ in range(130) for change in look(4.9)]
    assert told == [("all-sites-silent", True)]
    assert world.watch.deaf
    look(61.0)  # one that stands still for long may have messages in hand
    assert not world.watch.deaf


def test_a_broker_that_is_away_for_longer_than_allowed_is_told_with_its_reason() -> None:
    world = World()
    world.go_on()
    world.connected = False
    assert [world.go_on() for _ in range(61)] == [[]] * 61
    assert world.go_on() == [("broker-away", True)]
    (change,) = world.told
    assert change.episode.why == "Cannot reach it."
    assert change.episode.value == "away for 5 min"
    (reason,) = world.watch.troubles()
    assert "See that the broker runs" in reason.says


def test_a_thread_that_stands_still_gets_no_sign_of_life() -> None:
    world = World()
    world.go_on()
    before = world.manager.said.count("WATCHDOG=1")
    world.now_s += 200
    world.wall_s += 200
    changes = world.watch.look()
    assert [c.episode.slug for c in changes] == ["thread-stuck"]
    assert world.manager.said.count("WATCHDOG=1") == before
    assert "STATUS=1 in trouble: pipeline stands still" in world.manager.said
    world.go_on()
    assert world.manager.said.count("WATCHDOG=1") == before + 1


def test_before_the_first_look_around_there_is_nothing_to_accuse() -> None:
    world = World()
    world.observer.latest = None
    assert world.go_on() == []
    assert not world.watch.deaf


@pytest.mark.parametrize(("watchdog_s", "every_s"), [(0.0, 5.0), (60.0, 5.0), (9.0, 3.0)])
def test_it_looks_often_enough_for_the_watchdog(watchdog_s: float, every_s: float) -> None:
    assert World(watchdog_s).watch._every_s == every_s


def test_a_pulse_stands_still_beyond_its_rest_only() -> None:
    now = SimpleNamespace(s=0.0)
    pulse = Pulse("p", lambda: now.s)
    now.s = 50.0
    assert pulse.still_s == 0  # it has not begun
    pulse.beat(rest_s=60)
    now.s = 110.0
    assert pulse.still_s == 0
    now.s = 115.0
    assert pulse.still_s == 5
    pulse.beat()
    assert pulse.still_s == 0
    pulse.end()
    now.s = 999.0
    assert pulse.still_s == 0
