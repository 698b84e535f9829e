"""Pump screen clogging and restricted distribution: the water that no longer reaches the pads.

One look at three witnesses (pump current at rated voltage, spray pressure, spray flow), each
against the unit's own clean baseline. Both current and pressure down: the suction side. Current
down and pressure up: downstream. Current alone is a weak witness and the evidence says so; a flow
meter alone tells how much water is lost, not where.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from rules.arrays import F64, I8, Bool
from rules.bins import BinView
from rules.diagnosis import SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, graded, judged
from rules.faults.rule import Rule
from rules.faults.water_flow_signs import (
    FLOW_CAUSES,
    FLOW_SIGNS,
    confidence_of,
    limits_of,
    seen_signs,
)
from rules.look import UnitLook
from rules.residuals import FLOW_WINDOW_BINS, flow_by_current, sign
from rules.usual_current import lowest_frac

__all__ = ["DISTRIBUTION_RESTRICTED", "PUMP_SCREEN_CLOGGING"]

_SCREEN: Final = "pump-screen-clogging"
_PIPE: Final = "distribution-restricted"

_GRADES: Final = (
    Setting("flow_loss_low_pct", 13.0, "% of clean flow", 3.0, 60.0,
            "loss of water over the pads that calls for planned work",
            "three times the uncertainty of an hour's median on a quiet motor; pads still wet"),
    Setting("flow_loss_medium_pct", 23.0, "% of clean flow", 5.0, 80.0,
            "loss that calls for a visit this week",
            "pads begin to run dry in stripes below three quarters of the flow (common practice)"),
    Setting("flow_loss_high_pct", 38.0, "% of clean flow", 10.0, 95.0,
            "loss that calls for a visit today",
            "evaporation and its cooling fall off quickly from here (common practice)"),
    Setting("deadband_pct", 5.0, "% of clean flow", 0.5, 20.0,
            "how far the loss must fall back below a limit",
            "about the flow meters' and the current's slow noise"),
    Setting("least_current_change_pct", 1.5, "%", 0.2, 20.0,
            "a smaller change of current is taken for none",
            "learned and present medians differ by this much on noisy small motors"),
    Setting("least_pressure_change_pct", 5.0, "%", 0.5, 30.0,
            "a smaller change of spray pressure is taken for none",
            "transmitters of this class drift by 1 to 2 %, level adds as much (common practice)"),
)  # fmt: skip
_BY_CURRENT: Final = Setting(
    "least_loss_by_current_pct",
    19.0,
    "% of clean flow",
    5.0,
    60.0,
    "least loss that counts where the pump's current is the only witness",
    "six per cent of current is some 15 % of flow, and weather, voltage and water "
    "temperature move the current of a clean pump by up to five (common practice)",
)
_LASTING: Final = Setting(
    "least_loss_lasting_pct",
    11.0,
    "% of clean flow",
    3.0,
    60.0,
    "the same where each of six running hours draws less than any hour of the clean pump's first "
    "days did",
    "some four per cent of current. What the supply and the weather do to it, those days have "
    "shown; how much water it stands for is uncertain by half (common practice)",
)
_PERSISTENCE: Final = course(
    3600.0, "it grows over days; an hour costs nothing and spares a false call-out",
    7200.0, "two running hours of good medians: near a limit an hour's median wanders",
)  # fmt: skip


def _signs(view: BinView, slug: str) -> tuple[I8, I8, I8]:
    """Current, pressure and flow meter: +1, -1, 0, or 2 where not known."""
    least_current = view.setting(slug, "least_current_change_pct") / 100.0
    least_pressure = view.setting(slug, "least_pressure_change_pct") / 100.0
    flow = view.flow
    return (
        sign(flow.current_frac, flow.current_se, least_current),
        sign(flow.pressure_frac, flow.pressure_se, least_pressure),
        sign(flow.meter_frac, flow.meter_se, least_pressure),
    )


def _loss_pct(view: BinView) -> F64:
    return 100.0 * (1.0 - view.flow.flow_frac)


def _grade(view: BinView, slug: str, fits: Bool, known: Bool, announced: I8) -> I8:
    limits = [view.setting(slug, f"flow_loss_{s}_pct") for s in ("low", "medium", "high")]
    severity = graded(_loss_pct(view), limits, view.setting(slug, "deadband_pct"), announced)
    known = known & view.flow.fresh & ~np.isnan(view.flow.flow_frac)
    return judged(fits & (severity > 0), known, np.maximum(severity, 0).astype(np.int8))


def judge_screen(view: BinView, announced: I8) -> I8:
    """Water lost with the signature of the suction side."""
    return _where_news(view, announced, _screen)


def judge_distribution(view: BinView, announced: I8) -> I8:
    """Water lost while the pressure before the holes has risen."""
    return _where_news(view, announced, _distribution)


def _where_news(view: BinView, announced: I8, judge: Callable[[BinView, I8], I8]) -> I8:
    """Judge the units whose newest means are not as when clean, or whose alarm is not at rest.

    That is a small part of the fleet; for the others no median is needed to say that all is well.
    """
    at, news = view.flow_news
    out = np.zeros(len(view.rows), dtype=np.int8)
    if len(at):
        out[at] = judge(news, announced[at])
    return out


def _screen(view: BinView, announced: I8) -> I8:
    current, pressure, meter = _signs(view, _SCREEN)
    has_pressure, has_meter = pressure != 2, meter != 2
    certain = 1.0 - view.flow.flow_frac >= 3.0 * _statistical_se(view)
    by_pressure = (pressure == -1) & (current != 1) & (meter != 1)
    alone = ~has_pressure & ~has_meter
    large = _loss_pct(view) >= np.where(announced > 0, 0.8, 1.0) * view.setting(
        _SCREEN, "least_loss_by_current_pct"
    )
    by_current = ~has_pressure & (current == -1) & ~(has_meter & (meter != -1)) & certain
    below_all = by_current & alone & _below_all(view, announced)
    by_current &= (large & _lasts(view, alone, announced)) | ~alone | below_all
    # Without a current the meter is believed alone: it measures what the others only stand for.
    by_meter = (current == 2) & (meter == -1)
    known = (current != 2) | has_pressure | has_meter
    fits = np.where(has_pressure, by_pressure, by_current | by_meter)
    severity = _grade(view, _SCREEN, fits, known, announced)
    # Beyond doubt there is a loss; how small it may be to count is this limit's to say.
    return np.where(below_all & (severity == 0), np.int8(Severity.LOW), severity)


def _lasts(view: BinView, alone: Bool, announced: I8) -> Bool:
    """Whether each of the last running hours shows a loss, where the current is the only witness.

    A screen does not clear itself for an hour. What the supply's voltage does to the current comes
    and goes within hours (EN 50160 lets it wander by a tenth), and the clean current itself was
    learned in few of them. A loss beyond what voltage does needs no such patience.
    """
    out = np.ones(len(view.rows), dtype=np.bool_)
    loss_pct = _loss_pct(view)
    asked = alone & (announced == 0) & (loss_pct < view.setting(_SCREEN, "flow_loss_high_pct"))
    at = np.flatnonzero(asked & (loss_pct >= view.setting(_SCREEN, "flow_loss_low_pct")))
    if len(at):
        part = view.only(at)
        best = part.steady_medians("pump_current", FLOW_WINDOW_BINS).max(axis=1)
        out[at] = flow_by_current(part, best / part.baseline("pump_current")) <= (
            1.0 - part.setting(_SCREEN, "flow_loss_low_pct") / 100.0
        )
    return out


BELOW_FRAC: Final = 0.015
"""How far below the lowest hour of the clean pump's first days counts: three times as far as six
healthy hours in a row were ever seen below it, in the plant models (DEVELOPERS.md)."""


def _below_all(view: BinView, announced: I8) -> Bool:
    """Whether six running hours all draw less than any hour in which the wander was learned."""
    out = np.zeros(len(view.rows), dtype=np.bool_)
    lowest = lowest_frac(view.state, view.rows, view.time_ms)
    least_pct = np.where(announced > 0, 0.8, 1.0) * view.setting(_SCREEN, "least_loss_lasting_pct")
    now = view.flow.current_frac
    limit = lowest - np.where(announced > 0, 0.5, 1.0) * BELOW_FRAC
    at = np.flatnonzero((now < limit) & (_loss_pct(view) >= least_pct) & view.flow.fresh)
    if len(at):
        part = view.only(at)
        hours = part.steady_medians("pump_current", FLOW_WINDOW_BINS)
        best = hours.max(axis=1) / part.baseline("pump_current")  # NaN before there are six
        out[at] = (best < limit[at]) | (announced[at] > 0)
    return out


def _distribution(view: BinView, announced: I8) -> I8:
    current, pressure, meter = _signs(view, _PIPE)
    fits = (pressure == 1) & ((current == -1) | (meter == -1)) & (current != 1) & (meter != 1)
    known = (pressure != 2) & ((current != 2) | (meter != 2))
    return _grade(view, _PIPE, fits, known, announced)


def _statistical_se(view: BinView) -> F64:
    """Standard error of flow from current alone, without the model's: is there a loss at all?"""
    # One per cent of current is some 2.5 % of flow, with usual shares of magnetising current and
    # shut-off power (0.45 and 0.5; see rules/physics/pump.py).
    return 2.5 * view.flow.current_se


