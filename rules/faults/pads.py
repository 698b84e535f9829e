"""Pads: clogged by scale and dirt, or not wetted although the unit runs wet."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I8, I64
from rules.bins import BinView
from rules.events import Cause, Evidence, Severity
from rules.faults.base import Fault, Setting
from rules.faults.grading import course, graded
from rules.faults.rejection import (
    REJECTION_TABLE,
    cause_entries,
    causes_of,
    heat_limits,
    heat_of,
    heat_readings,
    urgent_settings,
    with_urgency,
)
from rules.faults.rule import Rule
from rules.heat_compared import HeatRejection
from rules.look import UnitLook

__all__ = ["PADS_CLOGGED", "PADS_NOT_WETTING", "effect_lost_pct"]

_CLOGGED: Final = "pads-clogged"
_DRY: Final = "pads-not-wetting"
HIDDEN_FRAC: Final = 0.3
"""A loss beyond this that the weather does not let see is unknown, not none."""


def _some(view: BinView, slug: str, name: str, at: I64) -> F64:
    return view.plan.settings.get(slug, name, view.rows[at])


def judge_clogged(view: BinView, announced: I8) -> I8:
    """Pressure drop at full airflow, referred to wetted pads, against the clean ones."""
    at, heat, _ = view.heat
    rise = 100.0 * (heat.pads_ratio - 1.0)
    # Below three standard errors nothing has risen.
    rise = np.where(rise < 300.0 * heat.pads_se, np.fmin(rise, 0.0), rise)
    limits = [_some(view, _CLOGGED, f"rise_{s}_pct", at) for s in ("low", "medium", "high")]
    severity = graded(rise, limits, _some(view, _CLOGGED, "deadband_pct", at), announced[at])
    return with_urgency(view, _CLOGGED, at, severity, announced)


def effect_lost_pct(heat: HeatRejection) -> F64:
    """Share of the pads' clean effect that is gone, (m,) [%]; NaN where it cannot be told.

    0 where the loss is within three times its uncertainty, unless that is large too.
    """
    lost = 1.0 - heat.effect / heat.effect_clean
    sure = heat.effect_clean - heat.effect >= 3.0 * heat.effect_sd
    # Humid air hides a loss: then it is not known, which is not the same as none.
    lost = np.where(sure, lost, np.where(lost > HIDDEN_FRAC, np.nan, np.fmin(lost, 0.0)))
    return 100.0 * lost


def judge_dry(view: BinView, announced: I8) -> I8:
    """The pads' effect that is left in wet running."""
    at, heat, _ = view.heat
    # Once it stands, what the level says is enough to hold it.
    held = 100.0 * (1.0 - heat.held_effect / heat.effect_clean)
    found = effect_lost_pct(heat)
    # Dry running that changes by itself, as when other fans take over, is no loss of the pads.
    found = np.where(heat.wet_news | (heat.effect_by == 2) | ~(found > 0.0), found, np.nan)
    # In wet running alone, pads that hold back more air look alike: their own gauge decides.
    clogs = heat.pads_clog(_some(view, _CLOGGED, "rise_low_pct", at)) | heat.pads_waits
    found = np.where((heat.effect_by == 3) & clogs, np.nan, found)
    by_water = np.where(clogs, np.nan, 100.0 * heat.lost_by_water())
    lost = np.where((announced[at] > 0) & ~np.isnan(held), held, found)
    lost = heat.beside_gas(lost, announced[at] == 0, heat.even_waits)
    sure = by_water > np.nan_to_num(lost)
    lost = np.where(sure, by_water, lost)
    with_load = [_some(view, _DRY, f"effect_lost_{s}_pct", at) for s in ("low", "medium", "high")]
    only_large = _some(view, _DRY, "effect_lost_no_load_pct", at)
    both = sure | (heat.effect_by == 1) | ((heat.effect_by == 3) & heat.fall_learned)
    # Dry running beside wet at a known load tells a part of it, if it is more than its errors.
    two = _some(view, _DRY, "effect_lost_two_modes_pct", at)
    limits: list[F64 | float | None] = [
        np.where(~sure & (heat.effect_by == 1), two, np.where(both, with_load[0], np.inf)),
        np.where(both, with_load[1], only_large),
        np.where(both, with_load[2], np.inf),
    ]
    severity = graded(lost, limits, _some(view, _DRY, "deadband_pct", at), announced[at])
    return with_urgency(view, _DRY, at, severity, announced)


