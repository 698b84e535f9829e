"""What programs may ask to be done: the bodies of the acts, and what is answered to them."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Literal

from pydantic import Field

from gateway.board.acts.alarms import LONGEST_NOTE
from gateway.board.acts.tickets import LONGEST as LONGEST_REPORT
from gateway.board.acts.visits import LONGEST as LONGEST_REASON
from gateway.board.api.terms import Ask, Fact, Moment
from gateway.tickets.life import LONGEST_STAY_MS
from rules.lessons import PartVerdict

__all__ = [
    "ActedOn", "ActedOnAlarms", "AlarmsAct", "Arrive", "AssignTicket", "CloseTicket", "EndWish",
    "Finish", "Leave", "Planned", "TicketAct", "UnitAct", "VisitAct",
]  # fmt: skip

Id = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^/]+$")]
Note = Annotated[str, Field(max_length=LONGEST_REPORT)]
LONGEST_STAY_H: Final = LONGEST_STAY_MS // 3_600_000


class SeenAlarm(Ask):
    """An alarm as the caller has seen it."""

    site: Id
    unit: Id
    fault: Id
    seen: Annotated[str, Field(min_length=1, max_length=32, pattern=r"^[0-9]+$")]
    """As the list of alarms had it."""


class AlarmsAct(Ask):
    """What is to be done to alarms."""

    act: Literal["acknowledge", "shelve", "unshelve", "reset"]
    alarms: list[SeenAlarm] = Field(min_length=1, max_length=500)
    note: Annotated[str, Field(max_length=LONGEST_NOTE)] = ""
    """To shelve needs a reason."""
    until: Moment | None = None
    """When a shelf ends by itself; to shelve needs it."""


class ActedOn(Fact):
    """What became of one of them."""

    subject: str
    """`site/unit/fault`, or `site/unit`."""
    recorded: bool
    """The gateway takes it over within seconds."""
    why: str
    """Why it was left alone; empty where it was recorded."""


class ActedOnAlarms(Fact):
    """What became of each."""

    recorded: int
    items: list[ActedOn]


class UnitAct(Ask):
    """Take a unit's alarms out of service, or return them. This isolates no machine."""

    act: Literal["out-of-service", "in-service"]
    note: Annotated[str, Field(max_length=LONGEST_NOTE)] = ""
    """Out of service needs a reason."""
    until: Moment | None = None
    """When it ends by itself; null: when a person ends it."""


class AcknowledgeTicket(Ask):
    """Somebody has seen it."""

    act: Literal["acknowledge"]
    note: Note = ""


class AssignTicket(Ask):
    """It is somebody's."""

    act: Literal["assign"]
    to: Annotated[str, Field(min_length=1, max_length=100)]
    note: Note = ""


class Arrive(Ask):
    """The caller works on the unit: its alarms go out of service. This isolates no machine."""

    act: Literal["arrive"]
    stay_h: Annotated[float, Field(gt=0, le=LONGEST_STAY_H)] = 4.0
    """For how long. [h]"""
    note: Note = ""


class Leave(Ask):
    """The caller has left before the work was done, or another who cannot report it himself."""

    act: Literal["leave"]
    whom: Annotated[str, Field(max_length=100)] = ""
    """Who has left, as `on_site` names him; empty for the caller. It takes off nobody's lock."""
    is_clear: bool = False
    """The caller confirms that `whom` is clear of the machine; `whom` needs it."""
    note: Note = ""


class Finish(Ask):
    """The work is done; what the readings show is judged from then on."""

    act: Literal["finish"]
    note: Note = ""


class TakenReading(Ask):
    """A reading before and after the work."""

    what: Annotated[str, Field(min_length=1, max_length=80)]
    """A signal of the catalogue, or any other name."""
    unit: Annotated[str, Field(max_length=20)] = ""
    before: Annotated[float, Field(allow_inf_nan=False)] | None = None
    after: Annotated[float, Field(allow_inf_nan=False)] | None = None


class PartFound(Ask):
    """What was found at one part."""

    part: Annotated[str, Field(min_length=1, max_length=40)]
    found: Annotated[str, Field(min_length=1, max_length=LONGEST_REPORT)]
    done: Note = ""
    parts_used: Note = ""
    readings: list[TakenReading] = Field(default=[], max_length=50)
    verdict: PartVerdict | None = None
    """Whether that is what the ticket told; null where nobody says."""


class CloseTicket(Ask):
    """Close it, with what was found."""

    act: Literal["close"]
    finding: Note = ""
    findings: list[PartFound] = Field(default=[], max_length=50)
    cleaned: list[Annotated[str, Field(max_length=40)]] = Field(default=[], max_length=20)
    """Parts that were cleaned: what is normal is learned anew once the readings prove it."""


class AddNote(Ask):
    """Add a note."""

    act: Literal["note"]
    note: Annotated[str, Field(min_length=1, max_length=LONGEST_REPORT)]


TicketAct = Annotated[
    AcknowledgeTicket | AssignTicket | Arrive | Leave | Finish | CloseTicket | AddNote,
    Field(discriminator="act"),
]


class VisitAct(Ask):
    """What a planner decides about a visit."""

    act: Literal["confirm", "cancel", "pin", "move", "split", "refuse"]
    """`confirm` and `cancel` send mail to the crew; the others are wishes for the next plan."""
    note: Annotated[str, Field(max_length=LONGEST_REASON)] = ""
    jobs: list[Annotated[str, Field(max_length=300)]] = Field(default=[], max_length=200)
    """Keys of the visit's jobs; none for all of them. To split needs some."""
    day: date | None = None
    """Where to move it."""
    crew: Annotated[str, Field(max_length=64)] = ""
    """To whom to move it."""
    until: date | None = None
    """Refuse it until then; null: on its day."""


class EndWish(Ask):
    """A wish that is to hold no longer."""

    wish: Annotated[int, Field(ge=1, le=999_999_999)]


class Planned(Fact):
    """What a new plan proposes."""

    proposed: list[str]
    """Numbers of visits."""