def _explain(look: UnitLook, severity: Severity, slug: str) -> Evidence:
    readings: list[Reading] = []
    ratios: dict[str, float] = {}
    for quantity, title, unit in (
        ("pump_current", "Pump current at rated voltage, last running hour", "A"),
        ("spray_pressure", "Spray pressure, last running hour", "kPa"),
        ("spray_flow", "Spray flow, last running hour", "L/min"),
    ):
        base, now = look.baseline(quantity), look.steady(quantity, FLOW_WINDOW_BINS)
        if base is None or now is None or base.value <= 0:
            continue
        ratios[quantity] = now / base.value
        spread = 3.0 * base.spread
        readings.append(
            Reading(title, now, unit, base.value, base.value - spread, base.value + spread,
                    f"{100.0 * (now / base.value - 1.0):+.1f} % against the clean baseline "
                    f"({base.count} means of 5 min)")
        )  # fmt: skip
    view = look.bin_view()
    lowest = float(lowest_frac(look.state, view.rows, view.time_ms)[0])
    base = look.baseline("pump_current")
    if base is not None and set(ratios) == {"pump_current"} and not np.isnan(lowest):
        readings.append(
            Reading("Lowest running hour of the clean pump", lowest * base.value, "A",
                    note="in the days in which its wander was learned", derived=True)
        )  # fmt: skip
    flow = float(view.flow.flow_frac[0])
    flow_se = float(view.flow.flow_se[0])
    readings.append(
        Reading("Water over the pads, estimated", 100.0 * flow, "%", 100.0,
                note=f"of the clean flow; uncertain by ±{100.0 * flow_se:.0f} %", derived=True)
    )  # fmt: skip
    level = look.recent("level_running")
    if level is not None:
        basin = look.unit.basin
        readings.append(
            Reading("Basin level, pump running", level, "mm", None,
                    basin.pump_minimum_mm, basin.float_shut_mm,
                    "low enough to draw air" if level < basin.pump_minimum_mm + 10
                    else "enough over the pump")
        )  # fmt: skip
    seen = seen_signs(look, ratios, level, slug)
    causes = rank(FLOW_SIGNS, FLOW_CAUSES, seen)
    what = "pump screen clogging" if slug == _SCREEN else "restricted distribution holes or pipe"
    witnesses = [n for n in ("pump_current", "spray_pressure", "spray_flow") if n in ratios]
    return Evidence(
        summary=(
            f"The pads get about {100.0 * flow:.0f} % of the clean water flow, with the signs of "
            f"{what}."
        ),
        confidence=confidence_of(slug, ratios, severity),
        readings=tuple(readings),
        causes=causes,
        signals=(*witnesses, "basin_level", "pump_command"),
        limits=limits_of(look, ratios),
    )