def explain_clogged(look: UnitLook, severity: Severity) -> Evidence:
    """The pressure drop, and what the temperatures say to it."""
    heat = heat_of(look)
    rise = 100.0 * (float(heat.pads_ratio[0]) - 1.0)
    return Evidence(
        summary=(
            f"The pads hold back more air than when clean: pressure drop {rise:+.0f} % at equal "
            "airflow."
        ),
        confidence=0.85,
        readings=tuple(heat_readings(look, heat)),
        causes=_leading(causes_of(look, heat), _CLOGGED),
        signals=("pad_pressure_drop", "fan_speed", "head_pressure", "wet_mode"),
        limits=(
            "A fan speed command is not a measured airflow: a pressure tube full of water reads "
            "like this too.",
        ),
    )


def explain_dry(look: UnitLook, severity: Severity) -> Evidence:
    """What is left of the pads' effect, and whether water, pads or air did it."""
    heat = heat_of(look)
    effect, clean = float(heat.effect[0]), float(heat.effect_clean[0])
    by_water = 100.0 * float(heat.lost_by_water()[0])
    if by_water >= look.setting(_DRY, "effect_lost_low_pct"):
        said = (
            f"In wet running the pads evaporate {by_water:.0f} % less than at this weather and "
            "airflow when clean, by the meters of make-up and bleed, and it condenses higher."
        )
    elif np.isnan(effect):
        said = "In wet running it condenses nearly as high as dry running would."
    else:
        said = (
            f"In wet running the pads cool the air by about {max(0.0, 100.0 * effect):.0f} % of "
            f"the way to the wet bulb, where {100.0 * clean:.0f} % was usual."
        )
    by = int(heat.effect_by[0])
    return Evidence(
        summary=said,
        confidence={1: 0.85, 2: 0.7, 3: 0.6, 4: 0.65}.get(by, 0.6),
        readings=tuple(heat_readings(look, heat)),
        causes=causes_of(look, heat) if by in (1, 2, 4) else _leading(causes_of(look, heat), _DRY),
        signals=("head_pressure", "ambient_temperature", "relative_humidity", "wet_mode",
                 "pump_current", "spray_pressure", "makeup_flow", "bleed_flow"),
        limits=heat_limits(look, heat),
    )  # fmt: skip


def _leading(causes: tuple[Cause, ...], slug: str) -> tuple[Cause, ...]:
    """The direct witness decides: its cause stands first, unless it was ruled out."""
    return tuple(sorted(causes, key=lambda c: (c.ruled_out, c.slug != slug)))


PADS_CLOGGED: Final = Rule(
    Fault(
        slug=_CLOGGED,
        spoils_heat=True,
        title="Pads clogged",
        family="heat rejection",
        meaning="The pads hold back more air than when clean: scale or dirt fills their flutes.",
        consequence=(
            "Less air, warmer condensing dry and wet; fans work harder; scaled pads get heavy and "
            "wet badly."
        ),
        action="Take out and rinse the pads, replace what stays blocked; check bleed and water.",
        causes=cause_entries(["pads-clogged"]),
        needs=("pad_pressure_drop",),
        needs_any=(("fan_speed", "fan_run"),),
        helps=("fan_run", "head_pressure", "ambient_temperature", "relative_humidity", "heat_load"),
        suppressed_by=("fan-fault", "fan-not-proven"),
        response={
            Severity.LOW: "with the next planned visit",
            Severity.MEDIUM: "this week",
            Severity.HIGH: "today",
        },
        job_plan="pads",
        settings=(
            Setting("rise_low_pct", 35.0, "% over clean", 10.0, 300.0,
                    "rise of the pressure drop that calls for planned work",
                    "the square law of airflow is off by up to a fifth over the fans' range"),
            Setting("rise_medium_pct", 70.0, "% over clean", 20.0, 500.0,
                    "rise that calls for a visit this week",
                    "by the fan law the air falls by about a tenth to a fifth (common practice)"),
            Setting("rise_high_pct", 150.0, "% over clean", 30.0, 900.0,
                    "rise that calls for a visit today",
                    "most flutes are blocked; pads may sag under the weight (common practice)"),
            Setting("deadband_pct", 10.0, "% over clean", 1.0, 50.0,
                    "how far the rise must fall back below a limit",
                    "low pressures in gusty air wander by this much"),
            *urgent_settings(),
            *course(10_800.0, "it grows over weeks; wind on the intake lasts an hour",
                    7200.0, "two hourly means in order"),
        ),
        judged_by="bins",
    ),
    judge_clogged,
    explain_clogged,
    (REJECTION_TABLE,),
)  # fmt: skip

