"""Keeps what people see of each unit in the records: how it runs, and each reading's expectation.

Latest values, learned baselines and running states are in the rules' memory, which the board, a
process of its own, cannot look into. So every few seconds some units are looked at, those whose
turn is longest ago, and when each unit was heard is written for all that were heard since. The
rules pause for some tens of milliseconds at most, however large the fleet.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from typing import Final, Protocol, TypeVar

import numpy as np

from gateway.records.records import Records
from gateway.records.trouble import RecordsError
from gateway.records.unit_looks import UnitLookRow
from gateway.rules_step import RulesEngine
from rules.expected import live_readings, running_state

__all__ = ["UnitLooks"]

log = logging.getLogger(__name__)

_T = TypeVar("_T")
_LOOK_WITHIN_S: Final = 5.0
AT_ONCE: Final = 60
"""Units looked at in one pause of the rules: about as many milliseconds at most."""
HEARD_EVERY_MS: Final = 15_000
"""How often the times at which units were heard are written: a fleet's is one statement."""


class Ask(Protocol):
    """How the rules' memory is asked; :meth:`gateway.rules_reader.RulesReader.ask` is one."""

    def __call__(self, what: Callable[[RulesEngine], _T], /) -> Future[_T]:
        """What ``what`` makes of the engine, between two steps."""
        ...


class UnitLooks:
    """Writes looks at units. :meth:`run` is called now and then, by one thread at a time.

    ``rows`` gives the rows of the units that are configured now.
    """

    def __init__(
        self,
        records: Records,
        ask: Ask,
        rows: Callable[[], list[int]],
        clock_ms: Callable[[], int],
    ) -> None:
        """Nothing is looked at yet."""
        self._records = records
        self._ask = ask
        self._rows = rows
        self._clock_ms = clock_ms
        self._looked: dict[int, int] = {}
        self._heard: dict[int, int] = {}
        self._heard_ms: int | None = None

    def run(self) -> None:
        """Look at the units whose turn it is; what cannot be done now is done the next time."""
        try:
            self._look()
        except RecordsError as error:
            # The rules reader, which needs them every second, tells of their outage.
            log.debug("What is shown of the units waits: %s", error)
        except TimeoutError:
            log.debug("What is shown of the units waits: the rules are busy.")

    def _look(self) -> None:
        now_ms = self._clock_ms()
        rows = self._rows()
        heard = self._ask(partial(_heard, rows=rows)).result(_LOOK_WITHIN_S)
        # What came since its last look first; of these the one that waits longest.
        due = [row for row in rows if heard.get(row, 0) != self._looked.get(row)]
        due = sorted(due, key=lambda row: self._looked.get(row, -1))[:AT_ONCE]
        looks = self._ask(partial(_looks, rows=due, now_ms=now_ms)).result(_LOOK_WITHIN_S)
        self._records.write_unit_looks(looks)
        for look in looks:
            self._looked[look.unit_row] = self._heard[look.unit_row] = look.heard_ms
        # The clock may be set back.
        if self._heard_ms is None or not 0 <= now_ms - self._heard_ms < HEARD_EVERY_MS:
            news = {r: ms for r, ms in heard.items() if ms and self._heard.get(r) != ms}
            self._records.write_units_heard(news)
            self._heard |= news
            self._heard_ms = now_ms


def _heard(engine: RulesEngine, rows: list[int]) -> dict[int, int]:
    """When the newest frame of each unit was measured. Done in the rules' own thread."""
    look = next((found for row in rows if (found := engine.look(row)) is not None), None)
    if look is None:
        return {}
    at_ms = look.state.frame_ms
    known = np.array([row for row in rows if row < len(at_ms)], dtype=np.int64)
    return dict(zip(known.tolist(), at_ms[known].tolist(), strict=True))


def _looks(engine: RulesEngine, rows: list[int], now_ms: int) -> list[UnitLookRow]:
    found = []
    for row in rows:
        look = engine.look(row)
        if look is not None:
            heard_ms = int(look.state.frame_ms[row])
            found.append(
                UnitLookRow(row, heard_ms, now_ms, running_state(look), live_readings(look))
            )
    return found
