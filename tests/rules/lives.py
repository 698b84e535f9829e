"""Lives of units: written down and played as one fleet, or lived once and gone on from apart.

A play costs by the moment, hardly by the unit. So what happens to many units is written down first,
a life of each, and all are played together; and what several tests begin with is lived once, and
each of them goes on with a copy of its own.
"""

from __future__ import annotations

import copy
import functools
import inspect
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from side_by_side import Columns
from support.fleet import T0_MS, Feed, engine_of, site, unit_data
from water_scenes import Basin, Day

from rules.engine import Engine
from rules.events import (
    Action,
    ActionKind,
    AlarmEvent,
    BaselineChange,
    Change,
    Evidence,
    StepResult,
)
from rules.signals import INDEX, N_SIGNALS

__all__ = ["Life", "Together", "learned_life", "life_of", "live", "only", "own_copy"]

Lived = TypeVar("Lived", Feed, Day)
Story = Callable[["Life"], Iterator[None]]
"""Writes a life down, yields, and judges what became of it."""


def own_copy(lived: Lived) -> Lived:
    """All that became of a unit until now, to go on from by oneself."""
    engine = (lived.feed if isinstance(lived, Day) else lived).engine
    return copy.deepcopy(lived, {id(engine.plan): engine.plan})


def only(events: Iterable[AlarmEvent], fault: str) -> Evidence:
    """The evidence of the one alarm that was raised."""
    raised = [e for e in events if e.change is Change.RAISED]
    assert [e.fault for e in raised] == [fault]
    assert raised[0].evidence is not None
    return raised[0].evidence


@dataclass(frozen=True)
class _Then:
    """Something that is done between two frames."""

    time_ms: int
    life: Life
    do: Callable[[Engine, int], object]


class Life(Feed):
    """A feed that only writes down; :func:`live` plays it, and then it has its events.

    ``plate`` is what the unit has other than the tests' nameplate.
    """

    def __init__(self, *, start_ms: int = T0_MS, seed: int = 7, **plate: Any) -> None:
        super().__init__(engine_of(), start_ms=start_ms, seed=seed)
        self.plate = plate
        self.row = -1
        """Its row in the fleet, once it was played."""
        self.times_ms: list[int] = []
        self.frames: list[NDArray[np.float64]] = []
        self.thens: list[_Then] = []
        self.marks_ms: dict[str, int] = {}
        self.baselines: list[BaselineChange] = []

    @classmethod
    def sending(cls, columns: Columns, time_ms: NDArray[np.int64], **plate: Any) -> Life:
        """A life of which all that is sent is known by column."""
        life = cls(**plate)
        frames = np.full((len(time_ms), N_SIGNALS), np.nan)
        for signal, column in columns.items():
            frames[:, INDEX[signal]] = column
        life.times_ms, life.frames = time_ms.tolist(), list(frames)
        life.now_ms = life.times_ms[-1]
        return life

    def send(self, row: int, time_ms: int, frame: NDArray[np.float64]) -> StepResult:
        """One frame more, of which nothing is known yet."""
        del row
        self.times_ms.append(time_ms)
        self.frames.append(frame)
        return StepResult()

    def then(self, do: Callable[[Engine, int], object]) -> None:
        """Have something done with the engine and the unit's row when all until now was played."""
        self.thens.append(_Then(self.now_ms, self, do))

    def act(
        self, kind: ActionKind, fault: str = "", until_ms: int = 0, parts: tuple[str, ...] = ()
    ) -> None:
        """A person's action now."""
        at_ms = self.now_ms

        def do(engine: Engine, row: int) -> None:
            action = Action(1, kind, row, fault, at_ms, "R. Marsh", "Work", until_ms, parts=parts)
            self.take(engine.act(action))

        self.then(do)

    def mark(self, name: str) -> None:
        """Remember this moment."""
        self.marks_ms[name] = self.now_ms

    def of(self, fault: str) -> list[AlarmEvent]:
        """What happened of one fault."""
        return [e for e in self.events if e.fault == fault]

    def until(self, name: str) -> list[AlarmEvent]:
        """What happened up to that moment."""
        return [e for e in self.events if e.time_ms <= self.marks_ms[name]]

    def since(self, name: str) -> list[AlarmEvent]:
        """What happened after that moment."""
        return [e for e in self.events if e.time_ms > self.marks_ms[name]]

    def take(self, result: StepResult) -> None:
        """Keep what came of the unit's own row."""
        self.events += [e for e in result.events if e.unit_row == self.row]
        self.baselines += [b for b in result.baselines if b.unit_row == self.row]


def life_of(
    basin: Basin, *, every: int = 5, meters: bool = False, weather: bool = True, **plate: Any
) -> Day:
    """A day of a basin that only writes down what is read, each so many minutes.

    Units of one fleet share their weather: without it they belong in a fleet of their own.
    """
    day = Day(basin, meters=meters, weather=weather)
    day.every, day.feed = every, Life(**plate)
    return day


def learned_life() -> Life:
    """A unit that ran steadily for eight hours and knows its clean state."""
    life = Life()
    life.run(8 * 3600.0)
    life.mark("learned")
    return life


def live(lived: Collection[Life | Day]) -> None:
    """Play lives together, each a unit of one site."""
    lives = [one.feed if isinstance(one, Day) else one for one in lived]
    units = [unit_data(f"ac-{u}", **life.plate) for u, life in enumerate(lives)]
    engine = engine_of(site(units=units))
    for u, life in enumerate(lives):
        life.row, life.engine = u, engine
    row = np.repeat(np.arange(len(lives), dtype=np.int32), [len(life.times_ms) for life in lives])
    time_ms = np.concatenate([np.array(life.times_ms, np.int64) for life in lives])
    frames = np.concatenate([np.array(life.frames) for life in lives])
    order = np.argsort(time_ms, kind="stable")
    row, time_ms, frames = row[order], time_ms[order], frames[order]
    thens = sorted((then for life in lives for then in life.thens), key=lambda then: then.time_ms)
    begun = 0

    def until(end: int) -> None:
        nonlocal begun
        result = engine.samples(0, row[begun:end], time_ms[begun:end], frames[begun:end])
        for life in lives:
            life.take(result)
        begun = end

    for then in thens:
        until(int(np.searchsorted(time_ms, then.time_ms, side="right")))
        then.do(engine, then.life.row)
    until(len(time_ms))


class Together:
    """Tests whose lives are played as one fleet, at the first of them that is asked for.

    Each is a :data:`Story`; it is decorated with this, called with what begins its life.
    """

    def __init__(self) -> None:
        self._begins: dict[Story, Callable[[], Life]] = {}
        self._lived: dict[Story, Iterator[None]] = {}

    def __call__(self, begin: Callable[[], Life]) -> Callable[[Story], Callable[[], None]]:
        def of(story: Story) -> Callable[[], None]:
            @functools.wraps(story)
            def test() -> None:
                if story not in self._lived:
                    self._live()
                next(self._lived.pop(story), None)

            # Without it the story's life would be looked for among the fixtures.
            test.__signature__ = inspect.Signature()  # type: ignore[attr-defined]
            self._begins[story] = begin
            return test

        return of

    def _live(self) -> None:
        lives = {story: begin() for story, begin in self._begins.items()}
        self._lived = {story: story(life) for story, life in lives.items()}
        for begun in self._lived.values():
            next(begun)
        live(lives.values())
