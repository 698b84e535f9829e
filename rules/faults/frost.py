"""Frost: water in a basin that is about to freeze."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import fault_column
from rules.arrays import I8, Bool
from rules.events import Cause, Evidence, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, graded
from rules.faults.rule import Rule
from rules.frames import FrameView
from rules.look import UnitLook
from rules.standing import seen_dry

__all__ = ["FROST_RISK", "water_in_basin"]

_SLUG: Final = "frost-risk"


def water_in_basin(view: FrameView, slug: str) -> tuple[Bool, Bool]:
    """Whether the basin holds water, and whether that is known; each (k,).

    By the level; without one by the conductivity, which reads next to nothing in air.
    """
    level, conductivity = view.signal("basin_level"), view.signal("conductivity")
    by_level = level >= view.setting(slug, "water_level_mm")
    by_probe = conductivity >= WET_PROBE_FRAC * view.plan.makeup_us_cm[view.rows]
    no_level = np.isnan(level)
    holds = np.where(no_level, by_probe, by_level)
    return holds, ~(no_level & np.isnan(conductivity))


WET_PROBE_FRAC: Final = 0.2
"""A probe in water reads at least so much of the make-up's conductivity; in air it reads next to
nothing (common practice)."""


def judge(view: FrameView, announced: I8) -> I8:
    """By the water's own temperature; without a probe by the air's, which must be colder.

    In frost, water that no heater keeps warm calls for draining sooner: pump and pipes hold little
    of it, and freeze before the basin does.
    """
    water = view.signal("basin_temperature")
    air = view.signal("ambient_temperature")
    unmeasured = np.isnan(water)
    holds, known = water_in_basin(view, _SLUG)
    coldness = -np.where(unmeasured, air, water)
    air_medium = view.setting(_SLUG, "air_medium_degc")
    in_frost = air <= air_medium + np.where(announced > 0, view.setting(_SLUG, "deadband_k"), 0.0)
    water_medium = np.where(
        in_frost,
        view.setting(_SLUG, "water_in_frost_degc"),
        view.setting(_SLUG, "water_medium_degc"),
    )
    limits = [
        None,
        -np.where(unmeasured, air_medium, water_medium),
        -np.where(unmeasured, view.setting(_SLUG, "air_high_degc"),
                  view.setting(_SLUG, "water_high_degc")),
    ]  # fmt: skip
    severity = graded(coldness, limits, view.setting(_SLUG, "deadband_k"), announced)
    severity[known & ~holds] = 0
    # What stands, or waits for its delay, began while water was known, or taken, to be there.
    new = (announced == 0) & (view.state.alarm_pending_ms[view.rows, fault_column(_SLUG)] == 0)
    severity[~known | ((severity > 0) & new & _may_stay_wet(view))] = -1
    return severity


FULL_LATELY_S: Final = 86_400.0
"""Water that circulated within a day was there, and is drained by then if it is at all
(judgement). After a silence, and when the unit comes under watch, it may just have circulated: then
the alarm is the safer error."""


def _may_stay_wet(view: FrameView) -> Bool:
    """Units of which only the probe says that there is water, and may say so of a drained basin.

    Probes are often put into a pocket or a pipe that stays wet, since they suffer from drying
    (common practice): only one that was seen in air before tells a full basin from a drained one.
    """
    setting = view.setting(_SLUG, "probe_dries")
    dries = seen_dry(view.state, view.rows) | (setting > 0.75)
    may_stay: Bool = np.isnan(view.signal("basin_level")) & (~dries | (setting < 0.25))
    return may_stay & ~(view.standing_s <= FULL_LATELY_S)


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """The temperatures, the level, and whether the water moves."""
    water, air = look.value("basin_temperature"), look.value("ambient_temperature")
    pump = int(look.state.pump_state[look.row])
    mode = int(look.state.mode[look.row])
    by_probe = look.value("basin_level") is None
    in_frost = air is not None and air <= look.setting(_SLUG, "air_medium_degc")
    least = look.setting(_SLUG, "water_in_frost_degc" if in_frost else "water_medium_degc")
    readings = [
        look.reading("basin_temperature", low=least),
        look.reading("ambient_temperature"),
        look.reading("basin_level", note="water that can freeze"),
        *([look.reading("conductivity", note="the probe stands in water")] if by_probe else []),
    ]
    readings = [r for r in readings if r.measured is not None]
    cold_air = None if air is None else air < 0.0
    wet_in_frost = pump == 1 or mode == 1
    stands = ("the pump stands",) if pump == 0 else ()
    causes = (
        Cause("not-drained", "Basin not drained for the frost",
              0.3 if wet_in_frost else 0.9,
              () if wet_in_frost else ("the basin holds water", *stands),
              ("the unit runs wet",) if wet_in_frost else (),
              "Look whether the drain was opened, and whether it is blocked or frozen."),
        Cause("wet-mode-not-locked-out", "Wet operation not locked out in frost",
              0.9 if wet_in_frost else 0.2,
              ("the unit runs wet",) if wet_in_frost else (),
              ("the unit runs dry",) if not wet_in_frost and mode == 0 else (),
              "Compare the controller's lock-out temperature with the site's rule."),
        Cause("heater-failed", "Basin heater failed or switched off, if there is one", 0.4, (), (),
              "For qualified people: look at heater, thermostat and low-water cut-out."),
        Cause("probe-wrong", "Temperature probe wrong",
              0.7 if cold_air is False and water is not None else 0.1,
              ("the air is above freezing",) if cold_air is False else (),
              ("the air is below freezing",) if cold_air else (), "Compare with a thermometer."),
    )  # fmt: skip
    ranked = sorted(causes, key=lambda c: -c.agreement)
    at = (
        f"water at {water:.1f} °C" if water is not None
        else f"air at {air:.1f} °C" if air is not None else "frost"
    )  # fmt: skip
    return Evidence(
        summary=f"The basin holds water in frost ({at}): ice breaks basin, pump and pipes.",
        confidence=0.95 if water is not None else 0.75,
        readings=tuple(readings),
        causes=tuple(ranked),
        signals=("basin_temperature", "ambient_temperature", "basin_level"),
        limits=(*(() if water is not None else (_UNMEASURED,)),
                *((_BY_PROBE,) if by_probe else ())),
    )  # fmt: skip


_UNMEASURED: Final = (
    "No basin temperature here: a heated basin looks the same from here, so the air must be colder "
    "before this is raised."
)
_BY_PROBE: Final = (
    "No level here: only the conductivity probe says that there is water. One in a pocket that "
    "stays wet says so of a drained basin, too."
)

FROST_RISK: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Frost with water in the basin",
        family="hygiene and frost",
        meaning="The basin holds water while it, or the air around it, is at freezing.",
        consequence=(
            "Ice breaks basin, pump, float and pipes, and makes walkways slippery; heavy ice on "
            "pads can fall."
        ),
        action="Drain the basin and the pipes by the site's procedure, or restore the heating.",
        causes=(
            CauseEntry("not-drained", "Basin not drained for the frost", "the drain",
                       "drain-down"),
            CauseEntry("wet-mode-not-locked-out", "Wet operation not locked out in frost",
                       "the controller's lock-out temperature", "drain-down"),
            CauseEntry("heater-failed", "Basin heater failed or switched off, if there is one",
                       "heater, thermostat, low-water cut-out", "drain-down"),
            CauseEntry("probe-wrong", "Temperature probe wrong", "compare with a thermometer",
                       "telemetry"),
        ),
        needs=("ambient_temperature",),
        helps=("basin_temperature", "basin_level", "conductivity", "wet_mode"),
        suppressed_by=(),
        response={
            Severity.MEDIUM: "before the next night",
            Severity.HIGH: "today: ice is forming",
        },
        job_plan="drain-down",
        settings=(
            Setting("water_level_mm", 20.0, "mm", 0.0, 500.0,
                    "level from which the basin holds water",
                    "below it the probes stand in air (common practice)"),
            Setting("probe_dries", 0.5, "0, 0.5 or 1", 0.0, 1.0,
                    "where no level is sent: 1 where the conductivity probe hangs in air once the "
                    "basin is drained, 0 where it stays wet, 0.5 to find out",
                    "a probe that was seen in air does; until then, and where it stays wet, water "
                    "is taken to be there only for a day after it circulated, or may have in a "
                    "silence"),
            Setting("water_medium_degc", 2.0, "°C", -5.0, 10.0,
                    "basin temperature that calls for draining before the night",
                    "a shallow basin loses two kelvin in a clear night (common practice)"),
            Setting("water_in_frost_degc", 4.0, "°C", -5.0, 10.0,
                    "the same while the air is at the medium air temperature or below",
                    "basin heaters hold 4 to 5 °C (common practice): below it none is at work"),
            Setting("water_high_degc", 0.5, "°C", -5.0, 5.0,
                    "basin temperature at which ice forms",
                    "the water freezes at 0 °C; a probe is good for half a kelvin"),
            Setting("air_medium_degc", -1.0, "°C", -20.0, 5.0,
                    "air temperature that counts where no basin temperature is measured",
                    "the basin's water lags behind the air; -1 °C for hours is frost"),
            Setting("air_high_degc", -4.0, "°C", -30.0, 0.0,
                    "air temperature at which ice must be expected",
                    "a basin of 200 mm freezes over within a night at -4 °C (common practice)"),
            Setting("deadband_k", 1.0, "K", 0.0, 10.0,
                    "how far it must warm up", "about twice a probe's error"),
            *course(5400.0, "a minute of cold air freezes nothing; an hour and a half begins to",
                    10_800.0, "thaw by day and frost by night are one event"),
        ),
    ),
    judge,
    explain,
)  # fmt: skip
