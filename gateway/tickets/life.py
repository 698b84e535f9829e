"""A ticket's life: its phases, and who moves it from which to which by what.

One table, :data:`MOVES`; whatever is not in it is refused with a sentence that says what to do. The
alarm's own changes are decided at the desk (:mod:`gateway.tickets.desk`), which moves tickets by
this table too. Nothing here reads a clock or a database.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

__all__ = [
    "ENDED",
    "MOVES",
    "STANDING",
    "WHOSE",
    "Act",
    "LifeSettings",
    "Mover",
    "Presence",
    "TicketPhase",
    "may",
    "moved",
    "people_on_site",
    "present",
    "refusal",
]

HOUR_MS: Final = 3_600_000
STAY_MS: Final = 4 * HOUR_MS
"""How long a person on site is expected to stay where he does not say: half a shift."""
GRACE_MS: Final = HOUR_MS
"""How long a unit stays out of service after the reminder that it still is."""
LONGEST_STAY_MS: Final = 24 * HOUR_MS


class TicketPhase(StrEnum):
    """Where a ticket is in its life. Only a person closes it: what was found is worth knowing."""

    OPEN = "open"
    """Nobody has answered yet, or an answer is asked for again."""
    ACKNOWLEDGED = "acknowledged"
    ASSIGNED = "assigned"
    ON_SITE = "on site"
    """Somebody has reported to work on the unit; its alarms are out of service meanwhile."""
    WORK_DONE = "work done"
    """The unit is back in service; what was found is still to be written down."""
    CLOSED = "closed"
    """A person says that it is done; the data have not said so yet."""
    VERIFIED = "verified"
    """Closed, and the readings were normal for long enough since."""


STANDING: Final = frozenset(TicketPhase) - {TicketPhase.CLOSED, TicketPhase.VERIFIED}
ENDED: Final = frozenset({TicketPhase.CLOSED, TicketPhase.VERIFIED})


class Act(StrEnum):
    """What moves a ticket, in words that complete 'to ...'."""

    ACKNOWLEDGE = "acknowledge it"
    ASSIGN = "assign it"
    ARRIVE = "report somebody on site"
    LEAVE = "report that somebody has left"
    FINISH = "report the work done"
    CLOSE = "close it"
    ASK_AGAIN = "ask for an answer again"
    DISAGREE = "reopen it"
    VERIFY = "verify it"


class Mover(StrEnum):
    """Who acts."""

    PERSON = "a person"
    ALARM = "the alarm"
    DATA = "the data"


WHOSE: Final[dict[Act, Mover]] = {
    Act.ACKNOWLEDGE: Mover.PERSON,
    Act.ASSIGN: Mover.PERSON,
    Act.ARRIVE: Mover.PERSON,
    Act.LEAVE: Mover.PERSON,
    Act.FINISH: Mover.PERSON,
    Act.CLOSE: Mover.PERSON,
    Act.ASK_AGAIN: Mover.ALARM,
    Act.DISAGREE: Mover.DATA,
    Act.VERIFY: Mover.DATA,
}

_P = TicketPhase
MOVES: Final[dict[tuple[TicketPhase, Act], TicketPhase]] = {
    (_P.OPEN, Act.ACKNOWLEDGE): _P.ACKNOWLEDGED,
    (_P.OPEN, Act.ASSIGN): _P.ASSIGNED,
    (_P.OPEN, Act.ARRIVE): _P.ON_SITE,
    (_P.OPEN, Act.CLOSE): _P.CLOSED,
    (_P.OPEN, Act.ASK_AGAIN): _P.OPEN,
    (_P.ACKNOWLEDGED, Act.ACKNOWLEDGE): _P.ACKNOWLEDGED,
    (_P.ACKNOWLEDGED, Act.ASSIGN): _P.ASSIGNED,
    (_P.ACKNOWLEDGED, Act.ARRIVE): _P.ON_SITE,
    (_P.ACKNOWLEDGED, Act.CLOSE): _P.CLOSED,
    (_P.ACKNOWLEDGED, Act.ASK_AGAIN): _P.OPEN,
    (_P.ASSIGNED, Act.ACKNOWLEDGE): _P.ASSIGNED,
    (_P.ASSIGNED, Act.ASSIGN): _P.ASSIGNED,
    (_P.ASSIGNED, Act.ARRIVE): _P.ON_SITE,
    (_P.ASSIGNED, Act.CLOSE): _P.CLOSED,
    (_P.ASSIGNED, Act.ASK_AGAIN): _P.OPEN,
    # Whoever works on the machine is not called away from it: what the alarm says is noted.
    (_P.ON_SITE, Act.ACKNOWLEDGE): _P.ON_SITE,
    (_P.ON_SITE, Act.ARRIVE): _P.ON_SITE,
    (_P.ON_SITE, Act.LEAVE): _P.ASSIGNED,
    (_P.ON_SITE, Act.FINISH): _P.WORK_DONE,
    (_P.ON_SITE, Act.CLOSE): _P.CLOSED,
    (_P.ON_SITE, Act.ASK_AGAIN): _P.ON_SITE,
    (_P.WORK_DONE, Act.ACKNOWLEDGE): _P.WORK_DONE,
    (_P.WORK_DONE, Act.ASSIGN): _P.ASSIGNED,
    (_P.WORK_DONE, Act.ARRIVE): _P.ON_SITE,
    (_P.WORK_DONE, Act.CLOSE): _P.CLOSED,
    (_P.WORK_DONE, Act.ASK_AGAIN): _P.OPEN,
    (_P.WORK_DONE, Act.DISAGREE): _P.OPEN,
    (_P.CLOSED, Act.DISAGREE): _P.OPEN,
    (_P.CLOSED, Act.VERIFY): _P.VERIFIED,
    (_P.VERIFIED, Act.DISAGREE): _P.OPEN,
}
"""Phase and act to the phase after; a pair that is not listed is refused."""


@dataclass(frozen=True)
class LifeSettings:
    """How the data judge a repair.

    ``hand_back_ms``: within this time after the work is done the readings must show that the
    machine does its work again, else the technician is told: 20 min, for a pump and fans settle in
    minutes and the basin fills by some centimetres (common practice). ``verify_ms``: so much data
    with normal readings verifies a closed ticket. ``reopen_within_ms``: the same alarm raised
    within this time of the close-out reopens the ticket, later it opens a new one.
    """

    hand_back_ms: int = 20 * 60_000
    verify_ms: int = 2 * HOUR_MS
    reopen_within_ms: int = 72 * HOUR_MS


@dataclass(frozen=True)
class Presence:
    """A person who has reported on site, and since when (UTC, ms since 1970)."""

    by: str
    since_ms: int


def may(phase: TicketPhase, act: Act) -> bool:
    """Whether the table has this move."""
    return (phase, act) in MOVES


def moved(phase: TicketPhase, act: Act, *, assignee: str = "") -> TicketPhase:
    """The phase after the act; ``KeyError`` where the table does not have it.

    A ticket that somebody was assigned to goes back to him when it is acknowledged.
    """
    after = MOVES[phase, act]
    if after is TicketPhase.ACKNOWLEDGED and assignee:
        return TicketPhase.ASSIGNED
    return after


def refusal(number: str, phase: TicketPhase, act: Act, who: str = "") -> str:
    """Why the act is not possible in this phase, and what to do instead, as a sentence.

    ``who`` closed the ticket, or is on site.
    """
    by = f", by {who}" if who else ""
    named = who or "Somebody"
    match act:
        case _ if phase in ENDED and WHOSE[act] is Mover.PERSON:
            why = f"Ticket {number} was closed before{by}."
            if act is not Act.CLOSE:
                why += " If the trouble is back, its alarm reopens it or opens a new one."
        case Act.ASSIGN:
            why = (
                f"{named} is on site for ticket {number}. Assign it when the work is done or "
                "everybody has left."
            )
        case Act.LEAVE:
            why = f"Nobody has reported to be on site for ticket {number}."
        case Act.FINISH:
            why = (
                f"Nobody has reported to be on site for ticket {number}, which is {phase.value}. "
                "Report the arrival first, or close the ticket with what was found."
            )
        case Act.VERIFY:
            why = f"Ticket {number} is {phase.value}: the data verify what a person has closed."
        case Act.DISAGREE:
            why = f"Ticket {number} is {phase.value}: there is nothing to reopen."
        case _:
            why = f"Ticket {number} is {phase.value}; it is not possible to {act.value}."
    return f"{why} Nothing was changed."


def people_on_site(data: Mapping[str, Any] | None) -> tuple[Presence, ...]:
    """Who has reported on site, from how the records keep it; nobody for None."""
    rows = data.get("people") if data else None
    return tuple(
        Presence(str(row["by"]), int(row["since_ms"]))
        for row in (rows if isinstance(rows, list) else ())
        if isinstance(row, dict) and {"by", "since_ms"} <= row.keys()
    )


def present(people: tuple[Presence, ...], by: str) -> Presence | None:
    """The one of those on site who has this name, however it is spaced and written."""
    wanted = _plain(by)
    return next((one for one in people if _plain(one.by) == wanted), None)


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()
