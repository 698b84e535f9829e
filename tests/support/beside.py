"""Tests whose units live beside each other: each is a script of its own, the engine is run once.

An engine's work goes by the rounds of frames and the bins of the longest life, and hardly by the
units that live it. So the tests of a module that are marked by :func:`beside` send their frames to
one engine: a script sends what it has to say up to a ``yield``, which stands wherever it looks at
what became of it, or acts on it, and all scripts are played up to their next one in one batch.
Modules that bear one name as their ``FLEET`` share a play.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rules.bin_times import day_phase_of, hour_phase_of, phase_ms
from rules.engine import Engine
from rules.events import AlarmEvent, StepResult
from support.fleet import T0_MS, Feed, engine_of, site, unit_data

__all__ = ["Taped", "beside"]

Script = Callable[..., Iterator[object]]
SITE, UNIT = "north-hall", "ac-1"
"""Of a unit that has an engine for itself."""


class Taped(Feed):
    """A feed within a script: its frames wait for the next ``yield``.

    Its unit is a site for itself, so that it gets no air from others, and keeps the times of the
    one unit of an engine of its own, so that it lives as it would there.
    """

    def __init__(self, unit: Mapping[str, Any] | None = None, *, seed: int = 7) -> None:
        self.unit = dict(unit or unit_data())
        self.now_ms = T0_MS
        self.rng = np.random.default_rng(seed)
        self.row = -1
        self.waiting: list[tuple[int, NDArray[np.float64]]] = []
        self._engine: Engine | None = None
        self._events: list[AlarmEvent] = []
        self.news: list[AlarmEvent] = []
        _made.append(self)

    def run(
        self, duration_s: float, step_s: float = 60.0, row: int = 0, **changes: float | None
    ) -> list[AlarmEvent]:
        """As of any feed; the list is filled with what comes of all frames up to the next yield."""
        super().run(duration_s, step_s, row, **changes)
        return self.news

    def send(self, row: int, time_ms: int, frame: NDArray[np.float64]) -> StepResult:
        """One frame, to be played later."""
        self.waiting.append((time_ms, frame))
        return StepResult()

    @property
    def engine(self) -> Engine:  # type: ignore[override]
        """The engine of all, after everything that was sent."""
        assert not self.waiting, "a yield is missing"
        assert self._engine is not None
        return self._engine

    @property
    def events(self) -> list[AlarmEvent]:  # type: ignore[override]
        """Those of this unit, after everything that was sent."""
        assert not self.waiting, "a yield is missing"
        return self._events

    @events.setter
    def events(self, events: list[AlarmEvent]) -> None:
        self._events = events


_made: list[Taped] = []
"""The feeds of the scripts that are being played."""
_outcomes: dict[str, dict[str, Exception | None]] = {}
"""By fleet and test: what went wrong."""


def beside(script: Script) -> Callable[..., None]:
    """A test that is played beside all others of its fleet; the arguments are its parameters."""

    @functools.wraps(script)
    def test(request: pytest.FixtureRequest, **_parameters: object) -> None:
        fleet = _fleet_of(request.node)
        if fleet not in _outcomes:
            _outcomes[fleet] = _play({
                item.nodeid: functools.partial(item.function.script, **_parameters_of(item))
                for item in request.session.items
                if isinstance(item, pytest.Function)
                and hasattr(item.function, "script") and _fleet_of(item) == fleet
            })  # fmt: skip
        if error := _outcomes[fleet][request.node.nodeid]:
            raise error

    of_script = inspect.signature(script).parameters.values()
    asked = inspect.Parameter("request", inspect.Parameter.KEYWORD_ONLY)
    test.__signature__ = inspect.Signature([*of_script, asked])  # type: ignore[attr-defined]
    test.script = script  # type: ignore[attr-defined]
    return test


def _fleet_of(item: pytest.Function) -> str:
    return str(getattr(item.module, "FLEET", item.module.__name__))


def _parameters_of(item: pytest.Function) -> dict[str, Any]:
    return dict(item.callspec.params) if hasattr(item, "callspec") else {}


def _play(scripts: Mapping[str, Callable[[], Iterator[object]]]) -> dict[str, Exception | None]:
    """Play the scripts up to each one's end."""
    _made.clear()
    feeds: dict[str, list[Taped]] = {}
    outcomes: dict[str, Exception | None] = {}
    going: dict[str, Iterator[object]] = {}
    engine: Engine | None = None

    def go_on(name: str) -> None:
        before = len(_made)
        try:
            next(going[name])
        except StopIteration:
            outcomes[name] = None
        except Exception as error:  # noqa: BLE001  # the test of that name raises it
            outcomes[name] = error
        feeds.setdefault(name, []).extend(_made[before:])
        if name in outcomes:
            del going[name]
            if any(feed.waiting for feed in feeds[name]) and outcomes[name] is None:
                outcomes[name] = AssertionError("what was sent at last was not played")
            for feed in feeds[name]:
                feed.waiting.clear()

    for name, script in scripts.items():
        going[name] = script()
        go_on(name)
    units = list(_made)
    while going:
        engine = engine or _engine_of(units)
        _step(engine, units)
        for name in list(going):
            go_on(name)
        assert len(_made) == len(units), "a script makes its units before its first yield"
    return outcomes


def _engine_of(feeds: list[Taped]) -> Engine:
    sites = [site(f"hall-{i}", [{**feed.unit, "id": UNIT}]) for i, feed in enumerate(feeds)]
    engine = engine_of(*sites)
    engine.plan.bin_phase_ms[:] = phase_ms(SITE)
    engine.plan.hour_phase_bins[:] = hour_phase_of(SITE, UNIT)
    engine.plan.day_phase_bins[:] = day_phase_of(SITE, UNIT)
    for row, feed in enumerate(feeds):
        feed.row, feed._engine = row, engine
    return engine


def _step(engine: Engine, feeds: list[Taped]) -> None:
    rows = np.repeat([feed.row for feed in feeds], [len(feed.waiting) for feed in feeds])
    sent = [frame for feed in feeds for frame in feed.waiting]
    news = [feed.news for feed in feeds]
    for feed in feeds:
        feed.waiting.clear()
        feed.news = []
    if not sent:
        return
    times = np.array([time_ms for time_ms, _ in sent], dtype=np.int64)
    result = engine.samples(0, rows.astype(np.int32), times, np.array([f for _, f in sent]))
    for event in result.events:
        feeds[event.unit_row].events.append(event)
        news[event.unit_row].append(event)
