"""What an operator does to many alarms, or units, at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from fastapi import Request

from gateway.board.board import Board
from gateway.overview.alarms import AlarmItem, alarm_items
from gateway.overview.source import Source
from gateway.records.audit import Acting
from rules.events import ActionKind

__all__ = ["ACTS", "LONGEST_NOTE", "ON_UNITS", "NothingDone", "Outcome", "Result", "act_on_alarms"]

LONGEST_NOTE: Final = 500
ACTS: Final = {
    "acknowledge": ActionKind.ACKNOWLEDGE,
    "shelve": ActionKind.SHELVE,
    "unshelve": ActionKind.UNSHELVE,
    "reset": ActionKind.RESET,
    "out-of-service": ActionKind.OUT_OF_SERVICE,
    "in-service": ActionKind.IN_SERVICE,
}
ON_UNITS: Final = frozenset({ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE})
_ON_ALARMS: Final = frozenset(ACTS.values())
_CLOCKS_APART_MS: Final = 60_000
"""A program's clock, and the time that a request takes."""
_NEEDS_REASON: Final = {ActionKind.SHELVE, ActionKind.OUT_OF_SERVICE}


@dataclass(frozen=True)
class Result:
    """What became of one pick; ``why`` it was left alone, '' where it was recorded."""

    pick: str
    why: str = ""


@dataclass(frozen=True)
class Outcome:
    """What became of what was asked."""

    kind: ActionKind
    results: tuple[Result, ...]

    @property
    def done(self) -> int:
        """How many were recorded."""
        return sum(not one.why for one in self.results)

    @property
    def refused(self) -> tuple[str, ...]:
        """In words, which were not."""
        return tuple(one.why for one in self.results if one.why)


class NothingDone(Exception):
    """Nothing of it can be done; the text says why."""


def act_on_alarms(
    source: Source,
    board: Board,
    request: Request,
    act: str,
    picks: Sequence[str],
    note: str,
    until_ms: int,
) -> Outcome:
    """Ask for an act on each of the alarms that are picked; those that changed are left alone.

    It is one transaction, so where the records cannot be written nothing of it is recorded. An
    alarm for which an act is on its way already is left alone too: what comes of it, nobody has
    seen.

    A pick is 'site/unit/fault/changed_ms' as :attr:`AlarmItem.key` has it, or 'site/unit' for what
    is done to units. ``until_ms`` ends a shelf or the time out of service, 0 for no end. Raises
    :class:`NothingDone` where nothing of it can be done.
    """
    kind = ACTS.get(act)
    if kind is None:
        msg = "Choose what is to be done."
        raise NothingDone(msg)
    picks = [pick for pick in picks if pick.count("/") in ((1, 3) if kind in ON_UNITS else (3,))]
    if not picks:
        msg = "No alarm was chosen. Tick the alarms that you mean, then try again."
        raise NothingDone(msg)
    if kind in _NEEDS_REASON and not note:
        msg = "Give a reason: whoever comes after you must know why. Nothing was changed."
        raise NothingDone(msg)
    if kind is ActionKind.SHELVE and not until_ms:
        msg = "Say for how long. A shelved alarm comes back by itself."
        raise NothingDone(msg)
    if kind in ON_UNITS:
        return _on_units(board, request, kind, picks, note, until_ms)
    with board.acting(request) as acting:
        # Read in the transaction that writes: else of two who act at once both would be told that
        # it was recorded.
        by_place: dict[tuple[str, str, str], AlarmItem] = {
            (a.site, a.unit, a.fault): a for a in alarm_items(source)
        }
        results = [
            Result(pick, _on_alarm(source, board, acting, kind, by_place, pick, note, until_ms))
            for pick in dict.fromkeys(picks)
        ]
    return Outcome(kind, tuple(results))


