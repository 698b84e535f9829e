"""After the work: what the readings say of a unit that was handed back, and of a closed ticket.

Every few seconds: whoever is on site for longer than he said is asked about; units that were
handed back are looked at until their readings show that they work, or the time for that is over;
closed tickets are watched until enough data are normal. The rules look (:mod:`rules.handback`), the
records keep what came of it, so a restart loses nothing and tells nobody twice.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Protocol, TypeVar

from gateway.display_units import format_quantity
from gateway.records.ticket_data import Course, HandBackSeen, Outcome, UnderCare
from gateway.records.ticket_life import TicketLife
from gateway.records.trouble import RecordsError
from gateway.rules_step import RulesEngine
from gateway.tickets.life import HOUR_MS, LifeSettings
from rules.events import Reading
from rules.handback import LEVEL, Answer, HandBackItem, hand_back, is_normal, is_proven
from rules.look import UnitLook
from rules.settings import FLEET

__all__ = ["Aftercare", "told_as"]

log = logging.getLogger(__name__)

_T = TypeVar("_T")
_LOOK_WITHIN_S: Final = 5.0
_AT_ONCE: Final = 100
"""Units looked at in one pause of the rules: about as many milliseconds."""
_WATCH_EVERY_MS: Final = 60_000
_URGENT: Final = (Answer.NOT_OK, Answer.NOT_KNOWN, Answer.OK)
_SURE_MS: Final = 5 * 60_000
"""A machine that shows all in order is watched for so long at least before it counts as proven."""


class Ask(Protocol):
    """How the rules' memory is asked; :meth:`gateway.rules_reader.RulesReader.ask` is one."""

    def __call__(self, what: Callable[[RulesEngine], _T], /) -> Future[_T]:
        """What ``what`` makes of the engine, between two steps."""
        ...


@dataclass(frozen=True)
class _Seen:
    """What one look at a ticket's unit showed."""

    items: tuple[HandBackItem, ...] | None
    level_mm: float | None
    normal: bool | None
    frame_ms: int
    longest_gap_ms: float


class Aftercare:
    """Keeps an eye on repairs. :meth:`run` is called now and then, by one thread at a time."""

    def __init__(
        self,
        records: TicketLife,
        ask: Ask,
        clock_ms: Callable[[], int],
        settings: LifeSettings,
    ) -> None:
        """``ask`` asks the rules."""
        self._records = records
        self._ask = ask
        self._clock_ms = clock_ms
        self._settings = settings
        self._watched_ms = 0

    def use(self, settings: LifeSettings) -> None:
        """Go by other settings from the next look on."""
        self._settings = settings

    def run(self) -> None:
        """Look at all that is due; what cannot be done now is done the next time."""
        try:
            self._records.remind(self._clock_ms())
            self._look()
        except RecordsError as error:
            # The rules reader, which needs them every second, tells of their outage.
            log.debug("Hand-backs and closed tickets wait: %s", error)
        except TimeoutError:
            log.debug("Hand-backs and closed tickets wait: the rules are busy.")

    def _look(self) -> None:
        now_ms = self._clock_ms()
        # The clock may be set back.
        watch = not 0 <= now_ms - self._watched_ms < _WATCH_EVERY_MS
        waiting = self._records.under_care()
        due = [t for t in waiting if t.hand_back_from_ms is not None or (t.watched and watch)]
        if watch:
            self._watched_ms = now_ms
        for start in range(0, len(due), _AT_ONCE):
            part = due[start : start + _AT_ONCE]
            looks = self._ask(partial(_looks, tickets=part)).result(_LOOK_WITHIN_S)
            pairs = list(zip(part, looks, strict=True))
            self._hand_backs([(t, s) for t, s in pairs if t.hand_back_from_ms is not None], now_ms)
            if watch:
                self._courses([(t, s) for t, s in pairs if t.watched], now_ms)

    def _hand_backs(self, pairs: Sequence[tuple[UnderCare, _Seen]], now_ms: int) -> None:
        seen = [self._hand_back(ticket, look, now_ms) for ticket, look in pairs]
        if seen:
            self._records.note_hand_backs(seen, now_ms)

    def _hand_back(self, ticket: UnderCare, seen: _Seen, now_ms: int) -> HandBackSeen:
        items = seen.items or ()
        proven = is_proven(items)
        passed_ms = now_ms - (ticket.hand_back_from_ms or now_ms)
        enough_ms = min(_SURE_MS, self._settings.hand_back_ms)
        over = passed_ms >= self._settings.hand_back_ms
        settled = over or (proven and passed_ms >= enough_ms)
        levels = [v for v in (ticket.lowest_mm, seen.level_mm) if v is not None]
        data: dict[str, Any] = {
            "items": [item.to_json() for item in items],
            "lowest_mm": min(levels) if levels else None,
            "looked_ms": now_ms,
            "proven": proven,
        }
        return HandBackSeen(ticket, data, settled, proven, _hand_back_note(items, proven))

    def _courses(self, pairs: Sequence[tuple[UnderCare, _Seen]], now_ms: int) -> None:
        courses = [self._course(ticket, look, now_ms) for ticket, look in pairs]
        # A ticket about which nothing new is known is not written.
        news = [
            c
            for c in courses
            if c.outcome is not Outcome.GOES_ON
            or (c.normal_ms, c.normal_to_ms) != (c.ticket.normal_ms, c.ticket.normal_to_ms)
        ]
        if news:
            self._records.note_courses(news, now_ms)

    def _course(self, ticket: UnderCare, seen: _Seen, now_ms: int) -> Course:
        normal_ms, to_ms = ticket.normal_ms, ticket.normal_to_ms
        if seen.normal is False:
            normal_ms, to_ms = 0, None
        elif seen.normal is None:
            to_ms = None  # what is not known counts neither way
        elif seen.frame_ms > ticket.closed_ms:
            step_ms = seen.frame_ms - to_ms if to_ms is not None else 0
            normal_ms += step_ms if 0 < step_ms <= seen.longest_gap_ms else 0
            to_ms = max(seen.frame_ms, to_ms or 0)
        hours = f"{normal_ms / HOUR_MS:.1f} h of data"
        if normal_ms >= self._settings.verify_ms:
            note = f"{hours} since the close-out without a sign of the fault."
            return Course(ticket, normal_ms, to_ms, Outcome.VERIFIED, note)
        passed_ms = now_ms - ticket.closed_ms
        if passed_ms < self._settings.reopen_within_ms:
            return Course(ticket, normal_ms, to_ms, Outcome.GOES_ON)
        after = f"{passed_ms / HOUR_MS:.0f} h after the close-out"
        if ticket.stands:
            note = f"The data disagree: {after} the alarm still stands."
            return Course(ticket, normal_ms, to_ms, Outcome.DISAGREES, note)
        wanted = f"{self._settings.verify_ms / HOUR_MS:g} h"
        note = f"{after} there are no more than {hours} that could show it; {wanted} are asked for."
        return Course(ticket, normal_ms, to_ms, Outcome.UNDECIDED, note)


