"""Fans: a fault that a fan reports, and a fan that is commanded but not proven running."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from rules.alarms import fault_column
from rules.arrays import F64, I8, I64, Bool
from rules.bins import SLOW_S, masked
from rules.events import Cause, Evidence, Reading, Severity
from rules.fan_gang import starts_as_one, unstarted_fans
from rules.fan_lead import ever_leading_fans, leads_longer, waits_for_rest
from rules.fan_rounds import overdue_fans, takes_turns, waited_h
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, judged
from rules.faults.rule import Rule
from rules.frames import FrameView
from rules.look import UnitLook, fan_names
from rules.physics.condenser import capacity_frac
from rules.signals import INDEX
from rules.staging import (
    all_fans,
    is_staged,
    may_say_only_whether,
    says_only_whether,
    stages_wanted,
    told_together,
)

__all__ = ["FAN_FAULT", "FAN_NOT_PROVEN", "fans_in_hand", "fans_missing"]

_FAULT: Final = "fan-fault"
_PROOF: Final = "fan-not-proven"
_RUN: Final = INDEX["fan_run"]


def _grade(view: FrameView, slug: str, lost: I64) -> I8:
    """By the share of fans lost and what is left to the cut-out."""
    share = lost / view.plan.fan_count[view.rows]
    margin = view.head_margin_k
    high = (share >= view.setting(slug, "high_share_frac")) | (
        margin < view.setting(slug, "high_margin_k")
    )
    # A margin that is not known is not taken for an ample one.
    low = (share <= view.setting(slug, "low_share_frac")) & (
        margin >= view.setting(slug, "ample_margin_k")
    )
    return np.where(high, Severity.HIGH, np.where(low, Severity.LOW, Severity.MEDIUM)).astype(
        np.int8
    )


def judge_fault(view: FrameView, announced: I8) -> I8:
    """Fans of this unit whose fault bit is set."""
    word = view.signal("fan_fault")
    lost = np.bitwise_count(masked(word, view.plan.fan_count[view.rows])).astype(np.int64)
    return judged(lost > 0, ~np.isnan(word), _grade(view, _FAULT, lost))


def missing_fans(run: F64, fault: F64, speed_pct: F64, count: I64, staged: F64) -> tuple[I64, I64]:
    """How many fans are missing, and which (0 where staging does not tell which).

    Without staging every fan follows the common speed. With staging the share of fans that should
    run follows the speed, and which ones is the controller's choice.
    """
    proven = masked(run, count)
    reported = masked(fault, count)
    absent = all_fans(count) & ~proven & ~reported
    staged = np.where(count > 1, staged, 0.0)
    by_mask = np.bitwise_count(absent).astype(np.int64)
    wanted = stages_wanted(speed_pct, count)
    up = np.bitwise_count(proven | reported).astype(np.int64)
    by_stage = np.maximum(wanted - up, 0)
    return np.where(staged > 0.5, by_stage, by_mask), np.where(staged > 0.5, 0, absent)


def fans_missing(look: UnitLook) -> int:
    """How many commanded fans of a unit are not proven running; 0 where no command is known.

    A bank in stages runs on some of its fans by intent.
    """
    count = np.array([look.unit.fans.count])
    run, fault, speed = (
        np.array([_number(look.value(name))]) for name in ("fan_run", "fan_fault", "fan_speed")
    )
    if not speed[0] >= look.setting(_PROOF, "least_speed_pct") or np.isnan(run[0]):
        return 0
    staged = look.fans_staged()
    if staged[0] > 0.5 and says_only_whether(look.state, np.array([look.row]), count)[0]:
        return 0
    absent, _ = missing_fans(run, fault, speed, count, staged)
    reported = masked(fault, count) & ~masked(run, count)
    return int(absent[0]) + int(np.bitwise_count(reported)[0])


def overdue(view: FrameView, ratio: F64, least_s: F64, others_s: F64) -> I64:
    """Fans that used to take turns with their sisters and do not any more, a bit mask (k,)."""
    late = overdue_fans(view.state, view.rows, ratio, least_s, others_s)
    run, count = view.signal("fan_run"), view.plan.fan_count[view.rows]
    return late & ~masked(run, count) & ~masked(view.signal("fan_fault"), count)


def fans_in_hand(view: FrameView) -> I64:
    """Fans that never rest in a bank whose fans take turns without a command, a bit mask (k,)."""
    names = ("lead_ratio", "lead_least_s", "lead_stops")
    limits = [view.setting("fan-not-commanded", name) for name in names]
    known = view.takes_turns
    if not known.any():
        return np.zeros(len(view.rows), dtype=np.int64)
    return np.where(known, ever_leading_fans(view.state, view.rows, *limits), 0)


def judge_proof(view: FrameView, announced: I8) -> I8:
    """Fans that are commanded, report no fault, and are not proven running.

    Where no command is sent: that take their turn no more, or start with their sisters no more.
    """
    run, speed = view.signal("fan_run"), view.signal("fan_speed")
    count = view.plan.fan_count[view.rows]
    commanded = speed >= view.setting(_PROOF, "least_speed_pct")
    staged = is_staged(view.setting(_PROOF, "staged"), view.state.together_ms[view.rows])
    lost, _ = missing_fans(run, view.signal("fan_fault"), speed, count, staged)
    # A proof taken before the command says nothing of it.
    since_ms = view.time_ms - view.fans_commanded_s * 1000.0
    allowed_ms = view.setting(_PROOF, "start_allowance_s") * 1000.0
    answered = view.state.value_ms[view.span, _RUN] >= since_ms + allowed_ms
    # Once it stands, a command taken back proves nothing: only proven fans clear it.
    silent = ~commanded & (announced > 0) & (lost > 0)
    of_one_time = told_together(view.state, view.rows)
    known = ~np.isnan(run) & ~np.isnan(speed) & (~commanded | answered) & ~silent
    known &= (staged < 0.5) | of_one_time
    missing = commanded & (lost > 0)
    # A command of all or nothing to a bank in stages leaves fans out by intent, but not all.
    some_left_out = (staged > 0.5) & view.says_only_whether
    none_runs = missing & some_left_out & (masked(run, count) == 0)
    missing &= ~some_left_out | none_runs
    limits = [view.setting(_PROOF, n) for n in ("turn_ratio", "turn_least_s", "others_all_s")]
    # The site file's word that all run together stands over a habit seen under a command.
    by_turns = ~np.isnan(run) & view.takes_turns
    by_turns &= (staged > 0.5) | np.isnan(speed)
    if by_turns.any():
        # Beside a fan in hand others are not wanted.
        waiting = np.where(fans_in_hand(view) == 0, overdue(view, *limits), 0)
        late = np.bitwise_count(waiting).astype(np.int64)
        held = by_turns & ~none_runs & (announced == 0) & _wait_for_rest(view, late, *limits)
        # Near the cut-out nothing is waited for.
        held &= ~(view.head_margin_k < view.setting(_PROOF, "high_margin_k"))
        lost = np.where(by_turns & ~none_runs, late, lost)
        missing = np.where(by_turns, (late > 0) | none_runs, missing)
        known = (known | by_turns) & ~held
    starts = view.setting(_PROOF, "sisters_starts")
    as_one = ~np.isnan(run) & ~by_turns & starts_as_one(view.state, view.rows)
    if as_one.any():
        left = unstarted_fans(view.state, view.rows, count, starts)
        left = np.bitwise_count(left & ~masked(view.signal("fan_fault"), count)).astype(np.int64)
        lost = np.where(as_one, left, lost)
        missing = np.where(as_one, left > 0, missing)
        known |= as_one
    # All gone at once: between a start that was not seen and its proof, where readings are slow.
    # Near the cut-out nothing is waited for.
    pends_ms = view.state.alarm_pending_ms[view.span, fault_column(_PROOF)]
    ample = view.head_margin_k >= view.setting(_PROOF, "ample_margin_k")
    held_ms = np.where(ample, AMPLE_GONE_MS, ALL_GONE_MS)
    young = (pends_ms > 0) & (view.time_ms - pends_ms < held_ms)
    # A second record of one moment says nothing of how often it is read.
    seldom = (view.elapsed_s > SLOW_S) | (view.elapsed_s <= 0.0)
    young &= commanded & (announced == 0) & seldom
    young &= ~(view.head_margin_k < view.setting(_PROOF, "high_margin_k"))
    known &= ~(young & (masked(run, count) == 0) & (count > 1))
    # A bank that has just come under watch may leave fans out by intent.
    unsure = (staged > 0.5) & (view.setting(_PROOF, "staged") <= 0.75) & ~as_one
    unsure &= may_say_only_whether(view.state, view.rows, count)
    unsure &= missing & commanded & (announced == 0) & (masked(run, count) != 0)
    unsure &= (pends_ms > 0) & (view.time_ms - pends_ms < UNSURE_MS)
    known &= ~(unsure & ~(view.head_margin_k < view.setting(_PROOF, "high_margin_k")))
    return judged(missing, known, _grade(view, _PROOF, lost))


def _wait_for_rest(view: FrameView, late: I64, ratio: F64, least_s: F64, others_s: F64) -> Bool:
    """Units whose missing fans, ``late`` of them (k,), may only stand farther from the lead, (k,).

    Two and more at once rather do that than fail together, until the lead has rested.
    """
    out = (late > 1) & waits_for_rest(view.state, view.rows)
    if out.any():
        longer = overdue(view, HELD_ROUNDS * ratio, HELD_ROUNDS * least_s, others_s)
        out &= longer == 0
    return out


HELD_ROUNDS: Final = 3.0
"""So many times the wait, several fans that may only be waiting for a rest of the lead are told
(judgement)."""
ALL_GONE_MS: Final = 600_000
"""A whole bank must be gone for so long: three readings where they come each five minutes. A
controller that stops and starts it meanwhile is else caught twice in a row (judgement)."""
AMPLE_GONE_MS: Final = 1_800_000
"""The same where the head pressure stays far below the cut-out: under load it climbs by kelvins a
minute with no fan at all, so fans run between the readings, or little is asked of them
(judgement)."""


UNSURE_MS: Final = 172_800_000
"""Fans are missing for so long without a break, two days, before it counts where the command was
all or nothing so far and few changes of the fans were seen: by then most banks in stages have made
their dozen, or have rested (judgement)."""


class _Lost(NamedTuple):
    """Fans that are missing: how many, which (0 where that is not known), and how one knows."""

    lost: int
    mask: int
    turns: bool
    """They do not take their turn."""
    as_one: bool
    """They do not start with their sisters."""


def _lost_fans(look: UnitLook, slug: str) -> _Lost:
    one, this = np.array([look.unit.fans.count]), np.array([look.row])
    fault, run, speed = (
        np.array([_number(look.value(name))]) for name in ("fan_fault", "fan_run", "fan_speed")
    )
    turns = slug == _PROOF and bool(takes_turns(look.state, this, one)[0])
    # A bank whose command says that fans should run, and none does, waits for no turn.
    turns &= not (speed[0] > 0.0 and masked(run, one)[0] == 0)
    as_one = slug == _PROOF and not turns and bool(starts_as_one(look.state, this)[0])
    if slug == _FAULT:
        mask = int(masked(fault, one)[0])
    elif turns:
        mask = int(look.state.round_set[look.row])
    elif as_one:
        others = int(look.state.gang_set[look.row]) | int(masked(fault, one)[0])
        mask = int(all_fans(one)[0]) & ~others
    else:
        found, which = missing_fans(run, fault, speed, one, look.fans_staged())
        return _Lost(int(found[0]), int(which[0]), turns, as_one)
    return _Lost(mask.bit_count(), mask, turns, as_one)


def _explain(look: UnitLook, severity: Severity, slug: str) -> Evidence:
    count = look.unit.fans.count
    one = np.array([count])
    fault = np.array([_number(look.value("fan_fault"))])
    run = np.array([_number(look.value("fan_run"))])
    lost, mask, turns, as_one = _lost_fans(look, slug)
    who = f"{fan_names(mask)} of {count}" if mask else f"{lost} of {count} fans"
    who = f"{who[0].upper()}{who[1:]}"
    readings = [
        Reading("Fans proven running", _count(run, one), "", float(count)),
        Reading("Fans that report a fault", _count(fault, one), "", 0.0,
                note=fan_names(mask) if slug == _FAULT else ""),
        *([] if turns or as_one else [look.reading("fan_speed")]),
        *([Reading("Starts of the others without it", float(look.state.gang_stops[look.row]), "",
                   0.0, derived=True)] if as_one else []),
    ]  # fmt: skip
    so_far_h, longest_h, alone_h = waited_h(look.state, look.row)
    if turns:
        readings.append(
            Reading("Running of the others since it last ran", so_far_h, "h", high=longest_h,
                    note=f"the longest wait for a turn was {longest_h:.0f} h", derived=True)
        )  # fmt: skip
        readings.append(
            Reading("Of that, all the others running", alone_h, "h", note="one more was wanted",
                    derived=True)
        )  # fmt: skip
    left = float(capacity_frac((count - lost) / count))
    readings.append(
        Reading("Heat rejection left at equal temperature difference", 100.0 * left, "%", 100.0,
                note="idle fan without back-flow; less if air short-circuits through it",
                derived=True)
    )  # fmt: skip
    margin = look.head_margin_k()
    if margin is not None:
        readings.append(look.reading("head_pressure", high=look.unit.condenser.cut_out_kpa_abs,
                                     note=f"{margin:.1f} K below the cut-out"))  # fmt: skip
    all_lost = lost == count
    if slug == _FAULT:
        verb = "reports" if lost == 1 else "report"
        summary = f"{who} {verb} a fault."
        causes: tuple[Cause, ...] = (
            Cause("motor-protection", "Motor or drive protection tripped", 0.7,
                  (f"{fan_names(mask)} {verb} a fault",), (),
                  "Read the drive's or motor's own code."),
            Cause("blocked", "Fan blocked or bearing seized", 0.4, (), (),
                  "With the fan isolated, turn it by hand."),
            Cause("supply", "Common supply or control to the fans lost", 0.9 if all_lost else 0.2,
                  ("all fans at once",) if all_lost else (),
                  () if all_lost else ("other fans run",),
                  "Look at the common feeder and the control line.", ruled_out=not all_lost),
        )  # fmt: skip
    else:
        be = "is" if lost == 1 else "are"
        summary = f"{who} {be} commanded but not proven running."
        other = leads_longer(look.state, look.row) if turns else 0
        if turns:
            summary = _turn_missed(look, who, lost, other)
        elif as_one:
            summary = _start_missed(look, who, lost)
        causes = (
            Cause("contactor", "Contactor, drive or isolator open", 0.6,
                  () if np.isnan(fault[0]) else ("no fault is reported",), (),
                  "Look at the isolator first: was it left off after work?"),
            Cause("belt-or-coupling", "Motor runs, fan does not (coupling, blade, proof switch)",
                  0.4, (), (), "Watch the fan; compare motor current with its neighbours."),
            Cause("supply", "Common supply or control to the fans lost", 0.9 if all_lost else 0.2,
                  ("all fans at once",) if all_lost else (),
                  () if all_lost else ("other fans run",),
                  "Look at the common feeder and the control line.", ruled_out=not all_lost),
            *([Cause("hand", "Another fan in hand: beside it this one is not wanted", 0.6,
                     (f"{fan_names(other)} has not rested meanwhile",), (),
                     f"Look at the selector of {fan_names(other)}.")] if other else []),
        )  # fmt: skip
    ranked = sorted(causes, key=lambda c: (c.ruled_out, -c.agreement))
    return Evidence(
        summary=summary,
        confidence=0.95 if slug == _FAULT else 0.75 if turns or as_one else 0.85,
        readings=tuple(readings),
        causes=tuple(ranked),
        signals=("fan_run", "fan_fault", "fan_speed", "head_pressure"),
        limits=() if not turns and not as_one else (
            "No speed command here: a fan that the controller was told to leave out looks the "
            "same.",
        ),
    )  # fmt: skip


def _turn_missed(look: UnitLook, who: str, lost: int, other: int) -> str:
    takes = "takes its turn" if lost == 1 else "take their turn"
    so_far_h, longest_h, _ = waited_h(look.state, look.row)
    words = (
        f"{who} {takes} no more: the others have run for {so_far_h:.0f} h meanwhile, where "
        f"{longest_h:.0f} h was the longest wait."
    )
    if not other:
        return words
    wanted = "it is" if lost == 1 else "they are"
    return (
        f"{words} Or {fan_names(other)}, which never rested, is in hand, and {wanted} not wanted."
    )


def _start_missed(look: UnitLook, who: str, lost: int) -> str:
    does = "does" if lost == 1 else "do"
    return (
        f"{who} {does} not start any more: the others started "
        f"{int(look.state.gang_stops[look.row])} times meanwhile, where all used to start together."
    )


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _count(word: F64, count: I64) -> float | None:
    """How many of one unit's fans a bit mask names; None where it is not known."""
    return None if np.isnan(word[0]) else float(int(masked(word, count)[0]).bit_count())


