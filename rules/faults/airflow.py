"""Airflow: fans that run uncommanded, and air that is short although no fan is reported down."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8, I64
from rules.bins import BinView, masked
from rules.events import Cause, Evidence, Reading, Severity
from rules.fan_gang import starts_as_one, unstopped_fans, unstopped_for
from rules.fan_lead import leads_for
from rules.fan_rounds import takes_turns
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.fans import fans_in_hand
from rules.faults.grading import course, graded, judged
from rules.faults.rejection import (
    FAN_FIT,
    REJECTION_TABLE,
    RISEN_DROP,
    cause_entries,
    causes_of,
    fans_that_fit,
    heat_limits,
    heat_of,
    heat_readings,
    leapt_by_fans,
    urgent_settings,
    with_urgency,
)
from rules.faults.rule import Rule
from rules.frames import FrameView
from rules.heat_compared import LEAST_LEAP, HeatRejection
from rules.look import UnitLook, fan_names
from rules.settings import FLEET
from rules.signals import INDEX
from rules.staging import is_staged, is_stepped, may_say_only_whether, says_only_whether
from rules.state import BIN_MS, STEADY

__all__ = ["FAN_CAPACITY_LOST", "FAN_NOT_COMMANDED"]

_UNASKED: Final = "fan-not-commanded"
_LOST: Final = "fan-capacity-lost"
_RUN: Final = INDEX["fan_run"]
_PADS_Q: Final = [q.name for q in STEADY].index("pad_pressure_drop")
_DRY_Q: Final = [q.name for q in STEADY].index("td_dry")
STOPPED_PCT: Final = 0.5
"""A command at or below this is none: scaling of analogue outputs leaves a few tenths (common
practice)."""
LEAST_STAGED_LEAP: Final = 0.25
"""Least leap of the dry TD where fans are, or may be, switched in stages. From cold nights with one
fan to warm days with all, the law of airflow is wrong by 15 % at either end, since idle fans let
air back (judgement): a fifth in all by the sum of squares."""
LEAST_SUDDEN_LEAP: Final = 0.25
"""Leap that is believed at once: own warm air makes a kelvin or two of 8 or 9 (common practice)."""
DAY_S: Final = 86_400.0
PLAINLY_BETTER: Final = 0.25
"""By so much another cause must agree better to stand before the fans (judgement)."""
CONFIRMED_RATIO: Final = 1.05
"""With less air the wet TD must have risen by this at least, where it is known (judgement)."""


def judge_unasked(view: FrameView, announced: I8) -> I8:
    """Fans proven running while the speed command is zero.

    Where no command is sent: that do not stop with their sisters any more, or never hand on the
    lead and never rest.
    """
    run, speed = view.signal("fan_run"), view.signal("fan_speed")
    count = view.plan.fan_count[view.rows]
    up = np.bitwise_count(masked(run, count)).astype(np.float64)
    # A site whose command never rises does not send it: then it says nothing.
    known = ~np.isnan(run) & ~np.isnan(speed) & view.state.speed_seen[view.rows]
    # Once it stands, a command proves nothing: only fans that stop when nothing asks for them do.
    known &= ~((announced > 0) & (up > 0) & (speed > STOPPED_PCT))
    unasked = (up > 0) & (speed <= STOPPED_PCT)
    stops, least_s = (view.setting(_UNASKED, n) for n in ("sisters_stops", "unstopped_s"))
    as_one = ~np.isnan(run) & starts_as_one(view.state, view.rows)
    if as_one.any():
        stays = np.bitwise_count(unstopped_fans(view.state, view.rows, stops, least_s))
        unasked = np.where(as_one, stays > 0, unasked)
        up = np.where(as_one, stays, up)
        known |= as_one
    in_hand = fans_in_hand(view)
    by_turns = ~np.isnan(run) & ~as_one & view.takes_turns
    if by_turns.any():
        stays = np.bitwise_count(in_hand)
        # A command that does not say how many says all the same when none should run.
        by_habit = by_turns & ~(known & unasked)
        unasked = np.where(by_habit, stays > 0, unasked)
        up = np.where(by_habit, stays, up)
        known |= by_turns
    many = up / count >= view.setting(_UNASKED, "medium_share_frac")
    severity = np.where(many, Severity.MEDIUM, Severity.LOW).astype(np.int8)
    return judged(unasked, known, severity)


def _air_lost_by_drop(heat: HeatRejection, least_pct: F64, announced: I8) -> F64:
    """Air lost by the pads' pressure drop at equal speed, (m,) [%]: flow goes as its root."""
    lost = 100.0 * (1.0 - np.sqrt(np.fmax(heat.pads_ratio, 0.0)))
    sure = (1.0 - heat.pads_ratio >= 3.0 * heat.pads_se) & (lost >= least_pct)
    # What falls slowly is a coil that fills behind the pads.
    sure &= heat.pads_leapt | (announced > 0)
    # Less air would show in the condensing too: else a pad is missing or the tube leaks.
    contradicted = heat.load_known & (heat.wet.newest < CONFIRMED_RATIO)
    known = ~np.isnan(heat.pads_ratio)
    return np.where(known, np.where(sure & ~contradicted, lost, 0.0), np.nan)


