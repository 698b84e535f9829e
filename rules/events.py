"""What the rules say: alarm events, each with the evidence that a person can check.

Plain frozen data, made only when an alarm changes (never for each unit at each step), readable as
JSON and back, so that the record of an alarm stays readable when the rules change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rules.condition.figures import PartCondition

__all__ = [
    "Action",
    "ActionKind",
    "AlarmEvent",
    "AlarmState",
    "BaselineChange",
    "Cause",
    "Change",
    "Evidence",
    "Reading",
    "Refusal",
    "RefusalKind",
    "Severity",
    "StepResult",
]


class Severity(IntEnum):
    """How soon something must be done: planned work, this week, today."""

    NONE = 0
    LOW = 1
    MEDIUM = 2
    HIGH = 3


class AlarmState(IntEnum):
    """The states of an alarm (ISA-18.2 / IEC 62682).

    Shelved, suppressed by design and out of service stand in place of the process states while
    they last; the alarm then makes no ticket.
    """

    NORMAL = 0
    UNACKNOWLEDGED = 1
    ACKNOWLEDGED = 2
    RETURNED_UNACKNOWLEDGED = 3
    LATCHED_UNACKNOWLEDGED = 4
    LATCHED_ACKNOWLEDGED = 5
    SHELVED = 6
    SUPPRESSED = 7
    OUT_OF_SERVICE = 8


class Change(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    WORSENED = "worsened"
    RETURNED = "returned to normal"
    ACKNOWLEDGED = "acknowledged"
    ANNOUNCED_AGAIN = "announced again"
    RESET = "reset"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed by design"
    UNSUPPRESSED = "no longer suppressed"
    OUT_OF_SERVICE = "out of service"
    IN_SERVICE = "returned to service"


@dataclass(frozen=True)
class Reading:
    """One line of evidence: a measured or derived quantity against what was expected.

    ``expected``, ``low`` and ``high`` are None where there is no such thing. ``unit`` is a
    catalogue unit ('mm', 'A', '%', …). ``derived`` marks a value worked out, not measured.
    """

    quantity: str
    measured: float | None
    unit: str
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    note: str = ""
    derived: bool = False


@dataclass(frozen=True)
class Cause:
    """One possible cause of the symptom, how well it agrees, and what would decide.

    ``agreement`` is the share (0 to 1) of the deciding signs that fit. ``ruled_out`` causes are
    listed so that nobody looks for them again.
    """

    slug: str
    title: str
    agreement: float
    fits: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    to_decide: str = ""
    ruled_out: bool = False


@dataclass(frozen=True)
class Evidence:
    """Why an alarm stands: one sentence, the readings, the ranked causes, and what is not known.

    ``confidence`` is 0 to 1 and says how sure the rule is that the condition is real;
    ``time_left_s`` is None where it cannot be told; ``signals`` names the deciding signals, the
    ones worth a chart; ``limits`` says openly what the present signals cannot tell apart.
    """

    summary: str
    confidence: float
    readings: tuple[Reading, ...] = ()
    causes: tuple[Cause, ...] = ()
    signals: tuple[str, ...] = ()
    time_left_s: float | None = None
    time_left_to: str = ""
    limits: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The evidence as plain JSON data."""
        # By hand: `asdict` copies deeply, which costs more than all else of a large commit.
        return {
            **vars(self),
            "readings": tuple(dict(vars(r)) for r in self.readings),
            "causes": tuple(dict(vars(c)) for c in self.causes),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Evidence:
        """The evidence read back from :meth:`to_json`."""
        fields = dict(data)
        fields["readings"] = tuple(Reading(**r) for r in data.get("readings", ()))
        fields["causes"] = tuple(
            Cause(**{**c, "fits": tuple(c["fits"]), "against": tuple(c["against"])})
            for c in data.get("causes", ())
        )
        fields["signals"] = tuple(data.get("signals", ()))
        fields["limits"] = tuple(data.get("limits", ()))
        return cls(**fields)


@dataclass(frozen=True)
class AlarmEvent:
    """One change of one alarm.

    ``unit_row`` is the unit's row (its number in the unit register), ``fault`` the catalogue slug,
    ``time_ms`` the event's time (UTC, ms since 1970: the sample's own time, or the receiver's clock
    for faults judged by silence), ``onset_ms`` when the condition was first seen. ``state`` is the
    state after the change. ``evidence`` comes with RAISED and WORSENED. ``by`` and ``note`` name
    the person for an operator's action.
    """

    unit_row: int
    fault: str
    time_ms: int
    change: Change
    state: AlarmState
    severity: Severity
    onset_ms: int
    evidence: Evidence | None = None
    by: str = ""
    note: str = ""


@dataclass(frozen=True)
class BaselineChange:
    """A baseline that was learned, relearned, or reset (``value`` None)."""

    unit_row: int
    quantity: str
    mode: str
    value: float | None
    spread: float | None
    count: int
    time_ms: int
    unit: str = ""


@dataclass(frozen=True)
class StepResult:
    """All that one step of the rules produced, in order of time.

    ``late`` counts the late frames by unit row and UTC day of their own time (days since 1970).
    """

    events: tuple[AlarmEvent, ...] = field(default=())
    baselines: tuple[BaselineChange, ...] = field(default=())
    late_frames: int = 0
    conditions: tuple[PartCondition, ...] = field(default=())
    late: Mapping[tuple[int, int], int] = field(default_factory=dict)


class ActionKind(StrEnum):
    """What an operator can do to an alarm, a unit or a baseline."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out of service"
    IN_SERVICE = "return to service"
    RESET = "reset"
    CLEANED = "cleaning closed out"
    PROVEN = "cleaning proven"
    RESET_BASELINE = "reset baseline"
    FREEZE_BASELINE = "freeze baseline"
    RELEASE_BASELINE = "release baseline"


@dataclass(frozen=True)
class Action:
    """One action of a person, as it enters the journal among the samples.

    ``fault`` is empty where the action is on the whole unit; ``until_ms`` limits a shelf or an
    out-of-service period (0: until a person ends it, only allowed for out of service). ``parts``
    are the cleaned parts (:data:`rules.state.CLEANABLE_PARTS`), or those whose baselines are
    meant; empty: all.
    """

    id: int
    kind: ActionKind
    unit_row: int
    fault: str
    time_ms: int
    by: str
    note: str = ""
    until_ms: int = 0
    parts: tuple[str, ...] = ()


class RefusalKind(StrEnum):
    """What was wrong with something that the gateway refused, as far as the rules judge it."""

    RANGE = "out of range"
    CLOCK = "time stamp"
    UNREGISTERED = "unregistered unit"


@dataclass(frozen=True)
class Refusal:
    """Something that was said of a unit and not taken in.

    ``received_ms`` is the receiver's time, ``time_ms`` the time that the sender gave (UTC, ms since
    1970; 0 where it gave none). ``signal`` and ``value`` (in the catalogue's unit) tell which
    reading a refusal for its range was about.
    """

    kind: RefusalKind
    received_ms: int
    site: str
    unit: str
    time_ms: int = 0
    signal: str = ""
    value: float = 0.0