def _entry(row: SignatureRow, job_plan: str) -> CauseEntry:
    return CauseEntry(row.slug, row.title, row.look_at, job_plan)


_BY_SLUG: Final = {row.slug: row for row in FLOW_CAUSES}

PUMP_SCREEN_CLOGGING: Final = Rule(
    Fault(
        slug=_SCREEN,
        title="Pump screen clogging",
        family="pump and screen",
        meaning=(
            "The pump gives less water than in its clean state, and the signs are those of a "
            "restriction on its suction side."
        ),
        consequence=(
            "Pads run dry in stripes and scale up, condensing pressure rises on hot days, and the "
            "pump may run dry and fail."
        ),
        action="Clean the pump's suction screen and strainer, and the basin around them.",
        causes=(
            _entry(_BY_SLUG["pump-screen-clogging"], "pump-screen"),
            _entry(_BY_SLUG["distribution-restricted"], "distribution"),
            _entry(_BY_SLUG["pump-drawing-air"], "float-valve"),
            _entry(_BY_SLUG["worn-pump"], "pump-drive"),
            _entry(_BY_SLUG["downstream-open"], "distribution"),
            _entry(_BY_SLUG["pump-not-running"], "pump-drive"),
        ),
        needs=(),
        needs_any=(("pump_current", "spray_pressure", "spray_flow"),),
        helps=(
            "pump_current",
            "spray_pressure",
            "spray_flow",
            "supply_voltage",
            "basin_level",
            "pump_command",
        ),
        suppressed_by=("pump-not-running", "float-stuck-shut", "pump-drawing-air"),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week",
            Severity.HIGH: "today",
        },
        job_plan="pump-screen",
        settings=(_BY_CURRENT, _LASTING, *_GRADES, *_PERSISTENCE),
        judged_by="bins",
    ),
    judge_screen,
    lambda look, severity: _explain(look, severity, _SCREEN),
    (SignatureTable(FLOW_SIGNS, FLOW_CAUSES),),
)

DISTRIBUTION_RESTRICTED: Final = Rule(
    Fault(
        slug=_PIPE,
        title="Water distribution restricted",
        family="pump and screen",
        meaning=(
            "Less water leaves the distribution pipe than in the clean state although the "
            "pressure before its holes is higher: holes or pipe are partly blocked."
        ),
        consequence="Uneven or dry pads, scale on the dry stripes, and rising condensing pressure.",
        action="Clear the distribution holes by hand; flush the header if several are blocked.",
        causes=(_entry(_BY_SLUG["distribution-restricted"], "distribution"),),
        needs=("spray_pressure",),
        needs_any=(("pump_current", "spray_flow"),),
        helps=("pump_current", "spray_flow", "supply_voltage"),
        suppressed_by=("pump-not-running", "float-stuck-shut", "pump-drawing-air"),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week",
            Severity.HIGH: "today",
        },
        job_plan="distribution",
        settings=(*_GRADES, *_PERSISTENCE),
        judged_by="bins",
    ),
    judge_distribution,
    lambda look, severity: _explain(look, severity, _PIPE),
    (SignatureTable(FLOW_SIGNS, FLOW_CAUSES),),
)