def _air_lost_by_leap(view: BinView, at: I64, heat: HeatRejection, announced: I8) -> F64:
    """Air lost by a leap of the dry TD that fits some number of fans, (m,) [%].

    A coil does not foul overnight; a fan stops, slips or runs backwards from one hour to the next.
    So does the wind turn, and lays own warm air before the intake: a small leap must outlast it.
    """
    rows = view.rows[at]
    known = heat.load_known & heat.dry_recent & ~np.isnan(heat.dry.newest)
    # Pads that hold back more air lift the TD, too: one hour by their gauge is enough to say so.
    clogs = heat.pads_last >= RISEN_DROP
    lost = fans_that_fit(view, at, heat)
    leapt = leapt_by_fans(heat)
    setting = np.broadcast_to(view.setting("fan-not-proven", "staged"), len(view.rows))[at]
    in_stages = is_staged(setting, view.state.together_ms[rows]) > 0.5
    # Without proofs of fans the airflow is the speed's, not that of a number of fans.
    in_stages &= view.state.value_ms[rows, _RUN] > 0
    leapt &= ~in_stages | (heat.dry.newest - 1.0 >= LEAST_STAGED_LEAP)
    rise = heat.dry.newest - 1.0
    # By the clock of the dry means: while it runs wet, nothing shows that the leap goes on.
    since, now = view.state.leap_bin, view.state.td_last_bin[rows, 0]
    begins = leapt & (since[rows] == 0)
    since[rows] = np.where(rise < 0.5 * LEAST_LEAP, 0, np.where(begins, now, since[rows]))
    lasts_s = np.broadcast_to(view.setting(_LOST, "leap_lasts_s"), len(view.rows))[at]
    lasted_s = np.where(since[rows] > 0, (now - since[rows]) * (BIN_MS / 1000.0), 0.0)
    # Each night a bank in stages runs on few of its fans, and leaps by what the law of airflow is
    # wrong there; in the morning that is gone, and a lost fan is not.
    stays = ~(in_stages | is_stepped(view.state, rows, view.plan.fan_count[rows]))
    stays |= lasted_s >= DAY_S
    leapt = (leapt & stays & (rise >= LEAST_SUDDEN_LEAP)) | (
        (since[rows] > 0) & (lasted_s >= lasts_s)
    )
    fits = (lost > 0) & (leapt | (announced > 0)) & ~clogs
    return np.where(known, np.where(fits, 100.0 * lost / view.plan.fan_count[rows], 0.0), np.nan)


