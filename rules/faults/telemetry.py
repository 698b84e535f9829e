"""Silence: a unit that is not heard, and a site that is cut off."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I8
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, graded, judged
from rules.faults.rule import Rule
from rules.look import UnitLook
from rules.silence import ClockView

__all__ = ["SITE_CUT_OFF", "UNIT_STALE"]

_STALE: Final = "unit-stale"
_CUT: Final = "site-cut-off"


def judge_stale(view: ClockView, announced: I8) -> I8:
    """By listened silence since the last message of the unit, its site's own not counted; never
    heard of is not judged.
    """
    limits = [view.setting(_STALE, "silent_low_s"), view.setting(_STALE, "silent_medium_s"), None]
    # One that stands goes on: its site's return says nothing of the unit.
    silence_s = np.where(announced > 0, view.silence_s, view.own_silence_s)
    return graded(silence_s, limits, 0.0, np.zeros(len(view.rows), dtype=np.int8))


def judge_cut_off(view: ClockView, announced: I8) -> I8:
    """The site said goodbye, or all its units (two at least) fell silent together."""
    return judged(view.is_anchor & view.site_away, view.is_anchor, Severity.MEDIUM)


def explain_stale(look: UnitLook, severity: Severity) -> Evidence:
    """Since when, and whether the rest of the site is heard."""
    last_ms = int(look.state.frame_ms[look.row])
    rows = np.flatnonzero(look.plan.site_index == look.plan.site_index[look.row])
    others = [int(r) for r in rows if r != look.row]
    newest = max((int(look.state.frame_ms[r]) for r in others), default=0)
    neighbours = newest > last_ms + 120_000
    hours = (look.time_ms - last_ms) / 3_600_000.0
    return Evidence(
        summary="Nothing has been heard of this unit, while the gateway listened: it is not "
        "watched meanwhile.",
        confidence=0.95,
        readings=(Reading("Age of the newest reading", hours, "h"),),
        causes=(
            Cause("unit-link", "Unit's controller, its supply or its link is down",
                  0.8 if neighbours else 0.5,
                  ("other units of the site are heard",) if neighbours else (), (),
                  "Look at the controller's supply and its bus or network light."),
            Cause("site-link", "The site's own link is down", 0.2 if neighbours else 0.6, (),
                  ("other units of the site are heard",) if neighbours else (),
                  "Ask the site whether its network is up.", ruled_out=neighbours),
        ),
        limits=("What the machine does meanwhile is not known. Silence is not health.",),
    )  # fmt: skip


def explain_cut_off(look: UnitLook, severity: Severity) -> Evidence:
    """Whether the site said goodbye or just fell silent, and which units are affected."""
    rows = np.flatnonzero(look.plan.site_index == look.plan.site_index[look.row])
    names = [look.plan.unit_of_row[int(r)][1].name for r in rows]
    said = bool(look.state.site_offline[look.row])
    newest = max(int(look.state.frame_ms[r]) for r in rows)
    age = Reading("Age of the newest reading", None, "min", note="nothing was ever heard of it")
    if newest:
        age = Reading(age.quantity, max(0.0, (look.time_ms - newest) / 60_000.0), age.unit)
    how = "its connection to the broker broke" if said else "all its units fell silent together"
    return Evidence(
        summary=f"Site {look.site.name} is cut off: {how}. None of its {len(rows)} units is "
        "watched meanwhile.",
        confidence=0.95,
        readings=(
            Reading("Units not watched", float(len(rows)), "", note=", ".join(names)),
            age,
        ),
        causes=(
            Cause("network", "Site's network or mobile link down", 0.6, (), (),
                  "Ask the site; look at the router's lights."),
            Cause("power", "Site gateway without power", 0.5, (), (),
                  "Ask whether the site has power; look at the gateway's supply."),
            Cause("gateway", "Site gateway stopped or its credentials refused", 0.3, (), (),
                  "Look at the gateway's own log."),
        ),
        limits=("What the machines do meanwhile is not known. Silence is not health.",),
    )  # fmt: skip


UNIT_STALE: Final = Rule(
    Fault(
        slug=_STALE,
        title="Unit not heard",
        family="telemetry",
        meaning="Nothing has been received from this unit although the gateway listened.",
        consequence="None of its faults is seen meanwhile.",
        action="Restore the unit's controller, supply or link.",
        causes=(
            CauseEntry("unit-link", "Unit's controller, its supply or its link is down",
                       "the controller's supply and link light", "telemetry"),
            CauseEntry("site-link", "The site's own link is down", "ask the site", "telemetry"),
        ),
        needs=(),
        helps=(),
        suppressed_by=("site-cut-off",),
        response={
            Severity.LOW: "next working day",
            Severity.MEDIUM: "this week, today in hot weather: it may be failing unseen",
        },
        job_plan="telemetry",
        settings=(
            Setting("silent_low_s", 3600.0, "s", 30.0, 604_800.0,
                    "silence that counts",
                    "mobile links and controllers that restart come back by themselves within the "
                    "hour (common practice)"),
            Setting("silent_medium_s", 14_400.0, "s", 60.0, 604_800.0,
                    "silence that calls for a visit this week",
                    "a basin can run dry within four hours of a stuck float (common practice)"),
            *course(0.0, "the silence is the delay", 60.0, "a few messages make it heard again"),
        ),
        judged_by="clock",
    ),
    judge_stale,
    explain_stale,
)  # fmt: skip

SITE_CUT_OFF: Final = Rule(
    Fault(
        slug=_CUT,
        site_wide=True,
        title="Site cut off",
        family="telemetry",
        meaning="The site's connection ended, or all its units fell silent together.",
        consequence="None of the site's units is watched meanwhile.",
        action="Restore the site's link. Ask the site to look at the machines meanwhile.",
        causes=(
            CauseEntry("network", "Site's network or mobile link down", "the router's lights",
                       "telemetry"),
            CauseEntry("power", "Site gateway without power", "its supply", "telemetry"),
            CauseEntry("gateway", "Site gateway stopped or its credentials refused",
                       "its own log", "telemetry"),
        ),
        needs=(),
        helps=(),
        suppressed_by=(),
        response={Severity.MEDIUM: "today in hot weather, else within a day"},
        job_plan="telemetry",
        settings=(
            Setting("all_silent_s", 600.0, "s", 30.0, 604_800.0,
                    "silence of all units together that counts",
                    "two samples at five minutes, before each unit is called stale"),
            *course(2400.0, "forty minutes after a goodbye, fifty where only the silence tells: "
                    "mobile links and routers that restart come back by themselves within the "
                    "hour, and no basin runs dry meanwhile (common practice)",
                    60.0, "a few messages make it heard again"),
        ),
        judged_by="clock",
    ),
    judge_cut_off,
    explain_cut_off,
)  # fmt: skip
