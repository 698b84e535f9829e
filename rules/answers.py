"""What a person's action does to one alarm: the table of the life cycle, shelves, second calls.

One place for the alarms of the catalogue and those of a site's own rules.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from rules.alarms import HELD, Happening, next_state
from rules.events import Action, ActionKind, AlarmState, Change, Severity

__all__ = ["Answer", "answer", "why_not"]


class Answer(NamedTuple):
    """The state after the action, the change to record, and until when a time runs.

    ``until_ms`` is None where no time is set. Taking a healthy alarm out of service and back is no
    news (``is_news``).
    """

    after: AlarmState
    change: Change
    until_ms: int | None
    is_news: bool


def answer(
    before: AlarmState, severity: Severity, action: Action, setting: Callable[[str], float]
) -> Answer | None:
    """What ``action`` does to an alarm; None where it makes no sense now.

    ``setting`` gives a fleet-wide setting as it applies to the alarm's unit. A shelf lasts no
    longer than ``longest_shelf_s``; what is acknowledged is announced again after
    ``announce_again_*_s`` of its severity (0: never).
    """
    after, change = before, Change.ACKNOWLEDGED
    until_ms: int | None = None
    match action.kind:
        case ActionKind.ACKNOWLEDGE:
            after = next_state(before, Happening.ACKNOWLEDGE)
            if after is AlarmState.ACKNOWLEDGED:
                until_ms = _announce_again_ms(severity, action.time_ms, setting)
        case ActionKind.RESET:
            after, change = next_state(before, Happening.RESET), Change.RESET
        case ActionKind.SHELVE if before not in HELD and action.until_ms > action.time_ms:
            after, change = AlarmState.SHELVED, Change.SHELVED
            longest_ms = int(setting("longest_shelf_s") * 1000.0)
            until_ms = min(action.until_ms, action.time_ms + longest_ms)
        case ActionKind.UNSHELVE if before is AlarmState.SHELVED:
            after, change = AlarmState.NORMAL, Change.UNSHELVED
        case ActionKind.OUT_OF_SERVICE if before is not AlarmState.OUT_OF_SERVICE:
            after, change = AlarmState.OUT_OF_SERVICE, Change.OUT_OF_SERVICE
        case ActionKind.IN_SERVICE if before is AlarmState.OUT_OF_SERVICE:
            after, change = AlarmState.NORMAL, Change.IN_SERVICE
    if after is before:
        return None
    service = change in (Change.OUT_OF_SERVICE, Change.IN_SERVICE)
    quiet = service and AlarmState.NORMAL in (before, after) and not severity
    return Answer(after, change, until_ms, not quiet)


def why_not(before: AlarmState, kind: ActionKind) -> str:
    """Why an action would do nothing to an alarm in this state, as a sentence; empty if it would.

    Only for what a person does to one alarm: shelve, end a shelf, reset.
    """
    held = {
        AlarmState.SHELVED: "It is shelved already. End that shelf first to set another time.",
        AlarmState.SUPPRESSED: "It is suppressed: another alarm of this unit explains it, and it "
        "makes no ticket while that one stands. Shelve that one, if any.",
        AlarmState.OUT_OF_SERVICE: "Its unit is out of service, so it is not judged and makes no "
        "ticket.",
    }
    if kind is ActionKind.SHELVE:
        return held.get(before, "")
    if kind is ActionKind.UNSHELVE and before is not AlarmState.SHELVED:
        return "It is not shelved."
    if kind is ActionKind.RESET and before is not AlarmState.LATCHED_ACKNOWLEDGED:
        return _WHY_NO_RESET[before]
    return ""


_WHY_NO_RESET: Final = {
    AlarmState.NORMAL: "Nothing is latched: the alarm is normal.",
    AlarmState.UNACKNOWLEDGED: "Its condition still stands. It can be reset when that is gone, if "
    "it latches at all.",
    AlarmState.ACKNOWLEDGED: "Its condition still stands. It can be reset when that is gone, if it "
    "latches at all.",
    AlarmState.RETURNED_UNACKNOWLEDGED: "It does not latch: its condition is gone, and it waits "
    "for an acknowledgement only.",
    AlarmState.LATCHED_UNACKNOWLEDGED: "It is latched and not acknowledged. Acknowledge it first, "
    "then reset it.",
    AlarmState.SHELVED: "It is shelved, so nothing is latched.",
    AlarmState.SUPPRESSED: "It is suppressed by another alarm of this unit, so nothing is latched.",
    AlarmState.OUT_OF_SERVICE: "Its unit is out of service, so nothing is latched.",
}


def _announce_again_ms(severity: Severity, now_ms: int, setting: Callable[[str], float]) -> int:
    """When an alarm acknowledged now is announced again; 0 for never."""
    if severity is Severity.NONE:
        return 0
    after_s = setting(f"announce_again_{severity.name.lower()}_s")
    return now_ms + int(after_s * 1000.0) if after_s > 0 else 0
