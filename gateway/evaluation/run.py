"""Plays a folder's samples through the real rules and the real ticket desk.

Sites do not touch each other in the rules, so a long history is cut by site among processes; the
result is the same. The receiver's clock ticks once a minute of recorded time.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, wait
from dataclasses import dataclass, field, replace
from multiprocessing.process import BaseProcess
from threading import Thread
from typing import Any, Final

import numpy as np

from gateway.evaluation.folder import Folder
from gateway.evaluation.ledger import CLOSE_AFTER_MS, Ledger
from gateway.evaluation.samples import Samples
from gateway.playback import Playback
from rules.equipment import Overrides, OwnRule, Site
from rules.evaluation.cases import Alarm, Exposure, Ticket
from rules.events import Action, AlarmEvent, StepResult

__all__ = ["CLOCK_STEP_MS", "Run", "run"]

CLOCK_STEP_MS: Final = 60_000
TICKS_A_CALL: Final = 5
"""Silence is judged to within five minutes; limits on it are ten and more."""

_ROWS_WORTH_A_PROCESS: Final = 400_000
"""Fewer are judged sooner than another process has started."""


@dataclass
class Run:
    """What the rules said of the whole history.

    ``events`` are all changes of all alarms in order of time, for figures of alarm performance.
    ``rules_s`` is the time spent in the rules, added up over processes.
    """

    alarms: list[Alarm] = field(default_factory=list)
    tickets: list[Ticket] = field(default_factory=list)
    events: list[AlarmEvent] = field(default_factory=list)
    late_frames: int = 0
    rules_s: float = 0.0
    processes: int = 1
    exposure: Exposure = field(default_factory=lambda: Exposure({}))


@dataclass(frozen=True)
class _Part:
    """The work of one process."""

    sites: tuple[Site, ...]
    settings: Overrides
    own_rules: tuple[OwnRule, ...]
    rows: dict[tuple[str, str], int]
    samples: Samples
    actions: tuple[Action, ...]
    start_ms: int
    end_ms: int
    close_after_ms: int


def run(
    folder: Folder,
    *,
    close_after_ms: int = CLOSE_AFTER_MS,
    processes: int | None = None,
    progress: Callable[[int, int], None] = lambda _done, _total: None,
) -> Run:
    """Run the history; ``progress`` is told how many of how many rows are judged.

    ``processes`` limits how many work at once; None leaves it to the machine and the amount.
    """
    samples, sites = folder.samples, folder.plant.sites
    most = processes or min(os.cpu_count() or 1, 1 + len(samples) // _ROWS_WORTH_A_PROCESS)
    groups = _shares(folder, min(most, len(sites)))
    whole = _Part(
        sites, folder.plant.settings, folder.plant.rules, folder.rows, samples, folder.service,
        int(samples.arrived_ms[0]), int(samples.arrived_ms[-1]) + CLOCK_STEP_MS, close_after_ms,
    )  # fmt: skip
    if len(groups) == 1:
        results = [_play(whole, lambda done: progress(done, len(samples)))]
    else:
        results = _in_processes(whole, groups, progress)
    done = _joined(results)
    done.processes = len(groups)
    names = {row: key for key, row in folder.rows.items()}
    done.exposure = Exposure({names[row]: span for row, span in samples.watched_ms().items()})
    return done


def _shares(folder: Folder, n: int) -> list[tuple[Site, ...]]:
    """The sites in ``n`` groups of about as many units."""
    groups: list[list[Site]] = [[] for _ in range(n)]
    for site in sorted(folder.plant.sites, key=lambda s: -len(s.units)):
        min(groups, key=lambda g: sum(len(s.units) for s in g)).append(site)
    return [tuple(group) for group in groups if group]


def _play(part: _Part, progress: Callable[[int], None]) -> Run:
    from rules.engine import Engine  # noqa: PLC0415 - the rules take a while to import
    from rules.faults.registry import SLUGS  # noqa: PLC0415 - as above
    from rules.plan import FleetPlan  # noqa: PLC0415 - as above

    plan = FleetPlan.build(part.sites, part.rows, part.settings, rules=part.own_rules)
    engine = Engine(plan)
    ledger = Ledger(
        {row: key for key, row in part.rows.items()}, SLUGS, close_after_ms=part.close_after_ms
    )
    result = Run()

    def take(step: StepResult) -> None:
        result.late_frames += step.late_frames
        ledger.take(step.events)

    began_s = time.perf_counter()
    playback = Playback(
        engine, take, clock_step_ms=CLOCK_STEP_MS, ticks_a_call=TICKS_A_CALL,
        refusals=part.samples.refusals(), actions=part.actions,
    )  # fmt: skip
    playback.clock_to(part.start_ms // CLOCK_STEP_MS * CLOCK_STEP_MS)
    done = 0
    for batch, arrived_ms in part.samples.batches():
        playback.feed(batch, arrived_ms)
        done += len(batch)
        progress(done)
    playback.clock_to(part.end_ms // CLOCK_STEP_MS * CLOCK_STEP_MS)
    ledger.finish(part.end_ms)
    result.rules_s = time.perf_counter() - began_s
    result.alarms, result.tickets, result.events = ledger.alarms, ledger.tickets, ledger.events
    return result


# ---------------------------------------------------------------- processes

_progress: Any = None
"""In a worker: rows judged, by part; shared with the process that asked."""


def _start_worker(shared: Any) -> None:
    global _progress  # noqa: PLW0603 - the one way to hand shared memory to a worker of a pool
    _progress = shared
    asked_by = multiprocessing.parent_process()
    if asked_by is not None:
        Thread(target=_end_with, args=(asked_by,), daemon=True).start()


def _end_with(asked_by: BaseProcess) -> None:
    """Nobody is left to take the result of a worker whose asker was killed: so it ends too."""
    asked_by.join()
    os._exit(1)


def _work(part: _Part, at: int) -> Run:
    def progress(done: int) -> None:
        _progress[at] = done

    return _play(part, progress)


def _in_processes(
    whole: _Part, groups: Sequence[tuple[Site, ...]], progress: Callable[[int, int], None]
) -> list[Run]:
    # A fresh interpreter each: a fork would copy locks that threads of this one may hold.
    context = multiprocessing.get_context("spawn")
    shared = context.Array("q", len(groups), lock=False)
    with ProcessPoolExecutor(
        len(groups), mp_context=context, initializer=_start_worker, initargs=(shared,)
    ) as pool:
        waiting = set()
        futures = []
        for at, sites in enumerate(groups):
            rows = [whole.rows[site.id, unit.id] for site in sites for unit in site.units]
            samples = whole.samples.of_sites(
                {site.id for site in sites}, np.array(rows, dtype=np.int32)
            )
            mine = tuple(action for action in whole.actions if action.unit_row in rows)
            part = replace(whole, sites=sites, samples=samples, actions=mine)
            futures.append(pool.submit(_work, part, at))
            waiting.add(futures[-1])
        while waiting:
            _, waiting = wait(waiting, timeout=0.5)
            progress(sum(shared), len(whole.samples))
        return [future.result() for future in futures]


def _joined(results: Sequence[Run]) -> Run:
    """All parts as one, in order of time; tickets are numbered through."""
    joined = Run()
    for part in results:
        joined.alarms += part.alarms
        joined.tickets += part.tickets
        joined.events += part.events
        joined.late_frames += part.late_frames
        joined.rules_s += part.rules_s
    joined.alarms.sort(key=lambda a: (a.raised_ms, a.site, a.unit, a.fault))
    joined.tickets.sort(key=lambda t: (t.opened_ms, t.site, t.unit, t.fault))
    joined.events.sort(key=lambda e: (e.time_ms, e.unit_row))
    for number, ticket in enumerate(joined.tickets, start=1):
        ticket.number = number
    return joined