def judge_lost(view: BinView, announced: I8) -> I8:
    """The largest loss of air that a witness proves: drop-outs, pressure drop, a leap of the TD."""
    at, heat, _ = view.heat
    share = view.state.fan_share[view.rows]
    # Fans that were wanted by nobody have dropped out of nothing.
    setting = view.setting("fan-not-proven", "staged")
    unasked = is_staged(setting, view.state.together_ms[view.rows]) > 0.5
    count = view.plan.fan_count[view.rows]
    young = may_say_only_whether(view.state, view.rows, count) & (setting <= 0.75)
    unasked &= says_only_whether(view.state, view.rows, count) | (young & (announced == 0))
    share = np.where(unasked, np.float32(1.0), share)
    concerned = (share < 1.0) | (announced > 0)
    concerned[at] = True
    among = np.flatnonzero(concerned)
    rows, stands = view.rows[among], announced[among]
    # A share of hours past says nothing once the proof is not sent any more.
    age_s = (view.time_ms[among] - view.state.value_ms[rows, _RUN]) / 1000.0
    seen = age_s <= view.plan.settings.get(FLEET, "value_age_limit_s", rows)
    lost = np.where(seen, 100.0 * (1.0 - share[among].astype(np.float64)), np.nan)
    # Between the hours' news only drop-outs are known; the other witnesses are not healthy for it.
    waits = ~np.isnan(view.state.baseline[rows, _PADS_Q])
    waits |= ~np.isnan(view.state.baseline[rows, _DRY_Q])
    if len(at):
        least = np.broadcast_to(view.setting(_LOST, "least_by_drop_pct"), len(view.rows))[at]
        by_drop = _air_lost_by_drop(heat, least, announced[at])
        by_leap = _air_lost_by_leap(view, at, heat, announced[at])
        news = np.searchsorted(among, at)
        lost[news] = np.fmax(np.fmax(lost[news], by_drop), by_leap)
        waits[news] = False
    everywhere = len(view.rows)
    limits = [
        np.broadcast_to(view.setting(_LOST, f"air_lost_{s}_pct"), everywhere)[among]
        for s in ("low", "medium", "high")
    ]
    deadband = np.broadcast_to(view.setting(_LOST, "deadband_pct"), everywhere)[among]
    severity = graded(lost, limits, deadband, stands)
    severity[waits & (severity == 0)] = UNKNOWN
    return with_urgency(view, _LOST, among, severity, announced)


def explain_unasked(look: UnitLook, severity: Severity) -> Evidence:
    """Which fans run, and since when nothing asks for them."""
    run, speed = look.value("fan_run"), look.value("fan_speed")
    count = look.unit.fans.count
    this = np.array([look.row])
    as_one = bool(starts_as_one(look.state, this)[0])
    told = bool(look.state.speed_seen[look.row]) and speed is not None and speed <= STOPPED_PCT
    by_turns = not (as_one or told) and bool(takes_turns(look.state, this, np.array([count]))[0])
    if as_one or by_turns:
        mask = int((look.state.gang_set if as_one else look.state.lead_set)[look.row])
    else:
        mask = 0 if run is None else int(masked(np.array([run]), np.array([count]))[0])
    who = fan_names(mask)
    verb = "is" if mask.bit_count() == 1 else "are"
    whole = mask.bit_count() == count
    so_far_h, longest_h, stops = (leads_for if by_turns else unstopped_for)(look.state, look.row)
    others = "the other" if count - mask.bit_count() == 1 else "the others"
    seen = f"{who} proven at a command of {speed or 0:.0f} %"
    if as_one or by_turns:
        seen = f"{who} proven {stops} times while {others} stopped"
    causes = (
        Cause("hand", "Selector of fan or drive in hand, or a bypass contactor in", 0.7, (seen,),
              (),
              "Look at the selectors first: were they left in hand after work?"),
        Cause("contactor", "Contactor welded or drive does not stop", 0.5, (), (),
              "With the command off, look whether the contactor lets go."),
        Cause("proof", "Proof contact stuck: the fan stands", 0.3 if whole else 0.5, (), (),
              "Look whether the fan turns at all."),
        Cause("other-command", "Another controller commands the fans", 0.4 if whole else 0.2, (),
              (), "Ask for a local head-pressure switch or a defrost that runs them."),
    )  # fmt: skip
    readings = [Reading("Fans proven running", mask.bit_count(), "", 0.0, note=who)]
    summary = f"{who[0].upper()}{who[1:]} {verb} proven running although no speed is commanded."
    limits = "Proof of running may be a contact of the drive: look whether the fan turns."
    if by_turns:
        since = "Rest of its sisters while it ran without one"
        note = f"{longest_h:.0f} h was the longest that one fan led"
        habit = (
            f"meanwhile and rested for {so_far_h:.0f} h, where no fan led for more than "
            f"{longest_h:.0f} h."
        )
        limits = (
            "No speed command here: a controller that was told to keep it running, or to rotate "
            "its fans no more, looks the same."
        )
    elif as_one:
        since = "Time since all fans last started or stopped together"
        note = f"{longest_h:.0f} h was the longest while that was learned"
        habit = f"in the last {so_far_h:.0f} h, where all used to stop together."
        limits = (
            "No speed command here: a controller that was told to keep it running looks the same, "
            f"and so does one that asks for all of them all the time while {others} drop out."
        )
    if as_one or by_turns:
        readings += [
            Reading(since, so_far_h, "h", high=longest_h, note=note, derived=True),
            Reading(f"Stops of {others} meanwhile", float(stops), "", 0.0, derived=True),
        ]
        does = "does" if mask.bit_count() == 1 else "do"
        summary = (
            f"{who[0].upper()}{who[1:]} of {count} {does} not stop any more: {others} stopped "
            f"{stops} times {habit}"
        )
    else:
        readings.append(look.reading("fan_speed", expected=0.0))
    margin = look.head_margin_k()
    if margin is not None:
        readings.append(look.reading("head_pressure", note=f"{margin:.1f} K below the cut-out"))
    return Evidence(
        summary=summary,
        confidence=0.7 if as_one or by_turns else 0.8,
        readings=tuple(readings),
        causes=tuple(sorted(causes, key=lambda c: -c.agreement)),
        signals=("fan_run", "fan_speed", "head_pressure"),
        limits=(limits,),
    )