def _settings() -> tuple[Setting, ...]:
    return (
        Setting("low_share_frac", 0.2, "fraction of fans", 0.0, 1.0,
                "up to this share lost, with an ample margin, it is planned work",
                "one of five fans costs about 14 % of capacity (eps-NTU, airflow to the 0.5)"),
        Setting("high_share_frac", 0.5, "fraction of fans", 0.05, 1.0,
                "from this share lost it must be today",
                "half the fans leave about 60 % of capacity: a warm afternoon is too much"),
        Setting("ample_margin_k", 10.0, "K", 1.0, 40.0,
                "margin to the cut-out that is ample",
                "more than twice the medium limit of head pressure high"),
        Setting("high_margin_k", 5.0, "K", 0.0, 30.0,
                "margin to the cut-out below which it must be today",
                "a kelvin over the medium limit of head pressure high: with a fan lost the next "
                "hour can trip"),
    )  # fmt: skip


_CONSEQUENCE: Final = (
    "Heat rejection is lost, most of all on hot days; an idle fan lets air short-circuit; the "
    "others run faster and use more power."
)
_RESPONSE: Final = {
    Severity.LOW: "with the next planned visit, before hot weather",
    Severity.MEDIUM: "this week",
    Severity.HIGH: "today",
}

FAN_FAULT: Final = Rule(
    Fault(
        slug=_FAULT,
        spoils_heat=True,
        title="Fan fault",
        family="fans",
        meaning="One or more fans report a fault of motor or drive.",
        consequence=_CONSEQUENCE,
        action="Read the fault code, isolate, find the cause, reset only after it is mended.",
        causes=(
            CauseEntry("motor-protection", "Motor or drive protection tripped",
                       "the drive's or motor's own code", "fan"),
            CauseEntry("blocked", "Fan blocked or bearing seized", "turn it by hand, isolated",
                       "fan"),
            CauseEntry("supply", "Common supply or control to the fans lost",
                       "common feeder and control line", "fan"),
        ),
        needs=("fan_fault",),
        helps=("fan_run", "fan_speed", "head_pressure"),
        suppressed_by=(),
        response=_RESPONSE,
        job_plan="fan",
        settings=(*_settings(), *course(60.0, "rides through a drive's own restart",
                                        300.0, "a drive that retries must not fill the log")),
    ),
    judge_fault,
    lambda look, severity: _explain(look, severity, _FAULT),
)  # fmt: skip