def _looks(engine: RulesEngine, tickets: Sequence[UnderCare]) -> list[_Seen]:
    """Done in the rules' own thread, between two of their steps."""
    return [_seen(engine.look(ticket.unit_row), ticket) for ticket in tickets]


def _seen(look: UnitLook | None, ticket: UnderCare) -> _Seen:
    if look is None:
        return _Seen(None, None, None, 0, 0.0)
    items = None
    level: float | None = None
    if ticket.hand_back_from_ms is not None:
        items = hand_back(
            look,
            ticket.fault,
            since_ms=ticket.hand_back_from_ms,
            lowest_mm=ticket.lowest_mm,
            stands=ticket.stands,
        )
        levels = [i.reading for i in items if i.what == LEVEL]
        level = levels[0].measured if levels and levels[0] is not None else None
    normal = is_normal(look, ticket.fault, ticket.stands) if ticket.watched else None
    gap_ms = look.setting(FLEET, "longest_gap_s") * 1000.0
    return _Seen(items, level, normal, int(look.state.frame_ms[look.row]), gap_ms)


def _hand_back_note(items: Sequence[HandBackItem], proven: bool) -> str:
    if not items:
        return "Not proven: the unit is not known to the rules, so nobody can tell."
    if proven:
        return f"The readings show that it works: {'; '.join(told_as(item) for item in items)}."
    first = sorted(items, key=lambda item: (not item.sent, _URGENT.index(item.answer)))
    return f"Before you leave: {'; '.join(told_as(item) for item in first)}."


def told_as(item: HandBackItem) -> str:
    """One answer in words: 'Pump current: not ok, 2.10 A (2.60 A to 3.20 A expected)'."""
    text = f"{item.what}: {item.answer.value}"
    reading = item.reading
    if reading is not None and reading.measured is not None:
        text += f", {_shown(reading.measured, reading)}"
        if expected := _expected(reading):
            text += f" ({expected})"
    if item.why and item.answer is not Answer.OK:
        text += f"; {item.why}" if reading is not None else f" ({item.why})"
    return text


def _expected(reading: Reading) -> str:
    low, high = reading.low, reading.high
    if low is not None and high is not None:
        return f"{_shown(low, reading)} to {_shown(high, reading)} expected"
    if high is not None:
        return f"at most {_shown(high, reading)}"
    if low is not None:
        return f"at least {_shown(low, reading)}"
    return f"{_shown(reading.expected, reading)} expected" if reading.expected is not None else ""


def _shown(value: float, reading: Reading) -> str:
    if not reading.unit:
        return f"{value:g}"
    return format_quantity(value, reading.unit, "metric")