PADS_NOT_WETTING: Final = Rule(
    Fault(
        slug=_DRY,
        title="Pads not wetting",
        family="heat rejection",
        meaning=(
            "In wet running the refrigerant condenses about as high as dry running would put it, "
            "or the pads evaporate far less than they did: they do not cool the air, although the "
            "pump runs."
        ),
        consequence=(
            "The unit has its dry capacity only, when the weather asks for more; dry stripes scale "
            "up."
        ),
        action="See where the water goes: distribution, pads in place and sound, bypass.",
        causes=cause_entries(["pads-not-wetting", "pump-screen-clogging",
                              "distribution-restricted", "pads-clogged"]),
        needs=("head_pressure", "ambient_temperature", "relative_humidity"),
        needs_any=(("fan_speed", "fan_run"),),
        helps=("heat_load", "wet_mode", "pump_current", "spray_pressure", "pad_pressure_drop",
               "fan_run", "makeup_flow", "bleed_flow"),
        suppressed_by=(
            "pump-not-running", "pump-screen-clogging", "distribution-restricted",
            "float-stuck-shut", "fan-fault", "fan-not-proven", "fan-capacity-lost", "pads-clogged",
        ),
        yields_to=("coil-fouled",),
        response={
            Severity.LOW: "with the next planned visit, before hot weather",
            Severity.MEDIUM: "this week, before the next hot day",
            Severity.HIGH: "today: a trip is near",
        },
        job_plan="pads",
        settings=(
            Setting("effect_lost_low_pct", 40.0, "% of clean effect", 10.0, 95.0,
                    "loss of the pads' effect that calls for planned work",
                    "at 4 K of wet-bulb depression half a kelvin of error is an eighth already"),
            Setting("effect_lost_two_modes_pct", 25.0, "% of clean effect", 10.0, 95.0,
                    "the same where dry and wet running both tell it, at a known load",
                    "a quarter of the pads stays dry; what is within three standard errors counts "
                    "as none, at 4 K of depression that is more than a third (judgement)"),
            Setting("effect_lost_medium_pct", 55.0, "% of clean effect", 20.0, 98.0,
                    "loss that calls for a visit this week",
                    "more than half of what the water is there for"),
            Setting("effect_lost_high_pct", 90.0, "% of clean effect", 30.0, 120.0,
                    "loss that calls for a visit today",
                    "the unit runs dry although it is wanted wet"),
            Setting("effect_lost_no_load_pct", 65.0, "% of clean effect", 20.0, 98.0,
                    "the only limit where both modes cannot be compared at known load",
                    "the load may move by a tenth while the pads soak"),
            Setting("deadband_pct", 12.0, "% of clean effect", 1.0, 40.0,
                    "how far the loss must fall back below a limit",
                    "the effect found from hour to hour wanders by this much"),
            *urgent_settings(),
            *course(7200.0, "two more hourly means; pads soak within the first hour",
                    7200.0, "two hourly means in order"),
        ),
        judged_by="bins",
    ),
    judge_dry,
    explain_dry,
    (REJECTION_TABLE,),
)  # fmt: skip