def explain_lost(look: UnitLook, severity: Severity) -> Evidence:
    """Which witness shows the loss, and what it fits."""
    heat = heat_of(look)
    share = 100.0 * (1.0 - float(look.state.fan_share[look.row]))
    lost = 100.0 * (1.0 - float(heat.pads_ratio[0]) ** 0.5)
    # A leap of the condensing may be what was judged; a drop of half the least bears it out.
    by_drop = lost >= 0.5 * look.setting(_LOST, "least_by_drop_pct")
    readings = heat_readings(look, heat)
    low = look.setting(_LOST, "air_lost_low_pct")
    by_drop_out = look.has("fan_run") and share >= low
    if by_drop_out:
        summary = (
            f"Commanded fans were not proven for {share:.0f} % of the fan time of the last hours."
        )
        readings.insert(0, Reading("Fan time not proven, last hours", share, "%", 0.0, high=low,
                                   note="of commanded fans; a share falls below the fault's "
                                   "delay each time", derived=True))  # fmt: skip
    elif by_drop:
        summary = (
            f"About {lost:.0f} % less air goes through the pads than the fans' speed should bring."
        )
    else:
        summary = (
            "Condensing in dry running rose within hours by what some of the fans carry, at equal "
            "load and fan speed."
        )
    count = look.unit.fans.count
    most = count // 2 if look.fans_proven() == count else count - 1
    fits = not by_drop or any(abs(lost / 100.0 - k / count) <= FAN_FIT for k in range(1, most + 1))
    ranked = causes_of(look, heat, leap=not by_drop_out and fits)
    # What the witness is about stands first; not before what agrees plainly better, where the
    # pads show less air and no number of fans carries that.
    least = 1.0 if fits else PLAINLY_BETTER
    least += next(c.agreement for c in ranked if c.slug == _LOST)
    causes = sorted(ranked, key=lambda c: (c.ruled_out, c.agreement < least, c.slug != _LOST))
    return Evidence(
        summary=summary,
        confidence=0.8 if by_drop_out else 0.7,
        readings=tuple(readings),
        causes=tuple(causes),
        signals=("fan_run", "fan_speed", "pad_pressure_drop", "head_pressure"),
        limits=heat_limits(look, heat)
        + (
            ()
            if by_drop_out
            else (
                "A sheet or snow blown on the coil, or gas let in by work on the circuit, would "
                "show at once like this too.",
            )
        ),
    )


