"""Who has the duty of a rotation at a moment: turns, hand-overs by the local clock, overrides.

A moment is UTC, ms since 1970; hand-overs happen by the clock on the wall of the rotation's time
zone, so a turn that spans a change to or from daylight saving is an hour shorter or longer. A
hand-over at a time that the clock skips comes as much later as the clock jumps; at a time that the
clock shows twice it comes the first time (Python's rule for ``fold`` 0, PEP 495).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

__all__ = ["Duty", "Override", "Rotation", "duties", "local_ms", "on_duty"]

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MS: Final = timedelta(milliseconds=1)


class Duty(NamedTuple):
    """``person`` has the duty from ``from_ms`` until ``until_ms``, which is not his any more."""

    person: str
    from_ms: int
    until_ms: int
    by_override: bool = False


@dataclass(frozen=True)
class Override:
    """``person`` takes the duty for a time. Of two at once the later written holds."""

    person: str
    from_ms: int
    until_ms: int


@dataclass(frozen=True)
class Rotation:
    """People who take turns of ``days`` days; the first takes over on ``first`` at ``hand_over``.

    Before that day turns are counted backwards in the same order, so the answer never is nobody.
    """

    name: str
    people: tuple[str, ...]
    zone: ZoneInfo
    first: date
    hand_over: time
    days: int = 7
    overrides: tuple[Override, ...] = ()

    def __post_init__(self) -> None:
        """``ValueError`` for a rotation of nobody or of no days."""
        if not self.people or self.days < 1:
            msg = f"rotation '{self.name}' needs one person and one day at least"
            raise ValueError(msg)

    def begins_ms(self, turn: int) -> int:
        """When a turn begins; turn 0 is the first one."""
        return local_ms(self.first + timedelta(days=turn * self.days), self.hand_over, self.zone)

    def turn_at(self, at_ms: int) -> int:
        """The number of the turn that this moment is in."""
        local = _utc(at_ms).astimezone(self.zone)
        turn = (local.date() - self.first).days // self.days
        while self.begins_ms(turn) > at_ms:
            turn -= 1
        while self.begins_ms(turn + 1) <= at_ms:
            turn += 1
        return turn

    def person_of(self, turn: int) -> str:
        """Whose turn it is, overrides aside."""
        return self.people[turn % len(self.people)]


def local_ms(day: date, clock: time, zone: ZoneInfo) -> int:
    """The moment at which the clock on the wall shows this, UTC in ms since 1970."""
    return (datetime.combine(day, clock, zone).astimezone(UTC) - _EPOCH) // _MS


def on_duty(rotation: Rotation, at_ms: int) -> Duty:
    """Who has the duty at this moment, since when and until when (the next change of any kind)."""
    turn = rotation.turn_at(at_ms)
    edges = [rotation.begins_ms(turn), rotation.begins_ms(turn + 1)]
    edges += [edge for o in rotation.overrides for edge in (o.from_ms, o.until_ms)]
    holder = _holder(rotation, at_ms)
    return Duty(
        holder.person if holder else rotation.person_of(turn),
        max(edge for edge in edges if edge <= at_ms),
        min(edge for edge in edges if edge > at_ms),
        holder is not None,
    )


def duties(rotation: Rotation, from_ms: int, until_ms: int) -> Iterator[Duty]:
    """The duties of a range, in order and without a gap; one ends where the person changes."""
    held: Duty | None = None
    at_ms = from_ms
    while at_ms < until_ms:
        duty = on_duty(rotation, at_ms)
        duty = duty._replace(from_ms=at_ms, until_ms=min(duty.until_ms, until_ms))
        at_ms = duty.until_ms
        if held and (held.person, held.by_override) == (duty.person, duty.by_override):
            held = held._replace(until_ms=duty.until_ms)
            continue
        if held:
            yield held
        held = duty
    if held:
        yield held


def _holder(rotation: Rotation, at_ms: int) -> Override | None:
    standing = [o for o in rotation.overrides if o.from_ms <= at_ms < o.until_ms]
    return standing[-1] if standing else None


def _utc(at_ms: int) -> datetime:
    return _EPOCH + at_ms * _MS