def _on_alarm(
    source: Source,
    board: Board,
    acting: Acting,
    kind: ActionKind,
    by_place: Mapping[tuple[str, str, str], AlarmItem],
    pick: str,
    note: str,
    until_ms: int,
) -> str:
    """Ask for the act on one alarm; why it was left alone, '' where it was recorded."""
    parts = pick.split("/")
    item = by_place.get((parts[0], parts[1], parts[2]))
    if why := _in_the_way(item, kind, parts, source):
        return why
    assert item is not None  # noqa: S101 - else something is in the way
    until_ms = until_ms if kind is ActionKind.SHELVE else 0
    if kind is ActionKind.SHELVE:
        place = f"{item.title}, {item.place}"
        longest_ms = source.names.longest_shelf_ms(item.site, item.unit)
        if until_ms <= acting.now_ms:
            return f"{place}: the end of the shelf is over by now."
        if until_ms > acting.now_ms + longest_ms + _CLOCKS_APART_MS:
            days = longest_ms / 86_400_000
            return (
                f"{place}: a shelf lasts {days:.3g} days at most (longest_shelf_s). Choose a "
                "shorter time; what takes longer is out of service."
            )
        until_ms = min(until_ms, acting.now_ms + longest_ms)  # as the rules end it
    if why := board.records.what_hinders(
        kind, item.site, item.unit, fault=item.fault, until_ms=until_ms, now_ms=acting.now_ms
    ):
        return why
    board.records.request_action(
        kind, item.site, item.unit, by=acting.actor.shown_name, now_ms=acting.now_ms,
        fault=item.fault, note=note, until_ms=until_ms,
    )  # fmt: skip
    acting.note(
        f"alarm: {kind.value}", f"{item.site}/{item.unit}/{item.fault}",
        before={"state": item.state_words, "by": item.by, "note": item.note},
        after={"asked": kind.value, "note": note, "until_ms": until_ms},
    )  # fmt: skip
    return ""


def _in_the_way(
    item: AlarmItem | None, kind: ActionKind, parts: Sequence[str], source: Source
) -> str:
    """Why an alarm is left alone, '' where nothing is in the way."""
    if item is None:
        name = source.names.unit_concerned(parts[0], parts[1], parts[2])
        title = source.names.fault_title(parts[0], parts[1], parts[2])
        place = f"{source.names.site(parts[0])} / {name}" if name else source.names.site(parts[0])
        return f"{title}, {place}: it is normal by now."
    place = f"{item.title}, {item.place}"
    on_way = [a for a in item.asked if a.kind in _ON_ALARMS]
    if on_way:
        first = next((a for a in on_way if a.kind is kind), on_way[0])
        what = "it" if first.kind is kind else f"another act ({first.kind.value})"
        return f"{place}: {first.by} has just asked for {what}."
    if str(item.changed_ms) != parts[3]:
        by = f" by {item.by}" if item.by else ""
        return (
            f"{place}: it has changed since you looked; it is now {item.state_words.lower()}{by}."
        )
    if kind not in item.may:
        return f"{place}: not possible while it is {item.state_words.lower()}."
    return ""


def _on_units(
    board: Board,
    request: Request,
    kind: ActionKind,
    picks: Sequence[str],
    note: str,
    until_ms: int,
) -> Outcome:
    units = dict.fromkeys(tuple(p.split("/")[:2]) for p in picks)
    until_ms = until_ms if kind is ActionKind.OUT_OF_SERVICE else 0
    with board.acting(request) as acting:
        results = [
            Result(f"{site}/{unit}", _on_unit(board, acting, kind, site, unit, note, until_ms))
            for site, unit in units
        ]
    return Outcome(kind, tuple(results))


def _on_unit(
    board: Board, acting: Acting, kind: ActionKind, site: str, unit: str, note: str, until_ms: int
) -> str:
    """Ask for the act on one unit; why it was left alone, '' where it was recorded."""
    records, now_ms = board.records, acting.now_ms
    if why := records.what_hinders(kind, site, unit, until_ms=until_ms, now_ms=now_ms):
        return why
    held = records.held_out(site, unit, now_ms)
    records.request_action(
        kind, site, unit, by=acting.actor.shown_name, now_ms=now_ms, note=note, until_ms=until_ms
    )
    acting.note(
        f"unit: {kind.value}", f"{site}/{unit}",
        before={"out_of_service": None if held is None else dict(vars(held))},
        after={"asked": kind.value, "note": note, "until_ms": until_ms},
    )  # fmt: skip
    return ""
