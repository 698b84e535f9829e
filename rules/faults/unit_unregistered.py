"""Unit unregistered: something publishes under a site that no site file knows."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I8
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, judged
from rules.faults.rule import Rule
from rules.look import UnitLook
from rules.silence import ClockView
from rules.strangers import Stranger

__all__ = ["UNIT_UNREGISTERED"]

_SLUG: Final = "unit-unregistered"
_NAMED: Final = 10


def _counts(found: Stranger, now_ms: int, absent_s: float, messages: float, hold_s: float) -> bool:
    young = now_ms - found.last_ms <= absent_s * 1000.0
    return young and found.count >= messages and found.last_ms - found.first_ms >= hold_s * 1000.0


def judge(view: ClockView, announced: I8) -> I8:
    """On the site's anchor unit: an unknown id was heard repeatedly within the last day."""
    anchor = view.is_anchor
    found = np.zeros(len(view.rows), dtype=np.bool_)
    by_site = view.state.strangers.by_site
    if by_site:
        settings = view.plan.settings
        for index, site in enumerate(view.plan.sites):
            strangers = by_site.get(site.id)
            if not strangers:
                continue
            row = int(view.plan.anchor_row[index])
            at = int(np.searchsorted(view.rows, row))
            absent, messages, hold = (
                settings.one(_SLUG, name, row) for name in ("absent_s", "least_messages", "hold_s")
            )
            now_ms = int(view.time_ms[at])
            found[at] = any(_counts(s, now_ms, absent, messages, hold) for s in strangers.values())
    return judged(found, anchor, Severity.LOW)


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """The ids, and when each was first and last heard."""
    strangers = look.state.strangers.of(look.site.id)
    newest = sorted(strangers.items(), key=lambda item: (-item[1].count, item[0]))
    readings = tuple(
        Reading(
            f"Messages of '{unit}'", float(s.count), "",
            note=f"first {_ago(look.time_ms - s.first_ms)}, last {_ago(look.time_ms - s.last_ms)}",
        )
        for unit, s in newest[:_NAMED]
    )  # fmt: skip
    names = ", ".join(f"'{unit}'" for unit, _ in newest[:_NAMED])
    more = f" and {len(newest) - _NAMED} more" if len(newest) > _NAMED else ""
    own = {u.id for u in look.site.units}
    silent = [
        u.name
        for r in np.flatnonzero(look.plan.site_index == look.plan.site_index[look.row]).tolist()
        for _site, u in [look.plan.unit_of_row[r]]
        if look.time_ms - int(look.state.frame_ms[r]) > 900_000
    ]
    return Evidence(
        summary=f"Site {look.site.name} sends readings of units that its file does not know: "
        f"{names}{more}. They are in quarantine; nothing watches these units.",
        confidence=0.95,
        readings=readings,
        causes=_causes(silent, sorted(own)),
        limits=("Only topics under this site's own name are seen here; a site that no file knows "
                "has no ticket, its messages stand in quarantine.",),
    )  # fmt: skip


def _causes(silent: list[str], ids: list[str]) -> tuple[Cause, ...]:
    """With a known unit silent, its readings probably come under the unknown name."""
    new_unit = Cause(
        "not-in-file", "A unit was put up and is not in the site file yet",
        0.4 if silent else 0.7, (),
        ("a known unit of the site has fallen silent",) if silent else (),
        "Ask the site; add the unit to the site file and reload.",
    )  # fmt: skip
    told = ", ".join(ids[:5]) + (", …" if len(ids) > 5 else "")
    wrong_id = Cause(
        "wrong-id", "A sensor or controller publishes under a wrong id", 0.7 if silent else 0.4,
        (f"silent meanwhile: {', '.join(silent[:3])}",) if silent else (), (),
        f"Compare the topic with the ids of the site file: {told}.",
    )  # fmt: skip
    return (wrong_id, new_unit) if silent else (new_unit, wrong_id)


def _ago(age_ms: float) -> str:
    minutes = max(age_ms, 0.0) / 60_000.0
    return f"{minutes:.0f} min ago" if minutes < 180.0 else f"{minutes / 60.0:.0f} h ago"


UNIT_UNREGISTERED: Final = Rule(
    Fault(
        slug=_SLUG,
        site_wide=True,
        title="Unit not registered",
        family="telemetry",
        meaning="Messages come from a unit that the site's file does not know.",
        consequence="A machine is not watched, or a known one is missing its readings.",
        action="Add the unit to the site file and reload, or correct the sender's topic.",
        causes=(
            CauseEntry("not-in-file", "A unit was put up and is not in the site file yet",
                       "ask the site", "telemetry"),
            CauseEntry("wrong-id", "A sensor or controller publishes under a wrong id",
                       "the topic against the site file", "telemetry"),
        ),
        needs=(),
        helps=(),
        suppressed_by=(),
        response={Severity.LOW: "next working day"},
        job_plan="telemetry",
        settings=(
            Setting("least_messages", 3.0, "messages", 1.0, 10_000.0,
                    "messages of one id that count", "a slip at commissioning is no unit"),
            Setting("hold_s", 600.0, "s", 0.0, 86_400.0,
                    "time over which they came", "somebody trying things out is done by then"),
            Setting("absent_s", 86_400.0, "s", 600.0, 604_800.0,
                    "not heard for so long, it is gone", "a day: controllers are off at night"),
            *course(0.0, "the time above is delay enough", 0.0, "the day above is delay enough"),
        ),
        judged_by="clock",
    ),
    judge,
    explain,
)  # fmt: skip