FAN_NOT_PROVEN: Final = Rule(
    Fault(
        slug=_PROOF,
        spoils_heat=True,
        title="Fan not proven",
        family="fans",
        meaning=(
            "Fans are commanded to run and report no fault, but are not proven running; or, where "
            "no command is sent, they used to take turns, or all to start together, and one does "
            "so no more."
        ),
        consequence=_CONSEQUENCE,
        action="Find why the fan does not turn or is not proven: isolator, contactor, coupling.",
        causes=(
            CauseEntry("contactor", "Contactor, drive or isolator open",
                       "isolator left off after work?", "fan"),
            CauseEntry("belt-or-coupling",
                       "Motor runs, fan does not (coupling, blade, proof switch)",
                       "watch the fan; compare motor currents", "fan"),
            CauseEntry("supply", "Common supply or control to the fans lost",
                       "common feeder and control line", "fan"),
            CauseEntry("hand", "Another fan in hand: beside it this one is not wanted",
                       "selectors of the other fans", "fan"),
        ),
        needs=("fan_run",),
        helps=("fan_speed", "fan_fault", "head_pressure"),
        suppressed_by=(),
        response=_RESPONSE,
        job_plan="fan",
        settings=(
            *_settings(),
            Setting("least_speed_pct", 15.0, "%", 1.0, 100.0,
                    "commands below this are not expected to turn a fan",
                    "drives stop at a least speed of 10 to 15 % (common practice)"),
            Setting("start_allowance_s", 30.0, "s", 0.0, 600.0,
                    "time a fan has to be proven after the command",
                    "ramps of drives take 10 to 30 s (common practice)"),
            Setting("staged", 0.5, "0, 0.5 or 1", 0.0, 1.0,
                    "1 where the controller switches fans in stages by the speed command, 0 where "
                    "all run together at a common speed, 0.5 to find out",
                    "a unit that was seen with all fans running at part speed does not stage "
                    "them; until then a fan that stands may be one that is not wanted. Where fans "
                    "come and go one by one under a command of all or nothing, it counts no "
                    "stages: a dozen changes show that. Without proofs such a command says nothing "
                    "of the airflow: coil, pads and air are then judged only where this is 0"),
            Setting("turn_ratio", 2.0, "of the longest wait", 1.0, 20.0,
                    "without a speed command: wait for a turn, over the longest ever, that counts",
                    "weather and load lengthen the wait for a turn by half (judgement)"),
            Setting("turn_least_s", 43_200.0, "s", 0.0, 2_592_000.0,
                    "running of the others beyond that",
                    "short waits, as of a bank that mostly runs in full, need a day's half more"),
            Setting("others_all_s", 10_800.0, "s", 0.0, 2_592_000.0,
                    "time that all the others must have run meanwhile",
                    "then one more was wanted, or nearly so"),
            Setting("sisters_starts", 6.0, "times", 1.0, 200.0,
                    "without a speed command: starts of the others, the same ones each time, of "
                    "fans that used to start together",
                    "a relay of its own may hold a fan back once or twice; half a day's starts "
                    "do not pass it by (judgement)"),
            *course(120.0, "rides through one restart", 300.0, "proof switches flutter in wind"),
        ),
    ),
    judge_proof,
    lambda look, severity: _explain(look, severity, _PROOF),
)  # fmt: skip