FAN_NOT_COMMANDED: Final = Rule(
    Fault(
        slug=_UNASKED,
        title="Fan running but not commanded",
        family="fans",
        meaning=(
            "Fans are proven running while the controller commands no speed; or, where no command "
            "is sent, all used to stop together, or to take turns, and some run on now while the "
            "others stop."
        ),
        consequence=(
            "Power and fan hours are wasted, head pressure falls too low in cold weather, and a "
            "fan that nobody commands can start a person's accident."
        ),
        action="Find what runs the fan: selector in hand, bypass, welded contactor, stuck proof.",
        causes=(
            CauseEntry("hand", "Selector in hand, or a bypass contactor in",
                       "selectors: left in hand after work?", "fan"),
            CauseEntry("contactor", "Contactor welded or drive does not stop",
                       "does the contactor let go without command?", "fan"),
            CauseEntry("proof", "Proof contact stuck: the fan stands", "does the fan turn?", "fan"),
            CauseEntry("other-command", "Another controller commands the fans",
                       "a local head-pressure switch or defrost", "fan"),
        ),
        needs=("fan_run",),
        helps=("fan_speed", "head_pressure"),
        suppressed_by=(),
        response={
            Severity.LOW: "with the next planned visit",
            Severity.MEDIUM: "this week, before cold weather",
        },
        job_plan="fan",
        settings=(
            Setting("medium_share_frac", 0.5, "fraction of fans", 0.05, 1.0,
                    "from this share running uncommanded it is a matter of this week",
                    "head pressure is then out of the controller's hands"),
            Setting("sisters_stops", 4.0, "times", 1.0, 200.0,
                    "without a speed command: stops of the others, the same ones each time, "
                    "through which a fan must have run on",
                    "one that trips and resets does so once or twice before it stays off "
                    "(judgement)"),
            Setting("unstopped_s", 43_200.0, "s", 0.0, 2_592_000.0,
                    "and time without a start or stop of all together, no less than it ever took",
                    "on a hot day a bank runs through from morning to evening (common practice)"),
            Setting("lead_ratio", 2.0, "of the longest lead", 1.0, 20.0,
                    "without a speed command, of fans that take turns: resting time of the others, "
                    "over the longest that one fan ever led, while it never rested",
                    "weather and load lengthen a lead by half (judgement)"),
            Setting("lead_least_s", 43_200.0, "s", 0.0, 2_592_000.0,
                    "resting of the others beyond that",
                    "short leads, as of a bank that mostly rests in full, need a day's half more "
                    "(judgement)"),
            Setting("lead_stops", 3.0, "times", 1.0, 200.0,
                    "and stops of the others meanwhile",
                    "they come and go, so less was wanted each time, and they are not missing "
                    "themselves (judgement)"),
            *course(3600.0, "run-down takes minutes; work in hand is over within the hour",
                    300.0, "proof switches flutter in wind"),
        ),
    ),
    judge_unasked,
    explain_unasked,
)  # fmt: skip

FAN_CAPACITY_LOST: Final = Rule(
    Fault(
        slug=_LOST,
        spoils_heat=True,
        title="Fan capacity lost",
        family="fans",
        meaning=(
            "Less air is moved than the commanded fans should move, although none is reported "
            "faulty or missing for long: drop-outs, a slipping or reversed fan, an idle fan unseen."
        ),
        consequence=(
            "Heat rejection is lost as with a fan that stands, most of all on hot days; the other "
            "fans run faster and use more power."
        ),
        action="See that every fan turns, the right way and at one speed, and stays on.",
        causes=cause_entries(["fan-capacity-lost", "coil-fouled", "pads-clogged"]),
        needs=(),
        needs_any=(("fan_speed", "fan_run"),),
        helps=("fan_run", "pad_pressure_drop", "head_pressure", "ambient_temperature",
               "heat_load", "wet_mode"),
        suppressed_by=("fan-fault", "fan-not-proven"),
        response={
            Severity.LOW: "with the next planned visit, before hot weather",
            Severity.MEDIUM: "this week",
            Severity.HIGH: "today",
        },
        job_plan="fan",
        settings=(
            Setting("air_lost_low_pct", 9.0, "% of airflow", 2.0, 60.0,
                    "loss of air that calls for planned work",
                    "a fan of ten; starts and stops of healthy fans cost a few per cent"),
            Setting("air_lost_medium_pct", 18.0, "% of airflow", 5.0, 80.0,
                    "loss that calls for a visit this week",
                    "a fan of five: some 14 % of capacity (eps-NTU, airflow to the 0.5)"),
            Setting("air_lost_high_pct", 45.0, "% of airflow", 10.0, 100.0,
                    "loss that calls for a visit today",
                    "half the fans leave about 60 % of capacity: a warm afternoon is too much"),
            Setting("least_by_drop_pct", 15.0, "% of airflow", 5.0, 60.0,
                    "a smaller loss by the pads' pressure drop is taken for none",
                    "pads are not quite quadratic: over the fans' range that feigns a tenth"),
            Setting("leap_lasts_s", 259_200.0, "s", 0.0, 2_592_000.0,
                    "how long a leap of the condensing by less than a quarter must last to count",
                    "the wind that lays own warm air before the intake turns within two or three "
                    "days (common practice)"),
            Setting("deadband_pct", 3.0, "% of airflow", 0.5, 20.0,
                    "how far the loss must fall back below a limit",
                    "the share of the last hours wanders by this much"),
            *urgent_settings(),
            *course(7200.0, "fans that drop out come back; two hours make it a habit",
                    7200.0, "the share of the last hours needs as long to recover"),
        ),
        judged_by="bins",
    ),
    judge_lost,
    explain_lost,
    (REJECTION_TABLE,),
)  # fmt: skip
